"""The joint's cross-section along z and its waist.

A pillow leaves a notch all round, yet so does a stretched joint: the waist is one number beside others, never a verdict.
"""

from dataclasses import dataclass

import numpy as np

from jointwise.models.rules.edges import Body, Vector


@dataclass(frozen=True)
class Profile:
    """Cross-section over height.

    Args:
        area_mm2: (z,) area within the outline, holes filled.
        largest_mm2: the largest of them between the lands.
        waist_um: deepest fall of the outline's radius below the straight line between the bulges beside it.
        waist_mm: height of that place from the box's centre.
    """

    area_mm2: Vector
    largest_mm2: float
    waist_um: float
    waist_mm: float


def area_profile(body: Body, board_mm: float, package_mm: float) -> Profile:
    """Measure the outline between two heights, mm from the box's centre."""
    f = body.frame
    area = np.pi * body.edge**2
    between = np.flatnonzero((f.z > board_mm) & (f.z < package_mm))
    if len(between) < 5:
        return Profile(area, float(area.max()), 0.0, 0.0)
    radius, z = body.edge[between], f.z[between]
    depth = _upper_hull(z, radius) - radius
    k = int(np.argmax(depth))
    return Profile(area, float(area[between].max()), float(1000 * depth[k]), float(z[k]))


def _upper_hull(z: Vector, radius: Vector) -> Vector:
    """The least concave curve above the radii: a sound joint is its own hull."""
    corner = [0]
    for k in range(1, len(z)):
        while len(corner) > 1 and _below(z, radius, corner[-2], corner[-1], k):
            corner.pop()
        corner.append(k)
    return np.asarray(np.interp(z, z[corner], radius[corner]))


def _below(z: Vector, radius: Vector, a: int, b: int, c: int) -> bool:
    rise = (radius[b] - radius[a]) * (z[c] - z[a]) - (radius[c] - radius[a]) * (z[b] - z[a])
    return bool(rise <= 0)
