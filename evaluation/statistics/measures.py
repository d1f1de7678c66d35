"""How well calls and scores agree with truth: counts, rates, intervals, average precision, guessing.

Everything here is a pure function of numpy arrays. Truth is 1 (faulty), 0 (not) or NaN (marginal or
unknown: not counted). A place without a ball (`present` = 0) counts in no kind. What cannot be computed is
NaN, never 0: a set without bridges says nothing about how well bridges are found.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jointwise.joints.errors import InputError

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

Z_95 = 1.959964
"""Two-sided 95 % point of the normal distribution (domain value; scipy gives 1.959963985)."""


class Interval(NamedTuple):
    """Lower and upper bound of an interval; both NaN where there is nothing to bound."""

    low: float
    high: float


class Counts(NamedTuple):
    """Joints of one kind by truth and call: true/false positives, false/true negatives."""

    tp: int
    fp: int
    fn: int
    tn: int

    @property
    def n(self) -> int:
        """All joints counted."""
        return sum(self)

    @property
    def faulty(self) -> int:
        """Joints that truly have the kind."""
        return self.tp + self.fn

    @property
    def sound(self) -> int:
        """Joints that truly do not have the kind."""
        return self.fp + self.tn

    @property
    def called(self) -> int:
        """Joints the detector called."""
        return self.tp + self.fp

    @property
    def precision(self) -> float:
        """Share of the calls that are right; NaN without a call."""
        return ratio(self.tp, self.called)

    @property
    def recall(self) -> float:
        """Share of the faulty joints that are called; NaN without a faulty joint."""
        return ratio(self.tp, self.faulty)

    @property
    def false_positive_rate(self) -> float:
        """Share of the joints without the kind that are called; NaN if every joint has it."""
        return ratio(self.fp, self.sound)

    @property
    def f1(self) -> float:
        """Harmonic mean of precision and recall, 2 tp / (2 tp + fp + fn); NaN without a faulty joint."""
        return ratio(2 * self.tp, 2 * self.tp + self.fp + self.fn) if self.faulty else math.nan

    @property
    def balanced_accuracy(self) -> float:
        """Mean of recall and of the share of joints without the kind left alone; NaN where either has no joint."""
        return (self.recall + 1 - self.false_positive_rate) / 2


class Guess(NamedTuple):
    """What guessing by class frequency gets on average (see `guess`)."""

    precision: float
    recall: float
    f1: float
    ap: float


def ratio(part: int, whole: int) -> float:
    """`part / whole`, or NaN when there is no whole."""
    return part / whole if whole else math.nan


def shares(part: Floats, whole: Floats) -> Floats:
    """:func:`ratio` of whole arrays, (…)."""
    return np.asarray(np.divide(part, whole, out=np.full(np.shape(whole), np.nan), where=whole > 0))


def wilson(successes: int, n: int, z: float = Z_95) -> Interval:
    """Wilson score interval of a rate seen as `successes` out of `n` independent trials.

    [p + z²/2n ± z √(p(1-p)/n + z²/4n²)] / (1 + z²/n), E. B. Wilson, J. Am. Stat. Assoc. 22:209 (1927).
    Joints of one board are not independent, so on real sets it is narrower than the truth.

    Args:
        successes: count, 0 to n.
        n: number of trials; 0 gives (NaN, NaN).
        z: normal quantile; the default is two-sided 95 %.

    Raises:
        InputError: if `successes` is negative or above `n`.

    Example:
        >>> low, high = wilson(27, 30)
        >>> round(low, 6), round(high, 6)
        (0.743789, 0.9654)
    """
    if not 0 <= successes <= n:
        raise InputError(
            f"expected a count between 0 and n, found {successes} of {n}; count the joints again"
        )
    if n == 0:
        return Interval(math.nan, math.nan)
    p = successes / n
    middle = p + z * z / (2 * n)
    half = z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    scale = 1 + z * z / n
    # At the ends the formula is exactly 0 or 1; rounding would leave 1e-17 or 0.9999999.
    low = 0.0 if successes == 0 else (middle - half) / scale
    high = 1.0 if successes == n else (middle + half) / scale
    return Interval(low, high)


def average_precision(truth: ArrayLike, score: ArrayLike) -> float:
    """Average precision of one kind, Σ (R_k - R_{k-1}) P_k over the distinct scores, highest first.

    No interpolation, and joints with equal scores enter together, so their order cannot matter (the
    rule of scikit-learn's `average_precision_score`).

    Args:
        truth: (n,) 0 or 1, nothing else.
        score: (n,) finite; higher means more likely faulty.

    Returns:
        0 to 1, or NaN when no joint is faulty (scikit-learn returns 0 there, which reads as a bad detector).

    Example:
        >>> average_precision([1, 0, 1], [0.9, 0.5, 0.5])
        0.8333333333333333
    """
    positive, value = np.asarray(truth, dtype=np.float64), np.asarray(score, dtype=np.float64)
    _demand_labels(positive, "truth")
    _demand_finite(value, "score")
    if positive.shape != value.shape:
        raise InputError(
            f"expected one score per joint, found {value.size} scores for {positive.size} joints"
        )
    if not positive.any():
        return math.nan
    order = np.argsort(-value, kind="stable")
    hits = np.cumsum(positive[order])
    ends = np.flatnonzero(np.append(np.diff(value[order]) != 0, True))
    precision, recall = hits[ends] / (ends + 1), hits[ends] / hits[-1]
    return float(np.sum(np.diff(recall, prepend=0.0) * precision))


def count(truth: ArrayLike, called: ArrayLike) -> Counts:
    """The four counts of one kind.

    Args:
        truth: (n,) 0 or 1, nothing else.
        called: (n,) bool, whether the detector calls the kind.
    """
    faulty, call = np.asarray(truth, dtype=np.float64), np.asarray(called, dtype=bool)
    _demand_labels(faulty, "truth")
    if faulty.shape != call.shape:
        raise InputError(f"expected one call per joint, found {call.size} calls for {faulty.size} joints")
    yes = faulty == 1
    cells = (yes & call, ~yes & call, yes & ~call, ~yes & ~call)
    return Counts(*(int(np.count_nonzero(cell)) for cell in cells))


def rates(cells: ArrayLike) -> dict[str, Floats]:
    """The rates of :class:`Counts` for many counts at once, for instance one for each replicate of a bootstrap.

    Args:
        cells: (…, 4) tp, fp, fn, tn, at least 0; need not be whole.

    Returns:
        precision, recall, false_positive_rate, f1, balanced_accuracy, each (…); NaN by the rules of `Counts`.
    """
    tp, fp, fn, tn = np.moveaxis(np.asarray(cells, dtype=np.float64), -1, 0)
    recall, false_positive_rate = shares(tp, tp + fn), shares(fp, fp + tn)
    return {
        "precision": shares(tp, tp + fp),
        "recall": recall,
        "false_positive_rate": false_positive_rate,
        "f1": np.where(tp + fn > 0, shares(2 * tp, 2 * tp + fp + fn), np.nan),
        "balanced_accuracy": (recall + 1 - false_positive_rate) / 2,
    }


def precision_at(recall: ArrayLike, false_positive_rate: ArrayLike, prevalence: float) -> Floats:
    """The precision the same detector would have where another share of joints is faulty (Bayes).

    r π / (r π + f (1 - π)): what is called rightly over all that is called. Recall r and false-positive rate f belong
    to the detector and the defects, precision to the mix of joints as well.

    Args:
        recall, false_positive_rate: (…) 0 to 1.
        prevalence: π, share of joints that have the kind, between 0 and 1.

    Returns:
        (…); NaN where nothing would be called.

    Example:
        >>> float(precision_at(0.9, 0.01, 0.001).round(4))
        0.0826
    """
    if not 0 < prevalence < 1:
        raise InputError(
            f"expected a prevalence between 0 and 1, found {prevalence}; give the share of joints that are faulty"
        )
    right = np.asarray(recall, dtype=np.float64) * prevalence
    return shares(right, right + np.asarray(false_positive_rate, dtype=np.float64) * (1 - prevalence))


def fewest_to_rank(level: float = 0.05) -> int:
    """Fewest joints on which two detectors must differ before an exact two-sided McNemar test can go below `level`.

    Were all n discordant joints in favour of one detector, p = 2 / 2^n. A kind with fewer faulty joints cannot rank
    two detectors by recall, whatever they do.

    Example:
        >>> fewest_to_rank()
        6
    """
    n = 1
    while 2 * 0.5**n >= level:
        n += 1
    return n


def guess(faulty: int, n: int, call_rate: float | None = None) -> Guess:
    """What a guesser who knows only the class frequency gets on average.

    He calls each joint with probability q = `call_rate` and ranks the joints at random. Then precision is
    the prevalence p = faulty/n, recall is q and F1 (of the mean counts) 2pq/(p+q). The mean AP of a random
    order of n joints, m of them faulty, is [H + (m-1)/(n-1) (n-H)]/n with H = 1 + 1/2 + ... + 1/n: the joint
    at rank k is faulty with probability m/n, and of the k-1 before it (k-1)(m-1)/(n-1) are on average. It
    tends to p for large n and lies clearly above p where faulty joints are few.

    Args:
        faulty: faulty joints among the n.
        n: joints counted.
        call_rate: 0 to 1, for instance the frequency in the training set; None takes p itself.

    Returns:
        Four NaN when no joint is faulty.

    Example:
        >>> guess(2, 4).recall
        0.5
    """
    if not 0 <= faulty <= n:
        raise InputError(f"expected a count between 0 and n, found {faulty} of {n}; count the joints again")
    if faulty == 0:
        return Guess(math.nan, math.nan, math.nan, math.nan)
    p = faulty / n
    q = p if call_rate is None else call_rate
    harmonic = float(np.sum(1.0 / np.arange(1, n + 1)))
    others = (faulty - 1) / (n - 1) if n > 1 else 0.0
    return Guess(p, q, 2 * p * q / (p + q), (harmonic + others * (n - harmonic)) / n)


def counted(truth: ArrayLike, present: ArrayLike) -> Bools:
    """Which joints count for which kind: the ball is there and the truth is known.

    Args:
        truth: (n, kinds) of 0, 1 or NaN.
        present: (n,) 0 or 1 (or bool).

    Returns:
        (n, kinds) bool.

    Raises:
        InputError: on other values, or if the two do not fit each other.
    """
    labels, there = np.asarray(truth, dtype=np.float64), np.asarray(present, dtype=np.float64)
    if labels.ndim != 2 or there.shape != labels.shape[:1]:
        raise InputError(
            f"expected truth (joints, kinds) and present (joints,), found {labels.shape} and {there.shape}"
        )
    _demand_labels(there, "present")
    _demand_labels(labels[np.isfinite(labels)], "truth")
    if np.isinf(labels).any():
        raise InputError("expected 0, 1 or empty in truth, found an infinite value; correct the labels")
    known: Bools = ~np.isnan(labels)
    result: Bools = known & (there == 1)[:, None]
    return result


def calls(score: ArrayLike, thresholds: ArrayLike, present: ArrayLike) -> Bools:
    """Which kinds a detector calls: score at or above the kind's threshold, on a ball that is there.

    Args:
        score: (n, kinds); NaN only where there is no ball.
        thresholds: (kinds,), or (n, kinds) where each joint has its own; +inf never calls.
        present: (n,) 0 or 1 (or bool).

    Returns:
        (n, kinds) bool.

    Raises:
        InputError: if a present joint has no score, a threshold is NaN, or the shapes differ.
    """
    value, limit = np.asarray(score, dtype=np.float64), np.asarray(thresholds, dtype=np.float64)
    there = np.asarray(present, dtype=bool)
    fits = limit.shape in (value.shape, value.shape[1:])
    if value.ndim != 2 or not fits or value.shape[:1] != there.shape:
        raise InputError(
            f"expected scores (joints, kinds), thresholds (kinds,) or (joints, kinds) and present (joints,), "
            f"found {value.shape}, {limit.shape} and {there.shape}"
        )
    if np.isnan(limit).any():
        raise InputError(
            "expected a threshold for every kind, found none for some; choose them on validation"
        )
    _demand_finite(value[there], "score")
    with np.errstate(invalid="ignore"):
        above: Bools = value >= limit
    result: Bools = above & there[:, None]
    return result


def any_kind(truth: ArrayLike, present: ArrayLike) -> Floats:
    """Whether a joint is faulty at all: 1 if any kind is, 0 if every kind is known not to be, else NaN.

    Args:
        truth: (n, kinds) of 0, 1 or NaN.
        present: (n,) 0 or 1 (or bool).

    Returns:
        (n,) float; NaN too where there is no ball.
    """
    labels = np.asarray(truth, dtype=np.float64)
    known = counted(labels, present)
    faulty = ((labels == 1) & known).any(axis=1)
    # A joint with one kind unknown and no other found may be faulty: it is neither.
    sound = ((labels == 0) & known).all(axis=1)
    verdict: Floats = np.where(faulty, 1.0, np.where(sound, 0.0, np.nan))
    return verdict


def escapes(truth: ArrayLike, called: ArrayLike, present: ArrayLike) -> tuple[Bools, Bools]:
    """Escapes and false calls, joint by joint.

    An escape is a faulty joint for which the detector calls nothing at all (one called with the wrong kind
    is still stopped and looked at). A false call is a call on a joint known to be sound in every kind.

    Args:
        truth: (n, kinds) of 0, 1 or NaN.
        called: (n, kinds) bool.
        present: (n,) 0 or 1 (or bool).

    Returns:
        Two (n,) bool masks: escape, false call.
    """
    verdict, call = any_kind(truth, present), np.asarray(called, dtype=bool).any(axis=1)
    escape: Bools = (verdict == 1) & ~call
    false_call: Bools = (verdict == 0) & call
    return escape, false_call


def _demand_labels(values: NDArray[Any], name: str) -> None:
    wrong = values[~np.isin(values, (0.0, 1.0))]
    if wrong.size:
        raise InputError(
            f"expected 0 or 1 in {name}, found {wrong.flat[0]!s}; correct or leave out that joint"
        )


def _demand_finite(values: NDArray[Any], name: str) -> None:
    missing = int(np.count_nonzero(~np.isfinite(values)))
    if missing:
        raise InputError(
            f"expected a finite {name} for every joint with a ball, found {missing} without; score the set again"
        )
