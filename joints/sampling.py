"""Trilinear values of a volume, compiled: at many points, or on a regular grid laid anywhere without a table of points.

The same bits as `scipy.ndimage.map_coordinates(order=1, mode="nearest")` at the same indices; other threads may run.
"""

from typing import Any, Final

import numba
import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError

Vector = NDArray[np.float64]
Four = tuple[float, float, float, float]

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
    place = np.asarray(first, np.float64), np.ascontiguousarray(steps, np.float64)
    return np.asarray(_grid_values(np.asarray(volume), *place, x, y, z))


def point_samples(volume: NDArray[Any], index: Vector) -> NDArray[np.float32]:
    """Values at indices; beyond the edge the nearest voxel counts.

    Args:
        volume: (z, y, x).
        index: (n, 3) fractional indices (x, y, z).

    Returns:
        float32 (n,).
    """
    return np.asarray(_point_values(np.asarray(volume), np.ascontiguousarray(index, np.float64)))


def mean_samples(volume: NDArray[Any], centres: Vector, offsets: Vector) -> NDArray[np.float32]:
    """Means of the values about places, at the same offsets about each; no table of all points is made.

    Args:
        volume: (z, y, x).
        centres: (n, 3) fractional indices (x, y, z).
        offsets: (m, k, 3) in indices (x, y, z); over each k the mean is taken.

    Returns:
        float32 (n, m).
    """
    about = np.ascontiguousarray(centres, np.float64), np.ascontiguousarray(offsets, np.float64)
    return np.asarray(_mean_values(np.asarray(volume), *about))


@numba.njit(cache=True, nogil=True)
def _clamped(index: float, most: float) -> float:
    """Within 0 to most; 0 for NaN, so that nothing is read outside the volume."""
    if index > most:
        return most
    return index if index >= 0.0 else 0.0


@numba.njit(cache=True, nogil=True)
def _value(volume: NDArray[Any], x: float, y: float, z: float) -> float:
    nz, ny, nx = volume.shape
    x, y, z = _clamped(x, nx - 1.0), _clamped(y, ny - 1.0), _clamped(z, nz - 1.0)
    x0, y0, z0 = int(x), int(y), int(z)
    fx, fy, fz = x - x0, y - y0, z - z0
    x1, y1, z1 = min(x0 + 1, nx - 1), min(y0 + 1, ny - 1), min(z0 + 1, nz - 1)
    return _blended(volume, (x0, y0, z0), (x1, y1, z1), (fx, fy, fz))


@numba.njit(cache=True, nogil=True)
def _within(volume: NDArray[Any], x: float, y: float, z: float) -> bool:
    """Whether all eight voxels about a point, and about others a rounding error away, belong to the volume."""
    nz, ny, nx = volume.shape
    e = 1e-6
    inside: bool = e < x < nx - 1 - e and e < y < ny - 1 - e and e < z < nz - 1 - e
    return inside


@numba.njit(cache=True, nogil=True)
def _inner_value(volume: NDArray[Any], x: float, y: float, z: float) -> float:
    """`_value` where nothing needs clamping."""
    down_x, down_y, down_z = np.int64(x), np.int64(y), np.int64(z)
    x0, y0, z0, one = np.uintp(down_x), np.uintp(down_y), np.uintp(down_z), np.uintp(1)
    share = x - np.float64(down_x), y - np.float64(down_y), z - np.float64(down_z)
    return _blended(volume, (x0, y0, z0), (x0 + one, y0 + one, z0 + one), share)


@numba.njit(cache=True, nogil=True)
def _inner_values(
    volume: NDArray[Any],
    start: tuple[float, float, float],
    step: tuple[float, float, float],
    places: Vector,
    seen: Vector,
    line: NDArray[np.float32],
) -> None:
    """`_value` at start + place·step (x, y, z) for all places, where none needs clamping.

    First all voxels are looked up, then weighed: side by side, which looking up cannot be.

    Args:
        seen: (11, len(places)) to work in.
        line: (len(places),) the values.
    """
    one = np.uintp(1)
    for i in range(len(places)):
        x, y, z = (
            start[0] + places[i] * step[0],
            start[1] + places[i] * step[1],
            start[2] + places[i] * step[2],
        )
        down_x, down_y, down_z = np.int64(x), np.int64(y), np.int64(z)
        x0, y0, z0 = np.uintp(down_x), np.uintp(down_y), np.uintp(down_z)
        x1, y1, z1 = x0 + one, y0 + one, z0 + one
        seen[0, i], seen[1, i] = volume[z0, y0, x0], volume[z0, y0, x1]
        seen[2, i], seen[3, i] = volume[z0, y1, x0], volume[z0, y1, x1]
        seen[4, i], seen[5, i] = volume[z1, y0, x0], volume[z1, y0, x1]
        seen[6, i], seen[7, i] = volume[z1, y1, x0], volume[z1, y1, x1]
        seen[8, i] = x - np.float64(down_x)
        seen[9, i] = y - np.float64(down_y)
        seen[10, i] = z - np.float64(down_z)
    for i in range(len(places)):
        low, high = (
            (seen[0, i], seen[1, i], seen[2, i], seen[3, i]),
            (seen[4, i], seen[5, i], seen[6, i], seen[7, i]),
        )
        line[i] = np.float32(_weighed(low, high, seen[8, i], seen[9, i], seen[10, i]))


