"""Quantiles of a few values in compiled code, interpolated as `np.quantile` does; they let other threads run."""

from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray


@numba.njit(cache=True, nogil=True)
def quantile(values: NDArray[Any], n: int, share: float) -> float:
    """The quantile of the first n values, which are put in another order; NaN of none."""
    if n == 0:
        return np.nan
    place = share * (n - 1)
    low = int(np.floor(place))
    high = min(low + 1, n - 1)
    above = _select(values, n, high)
    below = above
    if high > low:
        below = values[0]
        for m in range(1, high):  # all before it are smaller
            below = max(below, values[m])
    part, rise = place - low, above - below
    return float(above - rise * (1 - part) if part >= 0.5 else below + rise * part)


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
    """The value of that rank among the first n; smaller ones end up before it, larger ones behind (Hoare's FIND)."""
    low, high = 0, n - 1
    while low < high:
        pivot, i, j = values[(low + high) // 2], low, high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if rank <= j:
            high = j
        elif rank >= i:
            low = i
        else:
            break
    return float(values[rank])
