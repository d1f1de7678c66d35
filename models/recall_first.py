"""Cuts for one purpose: find as much as a limit on false calls lets through, over all kinds together.

A line that stops every called joint pays for a false call once, whatever the kind: the limit holds for sound joints
with any call, and the kinds share it. Cuts start above all sound joints. Then, step by step, the kind whose recall
grows most for each further sound joint comes down, until no step fits the limit.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.kinds import N_KINDS

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class _Kind:
    """One kind's scores: of sound joints from the highest, of those with the kind, and of all that count."""

    sound: Floats
    faulty: Floats
    every: Floats
    floor: float

    def above(self, spared: int) -> float:
        """The cut that calls the first `spared` sound joints; never below the floor."""
        return max(guarded_cut(self.sound, self.every, spared, 1.0), self.floor)

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
    sound = scores[(truth == 0).all(axis=1)]
    budget = math.floor(limit * len(sound))
    kinds = []
    for k in range(N_KINDS):
        known = ~np.isnan(truth[:, k])
        faulty = scores[truth[:, k] == 1, k]
        kinds.append(_Kind(np.sort(sound[:, k])[::-1], faulty, scores[known, k], floor))
    cuts, spared = [kind.above(0) for kind in kinds], [0] * N_KINDS
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
            worth = (kind.recall(cut) - kind.recall(cuts[k])) / max(called - int(now.sum()), 1e-3)
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