@numba.njit(cache=True, nogil=True)
def _blended(
    volume: NDArray[Any],
    low: tuple[Any, Any, Any],
    high: tuple[Any, Any, Any],
    share: tuple[float, float, float],
) -> float:
    """Eight voxels weighed by the share (x, y, z) of the way from the low to the high ones."""
    (x0, y0, z0), (x1, y1, z1), (fx, fy, fz) = low, high, share
    below = (
        float(volume[z0, y0, x0]),
        float(volume[z0, y0, x1]),
        float(volume[z0, y1, x0]),
        float(volume[z0, y1, x1]),
    )
    above = (
        float(volume[z1, y0, x0]),
        float(volume[z1, y0, x1]),
        float(volume[z1, y1, x0]),
        float(volume[z1, y1, x1]),
    )
    return _weighed(below, above, fx, fy, fz)


@numba.njit(cache=True, nogil=True)
def _weighed(below: Four, above: Four, fx: float, fy: float, fz: float) -> float:
    """Eight voxels weighed, (y, x) each at the low z and at the high one; factors and sum in scipy's order."""
    ex, ey, ez = 1.0 - fx, 1.0 - fy, 1.0 - fz
    total = below[0] * ez * ey * ex
    total += below[1] * ez * ey * fx
    total += below[2] * ez * fy * ex
    total += below[3] * ez * fy * fx
    total += above[0] * fz * ey * ex
    total += above[1] * fz * ey * fx
    total += above[2] * fz * fy * ex
    total += above[3] * fz * fy * fx
    return total


@numba.njit(cache=True, nogil=True)
def _point_values(volume: NDArray[Any], index: Vector) -> NDArray[np.float32]:
    out = np.empty(len(index), np.float32)
    for i in range(len(index)):
        out[i] = _value(volume, index[i, 0], index[i, 1], index[i, 2])
    return out


@numba.njit(cache=True, nogil=True)
def _grid_values(
    volume: NDArray[Any], first: Vector, steps: Vector, xs: Vector, ys: Vector, zs: Vector
) -> NDArray[np.float32]:
    out = np.empty((len(zs), len(ys), len(xs)), np.float32)
    if not out.size:
        return out
    near, far, along = xs.min(), xs.max(), (steps[0, 0], steps[0, 1], steps[0, 2])
    seen = np.empty((11, len(xs)))
    for k in range(len(zs)):
        for j in range(len(ys)):
            bx = first[0] + zs[k] * steps[2, 0] + ys[j] * steps[1, 0]
            by = first[1] + zs[k] * steps[2, 1] + ys[j] * steps[1, 1]
            bz = first[2] + zs[k] * steps[2, 2] + ys[j] * steps[1, 2]
            ex, ey, ez = bx + far * steps[0, 0], by + far * steps[0, 1], bz + far * steps[0, 2]
            if _within(
                volume, bx + near * steps[0, 0], by + near * steps[0, 1], bz + near * steps[0, 2]
            ) and (_within(volume, ex, ey, ez)):
                # A straight line with both ends inside needs no look at the edges.
                _inner_values(volume, (bx, by, bz), along, xs, seen, out[k, j])
                continue
            for i in range(len(xs)):
                step = xs[i]
                out[k, j, i] = _value(
                    volume, bx + step * steps[0, 0], by + step * steps[0, 1], bz + step * steps[0, 2]
                )
    return out


@numba.njit(cache=True, nogil=True)
def _mean_values(volume: NDArray[Any], centres: Vector, offsets: Vector) -> NDArray[np.float32]:
    out = np.empty((len(centres), offsets.shape[0]), np.float32)
    if not offsets.size:
        return out
    low, high = np.empty(3), np.empty(3)
    for axis in range(3):
        low[axis], high[axis] = offsets[:, :, axis].min(), offsets[:, :, axis].max()
    for n in range(len(centres)):
        x, y, z = centres[n, 0], centres[n, 1], centres[n, 2]
        inner = _within(volume, x + low[0], y + low[1], z + low[2]) and _within(
            volume, x + high[0], y + high[1], z + high[2]
        )
        for m in range(offsets.shape[0]):
            total = 0.0
            for k in range(offsets.shape[1]):
                by = offsets[m, k]
                if inner:
                    total += _inner_value(volume, x + by[0], y + by[1], z + by[2])
                else:
                    total += _value(volume, x + by[0], y + by[1], z + by[2])
            out[n, m] = np.float32(total / offsets.shape[1])
    return out
