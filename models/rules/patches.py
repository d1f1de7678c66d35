"""A disc in twelve patches of about equal area: what a gap is judged by.

A void darkens some patches, a gap nearly all; averaging over a patch calms noise. So the rules ask what all but a few
of the patches reach.
"""

from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.edges import Body, Vector

PATCHES: Final = 12
INNER: Final = 4
"""Inner ones, which come first; the rest lies around them."""


def patch_numbers(body: Body, inside: NDArray[np.bool_], reach_mm: float) -> NDArray[np.int64]:
    """Patch of every column (y, x) of a disc of radius `reach_mm` about the joint's axis; -1 outside `inside`."""
    f = body.frame
    x, y = f.x - body.axis[0], f.y - body.axis[1]
    return np.asarray(_numbers(x, y, body.ring, inside, reach_mm / np.sqrt(3)))


@numba.njit(cache=True)
def _numbers(
    x: Vector, y: Vector, ring: Vector, inside: NDArray[np.bool_], inner_mm: float
) -> NDArray[np.int64]:
    number = np.full(inside.shape, -1, np.int64)
    for j in range(len(y)):
        for i in range(len(x)):
            if inside[j, i]:
                turn = (np.arctan2(y[j], x[i]) / (2 * np.pi)) % 1.0
                inner = ring[j, i] < inner_mm
                number[j, i] = min(int(4 * turn), 3) if inner else 4 + min(int(8 * turn), 7)
    return number


@numba.njit(cache=True)
def patch_means(values: Vector, patch: NDArray[np.int64], least: int = 3) -> Vector:
    """Mean of values (y, x) per patch; NaN for a patch with fewer than `least` columns."""
    total, count = np.zeros(PATCHES), np.zeros(PATCHES)
    for j in range(patch.shape[0]):
        for i in range(patch.shape[1]):
            if patch[j, i] >= 0:
                total[patch[j, i]] += values[j, i]
                count[patch[j, i]] += 1
    for n in range(PATCHES):
        total[n] = total[n] / count[n] if count[n] >= least else np.nan
    return total


@numba.njit(cache=True)
def reached(patches: Vector, rank: int) -> float:
    """What all but `rank` of twelve patches reach, at least 0; of fewer patches a like share; 0 of fewer than six."""
    known = np.sort(patches[np.isfinite(patches)])
    if len(known) < PATCHES // 2:
        return 0.0
    return float(max(known[rank * len(known) // PATCHES], 0.0))
