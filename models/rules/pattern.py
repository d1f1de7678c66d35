"""The smooth pattern of a joint's slices, and what is darker than it.

Hardening darkens a ball's core, and does so differently along and across the rays; both patterns are smooth around the
joint's axis: even powers of the radius, with first, second and fourth harmonics of the direction, fitted so that dark
spots count little.
"""

from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.edges import Vector, Volume
from jointwise.models.rules.ranks import quantile_about

TERMS: Final = 11
ROUNDS: Final = 5


@numba.njit(cache=True, nogil=True)
def darkness(values: Volume, inside: NDArray[np.bool_], x: Vector, y: Vector, size: float) -> Volume:
    """Share by which each inside point is darker than its slice's smooth pattern, -0.5 … 1; 0 outside."""
    nz, ny, nx = values.shape
    dark = np.zeros((nz, ny, nx), np.float32)
    terms, place = np.empty((TERMS, ny * nx)), np.empty(ny * nx, np.int64)
    for j in range(ny):
        for i in range(nx):
            _pattern(x[i] / size, y[j] / size, terms[:, j * nx + i])
    columns, grey = np.empty((TERMS, ny * nx)), np.empty(ny * nx)
    for k in range(nz):
        plane, within, out, n = values[k].ravel(), inside[k].ravel(), dark[k].reshape(ny * nx), 0
        for at in range(ny * nx):
            place[n] = at
            n += within[at]
        if n < 40:
            continue
        for m in range(n):
            grey[m] = plane[place[m]]
        for t in range(TERMS):
            term, column = terms[t], columns[t]
            for m in range(n):
                column[m] = term[place[m]]
        model = _fit_pattern(columns, grey[:n])
        for m in range(n):
            share = 1 - grey[m] / max(model[m], 0.3)
            out[place[m]] = min(max(share, -0.5), 1.0)
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
def _fit_pattern(columns: Vector, grey: Vector) -> Vector:
    """The pattern's values; five rounds of least squares in which points well below it count a twentieth.

    From round to round few points change their weight, so the sums are mended, not made anew.

    Args:
        columns: (TERMS, n or more) every term of the points.
        grey: (n,).
    """
    n = len(grey)
    weight, size, off, model = np.ones(n), np.empty(n), np.empty(n), np.empty(n)
    system, right, fit, row = np.empty((TERMS, TERMS)), np.empty(TERMS), np.empty(TERMS), np.empty(TERMS)
    for a in range(TERMS):
        right[a] = _product(columns[a, :n], grey)
        for b in range(a + 1):
            system[a, b] = _product(columns[a, :n], columns[b, :n])
            system[b, a] = system[a, b]
        system[a, a] += 1e-4
    spread = 0.0
    for _ in range(ROUNDS):
        _solved(system, right, fit)
        _modelled(columns, fit, model)
        for m in range(n):
            off[m] = grey[m] - model[m]
            size[m] = abs(off[m])
        spread = max(1.4826 * quantile_about(size, n, 0.5, spread / 1.4826), 0.004)
        same = True
        for m in range(n):
            new = 0.05 if off[m] < -1.5 * spread else (0.3 if off[m] > 3 * spread else 1.0)
            if new != weight[m]:
                same = False
                for t in range(TERMS):
                    row[t] = columns[t, m]
                _reweighted(system, right, row, grey[m], new - weight[m])
                weight[m] = new
        if same:  # another round would give the same
            break
    return model


@numba.njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def _product(one: Vector, other: Vector) -> float:
    """Inner product, in an order that lets values be summed side by side."""
    total = 0.0
    for m in range(len(one)):
        total += one[m] * other[m]
    return total


@numba.njit(cache=True, nogil=True)
def _modelled(columns: Vector, fit: Vector, model: Vector) -> None:
    """The pattern's values from what each term counts."""
    for m in range(len(model)):
        model[m] = fit[0]  # the first term is 1
    for t in range(1, TERMS):
        column, part = columns[t, : len(model)], fit[t]
        for m in range(len(model)):
            model[m] += part * column[m]


@numba.njit(cache=True, nogil=True)
def _solved(system: Vector, right: Vector, fit: Vector) -> None:
    """Solve the normal equations by elimination without exchange: they are definite."""
    left, shares = system.copy(), np.empty(TERMS)
    for a in range(TERMS):
        # Column by column, so that what is taken away is a row's multiple, side by side.
        shares[a] = 1 / left[a, a]
        for b in range(a + 1, TERMS):
            share = left[a, b] * shares[a]
            for c in range(TERMS):
                left[b, c] -= share * left[a, c]
    for a in range(TERMS):
        fit[a] = right[a]
    for a in range(TERMS):
        for b in range(a + 1, TERMS):
            fit[b] -= left[a, b] * shares[a] * fit[a]
    for a in range(TERMS - 1, -1, -1):
        total = fit[a]
        for c in range(a + 1, TERMS):
            total -= left[a, c] * fit[c]
        fit[a] = total * shares[a]


@numba.njit(cache=True, nogil=True)
def _reweighted(system: Vector, right: Vector, row: Vector, grey: float, change: float) -> None:
    """Let a point count so much more in the normal equations."""
    for a in range(TERMS):
        part = change * row[a]
        right[a] += part * grey
        for b in range(TERMS):
            system[a, b] += part * row[b]
