"""Which voids of a joint are one: ellipsoids that overlap, whatever a lattice of rays sees of it."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.solids import Solids


@njit(error_model="numpy", cache=True, nogil=True)
def _find(parent, k):  # type: ignore[no-untyped-def]
    while parent[k] != k:
        k = parent[k]
    return k


@njit(error_model="numpy", cache=True, nogil=True)
def _contact(r, first, second, share):  # type: ignore[no-untyped-def]
    """share (1 - share) r^T ((1 - share) first + share second)^-1 r for symmetric 3 x 3 matrices."""
    m = (1.0 - share) * first + share * second
    a, b, c, d, e, f = m[0, 0], m[0, 1], m[0, 2], m[1, 1], m[1, 2], m[2, 2]
    aa, ab, ac = d * f - e * e, c * e - b * f, b * e - c * d
    bb, bc, cc = a * f - c * c, b * c - a * e, a * d - b * b
    form = aa * r[0] ** 2 + bb * r[1] ** 2 + cc * r[2] ** 2
    form += 2.0 * (ab * r[0] * r[1] + ac * r[0] * r[2] + bc * r[1] * r[2])
    return share * (1.0 - share) * form / (a * aa + b * ab + c * ac)


@njit(error_model="numpy", cache=True, nogil=True)
def _groups(centre, spread, reach):  # type: ignore[no-untyped-def]
    """Parent of each ellipsoid in the forest of those that overlap, whatever the lattice sees of it.

    Ellipsoids with spread matrices A, B (sums of squared semi-axes) and centres r apart overlap if
    L (1 - L) r^T ((1 - L) A + L B)^-1 r < 1 for all L in 0-1 (Perram and Wertheim, J. Comput. Phys. 58, 1985).
    """
    parent = np.arange(centre.shape[0])
    for i in range(centre.shape[0]):
        for j in range(i):
            r = centre[i] - centre[j]
            if r[0] ** 2 + r[1] ** 2 + r[2] ** 2 >= (reach[i] + reach[j]) ** 2:
                continue
            low, high = 0.0, 1.0
            for _ in range(40):
                one, two = low + 0.382 * (high - low), low + 0.618 * (high - low)
                if _contact(r, spread[i], spread[j], one) < _contact(r, spread[i], spread[j], two):
                    low = one
                else:
                    high = two
            if _contact(r, spread[i], spread[j], 0.5 * (low + high)) < 1.0:
                parent[_find(parent, i)] = _find(parent, j)
    return parent


@njit(error_model="numpy", cache=True, nogil=True)
def group_areas(met, parent, areas):  # type: ignore[no-untyped-def]
    """Rays through each connected group of voids, counted at the group's root."""
    for bits in met.flat:
        seen = np.uint64(0)
        for k in range(parent.shape[0]):
            if bits >> np.uint64(k) & np.uint64(1):
                root = _find(parent, k)
                if not seen >> np.uint64(root) & np.uint64(1):
                    areas[root] += 1
                    seen |= np.uint64(1) << np.uint64(root)


def void_groups(voids: Solids) -> NDArray[np.int64]:
    """Parent of each void in the forest of connected ones (all of them ellipsoids)."""
    back = sd.inverses(voids.matrix)
    a, b, c = voids.profile.T
    wide = a - b**2 / (4 * c)  # squared semi-axes in own coordinates: wide, wide, wide / -c
    axes = back * np.sqrt(np.stack([wide, wide, -wide / c], axis=1))[:, None, :]
    centres = voids.origin + back[:, :, 2] * (-b / (2 * c))[:, None]
    _, reach = sd.bounding_spheres(voids)
    return np.asarray(_groups(centres, axes @ axes.transpose(0, 2, 1), reach))
