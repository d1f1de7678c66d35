"""Voids that are no bubbles inside: domes and films on a land, and bubbles that broke through the outline.

Each is drawn as ellipsoids (place, half axes) in mm; what reaches beyond the joint is no void.
"""

from __future__ import annotations

import math

import numpy as np
from presets import Board

Ellipsoids = list[tuple[list[float], list[float]]]

FILM = 0.025
"""Most thickness (mm) of a film: what lies so near a land is interface void (domain document, B6)."""


def on_land(rng, board: Board, h: float) -> tuple[float, float]:
    """Radius of the land on which a void lies, and its height; the board's in two of three."""
    top = rng.random() < 1 / 3
    return ((board.package_land if top else board.board_land) / 2, h if top else 0.0)


def dome(rng, board: Board, h: float, dmax: float, aim: float) -> Ellipsoids:
    """Half an ellipsoid that stands on a land, on its axis or beside it, as a via in the land blows it.

    Domain document, B1, via-in-pad void: domed, wider than the via, on the land's axis or off-centre. No via is made.
    `aim` is its area over the joint's largest section.
    """
    land, z = on_land(rng, board, h)
    radius = min(dmax / 2 * math.sqrt(aim), 0.8 * land)
    height = min(radius * float(rng.uniform(0.6, 1.2)), 0.6 * h)
    aside = (land - radius - 0.01) * math.sqrt(rng.random()) if rng.random() < 0.6 else 0.0
    angle = rng.uniform(0, 2 * math.pi)
    place = [max(aside, 0.0) * math.cos(angle), max(aside, 0.0) * math.sin(angle), z]
    return [(place, [radius, radius, height])]


def film(rng, board: Board, h: float) -> Ellipsoids:
    """Flat overlapping lenses on a land, thickest in their middles, with solder all round.

    Domain document, B6: contact that is lost to an enclosed void counts as interface void, not as non-wet. That gas
    spreads as one film is invented; B1 knows layers of small voids there.
    """
    land, z = on_land(rng, board, h)
    most = min(board.voxel * float(rng.uniform(0.8, 2.5)), FILM)
    radius = land * math.sqrt(float(rng.uniform(0.2, 0.4)))
    drawn: Ellipsoids = []
    for k in range(int(rng.integers(2, 5))):
        r = radius * (1.0 if k == 0 else float(rng.uniform(0.5, 0.9)))
        aside = min(radius * float(rng.uniform(0.3, 0.9)), 0.92 * land - r)
        angle = rng.uniform(0, 2 * math.pi)
        half = [r, r * float(rng.uniform(0.8, 1.0)), most * float(rng.uniform(0.7, 1.0))]
        drawn.append(([aside * math.cos(angle), aside * math.sin(angle), z], half))
    return drawn


def burst(rng, h: float, profile: np.ndarray, aim: float) -> Ellipsoids:
    """A bubble that broke through the side, with a mouth narrower than itself.

    Invented; domain document, B1, knows voids open to the surface from shrinkage alone. The envelope it is measured
    in is the joint's without it.
    """
    radius = min(profile[:, 0].max() * math.sqrt(aim), 0.35 * h)
    z = float(rng.uniform(1.05 * radius, h - 1.05 * radius))
    out = float(np.interp(z, profile[:, 1], profile[:, 0])) - radius * float(rng.uniform(0.6, 0.9))
    angle = rng.uniform(0, 2 * math.pi)
    place = [out * math.cos(angle), out * math.sin(angle), z]
    return [(place, [radius, radius, radius * float(rng.uniform(0.8, 1.0))])]
