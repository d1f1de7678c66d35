"""Parted, whichever way: a joint that is surely open, though not surely in one of the two ways of being open.

A joint is parted at a land (non_wet) or inside (head_in_pillow), never both. So the probability that it is parted is
their sum. Where belief is split, each may stay below its cut while the sum leaves no doubt; such a joint is
called by a cut of its own on the sum, and the likelier of the two kinds is named.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.kinds import KINDS

Floats = NDArray[np.float64]

WAYS: Final = (KINDS.index("non_wet"), KINDS.index("head_in_pillow"))
"""Columns of the two ways; of equally likely ones the first is named."""

OTHERS: Final = tuple(k for k in range(len(KINDS)) if k not in WAYS)
"""Columns of the other kinds."""

BOTH: Final = 2.0
"""The sum where both ways are certain: no sum is beyond it."""


def parted_truth(truth: Floats) -> Floats:
    """Whether joints (n,) are parted either way, of labels (n, 4): 1, 0, or NaN where that is not known."""
    ways = truth[:, WAYS]
    return np.asarray(np.where((ways == 1).any(axis=1), 1.0, np.where((ways == 0).all(axis=1), 0.0, np.nan)))


def parted_score(scores: Floats) -> Floats:
    """How far joints (n,) are believed parted, of scores (n, 4): the sum of the two ways.

    A probability where the two are ones of a joint that cannot be both; beyond 1 where a detector believes both.
    """
    return np.asarray(scores[:, WAYS].sum(axis=1))


def eased(cuts: Floats, scores: Floats, parted: Floats) -> Floats:
    """The cuts (n, 4) with the rule applied: only the likelier way's may come down, where neither way is called.

    It comes down to what the other way's score leaves of the cut on the sum, so that the joint is called exactly where
    the sum reaches that cut.

    Args:
        cuts: (n, 4) of the kinds alone.
        scores: (n, 4); NaN calls nothing and eases nothing.
        parted: (n,) cut on the sum.
    """
    found = cuts.copy()
    first, second = WAYS
    with np.errstate(invalid="ignore"):
        neither = ~(scores[:, WAYS] >= cuts[:, WAYS]).any(axis=1)
        leads = scores[:, first] >= scores[:, second]
        trails = scores[:, second] > scores[:, first]
    for way, other, likelier in ((first, second, leads), (second, first, trails)):
        # The likelier one is never below the other: a cut of less says nothing, and might fall to 0.
        least = np.maximum(parted - scores[:, other], scores[:, other])
        here = neither & likelier & (least < cuts[:, way])
        found[here, way] = least[here]
    return found
