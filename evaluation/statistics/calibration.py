"""Whether probabilities are what they say: reliability by bins, expected calibration error, Brier score and its parts.

Everything is a pure function of arrays. Truth is 0 or 1, scores lie in [0, 1].
"""

import math
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from jointwise.evaluation.statistics.bootstrap import BoardInterval, Resampling, interval, resampled_sums
from jointwise.evaluation.statistics.measures import Floats, Interval, wilson
from jointwise.joints.errors import InputError

BINS: Final = 10
Cut = Literal["width", "count"]
"""Bins of equal width, or (adaptive) of as many joints each."""
CUTS: Final[tuple[Cut, Cut]] = ("width", "count")


class Bin(NamedTuple):
    """Joints whose score lies in (low, high]; the first bin also holds score 0.

    Args:
        low, high: ends.
        n, positives: joints, and those that have the kind.
        mean_score: of the joints.
        share: of the joints that have the kind.
        bounds: Wilson 95 % of the share.
    """

    low: float
    high: float
    n: int
    positives: int
    mean_score: float
    share: float
    bounds: Interval


class Brier(NamedTuple):
    """Brier score and its parts over bins: score = reliability - resolution + uncertainty + within.

    Args:
        score: mean of (p - y)².
        reliability: how far the shares of the bins lie off their mean scores; 0 is perfect.
        resolution: how far the shares of the bins lie apart; as much as `uncertainty` at best.
        uncertainty: share · (1 - share), the score of always saying the share.
        within: what is left because scores differ inside a bin; 0 where each bin holds one score.
    """

    score: float
    reliability: float
    resolution: float
    uncertainty: float
    within: float

    @property
    def skill(self) -> float:
        """1 - score / uncertainty: 1 is perfect, 0 no better than always saying the share; NaN with a single class."""
        return 1 - self.score / self.uncertainty if self.uncertainty else math.nan


@dataclass(frozen=True)
class Calibrated:
    """How well one detector's probabilities of one kind are calibrated.

    Args:
        n, positives: joints, and those that have the kind.
        boards: they lie on.
        error, error_adaptive: expected calibration error over bins of equal width and of equal count, 95 % by boards.
        chance: what `error` would be on average if every score were exactly true, joints independent.
        brier: its parts.
        brier_interval: 95 % of its score by boards.
    """

    n: int
    positives: int
    boards: int
    error: BoardInterval
    error_adaptive: BoardInterval
    chance: float
    brier: Brier
    brier_interval: BoardInterval


def bin_edges(score: ArrayLike, bins: int = BINS, cut: Cut = "width") -> Floats:
    """Ends of the bins from 0 to 1, rising; with equal counts fewer than asked for where many scores are equal."""
    if bins < 1:
        raise InputError(f"expected at least one bin, found {bins}; raise it")
    if cut == "width" or not np.size(score):
        return np.linspace(0, 1, bins + 1)
    inner = np.quantile(np.asarray(score, float), np.arange(1, bins) / bins, method="lower")
    return np.unique(np.concatenate([[0.0], inner, [1.0]]))


def places(score: ArrayLike, edges: Floats) -> np.ndarray:
    """The bin of each score: (low, high], and 0 in the first."""
    return np.clip(np.searchsorted(edges, np.asarray(score, float), side="left") - 1, 0, len(edges) - 2)


def reliability_bins(truth: ArrayLike, score: ArrayLike, bins: int = BINS, cut: Cut = "width") -> list[Bin]:
    """The reliability diagram's points; bins without a joint are left out."""
    y, p = _checked(truth, score)
    edges = bin_edges(p, bins, cut)
    place = places(p, edges)
    points = []
    for number in np.unique(place):
        own = place == number
        n, positives = int(own.sum()), int(y[own].sum())
        low, high = float(edges[number]), float(edges[number + 1])
        points.append(Bin(low, high, n, positives, float(p[own].mean()), positives / n, wilson(positives, n)))
    return points


def calibration_error(truth: ArrayLike, score: ArrayLike, bins: int = BINS, cut: Cut = "width") -> float:
    """Expected calibration error Σ (n_b / n) |share_b - mean score_b|; NaN without a joint."""
    points = reliability_bins(truth, score, bins, cut)
    n = sum(point.n for point in points)
    return sum(point.n * abs(point.share - point.mean_score) for point in points) / n if n else math.nan


