"""Cuts for one purpose: find as much as a limit on false calls lets through, over all kinds together.

A line that stops every called joint pays for a false call once, whatever the kind: the limit holds for sound joints
with any call, and the kinds share it. Cuts start above all sound joints. Then, step by step, the kind whose recall
grows most for each further sound joint comes down, until no step fits the limit.

The two ways of being parted may stand as one kind: a joint is called where the sum of both reaches one cut, under the
likelier name. Split belief then costs neither a miss nor a wrong name.

Where calls of some sound joints do not count (`void_guard`), the scores given here are 0 for them: all that is said of
sound joints is said of those that count.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jointwise.models.parted import BOTH, OTHERS, WAYS, parted_score, parted_truth

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Kind:
    """One kind's scores: of sound joints from the highest, of those with the kind, and of all that count.

    Args:
        top: what no score is beyond.
        weight: how many kinds it stands for.
    """

    sound: Floats
    faulty: Floats
    every: Floats
    floor: float
    top: float
    weight: float

    def above(self, spared: int) -> float:
        """The cut that calls the first `spared` sound joints; never below the floor."""
        return max(guarded_cut(self.sound, self.every, spared, self.top), self.floor)

    def recall(self, cut: float) -> float:
        """Share of the joints with the kind that this cut calls."""
        return float((self.faulty >= cut).mean()) if len(self.faulty) else 0.0


def share_cuts(truth: Floats, scores: Floats, limit: float, floor: float) -> tuple[float, ...]:
    """One cut per kind: a mean recall over kinds as high as steps of the best exchange reach.

    Args:
        truth: (n, 4) of 1, 0 or NaN (not counted).
        scores: (n, 4) in [0, 1].
        limit: share of the joints without any fault that may be called at all.
        floor: least cut.
    """
    n = truth.shape[1]
    return _share(truth, scores, limit, floor, (1.0,) * n, (1.0,) * n)


def share_cuts_parted(
    truth: Floats, scores: Floats, limit: float, floor: float
) -> tuple[tuple[float, ...], float]:
    """The same with both ways of being parted as one: cuts (4,), alike for the two, and the cut on their sum.

    Args:
        truth, scores, limit, floor: as for :func:`share_cuts`.
    """
    three = np.column_stack([truth[:, OTHERS], parted_truth(truth)])
    told = np.column_stack([scores[:, OTHERS], parted_score(scores)])
    tops, weights = (*(1.0 for _ in OTHERS), BOTH), (*(1.0 for _ in OTHERS), float(len(WAYS)))
    *others, parted = _share(three, told, limit, floor, tops, weights)
    cuts = [min(parted, 1.0)] * truth.shape[1]
    for place, cut in zip(OTHERS, others, strict=True):
        cuts[place] = cut
    return tuple(cuts), parted


def _share(
    truth: Floats,
    scores: Floats,
    limit: float,
    floor: float,
    tops: tuple[float, ...],
    weights: tuple[float, ...],
) -> tuple[float, ...]:
    """Cuts of the columns (n, k) of truth and scores; each kind's highest score, and how much its recall weighs."""
    sound = scores[(truth == 0).all(axis=1)]
    budget = math.floor(limit * len(sound))
    kinds = []
    for k, (top, weight) in enumerate(zip(tops, weights, strict=True)):
        known = ~np.isnan(truth[:, k])
        faulty = scores[truth[:, k] == 1, k]
        falling = np.sort(sound[:, k])[::-1]
        kinds.append(_Kind(falling, faulty, scores[known, k], floor, top, weight))
    cuts, spared = [kind.above(0) for kind in kinds], [0] * len(kinds)
    while True:
        step = _best_step(kinds, cuts, spared, sound, budget)
        if step is None:
            return tuple(cuts)
        k, spared[k], cuts[k] = step


def _best_step(
    kinds: list[_Kind], cuts: list[float], spared: list[int], sound: Floats, budget: int
) -> tuple[int, int, float] | None:
    """The kind that comes down, the sound joints it then calls, and its cut; None where nothing is to be had."""
    now = (sound >= cuts).any(axis=1)
    best, found = 0.0, None
    for k, kind in enumerate(kinds):
        for count in range(spared[k] + 1, min(spared[k] + budget, len(kind.sound)) + 1):
            cut = kind.above(count)
            called = int((now | (sound[:, k] >= cut)).sum())
            if called > budget or cut >= cuts[k]:
                break
            # A joint that another kind calls already costs nothing: as good as a thousand that cost one.
            gain = kind.weight * (kind.recall(cut) - kind.recall(cuts[k]))
            worth = gain / max(called - int(now.sum()), 1e-3)
            if worth > best:
                best, found = worth, (k, count, cut)
    return found


def guarded_cut(falling: Floats, every: Floats, limit: int, top: float) -> float:
    """The lowest cut that calls at most so many of some joints, midway to the next score of any.

    Args:
        falling: (n,) their scores, from the highest.
        every: (m,) scores of all joints, in [0, top].
        limit: how many of the n may be called.
        top: what no score is beyond.
    """
    below = float(falling[limit]) if limit < len(falling) else 0.0
    return (below + float(every[every > below].min(initial=top))) / 2
