"""Gaussian blur and running mean of sub-volumes: bit for bit what scipy.ndimage gives, several times faster.

scipy copies every line into a buffer and back; here the lines of a plane are summed side by side, in the same order and
in float64, and each axis is rounded to float32 before the next, as there. The kernels let other threads run.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

Volume = NDArray[np.float32]
Vector = NDArray[np.float64]

LEAST: Final = 1e-15
"""Standard deviation from which scipy blurs at all."""
TILE: Final = 448
"""Points of a line that are summed at once: they and their sums stay in the nearest cache."""


def blurred(
    values: Volume,
    sigma: float | Sequence[float],
    reflect: bool = True,
    planes: tuple[int, int] | None = None,
) -> Volume:
    """`ndimage.gaussian_filter(values, sigma)` of a float32 volume (z, y, x).

    Args:
        values: (z, y, x).
        sigma: standard deviation in steps, one or one per axis; 0 leaves an axis alone.
        reflect: mode `reflect` beyond the edge; else `constant`, which is 0 there.
        planes: first plane, and the one after the last, that are wanted; the others come back as 0.
    """
    source = np.ascontiguousarray(values, np.float32)
    along_z, along_y, along_x = (sigma, sigma, sigma) if isinstance(sigma, int | float) else sigma
    first, last = planes or (0, len(source))
    result = source[first:last]
    if along_z > LEAST:
        result = _along_z(source, _weights(float(along_z)), reflect, first, last)
    if along_y > LEAST:
        result = _along_y(result, _weights(float(along_y)), reflect)
    if along_x > LEAST:
        result = _along_x(result, _weights(float(along_x)), reflect)
    if planes is None:
        return result
    every = np.zeros_like(source)
    every[first:last] = result
    return every


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
def _along_z(values: Volume, weights: Vector, reflect: bool, first: int, last: int) -> Volume:
    nz, ny, nx = values.shape
    out = np.empty((last - first, ny, nx), np.float32)
    lines, blurs = values.reshape(nz, ny * nx), out.reshape(last - first, ny * nx)
    total, nothing = np.empty(TILE), np.zeros(TILE, np.float32)
    for start in range(0, ny * nx, TILE):
        tile = lines[:, start : start + TILE]
        n = tile.shape[1]
        for place in range(first, last):
            _blur_line(tile, place, weights, reflect, nothing[:n], total[:n])
            _rounded(total[:n], blurs[place - first, start : start + n])
    return out


@numba.njit(cache=True, nogil=True)
def _along_y(values: Volume, weights: Vector, reflect: bool) -> Volume:
    nz, ny, nx = values.shape
    out = np.empty((nz, ny, nx), np.float32)
    total, nothing = np.empty(nx), np.zeros(nx, np.float32)
    for k in range(nz):
        for place in range(ny):
            _blur_line(values[k], place, weights, reflect, nothing, total)
            _rounded(total, out[k, place])
    return out


@numba.njit(cache=True, nogil=True)
def _blur_line(
    lines: Volume, place: int, weights: Vector, reflect: bool, nothing: Volume, total: Vector
) -> None:
    """Blurred values of one of several lines side by side, from the lines before and after it."""
    n = len(lines)
    _scaled(lines[place], weights[0], total)
    r = len(weights) - 1
    while r >= 3:
        _add_three(
            _line(lines, _inside(place - r, n, reflect), nothing),
            _line(lines, _inside(place + r, n, reflect), nothing),
            _line(lines, _inside(place - r + 1, n, reflect), nothing),
            _line(lines, _inside(place + r - 1, n, reflect), nothing),
            _line(lines, _inside(place - r + 2, n, reflect), nothing),
            _line(lines, _inside(place + r - 2, n, reflect), nothing),
            (weights[r], weights[r - 1], weights[r - 2]),
            total,
        )
        r -= 3
    while r >= 1:
        low, high = _inside(place - r, n, reflect), _inside(place + r, n, reflect)
        _add(_line(lines, low, nothing), _line(lines, high, nothing), weights[r], total)
        r -= 1


@numba.njit(cache=True, nogil=True)
def _line(lines: Volume, place: int, nothing: Volume) -> Volume:
    return lines[place] if place >= 0 else nothing


@numba.njit(cache=True, nogil=True)
def _along_x(values: Volume, weights: Vector, reflect: bool) -> Volume:
    nz, ny, nx = values.shape
    out = np.empty((nz, ny, nx), np.float32)
    radius = len(weights) - 1
    line, total = np.zeros(nx + 2 * radius, np.float32), np.empty(nx)
    beyond = np.empty(2 * radius, np.int64)
    for r in range(radius):
        beyond[r], beyond[radius + r] = _inside(r - radius, nx, reflect), _inside(nx + r, nx, reflect)
    for k in range(nz):
        for j in range(ny):
            row = values[k, j]
            line[radius : radius + nx] = row
            for r in range(radius):
                low, high = beyond[r], beyond[radius + r]
                line[r] = row[low] if low >= 0 else np.float32(0)
                line[radius + nx + r] = row[high] if high >= 0 else np.float32(0)
            _sum_row(line, weights, nx, total)
            _rounded(total, out[k, j])
    return out


@numba.njit(cache=True, nogil=True)
def _sum_row(line: Volume, weights: Vector, n: int, total: Vector) -> None:
    """Blurred values of a row that has been prolonged to both sides."""
    radius = len(weights) - 1
    _scaled(line[radius : radius + n], weights[0], total)
    r = radius
    while r >= 3:
        low, high = radius - r, radius + r
        _add_three(
            line[low : low + n],
            line[high : high + n],
            line[low + 1 : low + 1 + n],
            line[high - 1 : high - 1 + n],
            line[low + 2 : low + 2 + n],
            line[high - 2 : high - 2 + n],
            (weights[r], weights[r - 1], weights[r - 2]),
            total,
        )
        r -= 3
    while r >= 1:
        _add(line[radius - r : radius - r + n], line[radius + r : radius + r + n], weights[r], total)
        r -= 1


@numba.njit(cache=True, nogil=True)
def _add_three(
    low: Volume,
    high: Volume,
    low_2: Volume,
    high_2: Volume,
    low_3: Volume,
    high_3: Volume,
    weights: tuple[float, float, float],
    total: Vector,
) -> None:
    """Three steps of `_add`, rounded as three, with one reading of the sums."""
    a, b, c = weights
    for i in range(len(total)):
        so_far = total[i] + (np.float64(low[i]) + np.float64(high[i])) * a
        so_far += (np.float64(low_2[i]) + np.float64(high_2[i])) * b
        total[i] = so_far + (np.float64(low_3[i]) + np.float64(high_3[i])) * c


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
