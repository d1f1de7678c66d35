"""Does the evidence lie on the defect? The pointing game, where the truth is known cell by cell.

A joint's evidence points at its strongest cell. It hits where that cell belongs to the defect or touches one that
does (Zhang et al., Top-down neural attention by excitation backprop, Int. J. Comput. Vis. 126:1084, 2018, with their
margin of some pixels as one cell). Beside the rate stands what pointing blindly at the joint's metal and gas hits.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from jointwise.evaluation.statistics.measures import Bools, Floats, ratio, wilson
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.masks import MASKS, POINTS_BY

WITHIN: Final = np.ones((3, 3, 3), np.bool_)
"""A cell and its 26 neighbours."""

Cells = NDArray[Any]


def hits(evidence: Cells, truth: Cells) -> Bools:
    """Whether each joint's strongest cell is one of the defect or touches one, (n,).

    Args:
        evidence: (n, z, y, x); of equal strongest cells the first in memory counts.
        truth: (n, z, y, x), above 0 where the defect is.

    Raises:
        InputError: a joint has no such cell, so that nothing could be hit; or shapes differ.
    """
    if evidence.shape != truth.shape or evidence.ndim != 4:
        raise InputError(
            f"expected evidence and truth of one shape (n, z, y, x), found {evidence.shape} and {truth.shape}"
        )
    empty = ~(np.asarray(truth) > 0).any(axis=(1, 2, 3))
    if empty.any():
        raise InputError(
            f"expected a defect's cells in every joint, found none in {int(empty.sum())} of {len(truth)}; "
            "leave those joints out"
        )
    return np.array(
        [_near(true).flat[int(np.argmax(seen))] for seen, true in zip(evidence, truth, strict=True)], np.bool_
    )


def blind(truth: Cells, where: Cells) -> Floats:
    """Share of the cells at which one may look that are hits, (n,).

    Args:
        truth: as for :func:`hits`.
        where: (n, z, y, x), above 0 where a joint's metal, gas or gap is: what a blind guess chooses among.
    """
    return np.array(
        [
            _near(true)[at > 0].mean() if (at > 0).any() else np.nan
            for true, at in zip(truth, where, strict=True)
        ],
        np.float64,
    )


def _near(true: Cells) -> Bools:
    return np.asarray(ndimage.binary_dilation(np.asarray(true) > 0, WITHIN), dtype=np.bool_)


def pointing_table(evidence: Cells, masks: Cells, truth: ArrayLike, called: ArrayLike) -> pd.DataFrame:
    """For each kind, of the joints that have it, all and those called: n, hits, rate with Wilson interval, blind.

    Args:
        evidence: (n, mask, z, y, x) of joints.masks, as the detector says.
        masks: the same as it is.
        truth: (n, 4) of 1, 0 or NaN.
        called: (n, 4), whether the detector calls the kind.
    """
    has, calls = np.asarray(truth, np.float64) == 1, np.asarray(called, np.bool_)
    anything = masks.max(axis=1, initial=0)
    rows = []
    for k, kind in enumerate(KINDS):
        mask = MASKS.index(POINTS_BY[kind])
        there = has[:, k] & (masks[:, mask] > 0).any(axis=(1, 2, 3))
        hit = np.zeros(len(has), np.bool_)
        hit[there] = hits(evidence[there, mask], masks[there, mask])
        for among, chosen in (("all", there), ("called", there & calls[:, k])):
            n, found = int(chosen.sum()), int(hit[chosen].sum())
            low, high = wilson(found, n)
            guess = float(np.nanmean(blind(masks[chosen, mask], anything[chosen]))) if n else np.nan
            rows.append((kind, among, n, found, ratio(found, n), low, high, guess))
    return pd.DataFrame(rows, columns=["kind", "among", "n", "hits", "rate", "low", "high", "blind"])
