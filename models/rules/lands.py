"""Does solder reach each land, and how far is it from it where it does not?

Copper reads about a third to a half of solder. Seen from the joint outward a column is solder, perhaps a gap, copper,
then laminate. Where metal ends fixes where the land is; how far the solder ends before that is copper thickness plus
gap. The disc of the land is read in twelve patches: at a wetted land all but a few show the copper alone, a free end
has receded from nearly all. What follows a gap tells copper from a pillow so thin that it looks like a land.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.edges import Body, Vector
from jointwise.models.rules.patches import PATCHES, patch_numbers, reached

LAND: Final = 0.34
"""Radius of the disc judged, in ball diameters: inside the wetted disc of every usual land."""
SOLDER: Final = 0.55
"""Grey at which solder ends: above that of copper."""
METAL: Final = 0.16
"""Grey over the surroundings at which metal ends: half of a thin, blurred land's."""
COPPER_MM: Final = 0.026
"""Usual thickness of a land, 18-35 µm."""
COPPER_ALONE: Final = (14.0, 26.0)
"""Metal behind a gap, as thickness of solder, µm: up to the first it is copper, from the second a pillow too."""
FOUND_UM: Final = 6.0
"""Gap from which a patch counts as not bonded when contact is measured."""


@dataclass(frozen=True)
class Land:
    """One land as seen in the sub-volume.

    Args:
        z: height of the land's solder side, mm from the box's centre.
        receded_um: distance from the end of the metal to the end of the solder, per patch; less where the metal
            behind is more than copper.
        dip: how far the disc's profile falls below the metal that follows it; only a gap makes a valley.
    """

    z: float
    receded_um: Vector
    dip: float

    def reached(self, rank: int) -> float:
        """Distance that all but `rank` of the twelve patches reach, µm."""
        return reached(self.receded_um, rank)

    def gap(self, sound_um: float) -> tuple[float, float]:
        """Mean gap over the patches that are not bonded, µm, and the share that is.

        Args:
            sound_um: distance at a wetted land.
        """
        gaps = self.receded_um - sound_um
        lost = gaps > FOUND_UM
        return float(gaps[lost].mean()) if lost.any() else 0.0, float(1 - lost.mean())


def lands(body: Body) -> tuple[Land, Land]:
    """The board's and the package's land."""
    return _land(body, -1), _land(body, +1)


def _land(body: Body, side: int) -> Land:
    f = body.frame
    order = slice(None, None, side)
    values, z = body.raw[order], side * f.z[order]  # z now rises outward
    ground = _surroundings(values, body)
    patch = patch_numbers(body, body.ring < LAND * f.ball, LAND * f.ball)
    profiles = np.stack([values[:, patch == p].mean(axis=1) - ground for p in range(PATCHES)])
    whole = profiles.mean(axis=0)
    outer = _metal_end(whole, z, f.ball)
    ends = np.array([_solder_end(p, z, f.ball) for p in profiles])
    behind = np.array([_metal_behind(p, z, end, outer + 1.5 * body.blur) for p, end in zip(profiles, ends, strict=True)])
    copper, pillow = COPPER_ALONE
    receded = 1000 * (outer - ends) * np.clip((pillow - behind) / (pillow - copper), 0, 1)
    return Land(side * (outer - COPPER_MM - 0.4 * body.blur), receded, _dip(whole, z, outer, f.ball))


def _surroundings(values: NDArray[np.float32], body: Body) -> Vector:
    """Median per height of what surrounds the joint: laminate, planes, air."""
    f = body.frame
    far = (body.ring > 0.56 * f.ball) & (body.ring < 0.62 * f.pitch)
    return np.asarray(np.median(values[:, far], axis=1), dtype=np.float64)


def _metal_end(profile: Vector, z: Vector, ball: float) -> float:
    """Height at which metal ends, searched from outside in; the land lies 0.25 to 0.58 balls from the middle."""
    first, last = np.searchsorted(z, (0.2 * ball, 0.58 * ball))
    for k in range(min(int(last), len(z) - 2), int(first), -1):
        if profile[k] >= METAL:
            return _between(profile, z, k, METAL)
    return float(z[first])


def _solder_end(profile: Vector, z: Vector, ball: float) -> float:
    """Height at which solder ends, searched from outside in."""
    inner = int(np.searchsorted(z, -0.1 * ball))
    above = np.flatnonzero(profile[inner:-1] >= SOLDER) + inner
    return _between(profile, z, int(above[-1]), SOLDER) if len(above) else float(z[inner])


def _between(profile: Vector, z: Vector, k: int, level: float) -> float:
    """Height between points k and k + 1 at which the profile falls through a level."""
    drop = float(profile[k] - profile[k + 1])
    share = (float(profile[k]) - level) / drop if drop > 0 else 0.0
    return float(z[k] + min(share, 1.0) * (z[1] - z[0]))


def _metal_behind(profile: Vector, z: Vector, end: float, stop: float) -> float:
    """Metal from the darkest point behind the solder's end to where metal ends, as thickness of solder, µm."""
    first, last = np.searchsorted(z, (end, stop))
    tail = profile[first : max(int(last), int(first) + 1)]
    if len(tail) < 2:
        return 0.0
    valley = int(np.argmin(tail[: max(len(tail) - 2, 1)]))
    return float(1000 * np.clip(tail[valley:], 0, None).sum() * (z[1] - z[0]))


def _dip(profile: Vector, z: Vector, outer: float, ball: float) -> float:
    """How far the profile falls, behind the solder's end, below the metal that follows."""
    first, last = np.searchsorted(z, (_solder_end(profile, z, ball), outer))
    tail = profile[int(first) : int(last) + 1]
    return float(max((tail[k:].max() - tail[k] for k in range(len(tail))), default=0.0))
