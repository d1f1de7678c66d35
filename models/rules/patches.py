"""A disc in twelve patches of about equal area: what a gap is judged by.

A void darkens some patches, a gap nearly all; averaging over a patch calms noise. So the rules ask what all but a few
of the patches reach.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.edges import Body, Vector

PATCHES: Final = 12
"""Four inner and eight outer ones."""


def patch_numbers(body: Body, inside: NDArray[np.bool_], reach_mm: float) -> NDArray[np.int64]:
    """Patch of every column (y, x) of a disc of radius `reach_mm` about the joint's axis; -1 outside `inside`."""
    f = body.frame
    x, y = f.x[None, :] - body.axis[0], f.y[:, None] - body.axis[1]
    turn = (np.arctan2(y, x) / (2 * np.pi)) % 1.0
    inner = body.ring < reach_mm / np.sqrt(3)
    number = np.where(inner, np.minimum(4 * turn, 3).astype(int), 4 + np.minimum(8 * turn, 7).astype(int))
    return np.asarray(np.where(inside, number, -1), dtype=np.int64)


def patch_means(values: Vector, patch: NDArray[np.int64], least: int = 3) -> Vector:
    """Mean of values (y, x) per patch; NaN for a patch with fewer than `least` columns."""
    known = patch >= 0
    count = np.bincount(patch[known], minlength=PATCHES)
    total = np.bincount(patch[known], weights=values[known], minlength=PATCHES)
    return np.asarray(np.where(count >= least, total / np.maximum(count, 1), np.nan))


def reached(patches: Vector, rank: int) -> float:
    """What all but `rank` of twelve patches reach, at least 0; of fewer patches a like share; 0 of fewer than six."""
    known = np.sort(patches[np.isfinite(patches)])
    if len(known) < PATCHES // 2:
        return 0.0
    return float(max(known[rank * len(known) // PATCHES], 0.0))
