"""Straight-line values of a volume at the points of a regular grid laid anywhere in it: the inner loop of every cut.

The same as `scipy.ndimage.map_coordinates(order=1, mode="nearest")` at those points, without a table of them; it lets
other threads run.
"""

from typing import Any, Final

import numba
import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError

Vector = NDArray[np.float64]

TYPES: Final = frozenset(["u1", "i1", "u2", "i2", "u4", "i4", "f4", "f8"])
"""Types of voxels that are sampled in place."""


def samples_in_place(volume: NDArray[Any]) -> bool:
    """Whether :func:`grid_samples` takes this volume: plain numbers in this machine's byte order."""
    return bool(volume.dtype.isnative) and volume.dtype.str[1:] in TYPES


def grid_samples(
    volume: NDArray[Any], first: Vector, steps: Vector, offsets: tuple[Vector, Vector, Vector]
) -> NDArray[np.float32]:
    """Values at first + x·steps[0] + y·steps[1] + z·steps[2]; beyond the edge the nearest voxel counts.

    Args:
        volume: (z, y, x).
        first: (3,) index (x, y, z) of the grid's origin.
        steps: (3, 3), rows are the steps along the grid's x, y and z, in indices (x, y, z) per unit of the offsets.
        offsets: the grid's places along x, y and z.

    Returns:
        float32 (z, y, x).

    Raises:
        InputError: the place is not finite, so there is nothing nearest.
    """
    if not (np.isfinite(first).all() and np.isfinite(steps).all()):
        raise InputError("expected a joint's place and directions in numbers, found some that are not finite")
    x, y, z = (np.ascontiguousarray(places, np.float64) for places in offsets)
    return np.asarray(
        _sampled(
            np.asarray(volume),
            np.asarray(first, np.float64),
            np.ascontiguousarray(steps, np.float64),
            x,
            y,
            z,
        )
    )


@numba.njit(cache=True, nogil=True)
def _sampled(
    volume: NDArray[Any], first: Vector, steps: Vector, xs: Vector, ys: Vector, zs: Vector
) -> NDArray[np.float32]:
    nz, ny, nx = volume.shape
    out = np.empty((len(zs), len(ys), len(xs)), np.float32)
    for k in range(len(zs)):
        for j in range(len(ys)):
            bx = first[0] + zs[k] * steps[2, 0] + ys[j] * steps[1, 0]
            by = first[1] + zs[k] * steps[2, 1] + ys[j] * steps[1, 1]
            bz = first[2] + zs[k] * steps[2, 2] + ys[j] * steps[1, 2]
            for i in range(len(xs)):
                x = min(max(bx + xs[i] * steps[0, 0], 0.0), nx - 1.0)
                y = min(max(by + xs[i] * steps[0, 1], 0.0), ny - 1.0)
                z = min(max(bz + xs[i] * steps[0, 2], 0.0), nz - 1.0)
                x0, y0, z0 = int(x), int(y), int(z)
                u, v, w = x - x0, y - y0, z - z0
                x1, y1, z1 = min(x0 + 1, nx - 1), min(y0 + 1, ny - 1), min(z0 + 1, nz - 1)
                low = (volume[z0, y0, x0] * (1 - u) + volume[z0, y0, x1] * u) * (1 - v)
                low += (volume[z0, y1, x0] * (1 - u) + volume[z0, y1, x1] * u) * v
                high = (volume[z1, y0, x0] * (1 - u) + volume[z1, y0, x1] * u) * (1 - v)
                high += (volume[z1, y1, x0] * (1 - u) + volume[z1, y1, x1] * u) * v
                out[k, j, i] = np.float32(low * (1 - w) + high * w)
    return out
