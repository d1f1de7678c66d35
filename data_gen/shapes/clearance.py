"""The least air between neighbouring joints, along level rays parallel to the line between their centres."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.chords import segment_intervals
from jointwise.data_gen.shapes.scene import Joint, Scene
from jointwise.data_gen.shapes.solids import BODY

STEP_MM = 0.004
ROUNDING_MM = 1e-6
"""Far more than rounding may move the end of a chord that reaches farthest."""


def clearances(scene: Scene, wanted: Sequence[int] | None = None) -> NDArray[np.float64]:
    """Least air in mm from each joint to its neighbours along the lines that join them; inf without any.

    Pairs without a wanted joint are left out.
    """
    chosen = set(range(len(scene.joints)) if wanted is None else wanted)
    index = {(j.row, j.col): i for i, j in enumerate(scene.joints) if j.solids.size}
    least = np.full(len(scene.joints), np.inf)
    for (row, col), i in index.items():
        for other in ((row, col + 1), (row + 1, col)):
            if other in index and not chosen.isdisjoint((i, index[other])):
                air = pair_clearance(scene.joints[i], scene.joints[index[other]])
                least[[i, index[other]]] = np.minimum(least[[i, index[other]]], air)
    return least


def pair_clearance(first: Joint, second: Joint) -> float:
    """Least air in mm between two joints along rays parallel to the line between their centres."""
    across = second.centre[:2] - first.centre[:2]
    along = across / np.linalg.norm(across)
    bodies = [sd.of_role(j.solids, BODY) for j in (first, second)]
    arrays = [(b.matrix, b.origin, b.profile, b.ends) for b in bodies]
    width = max(first.sphere_radius, second.sphere_radius)
    window = 0.0, max(first.height_mm, second.height_mm), -width, width
    step = STEP_MM
    # Smooth surfaces: coarse rays find where the air is least, fine ones how little it is there.
    least, z, u = _least_air(arrays[0], arrays[1], first.centre, along, window, 4 * step, np.inf)
    if least == np.inf:
        return math.inf
    around = z - 4 * step, z + 4 * step, u - 4 * step, u + 4 * step
    return float(_least_air(arrays[0], arrays[1], first.centre, along, around, step / 2, least)[0])


@njit(error_model="numpy", cache=True, nogil=True)
def _reach(arrays, rows, ex, ey, ez, dx, dy, sign):  # type: ignore[no-untyped-def]
    """Farthest point (sign 1) or nearest point (sign -1) of any of the primitives `rows` along a level ray."""
    matrix, origin, profile, ends = arrays
    best = -np.inf
    for k in rows:
        t0, t1, t2, t3 = segment_intervals(matrix, origin, profile, ends, k, ex, ey, ez, dx, dy, 0.0)
        if t1 > t0:
            best = max(best, max(sign * t0, sign * t1))
        if t3 > t2:
            best = max(best, max(sign * t2, sign * t3))
    return sign * best


@njit(error_model="numpy", cache=True, nogil=True)
def _layer(arrays, centre, along, z, sign, rows):  # type: ignore[no-untyped-def]
    """Which primitives a level ray at height z may meet, written to `rows`: how many, and how far `_reach` may go.

    The bound comes from the ellipse that the layer cuts out of each of them.
    """
    matrix, origin, profile, ends = arrays
    count, bound = 0, -np.inf
    for k in range(matrix.shape[0]):
        m = matrix[k]
        if m[2, 0] != 0.0 or m[2, 1] != 0.0:
            rows[count], bound = k, np.inf
            count += 1
            continue
        height = m[2, 2] * (z - origin[k, 2])
        if not ends[k, 0] <= height <= ends[k, 1]:
            continue
        rows[count] = k
        count += 1
        square = max(profile[k, 0] + profile[k, 1] * height + profile[k, 2] * height * height, 0.0)
        # The layer's middle, and what the map to own coordinates does to the direction.
        det = m[0, 0] * m[1, 1] - m[0, 1] * m[1, 0]
        p, q = m[0, 2] * (z - origin[k, 2]), m[1, 2] * (z - origin[k, 2])
        x = origin[k, 0] - (m[1, 1] * p - m[0, 1] * q) / det - centre[0]
        y = origin[k, 1] - (m[0, 0] * q - m[1, 0] * p) / det - centre[1]
        u = (m[1, 1] * along[0] - m[1, 0] * along[1]) / det
        v = (m[0, 0] * along[1] - m[0, 1] * along[0]) / det
        reach = math.sqrt(square * (u * u + v * v))
        bound = max(bound, sign * (along[0] * x + along[1] * y) + reach)
    return count, sign * bound


@njit(error_model="numpy", cache=True, nogil=True)
def _row_air(first, second, rows, centre, along, z, sideways, step, least):  # type: ignore[no-untyped-def]
    """Least air below `least` along the level rays of one height, and where: (air, u)."""
    best_u = 0.0
    for iu in range(int((sideways[1] - sideways[0]) / step)):
        u = sideways[0] + (iu + 0.5) * step
        x, y = centre[0] - along[1] * u, centre[1] + along[0] * u
        out = _reach(first, rows[0], x, y, z, along[0], along[1], 1.0)
        if out == -np.inf:
            continue
        air = _reach(second, rows[1], x, y, z, along[0], along[1], -1.0) - out
        if air < least:
            least, best_u = air, u
    return least, best_u


@njit(error_model="numpy", cache=True, nogil=True)
def _least_air(first, second, centre, along, window, step, least):  # type: ignore[no-untyped-def]
    """Least air below `least` along level rays, and where: (air, z, u). The window: z from, to, sideways from, to.

    Heights at which the joints come nowhere as near as elsewhere are passed over.
    """
    z0, z1, sideways = window[0], window[1], window[2:]
    best_z, best_u = 0.0, 0.0
    count = int((z1 - z0) / step)
    bounds = np.full(count, np.inf)
    sizes = np.empty((count, 2), np.int64)
    one, other = (
        np.empty((count, first[0].shape[0]), np.int64),
        np.empty((count, second[0].shape[0]), np.int64),
    )
    for i in range(count):
        z = z0 + (i + 0.5) * step
        sizes[i, 0], far = _layer(first, centre, along, z, 1.0, one[i])
        sizes[i, 1], near = _layer(second, centre, along, z, -1.0, other[i])
        if sizes[i, 0] and sizes[i, 1]:
            bounds[i] = near - far - ROUNDING_MM
    # Some air as small as it can be first, so that few rows are left.
    limit = least
    if count:
        i = int(np.argmin(bounds))
        if bounds[i] < limit:
            rows = one[i, : sizes[i, 0]], other[i, : sizes[i, 1]]
            limit = _row_air(
                first, second, rows, centre, along, z0 + (i + 0.5) * step, sideways, step, limit
            )[0]
    for i in range(count):
        if bounds[i] <= limit and bounds[i] < least:
            z = z0 + (i + 0.5) * step
            rows = one[i, : sizes[i, 0]], other[i, : sizes[i, 1]]
            air, u = _row_air(first, second, rows, centre, along, z, sideways, step, least)
            if air < least:
                least, best_z, best_u = air, z, u
    return least, best_z, best_u
