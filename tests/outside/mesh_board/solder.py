"""Solder between joints: bridges, and blunt spurs that do not reach the neighbour."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import Manifold
from presets import Board
from shapes import lathe


def along(solid: Manifold, start, direction, level: float) -> Manifold:
    """Lay a revolved solid (axis z) with its origin at a place and its axis along a horizontal direction."""
    turned = solid.rotate([0, 90, 0])
    squashed = turned.rotate([0, 0, math.degrees(math.atan2(direction[1], direction[0]))])
    return squashed.translate([float(start[0]), float(start[1]), level]).trim_by_plane([0, 0, 1], 0.0005)


def neck(rng, board: Board, ends: list, h: float) -> tuple[Manifold, float]:
    """A waisted rod between two places and its least thickness in µm, known in closed form."""
    thick = board.ball * float(np.exp(rng.uniform(*np.log(board.neck))))
    squash, level = float(rng.uniform(0.7, 1.0)), float(rng.uniform(0.1, 0.6)) * h
    least = (
        thick / 2 / math.sqrt(squash)
    )  # half axes `least` and `least * squash`: the area is that of a circle
    flare = float(rng.uniform(2.0, 7.0)) * (0.12 * board.ball / least) ** 0.5
    across = ends[1] - ends[0]
    s = np.linspace(-0.5, 0.5, 41)
    radius = np.minimum(least * (1 + flare * s**2 + 4 * flare * s**4), max(0.3 * h, least))
    profile = np.column_stack([radius, s * 0.8 * float(np.hypot(*across))])
    rod = lathe(profile, 40).scale([squash, 1, 1])
    level = max(level, least * squash + 0.002)
    return along(rod, (ends[0] + ends[1]) / 2, across, level), 1000 * thick


def spur(rng, board: Board, start, end, h: float, free: float) -> Manifold:
    """A blunt rod from the middle of a joint towards a neighbour, `free` mm short of its axis."""
    across = end - start
    length = float(np.hypot(*across)) - free
    tip = board.ball * float(rng.uniform(0.04, 0.13))
    t = np.linspace(0, math.pi / 2, 9)
    nose = np.column_stack([tip * np.cos(t), length - tip + tip * np.sin(t)])[:-1]
    profile = np.vstack([[1.6 * tip, 0.25 * board.ball], nose, [[1e-4, length]]])
    level = max(float(rng.uniform(0.1, 0.6)) * h, tip + 0.002)
    return along(lathe(profile, 40), start, across, level)
