"""Quantiles of a few values in compiled code, interpolated as `np.quantile` does; they let other threads run."""

from typing import Any, Final

import numba
import numpy as np
from numpy.typing import NDArray

FEW: Final = 8
"""So many values are sorted by insertion."""


@numba.njit(cache=True)
def quantile(values: NDArray[Any], n: int, share: float) -> float:
    """The quantile of the first n values, which are put in another order; NaN of none."""
    if n == 0:
        return np.nan
    place = share * (n - 1)
    low = int(np.floor(place))
    return _between(values, n, low, place - low)


@numba.njit(cache=True, nogil=True)
def _between(values: NDArray[Any], n: int, low: int, part: float) -> float:
    """The value such a part of the way from that of a rank to that of the next one."""
    high = min(low + 1, n - 1)
    above = _select(values, n, high)
    below = above
    if high > low:
        below = values[0]
        for m in range(1, high):  # all before it are smaller
            below = max(below, values[m])
    rise = above - below
    return float(above - rise * (1 - part) if part >= 0.5 else below + rise * part)


@numba.njit(cache=True, nogil=True)
def quantile_about(values: NDArray[Any], n: int, share: float, guess: float) -> float:
    """The same, found faster where it lies within a quarter of a guess; values may be put in another order."""
    low, high, before, found = 0.75 * guess, 1.25 * guess, 0, 0
    near = np.empty(n, values.dtype)
    for m in range(n):
        value = values[m]
        near[found] = value
        before += value < low
        found += (value >= low) & (value <= high)
    place = share * (n - 1)
    rank = int(np.floor(place))
    if rank < before or min(rank + 1, n - 1) >= before + found:
        return quantile(values, n, share)
    return _between(near, found, rank - before, place - rank)


@numba.njit(cache=True, nogil=True)
def quantile_where(values: NDArray[Any], where: NDArray[np.bool_], share: float) -> float:
    """The quantile of a volume (z, y, x) over the columns `where` (y, x)."""
    found, n = np.empty(values.size, values.dtype), 0
    for k in range(values.shape[0]):
        for j in range(values.shape[1]):
            for i in range(values.shape[2]):
                if where[j, i]:
                    found[n] = values[k, j, i]
                    n += 1
    return quantile(found, n, share)


@numba.njit(cache=True, nogil=True)
def _select(values: NDArray[Any], n: int, rank: int) -> float:
    """The value of that rank among the first n; smaller ones end up before it, larger ones behind.

    Hoare's FIND, but each value is written to both sides and only one of the two moves on: no branch to be foreseen
    wrongly at every other value, which costs more than the writing.
    """
    low, high, aside = 0, n - 1, np.empty(n, values.dtype)
    while high - low > FEW:
        one, two, three = values[low], values[(low + high) // 2], values[high]
        pivot = max(min(one, two), min(max(one, two), three))
        front = _smaller_first(values, low, high, pivot, aside)
        if rank < front:
            high = front - 1
        elif front > low:
            low = front
        else:  # nothing is smaller: the many that may equal the pivot go first
            front = _larger_last(values, low, high, pivot, aside)
            if rank < front:
                return float(pivot)
            low = front
    for i in range(low + 1, high + 1):
        value, j = values[i], i
        while j > low and values[j - 1] > value:
            values[j] = values[j - 1]
            j -= 1
        values[j] = value
    return float(values[rank])


@numba.njit(cache=True, nogil=True)
def _smaller_first(values: NDArray[Any], low: int, high: int, pivot: Any, aside: NDArray[Any]) -> int:
    """Put what is smaller than the pivot before the rest of low … high; where the rest begins."""
    front, behind = low, 0
    for i in range(low, high + 1):
        value = values[i]
        values[front], aside[behind] = value, value
        smaller = value < pivot
        front += smaller
        behind += 1 - smaller
    values[front : high + 1] = aside[:behind]
    return front


@numba.njit(cache=True, nogil=True)
def _larger_last(values: NDArray[Any], low: int, high: int, pivot: Any, aside: NDArray[Any]) -> int:
    """Put what is larger than the pivot behind the rest of low … high; where it begins."""
    front, behind = low, 0
    for i in range(low, high + 1):
        value = values[i]
        values[front], aside[behind] = value, value
        larger = value > pivot
        front += 1 - larger
        behind += larger
    values[front : high + 1] = aside[:behind]
    return front
