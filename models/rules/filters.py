"""Gaussian blur and running mean of sub-volumes: bit for bit what scipy.ndimage gives, several times faster.

scipy copies every line into a buffer and back; here lines are summed side by side, in the same order and in float64,
and each axis is rounded to float32 before the next, as there. What is summed is widened once, where it stays in the
nearest cache. The kernels let other threads run.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

Volume = NDArray[np.float32]
Vector = NDArray[np.float64]
Six = tuple[Vector, Vector, Vector, Vector, Vector, Vector]

LEAST: Final = 1e-15
"""Standard deviation from which scipy blurs at all."""
NOTHING, REFLECT, NEAREST = 0, 1, 2
"""What lies beyond the edge."""
TILE: Final = 128
"""Lines side by side that are summed at once: they stay in a near cache, and planes apart few pages are asked for."""
ROWS: Final = 24
"""Rows that are summed at once along themselves."""


def blurred(
    values: Volume,
    sigma: float | Sequence[float],
    reflect: bool = True,
    planes: tuple[int, int] | None = None,
    nearest: bool = False,
) -> Volume:
    """`ndimage.gaussian_filter(values, sigma)` of a float32 volume (z, y, x).

    Args:
        values: (z, y, x).
        sigma: standard deviation in steps, one or one per axis; 0 leaves an axis alone.
        reflect: mode `reflect` beyond the edge; else `constant`, which is 0 there.
        nearest: mode `nearest` instead.
        planes: first plane, and the one after the last, that are wanted; the others come back as 0.
    """
    source = np.ascontiguousarray(values, np.float32)
    along_z, along_y, along_x = (sigma, sigma, sigma) if isinstance(sigma, int | float) else sigma
    first, last = planes or (0, len(source))
    beyond = NEAREST if nearest else (REFLECT if reflect else NOTHING)
    every = np.empty_like(source)
    every[:first], every[last:] = 0, 0
    result, flat = every[first:last], max(along_y, along_x) > LEAST
    if along_z > LEAST:
        between = np.empty_like(result) if flat else result
        _along_z(source, _weights(float(along_z)), beyond, first, between)
    else:
        between = source[first:last]
    if flat:
        _in_planes(between, _weights(float(along_y)), _weights(float(along_x)), beyond, result)
    elif along_z <= LEAST:
        result[:] = between
    return every


def running_mean(values: Volume, size: int) -> Volume:
    """`ndimage.uniform_filter1d(values, size, axis=0, mode="nearest")` of a float32 volume, odd size."""
    lines = np.ascontiguousarray(values, np.float32).reshape(len(values), -1)
    return np.asarray(_running(lines, size).reshape(values.shape))


@lru_cache(maxsize=32)
def _weights(sigma: float) -> Vector:
    """The half of the kernel from its middle outwards, cut off at four standard deviations and normalised."""
    if sigma <= LEAST:
        return np.ones(1)
    radius = int(4.0 * sigma + 0.5)
    x = np.arange(-radius, radius + 1)
    kernel = np.exp(-0.5 / (sigma * sigma) * x**2)
    return np.asarray((kernel / kernel.sum())[radius:])


@numba.njit(cache=True, nogil=True)
def _along_z(values: Volume, weights: Vector, beyond: int, first: int, out: Volume) -> None:
    """Along z, of the planes from `first` on."""
    nz, ny, nx = values.shape
    _down(values.reshape(nz, ny * nx), weights, beyond, first, out.reshape(len(out), ny * nx))


@numba.njit(cache=True, nogil=True)
def _in_planes(values: Volume, along_y: Vector, along_x: Vector, beyond: int, out: Volume) -> None:
    """Along y and then along x, plane by plane."""
    between = np.empty(values.shape[1:], np.float32)
    for k in range(len(values)):
        _down(values[k], along_y, beyond, 0, between)
        _across(between, along_x, beyond, out[k])


@numba.njit(cache=True, nogil=True)
def _down(lines: Volume, weights: Vector, beyond: int, first: int, out: Volume) -> None:
    """Blur lines that lie one behind the other, along their order; those from `first` on are wanted."""
    (count, length), radius = out.shape, len(weights) - 1
    every = count + 2 * radius
    padded, total = np.empty(every * TILE), np.empty(count * TILE)
    for start in range(0, length, TILE):
        wide = min(TILE, length - start)
        for place in range(every):
            at = _inside(first + place - radius, len(lines), beyond)
            _widened(
                lines[max(at, 0), start : start + wide], at >= 0, padded[place * wide : (place + 1) * wide]
            )
        _correlated(padded[: every * wide], wide, weights, total[: count * wide])
        for place in range(count):
            _rounded(total[place * wide : (place + 1) * wide], out[place, start : start + wide])


@numba.njit(cache=True, nogil=True)
def _across(rows: Volume, weights: Vector, beyond: int, out: Volume) -> None:
    """Blur rows along themselves, ROWS of them at once, each prolonged to both sides."""
    (ny, nx), radius = rows.shape, len(weights) - 1
    wide = nx + 2 * radius
    padded, total = np.empty(ROWS * wide), np.empty(ROWS * wide)
    ends = np.empty(2 * radius, np.int64)
    for r in range(radius):
        ends[r], ends[radius + r] = _inside(r - radius, nx, beyond), _inside(nx + r, nx, beyond)
    for start in range(0, ny, ROWS):
        count = min(ROWS, ny - start)
        for j in range(count):
            row, line = rows[start + j], padded[j * wide : (j + 1) * wide]
            _widened(row, True, line[radius : radius + nx])
            for r in range(radius):
                low, high = ends[r], ends[radius + r]
                line[r] = np.float64(row[low]) if low >= 0 else 0.0
                line[radius + nx + r] = np.float64(row[high]) if high >= 0 else 0.0
        # What is summed from the end of one row and the start of the next is nothing and is left out.
        _correlated(padded[: count * wide], 1, weights, total[: count * wide - 2 * radius])
        for j in range(count):
            _rounded(total[j * wide : j * wide + nx], out[start + j])


@numba.njit(cache=True, nogil=True)
def _widened(values: Volume, known: bool, line: Vector) -> None:
    """Values in float64; zeros where they are not known."""
    if known:
        for i in range(len(line)):
            line[i] = np.float64(values[i])
    else:
        for i in range(len(line)):
            line[i] = 0.0


@numba.njit(cache=True, nogil=True)
def _correlated(values: Vector, step: int, weights: Vector, total: Vector) -> None:
    """Weighted sums of the values `step` apart, from the middle, then outside inwards, as scipy has them."""
    n, radius = len(total), len(weights) - 1
    middle, r = values[radius * step : radius * step + n], radius
    if r < 3:
        _scaled(middle, weights[0], total)
    while r >= 3:
        low, high = (radius - r) * step, (radius + r) * step
        three = (
            values[low : low + n],
            values[high : high + n],
            values[low + step : low + step + n],
            values[high - step : high - step + n],
            values[low + 2 * step : low + 2 * step + n],
            values[high - 2 * step : high - 2 * step + n],
        )
        by = weights[r], weights[r - 1], weights[r - 2]
        if r == radius:
            _begun(middle, weights[0], three, by, total)
        else:
            _add_three(three, by, total)
        r -= 3
    while r >= 1:
        low, high = (radius - r) * step, (radius + r) * step
        _add(values[low : low + n], values[high : high + n], weights[r], total)
        r -= 1


@numba.njit(cache=True, nogil=True)
def _begun(
    middle: Vector, own: float, pairs: Six, weights: tuple[float, float, float], total: Vector
) -> None:
    """`_scaled` and three steps of `_add`, rounded as four, with one writing of the sums."""
    (low, high, low_2, high_2, low_3, high_3), (a, b, c) = pairs, weights
    for i in range(len(total)):
        so_far = middle[i] * own + (low[i] + high[i]) * a
        so_far += (low_2[i] + high_2[i]) * b
        total[i] = so_far + (low_3[i] + high_3[i]) * c


@numba.njit(cache=True, nogil=True)
def _add_three(pairs: Six, weights: tuple[float, float, float], total: Vector) -> None:
    """Three steps of `_add`, rounded as three, with one reading of the sums."""
    (low, high, low_2, high_2, low_3, high_3), (a, b, c) = pairs, weights
    for i in range(len(total)):
        so_far = total[i] + (low[i] + high[i]) * a
        so_far += (low_2[i] + high_2[i]) * b
        total[i] = so_far + (low_3[i] + high_3[i]) * c


@numba.njit(cache=True, nogil=True)
def _scaled(line: Vector, weight: float, total: Vector) -> None:
    for i in range(len(total)):
        total[i] = line[i] * weight


@numba.njit(cache=True, nogil=True)
def _add(low: Vector, high: Vector, weight: float, total: Vector) -> None:
    for i in range(len(total)):
        total[i] += (low[i] + high[i]) * weight


@numba.njit(cache=True, nogil=True)
def _rounded(total: Vector, line: Volume) -> None:
    for i in range(len(total)):
        line[i] = np.float32(total[i])


@numba.njit(cache=True, nogil=True)
def _inside(place: int, n: int, beyond: int) -> int:
    """The index that stands for a place on a line of n; -1 for nothing."""
    if 0 <= place < n:
        return place
    if beyond == NOTHING:
        return -1
    if beyond == NEAREST:
        return 0 if place < 0 else n - 1
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
