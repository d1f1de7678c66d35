"""Gaussian blur and running mean of sub-volumes: bit for bit what scipy.ndimage gives, several times faster.

scipy copies every line into a buffer and back; here the lines of a plane are summed side by side, in the same order and
in float64, and each axis is rounded to float32 before the next, as there. The kernels let other threads run.
"""

from collections.abc import Sequence
from functools import lru_cache

import numba
import numpy as np
from numpy.typing import NDArray

Volume = NDArray[np.float32]
Vector = NDArray[np.float64]


def blurred(values: Volume, sigma: float | Sequence[float], reflect: bool = True) -> Volume:
    """`ndimage.gaussian_filter(values, sigma)` of a float32 volume (z, y, x).

    Args:
        values: (z, y, x).
        sigma: standard deviation in steps, one or one per axis; 0 leaves an axis alone.
        reflect: mode `reflect` beyond the edge; else `constant`, which is 0 there.
    """
    result = np.ascontiguousarray(values, np.float32)
    sigmas = (sigma, sigma, sigma) if isinstance(sigma, int | float) else sigma
    for axis, width in enumerate(sigmas):
        if width > 1e-15:
            result = _along(result, axis, _weights(float(width)), reflect)
    return result


def running_mean(values: Volume, size: int) -> Volume:
    """`ndimage.uniform_filter1d(values, size, axis=0, mode="nearest")` of a float32 volume, odd size."""
    lines = np.ascontiguousarray(values, np.float32).reshape(len(values), -1)
    return np.asarray(_running(lines, size).reshape(values.shape))


@lru_cache(maxsize=32)
def _weights(sigma: float) -> Vector:
    """The half of the kernel from its middle outwards, cut off at four standard deviations and normalised."""
    radius = int(4.0 * sigma + 0.5)
    x = np.arange(-radius, radius + 1)
    kernel = np.exp(-0.5 / (sigma * sigma) * x**2)
    return np.asarray((kernel / kernel.sum())[radius:])


@numba.njit(cache=True, nogil=True)
def _along(values: Volume, axis: int, weights: Vector, reflect: bool) -> Volume:
    nz, ny, nx = values.shape
    out = np.empty_like(values)
    if axis == 0:
        _between_rows(values.reshape(1, nz, ny * nx), weights, reflect, out.reshape(1, nz, ny * nx))
    elif axis == 1:
        _between_rows(values, weights, reflect, out)
    else:
        _within_rows(values.reshape(nz * ny, nx), weights, reflect, out.reshape(nz * ny, nx))
    return out


@numba.njit(cache=True, nogil=True)
def _between_rows(values: Volume, weights: Vector, reflect: bool, out: Volume) -> None:
    """Blur along the middle axis."""
    blocks, n, length = values.shape
    total = np.empty(length)
    nothing = np.zeros(length, np.float32)
    for block in range(blocks):
        for place in range(n):
            _scaled(values[block, place], weights[0], total)
            for r in range(len(weights) - 1, 0, -1):
                a, b = _inside(place - r, n, reflect), _inside(place + r, n, reflect)
                low = values[block, a] if a >= 0 else nothing
                high = values[block, b] if b >= 0 else nothing
                _add(low, high, weights[r], total)
            _rounded(total, out[block, place])


@numba.njit(cache=True, nogil=True)
def _within_rows(values: Volume, weights: Vector, reflect: bool, out: Volume) -> None:
    """Blur along the last axis."""
    rows, n = values.shape
    radius = len(weights) - 1
    line, total = np.zeros(n + 2 * radius, np.float32), np.empty(n)
    beyond = np.empty(2 * radius, np.int64)
    for r in range(radius):
        beyond[r], beyond[radius + r] = _inside(r - radius, n, reflect), _inside(n + r, n, reflect)
    for row in range(rows):
        line[radius : radius + n] = values[row]
        for r in range(radius):
            low, high = beyond[r], beyond[radius + r]
            line[r] = values[row, low] if low >= 0 else np.float32(0)
            line[radius + n + r] = values[row, high] if high >= 0 else np.float32(0)
        _scaled(values[row], weights[0], total)
        for r in range(radius, 0, -1):
            _add(line[radius - r : radius - r + n], line[radius + r : radius + r + n], weights[r], total)
        _rounded(total, out[row])


@numba.njit(cache=True, nogil=True)
def _scaled(line: Volume, weight: float, total: Vector) -> None:
    for i in range(len(total)):
        total[i] = np.float64(line[i]) * weight


@numba.njit(cache=True, nogil=True)
def _add(low: Volume, high: Volume, weight: float, total: Vector) -> None:
    for i in range(len(total)):
        total[i] += (np.float64(low[i]) + np.float64(high[i])) * weight


@numba.njit(cache=True, nogil=True)
def _rounded(total: Vector, line: Volume) -> None:
    for i in range(len(total)):
        line[i] = np.float32(total[i])


@numba.njit(cache=True, nogil=True)
def _inside(place: int, n: int, reflect: bool) -> int:
    """The index that stands for a place on a line of n; -1 for nothing."""
    if 0 <= place < n:
        return place
    if not reflect:
        return -1
    place %= 2 * n
    return place if place < n else 2 * n - 1 - place


@numba.njit(cache=True, nogil=True)
def _running(values: Volume, size: int) -> Volume:
    n, length = values.shape
    half = size // 2
    out = np.empty_like(values)
    total = np.zeros(length)
    for k in range(-half, half + 1):
        at = min(max(k, 0), n - 1)
        for i in range(length):
            total[i] += values[at, i]
    for i in range(length):
        out[0, i] = np.float32(total[i] / size)
    for k in range(1, n):
        new, old = values[min(k + half, n - 1)], values[max(k - 1 - half, 0)]
        for i in range(length):
            total[i] += np.float64(new[i]) - np.float64(old[i])
            out[k, i] = np.float32(total[i] / size)
    return out
