"""The joint's outline along z: its cross-sections, its waist and its notch.

A pillow leaves a notch all round, yet so does a stretched joint: this is one number beside others, never a verdict.
"""

from dataclasses import dataclass
from typing import Final

import numba
import numpy as np
from scipy import ndimage

from jointwise.models.rules.edges import Body, Vector

MIDDLE: Final = 0.22
"""Half of the height looked at, in ball diameters: nearer to a land the outline follows the land."""
NOTCH_PLANES: Final = (4, 6)
"""Half widths of a notch."""


@dataclass(frozen=True)
class Profile:
    """Outline over height.

    Args:
        area_mm2: (z,) cross-section within the outline, holes filled.
        largest_mm2: the largest of them between the lands.
        waist_um: deepest fall of the outline's radius below the least concave curve above it.
        notches_um: deepest fall of the radius below its mean 4, and 6, planes above and below; negative on a ball.
    """

    area_mm2: Vector
    largest_mm2: float
    waist_um: float
    notches_um: tuple[float, float]


def area_profile(body: Body) -> Profile:
    """Measure the outline."""
    f = body.frame
    area = np.pi * body.edge**2
    middle = np.flatnonzero(np.abs(f.z) < MIDDLE * f.ball)
    radius = ndimage.gaussian_filter1d(body.edge, 1.0)
    depth = _upper_hull(f.z[middle], body.edge[middle]) - body.edge[middle]
    a, b = (float(max((radius[middle + k] + radius[middle - k]) / 2 - radius[middle])) for k in NOTCH_PLANES)
    return Profile(area, float(area[middle].max()), float(1000 * depth.max()), (1000 * a, 1000 * b))


@numba.njit(cache=True)
def _upper_hull(z: Vector, radius: Vector) -> Vector:
    """The least concave curve above the radii: a sound joint is its own hull."""
    corner, last = np.zeros(len(z), np.int64), 0
    for k in range(1, len(z)):
        while last > 0 and _below(z, radius, corner[last - 1], corner[last], k):
            last -= 1
        last += 1
        corner[last] = k
    return np.interp(z, z[corner[: last + 1]], radius[corner[: last + 1]])


@numba.njit(cache=True)
def _below(z: Vector, radius: Vector, a: int, b: int, c: int) -> bool:
    rise = (radius[b] - radius[a]) * (z[c] - z[a]) - (radius[c] - radius[a]) * (z[b] - z[a])
    return bool(rise <= 0)
