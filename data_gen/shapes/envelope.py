"""The outer shape of a joint: one or two segments r^2(z) = A + B z + C z^2 of given ends and volume.

The truncated sphere of a joint without load has C = -1. A package pressed down gives C < -1, a
stretched joint C > -1 and, far enough, a waist (C > 0). So the height can come from the package (one
plane and its warpage for all joints of a board) while the volume differs from joint to joint, and
neither tells what is wrong with a joint. Lengths in mm, volumes in mm^3.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from jointwise.data_gen.shapes.solids import Floats, profile_volume


class Piece(NamedTuple):
    """r^2 = a + b (z - low) + c (z - low)^2 for low <= z <= high."""

    low: float
    high: float
    profile: tuple[float, float, float]

    def squared_radius(self, z: float | Floats) -> Floats:
        """r^2 at heights z, also beyond the ends."""
        a, b, c = self.profile
        t = np.asarray(z, float) - self.low
        squared: Floats = a + b * t + c * t**2
        return squared

    def square_at(self, z: float) -> float:
        """r^2 at one height."""
        a, b, c = self.profile
        t = z - self.low
        return a + b * t + c * t**2

    def slope_at(self, z: float) -> float:
        """dr/dz at height z."""
        _, b, c = self.profile
        return float((b + 2 * c * (z - self.low)) / (2.0 * np.sqrt(self.squared_radius(z))))


GROOVE_TURNS = 3
"""Turns of solving for a grooved joint's volume; parts in a million are left."""

NARROWEST = 0.55
"""Radius that a groove leaves at least, over that of the smaller land."""

ENDS = 0.02
"""Height over the joint's within which no groove's mouth comes to a land."""

Envelope = tuple[Piece, ...]

Side = Callable[[float, float, float, float], Envelope]
"""From end radii a, b, height and volume to the pieces of a joint's side."""


def cap_volume(a: float, b: float, h: float) -> float:
    """Volume of a spherical segment of end radii a, b and height h: pi h (3 a^2 + 3 b^2 + h^2) / 6."""
    return float(np.pi * h * (3 * a**2 + 3 * b**2 + h**2) / 6)


@lru_cache(maxsize=64)
def free_height(a: float, b: float, volume: float) -> float:
    """Height at which a joint of this volume on lands of radii a, b is a truncated sphere (zero load)."""
    upper = np.cbrt(6 * volume / np.pi)  # the height if both lands were points
    return float(brentq(lambda h: cap_volume(a, b, h) - volume, 0.0, float(upper), xtol=1e-14))


def sphere_through(a: float, b: float, h: float) -> tuple[float, float]:
    """Radius of the ball through both land edges and the height of its centre above the first land."""
    z0 = (b**2 - a**2 + h**2) / (2 * h)
    return float(np.hypot(a, z0)), float(z0)


def largest_diameter(a: float, b: float, h: float) -> float:
    """Dmax of the truncated sphere: the ball's diameter if its equator lies between the lands."""
    radius, z0 = sphere_through(a, b, h)
    return 2 * radius if 0 < z0 < h else 2 * max(a, b)


def piece_of(low: float, high: float, a: float, b: float, volume: float) -> Piece:
    """The one segment with radius a at `low`, b at `high` and the given volume.

    pi (a^2 h + B h^2 / 2 + C h^3 / 3) = V and b^2 = a^2 + B h + C h^2 are linear in B and C.
    """
    h = high - low
    c = 3 * (a**2 + b**2) / h**2 - 6 * volume / (np.pi * h**3)
    return Piece(low, high, (a**2, (b**2 - a**2) / h - c * h, float(c)))


def smallest_radius(envelope: Envelope) -> float:
    """Least radius between the lands; 0 where a profile has pinched off."""
    squares: list[float] = []
    for piece in envelope:
        _, b, c = piece.profile
        knots = [piece.low, piece.high]
        if c > 0 and piece.low < piece.low - b / (2 * c) < piece.high:
            knots.append(piece.low - b / (2 * c))
        squares.extend(piece.square_at(z) for z in knots)
    return math.sqrt(max(min(squares), 0.0))


def largest_radius(envelope: Envelope) -> float:
    """Greatest radius between the lands."""
    squares: list[float] = []
    for piece in envelope:
        _, b, c = piece.profile
        knots = [piece.low, piece.high]
        if c < 0 and piece.low < piece.low - b / (2 * c) < piece.high:
            knots.append(piece.low - b / (2 * c))
        squares.extend(piece.square_at(z) for z in knots)
    return math.sqrt(max(squares))


def radius_at(envelope: Envelope, z: float) -> float:
    """Radius at height z; 0 outside the joint."""
    for piece in envelope:
        if piece.low <= z <= piece.high:
            a, b, c = piece.profile
            t = z - piece.low
            return math.sqrt(max(a + b * t + c * t * t, 0.0))
    return 0.0