def chance_error(score: ArrayLike, bins: int = BINS, cut: Cut = "width") -> float:
    """Mean calibration error of n independent joints whose scores are exactly true.

    In a bin Σ(y - p) has mean 0 and variance Σ p (1 - p); the mean of its absolute value is √(2/π) times its standard
    deviation where it is nearly normal.
    """
    p = np.asarray(score, dtype=np.float64)
    if not len(p):
        return math.nan
    spread = np.sqrt(np.bincount(places(p, bin_edges(p, bins, cut)), p * (1 - p)))
    return float(math.sqrt(2 / math.pi) * spread.sum() / len(p))


def brier(truth: ArrayLike, score: ArrayLike, bins: int = BINS, cut: Cut = "width") -> Brier:
    """Brier score and its parts (A. H. Murphy, J. Appl. Meteorol. 12:595 (1973)); NaN without a joint."""
    y, p = _checked(truth, score)
    if not len(y):
        return Brier(*[math.nan] * 5)
    points, whole = reliability_bins(y, p, bins, cut), float(y.mean())
    weights = np.array([point.n for point in points]) / len(y)
    shares, means = (np.array([getattr(point, name) for point in points]) for name in ("share", "mean_score"))
    score_, reliability = float(np.mean((p - y) ** 2)), float(weights @ (shares - means) ** 2)
    resolution, uncertainty = float(weights @ (shares - whole) ** 2), whole * (1 - whole)
    return Brier(
        score_, reliability, resolution, uncertainty, score_ - (reliability - resolution + uncertainty)
    )


def judge_calibration(
    truth: ArrayLike, score: ArrayLike, boards: ArrayLike, resampling: Resampling | None = None
) -> Calibrated:
    """Everything the report says of one kind, with intervals by drawing boards anew.

    The bins stay those of all joints. Calibration errors are made of absolute values, which chance only raises, in the
    data and once more in each draw: the interval is moved down by as much as the draws' mean lies above the error.

    Args:
        truth: (n,) 0 or 1.
        score: (n,) in [0, 1].
        boards: (n,) whole numbers from 0.
        resampling: which boards are drawn; None draws 2,000 times.
    """
    y, p = _checked(truth, score)
    place = np.asarray(boards, dtype=np.int64)
    count = len(np.unique(place))
    drawn = resampling or Resampling(int(place.max(initial=-1)) + 1)
    weights = drawn.weights
    n = resampled_sums(np.ones(len(y)), place, weights)
    width, adaptive = (
        _moved(interval(error, count), error)
        for error in (_resampled_error(y, p, place, weights, n, cut) for cut in CUTS)
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        scores = resampled_sums((p - y) ** 2, place, weights) / n
    return Calibrated(
        len(y), int(y.sum()), count, width, adaptive,
        chance_error(p), brier(y, p), interval(scores, count),
    )  # fmt: skip


def _resampled_error(
    y: Floats, p: Floats, boards: np.ndarray, weights: Floats, n: Floats, cut: Cut
) -> Floats:
    """Calibration error in every replicate, the whole data first."""
    edges = bin_edges(p, BINS, cut)
    off = np.zeros((len(y), len(edges) - 1))
    off[np.arange(len(y)), places(p, edges)] = y - p
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.abs(resampled_sums(off, boards, weights)).sum(axis=1) / n)


def _moved(found: BoardInterval, resampled: Floats) -> BoardInterval:
    """The interval less the draws' own bias."""
    draws = resampled[1:][np.isfinite(resampled[1:])]
    if not len(draws) or math.isnan(found.low):
        return found
    bias = max(0.0, float(draws.mean()) - found.value)
    return found._replace(low=max(0.0, found.low - bias), high=max(found.value, found.high - bias))


def _checked(truth: ArrayLike, score: ArrayLike) -> tuple[Floats, Floats]:
    y, p = np.asarray(truth, dtype=np.float64), np.asarray(score, dtype=np.float64)
    if y.shape != p.shape or y.ndim != 1:
        raise InputError(f"expected one score per joint, found {p.size} scores for {y.size} joints")
    if not np.isin(y, (0.0, 1.0)).all():
        raise InputError("expected 0 or 1 in truth, found other values; leave those joints out")
    if not ((p >= 0) & (p <= 1)).all():
        raise InputError("expected scores from 0 to 1, found others; give probabilities")
    return y, p
