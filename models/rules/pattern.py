"""The smooth pattern of a joint's slices, and what is darker than it.

Hardening darkens a ball's core, and does so differently along and across the rays; both patterns are smooth around the
joint's axis: even powers of the radius, with first, second and fourth harmonics of the direction, fitted so that dark
spots count little.
"""

import numba
import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.edges import Vector, Volume
from jointwise.models.rules.ranks import quantile


@numba.njit(cache=True, nogil=True)
def darkness(values: Volume, inside: NDArray[np.bool_], x: Vector, y: Vector, size: float) -> Volume:
    """Share by which each inside point is darker than its slice's smooth pattern, -0.5 … 1; 0 outside."""
    nz, ny, nx = values.shape
    dark = np.zeros((nz, ny, nx), np.float32)
    terms = 11
    for k in range(nz):
        n = np.count_nonzero(inside[k])
        if n < 40:
            continue
        design, grey = np.empty((n, terms)), np.empty(n)
        place = np.empty((n, 2), np.int64)
        m = 0
        for j in range(ny):
            for i in range(nx):
                if inside[k, j, i]:
                    _pattern(x[i] / size, y[j] / size, design[m])
                    grey[m] = values[k, j, i]
                    place[m, 0], place[m, 1] = j, i
                    m += 1
        model = _fit_pattern(design, grey)
        for m in range(n):
            share = 1 - grey[m] / max(model[m], 0.3)
            dark[k, place[m, 0], place[m, 1]] = min(max(share, -0.5), 1.0)
    return dark


@numba.njit(cache=True, nogil=True)
def _pattern(u: float, v: float, row: Vector) -> None:
    """Terms of the smooth pattern at (u, v): 1, r², r⁴, r⁶, and harmonics 1, 2 and 4 of the direction."""
    r2 = u * u + v * v
    twice_c, twice_s = u * u - v * v, 2 * u * v  # r² times cosine and sine of twice the direction
    row[0], row[1], row[2], row[3] = 1.0, r2, r2 * r2, r2 * r2 * r2
    row[4], row[5] = u, v
    row[6], row[7] = twice_c, twice_s
    row[8], row[9] = r2 * twice_c, r2 * twice_s
    row[10] = twice_c * twice_c - twice_s * twice_s


@numba.njit(cache=True, nogil=True)
def _fit_pattern(design: NDArray[np.float64], grey: Vector) -> Vector:
    """The pattern's values; five rounds of least squares in which points well below it count a twentieth.

    From round to round few points change their weight, so the sums are mended, not made anew.
    """
    n, terms = design.shape
    weight, size = np.ones(n), np.empty(n)
    system, right = design.T @ design, design.T @ grey
    for i in range(terms):
        system[i, i] += 1e-4
    model = grey.copy()
    for _ in range(5):
        model = design @ np.linalg.solve(system, right)
        off = grey - model
        for m in range(n):
            size[m] = abs(off[m])
        spread = max(1.4826 * quantile(size, n, 0.5), 0.004)
        same = True
        for m in range(n):
            new = 0.05 if off[m] < -1.5 * spread else (0.3 if off[m] > 3 * spread else 1.0)
            if new != weight[m]:
                same = False
                _reweighted(system, right, design[m], grey[m], new - weight[m])
                weight[m] = new
        if same:  # another round would give the same
            break
    return model


@numba.njit(cache=True, nogil=True)
def _reweighted(system: Vector, right: Vector, row: Vector, grey: float, change: float) -> None:
    """Let a point count so much more in the normal equations."""
    for a in range(len(row)):
        part = change * row[a]
        right[a] += part * grey
        for b in range(len(row)):
            system[a, b] += part * row[b]
