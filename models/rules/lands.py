"""Does solder reach each land, and how does it end there?

Hardening lets balls glow beyond their lands, and a horizontal edge is blurred far more than a flank, because only the
starved rays along the board carry it. So nothing absolute is read. Each of twelve patches of the land's disc is judged
against its own level inside and its surroundings outside: where its grey has fallen to 65, 50 and 35 per cent. A wetted
land ends all its patches alike and at once. A free end recedes most towards the rim, falls in two steps (solder, gap,
copper), and does so at one land only: the other land of the joint says what this scan makes of a sound one.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.edges import Body, Vector
from jointwise.models.rules.patches import PATCHES, patch_numbers, reached

LAND: Final = 0.34
"""Radius of the disc judged, in ball diameters: inside the wetted disc of every usual land."""
FALLS: Final = (0.65, 0.5, 0.35)
"""Shares of the patch's own level over its surroundings at which its end is read."""
REACH: Final = (0.27, 0.43)
"""A land lies this far from the middle, in ball diameters, whatever the profile says."""
FOUND_UM: Final = 8.0
"""Recession from which a patch counts as not bonded when contact is measured."""


@dataclass(frozen=True)
class Land:
    """How solder ends at one land; distances from the box's centre, outward.

    Args:
        side: -1 board, +1 package.
        z: height of the land, mm from the box's centre (signed), as far as the profile tells.
        ends_mm: where each patch has fallen to 65 %.
        width_mm: from 65 % to 35 % of the whole disc.
        sag_mm: by how much the outer patches end before the inner ones.
        dip: how far the disc's profile falls below metal that follows it, scaled; only a wide gap makes a valley.
    """

    side: int
    z: float
    ends_mm: Vector
    width_mm: float
    sag_mm: float
    dip: float

    def receded_um(self, other: "Land") -> Vector:
        """How far each patch ends before the other land's typical patch, µm."""
        return np.asarray(1000 * (np.median(other.ends_mm) - self.ends_mm))

    def gap(self, other: "Land") -> tuple[float, float]:
        """Mean gap over the patches that are not bonded, µm, and the share that is, seen against the other land."""
        gaps = self.receded_um(other)
        lost = gaps > FOUND_UM
        return float(gaps[lost].mean()) if lost.any() else 0.0, float(1 - lost.mean())

    def reached(self, other: "Land", rank: int) -> float:
        """Recession that all but `rank` of the twelve patches reach, µm."""
        return reached(self.receded_um(other), rank)


def lands(body: Body) -> tuple[Land, Land]:
    """The board's and the package's land."""
    return _land(body, -1), _land(body, +1)


def _land(body: Body, side: int) -> Land:
    f = body.frame
    order = slice(None, None, side)
    values, z = body.raw[order], side * f.z[order]  # z now rises outward
    patch = patch_numbers(body, body.ring < LAND * f.ball, LAND * f.ball)
    profiles = np.stack([values[:, patch == p].mean(axis=1) for p in range(PATCHES)])
    whole, inner, outer = profiles.mean(axis=0), profiles[:4].mean(axis=0), profiles[4:].mean(axis=0)
    ends = np.array([_falls(p, z, f.ball)[0] for p in profiles])
    at = _falls(whole, z, f.ball)
    sag = _falls(inner, z, f.ball)[0] - _falls(outer, z, f.ball)[0]
    low, high = (share * f.ball for share in REACH)
    return Land(side, side * float(np.clip(at[0], low, high)), ends, at[2] - at[0], sag, _dip(whole, z, at[0]))


def _falls(profile: Vector, z: Vector, ball: float) -> tuple[float, float, float]:
    """Heights at which a profile, followed outward from its highest point, first falls through FALLS."""
    middle, far = int(np.searchsorted(z, 0.0)), int(np.searchsorted(z, 0.6 * ball))
    peak = middle + int(np.argmax(profile[middle:far]))
    ground = float(profile[far])
    rise = max(float(profile[peak]) - ground, 1e-3)
    share = (profile[peak:] - ground) / rise
    a, b, c = (_first_fall(share, z[peak:], level) for level in FALLS)
    return a, b, c


def _first_fall(share: Vector, z: Vector, level: float) -> float:
    below = np.flatnonzero(share < level)
    if not len(below) or below[0] == 0:
        return float(z[-1])
    k = int(below[0])
    return float(z[k] - (z[1] - z[0]) * (level - share[k]) / max(float(share[k - 1] - share[k]), 1e-9))


def _dip(profile: Vector, z: Vector, end: float) -> float:
    """How far the profile falls, behind the solder's end, below the metal that follows."""
    first = int(np.searchsorted(z, end))
    tail: NDArray[np.float64] = profile[first : first + 14]
    return float(max((tail[k:].max() - tail[k] for k in range(len(tail))), default=0.0))
