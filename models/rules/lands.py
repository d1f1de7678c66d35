"""Does solder reach each land, and how does it end there?

Hardening lets balls glow beyond their lands, and a horizontal edge is blurred far more than a flank, because only the
starved rays along the board carry it. So nothing absolute is read. Each of twelve patches of the land's disc is judged
against its own level inside and its surroundings outside: where its grey has fallen to 65, 35 and 24 per cent. A wetted
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
FALLS: Final = (0.65, 0.35, 0.24)
"""Shares of the patch's own level over its surroundings at which its end is read."""
REACH: Final = (0.27, 0.43)
"""A land lies this far from the middle, in ball diameters, whatever the profile says."""
PILLOW: Final = 0.42
"""Share of the joint's level above which metal behind a gap is solder, not copper."""
FOUND_UM: Final = 8.0
"""Recession from which a patch counts as not bonded when contact is measured."""


@dataclass(frozen=True)
class Land:
    """How solder ends at one land; distances from the box's centre, outward.

    Args:
        side: -1 board, +1 package.
        z: height of the land, mm from the box's centre (signed), as far as the profile tells.
        ends_mm: where each patch has fallen to 65 %.
        steep_mm: distance from 65 % to 35 % of the disc's mean profile.
        shelf_mm: distance from 65 % to 24 %.
        sag_mm: by how much the outer patches end before the inner ones.
        ledge: by how much the fall slows between two steps, share of the level per plane: metal behind a gap.
        ledge_level: share of the level that the metal behind reaches in the typical patch: copper's is low, a pillow's
            high, and a bond shows in a few patches only.
    """

    side: int
    z: float
    ends_mm: Vector
    steep_mm: float
    shelf_mm: float
    sag_mm: float
    ledge: float
    ledge_level: float

    def receded_um(self, other: "Land") -> Vector:
        """How far each patch ends before the other land's typical patch, µm."""
        return np.asarray(1000 * (np.median(other.ends_mm) - self.ends_mm))

    def lost(self, other: "Land") -> NDArray[np.bool_]:
        """Which patches are not bonded, seen against the other land."""
        return np.asarray(self.receded_um(other) > FOUND_UM)

    @property
    def solid_mm(self) -> float:
        """How far out, from the box's centre, all but three patches are solder."""
        return float(np.sort(self.ends_mm)[3])

    @property
    def oddity_mm(self) -> float:
        """How unlike a wetted land it looks: tells which of the two to suspect."""
        return self.shelf_mm + self.sag_mm

    def gap(self, other: "Land") -> tuple[float, float]:
        """Mean gap over the patches that are not bonded, µm, and the share that is, seen against the other land."""
        gaps, lost = self.receded_um(other), self.lost(other)
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
    ends = np.array([_falls(p, z, f.ball)[0] for p in profiles])
    whole, inner, outer = profiles.mean(axis=0), profiles[:4].mean(axis=0), profiles[4:].mean(axis=0)
    end, steep, shelf = _falls(whole, z, f.ball)
    ledge = max(_ledge(p, z, f.ball)[0] for p in (whole, inner, outer))
    level = float(np.median([_ledge(p, z, f.ball)[1] for p in profiles]))
    return Land(
        side=side,
        z=side * float(np.clip(end, REACH[0] * f.ball, REACH[1] * f.ball)),
        ends_mm=ends,
        steep_mm=steep - end,
        shelf_mm=shelf - end,
        sag_mm=_falls(inner, z, f.ball)[0] - _falls(outer, z, f.ball)[0],
        ledge=ledge,
        ledge_level=level,
    )


def _falls(profile: Vector, z: Vector, ball: float) -> tuple[float, float, float]:
    """Heights at which a profile, followed outward from its highest point, first falls through FALLS."""
    peak, share = _share(profile, z, ball)
    a, b, c = (_first_fall(share, z[peak:], level) for level in FALLS)
    return a, b, c


def _share(profile: Vector, z: Vector, ball: float) -> tuple[int, Vector]:
    """Place of a profile's highest point in its outer half, and from there on its rise over the far grey, scaled."""
    middle, far = int(np.searchsorted(z, 0.0)), int(np.searchsorted(z, 0.6 * ball))
    peak = middle + int(np.argmax(profile[middle:far]))
    ground = float(profile[far])
    return peak, (profile[peak:] - ground) / max(float(profile[peak]) - ground, 1e-3)


def _first_fall(share: Vector, z: Vector, level: float) -> float:
    below = np.flatnonzero(share < level)
    if not len(below) or below[0] == 0:
        return float(z[-1])
    k = int(below[0])
    return float(z[k] - (z[1] - z[0]) * (level - share[k]) / max(float(share[k - 1] - share[k]), 1e-9))


def _ledge(profile: Vector, z: Vector, ball: float) -> tuple[float, float]:
    """How much a fall slows between two steeper parts, and the share of the level that what follows reaches."""
    peak, share = _share(profile, z, ball)
    fall = -np.gradient(share)[z[peak:] < 0.54 * ball]
    if len(fall) < 5:
        return 0.0, 0.0
    before, after = np.maximum.accumulate(fall), np.maximum.accumulate(fall[::-1])[::-1]
    slowed = np.minimum(before, after) - fall
    k = int(np.argmax(slowed))
    return float(max(slowed[k], 0.0)), float(share[k : k + 14].max())