def radii_at(envelope: Envelope, z: Floats) -> Floats:
    """Radii at heights z inside the joint."""
    which = np.searchsorted([p.high for p in envelope[:-1]], z)
    low = np.array([p.low for p in envelope])[which]
    a, b, c = np.array([p.profile for p in envelope])[which].T
    t = z - low
    radii: Floats = np.sqrt(np.maximum(a + b * t + c * t**2, 0.0))
    return radii


def slope_above(envelope: Envelope, z: float) -> float:
    """dr/dz just above height z."""
    return next(p for p in reversed(envelope) if p.low <= z).slope_at(z)


def wall_above(envelope: Envelope, z: float) -> float:
    """How far a wall straight in r^2, a groove's, goes on above height z; 0 where there is none."""
    piece = next(p for p in reversed(envelope) if p.low <= z)
    return piece.high - z if piece.profile[2] == 0.0 else 0.0


def quadric_side(a: float, b: float, h: float, volume: float) -> Envelope:
    """A joint's side as one quadric: median 1.3 um off the Young-Laplace surface, up to 33 um where pressed."""
    return (piece_of(0.0, h, a, b, volume),)


def volume_below(envelope: Envelope, z: float) -> float:
    """Volume under height z."""
    return sum(profile_volume(p.profile, 0.0, min(p.high, z) - p.low) for p in envelope if p.low < z)


def waisted(
    side: Side, a: float, b: float, h: float, volume: float, notch: tuple[float, float, float]
) -> Envelope:
    """Two parts that meet in a ring-shaped notch, total volume kept.

    Args:
        side: what a part's side looks like.
        a, b, h, volume: as for `piece_of`.
        notch: height of the notch; how far its ring lies inside the smooth joint; part of the volume below
            it, relative to the smooth joint's (1 = the same).
    """
    level, depth, split = notch
    smooth = side(a, b, h, volume)
    ring = radius_at(smooth, level) - depth
    below = split * volume_below(smooth, level)
    upper = side(ring, b, h - level, volume - below)
    raised = tuple(p._replace(low=p.low + level, high=p.high + level) for p in upper)
    return ended((*side(a, ring, level, below), *raised), h)


def grooved(
    side: Side, a: float, b: float, h: float, volume: float, groove: tuple[float, float, float]
) -> Envelope:
    """A smooth joint with a ring-shaped groove; what the groove takes, the joint has more elsewhere.

    Args:
        side: what the joint's side looks like.
        a, b, h, volume: as for `piece_of`; the volume is what is left beside the groove.
        groove: height of its bottom; how far that lies inside the smooth joint; how wide its mouth is. It is not as
            deep where it would leave less than `NARROWEST` of the smaller land.
    """
    level, depth, mouth = groove
    low, high = max(level - mouth / 2, ENDS * h), min(level + mouth / 2, (1.0 - ENDS) * h)

    def left(whole: float) -> tuple[Envelope, float]:
        smooth = side(a, b, h, whole)
        ring = max(radius_at(smooth, level) - depth, NARROWEST * min(a, b))
        made = _cut(smooth, (low, level, high), ring)
        return made, volume_below(made, h)

    # Secant method; the first step takes the groove's volume for one that does not change with the joint's. Where a
    # capillary side comes or goes the volume jumps, and no gain is read from that.
    whole, (made, found) = volume, left(volume)
    gain = 1.0
    for _ in range(GROOVE_TURNS):
        step = (volume - found) / gain
        if step == 0.0:
            break
        before, whole = found, whole + step
        made, found = left(whole)
        gain = min(max((found - before) / step, 0.5), 1.5)
    return ended(made, h)


def _cut(smooth: Envelope, places: tuple[float, float, float], ring: float) -> Envelope:
    """The outer shape with walls straight in r^2 from its side at the first and last height to a ring between them."""
    low, level, high = places
    below = tuple(p._replace(high=min(p.high, low)) for p in smooth if p.low < low)
    above = tuple(_from(p, max(p.low, high)) for p in smooth if p.high > high)
    foot, middle, head = below[-1].square_at(low), ring**2, above[0].square_at(high)
    walls = (
        Piece(low, level, (foot, (middle - foot) / (level - low), 0.0)),
        Piece(level, high, (middle, (head - middle) / (high - level), 0.0)),
    )
    return (*below, *walls, *above)


def _from(piece: Piece, low: float) -> Piece:
    """The part of a piece from a height upwards."""
    _, b, c = piece.profile
    return Piece(low, piece.high, (piece.square_at(low), b + 2 * c * (low - piece.low), c))


def ended(envelope: Envelope, h: float) -> Envelope:
    """The outer shape with its upper end at h to the last bit, so that its land is part of it."""
    return (*envelope[:-1], envelope[-1]._replace(high=h))
