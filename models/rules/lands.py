"""Does solder reach each land, and how does it end there?

Hardening lets balls glow beyond their lands, and a horizontal edge is blurred far more than a flank, because only the
starved rays along the board carry it. So nothing absolute is read. Each of twelve patches of the land's disc is judged
against its own level inside and its surroundings outside: where its grey has fallen to 65, 35 and 24 per cent. A wetted
land ends all its patches alike and at once. A free end recedes most towards the rim, falls in two steps (solder, gap,
copper), and does so at one land only: the other land of the joint says what this scan makes of a sound one.
"""

from dataclasses import dataclass
from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.edges import Body, Vector, Volume
from jointwise.models.rules.patches import INNER, PATCHES, patch_numbers, reached

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
        return np.asarray(_receded(self.ends_mm, other.ends_mm))

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
    f = body.frame
    patch = patch_numbers(body, body.ring < LAND * f.ball, LAND * f.ball)
    profiles = _profiles(body.raw, patch)
    return _land(body, profiles, -1), _land(body, profiles, +1)


@numba.njit(cache=True, nogil=True)
def _profiles(raw: Volume, patch: NDArray[np.int64]) -> Volume:
    """Mean grey at every height of each patch, of all patches, of the inner and of the outer ones, (15, z).

    Summed one after the other in float32, as numpy does.
    """
    nz, ny, nx = raw.shape
    total, count = np.zeros((nz, PATCHES), np.float32), np.zeros(PATCHES, np.float32)
    for j in range(ny):
        for i in range(nx):
            if patch[j, i] >= 0:
                count[patch[j, i]] += np.float32(1)
    for k in range(nz):
        for j in range(ny):
            for i in range(nx):
                if patch[j, i] >= 0:
                    total[k, patch[j, i]] += raw[k, j, i]
    profiles = np.empty((PATCHES + 3, nz), np.float32)
    for k in range(nz):
        for n in range(PATCHES):
            profiles[n, k] = total[k, n] / count[n] if count[n] > 0 else np.float32(np.nan)
        inner, outer = np.float32(0), np.float32(0)
        for n in range(INNER):
            inner += profiles[n, k]
        every = inner
        for n in range(INNER, PATCHES):
            every += profiles[n, k]
            outer += profiles[n, k]
        profiles[PATCHES, k] = every / np.float32(PATCHES)
        profiles[PATCHES + 1, k] = inner / np.float32(INNER)
        profiles[PATCHES + 2, k] = outer / np.float32(PATCHES - INNER)
    return profiles


@numba.njit(cache=True)
def _receded(ends_mm: Vector, others_mm: Vector) -> Vector:
    return 1000 * (np.median(others_mm) - ends_mm)


@numba.njit(cache=True)
def _median(values: Vector) -> float:
    return float(np.median(values))


def _land(body: Body, profiles: Volume, side: int) -> Land:
    """One land from the mean grey at every height of its patches and parts, as :func:`_profiles` gives it."""
    f = body.frame
    z = side * f.z[::side]  # rises outward
    middle, far = int(np.searchsorted(z, 0.0)), int(np.searchsorted(z, 0.6 * f.ball))
    read = _read(np.ascontiguousarray(profiles[:, ::side]), z, middle, far, 0.54 * f.ball)
    ends, (whole, inner, outer) = read[:PATCHES, 0], read[PATCHES:]
    end = float(whole[0])
    return Land(
        side=side,
        z=side * min(max(end, REACH[0] * f.ball), REACH[1] * f.ball),
        ends_mm=ends,
        steep_mm=float(whole[1]) - end,
        shelf_mm=float(whole[2]) - end,
        sag_mm=float(inner[0] - outer[0]),
        ledge=float(read[PATCHES:, 3].max()),
        ledge_level=_median(read[:PATCHES, 4]),
    )


@numba.njit(cache=True)
def _read(profiles: Volume, z: Vector, middle: int, far: int, reach: float) -> Vector:
    """Per profile (n, z): heights of FALLS, ledge and ledge level, (n, 5).

    A profile is followed outward from its highest point between the planes `middle` and `far`; its rise over the grey
    at `far` is scaled to 1 there. A ledge is how much a fall slows between two steeper parts, and its level the share
    that what follows reaches.
    """
    read = np.zeros((len(profiles), 5))
    for n in range(len(profiles)):
        profile = profiles[n]
        peak = middle + np.argmax(profile[middle:far])
        ground = profile[far]
        scale = np.float32(max(np.float64(profile[peak]) - np.float64(ground), 1e-3))
        share = (profile[peak:] - ground) / scale
        for m in range(len(FALLS)):
            read[n, m] = _first_fall(share, z[peak:], FALLS[m])
        read[n, 3], read[n, 4] = _ledge(share, z[peak:], reach)
    return read


@numba.njit(cache=True, nogil=True)
def _first_fall(share: Volume, z: Vector, fall: float) -> float:
    level = np.float32(fall)
    k = 0
    while k < len(share) and share[k] >= level:
        k += 1
    if k == len(share) or k == 0:
        return float(z[-1])
    return float(
        z[k] - (z[1] - z[0]) * np.float64(level - share[k]) / max(np.float64(share[k - 1] - share[k]), 1e-9)
    )


@numba.njit(cache=True, nogil=True)
def _ledge(share: Volume, z: Vector, reach: float) -> tuple[float, float]:
    n = 0
    while n < len(z) and z[n] < reach:
        n += 1
    if n < 5:
        return 0.0, 0.0
    fall = np.empty(n, np.float32)
    last = len(share) - 1
    for k in range(n):
        if k == 0:
            fall[k] = share[0] - share[1]
        elif k == last:
            fall[k] = share[last - 1] - share[last]
        else:
            fall[k] = (share[k - 1] - share[k + 1]) / np.float32(2)
    after = fall.copy()
    for k in range(n - 2, -1, -1):
        after[k] = max(after[k], after[k + 1])
    before, slowed, place = fall[0], np.float32(-np.inf), 0
    for k in range(n):
        before = max(before, fall[k])
        here = min(before, after[k]) - fall[k]
        if here > slowed:
            slowed, place = here, k
    return max(np.float64(slowed), 0.0), np.float64(share[place : place + 14].max())
