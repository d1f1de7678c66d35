"""Draws of single numbers, as plain Python floats so that records stay JSON-safe."""

from __future__ import annotations

import math

import numpy as np


def uniform(rng: np.random.Generator, pair: tuple[float, float]) -> float:
    """A number between the two, equally likely."""
    # What rng.uniform draws, to the bit, in a third of its time.
    return float(pair[0] + (pair[1] - pair[0]) * rng.random())


def log_uniform(rng: np.random.Generator, pair: tuple[float, float]) -> float:
    """A number between the two whose logarithm is equally likely."""
    drawn = math.exp(uniform(rng, (math.log(pair[0]), math.log(pair[1]))))
    return min(max(drawn, pair[0]), pair[1])


def signed(rng: np.random.Generator, limit: float) -> float:
    """A number between -limit and limit, equally likely."""
    return uniform(rng, (-limit, limit))


def normal_within(rng: np.random.Generator, mean: float, deviation: float, reach: float) -> float:
    """A normal number, drawn again until it lies within `reach` standard deviations."""
    while True:
        value = float(rng.normal())
        if abs(value) <= reach:
            return mean + deviation * value


def disc_point(rng: np.random.Generator) -> tuple[float, float]:
    """A point of the unit disc, equally likely by area."""
    radius, angle = math.sqrt(rng.random()), uniform(rng, (0.0, 2 * math.pi))
    return radius * math.cos(angle), radius * math.sin(angle)
