"""Drawing bridges and near-bridges between neighbours."""

from __future__ import annotations

import math

import numpy as np

from jointwise.data_gen.drawing.numbers import log_uniform, uniform
from jointwise.data_gen.drawing.records import (
    BulgeRecord,
    NeckRecord,
)
from jointwise.data_gen.settings import (
    DefectSettings,
)

Site = tuple[int, int]

FILM_WIDTH = 0.15, 0.5
"""Width of a film of solder along the lands over the ball's diameter."""


def bridged_pairs(
    rng: np.random.Generator, defects: DefectSettings, rows: int, cols: int
) -> list[tuple[Site, Site]]:
    """Pairs of neighbours so that nearly the same share of joints is bridged at the edge as inside.

    Each site reaches for one neighbour, some for the one behind it too, and is reached for about as often.
    """
    pairs = set()
    for row in range(rows):
        for col in range(cols):
            reaches, choice = rng.random() < defects.bridging / (2 + defects.bridge_three), rng.random()
            onwards = rng.random() < defects.bridge_three
            around = _neighbours(row, col, rows, cols)
            if reaches and around:
                other = around[int(choice * len(around))]
                pairs.add(_ordered((row, col), other))
                beyond = 2 * other[0] - row, 2 * other[1] - col
                if onwards and 0 <= beyond[0] < rows and 0 <= beyond[1] < cols:
                    pairs.add(_ordered(other, beyond))
    return sorted(pairs)


def _ordered(one: Site, other: Site) -> tuple[Site, Site]:
    return (one, other) if one < other else (other, one)


def _neighbours(row: int, col: int, rows: int, cols: int) -> list[Site]:
    around = [(row - 1, col), (row + 1, col), (row, col - 1), (row, col + 1)]
    return [(r, c) for r, c in around if 0 <= r < rows and 0 <= c < cols]


def draw_neck(
    rng: np.random.Generator, defects: DefectSettings, first: Site, second: Site, ball_mm: float
) -> NeckRecord:
    """A bridge: thick ones, seldom slender ones, anywhere along the height; flat films along the lands."""
    thick = uniform(rng, defects.neck_mm_per_ball) * ball_mm
    thin = log_uniform(rng, (defects.slender_um / 1000, max(defects.neck_mm_per_ball[0] * ball_mm, 0.021)))
    diameter = thin if rng.random() < defects.slender else thick
    low, anywhere = uniform(rng, (0.05, 0.3)), uniform(rng, (0.1, 0.9))
    level = low if rng.random() < 0.4 else anywhere
    squash, flare = uniform(rng, (0.6, 1.0)), uniform(rng, (1.1, 2.0))
    high, wide = uniform(rng, defects.film_um) / 1000, uniform(rng, FILM_WIDTH) * ball_mm
    if rng.random() < defects.film:
        return NeckRecord(first, second, math.sqrt(high * wide), 0.02, min(high / wide, 1.0), min(flare, 1.3))
    return NeckRecord(first, second, diameter, level, squash, flare)


def draw_bulges(
    rng: np.random.Generator, defects: DefectSettings, rows: int, cols: int
) -> dict[Site, tuple[BulgeRecord, ...]]:
    """Near-bridges: on some pairs one or both joints reach out for the other, never touching.

    Blunt bulges, and necks that stop in the air: thin ones anywhere, flat ones along the lands.
    """
    bulges: dict[Site, tuple[BulgeRecord, ...]] = {}
    for row in range(rows):
        for col in range(cols):
            for drow, dcol in ((0, 1), (1, 0)):
                other = row + drow, col + dcol
                drawn = rng.random() < defects.near_bridge
                shape, reach, split = _draw_reach(rng, defects)
                if not drawn or other[0] >= rows or other[1] >= cols:
                    continue
                for site, part, sign in (((row, col), split, 1), (other, 1.0 - split, -1)):
                    if part * reach > 0.05:
                        bulge = BulgeRecord(sign * drow, sign * dcol, part * reach, *shape)
                        bulges[site] = (*bulges.get(site, ()), bulge)
    return bulges


def _draw_reach(
    rng: np.random.Generator, defects: DefectSettings
) -> tuple[tuple[float, float, float], float, float]:
    """Level, thickness and squash of a bulge, its reach over the air, and how a pair shares that reach."""
    split = float(rng.choice([0.0, 1.0, rng.random()]))
    stub, film = rng.random() < defects.near_bridge_neck, rng.random() < defects.film
    blunt = (uniform(rng, (0.15, 0.8)), uniform(rng, (0.25, 0.6)), 1.0)
    neck = (uniform(rng, (0.1, 0.85)), uniform(rng, (0.1, 0.3)), uniform(rng, (0.6, 1.0)))
    flat = (uniform(rng, (0.06, 0.12)), uniform(rng, (0.3, 0.6)), uniform(rng, (0.1, 0.3)))
    short, long = uniform(rng, (0.3, 0.85)), uniform(rng, (0.5, 0.93))
    if not stub:
        return blunt, short, split
    return (flat if film else neck), long, split
