"""Two detectors on the same joints: where they disagree, and by how much one finds more at equal false calls.

Joints of one board share a scan and a process, so intervals resample whole boards, with the same boards drawn for
both detectors. Everything here is a pure function of arrays of one kind.
"""

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from jointwise.evaluation.statistics import mcnemar
from jointwise.evaluation.statistics.bootstrap import REPLICATES, Resampling
from jointwise.evaluation.statistics.measures import Bools, Floats, Interval
from jointwise.joints.errors import InputError

DRAWS: Final = REPLICATES
LEAST_DISCORDANT: Final = 6
"""Discordant joints from which p < 0.05 is possible at all: 2 (1/2)^5 = 0.0625, 2 (1/2)^6 = 0.03125."""
PIECE: Final = 250

Weights = NDArray[np.int32]


class Paired(NamedTuple):
    """Joints by who is right about them.

    Args:
        both, only_one, only_other, neither: counts of joints.
    """

    both: int
    only_one: int
    only_other: int
    neither: int

    @property
    def n(self) -> int:
        """Joints compared."""
        return sum(self)

    @property
    def discordant(self) -> int:
        """Joints about which exactly one of the two is right."""
        return self.only_one + self.only_other

    @property
    def p(self) -> float:
        """McNemar's exact p-value; NaN without a joint."""
        return mcnemar.exact(self.only_one, self.only_other) if self.n else math.nan


def right(truth: Floats, called: Bools) -> Floats:
    """Whether each call is right, (n,): 1 or 0; NaN where the truth is not known."""
    return np.where(np.isnan(truth), np.nan, (truth > 0.5) == called)


def paired(one: Floats, other: Floats) -> Paired:
    """Count joints by who is right.

    Args:
        one, other: (n,) from :func:`right`; joints that are NaN in either do not count.
    """
    known = ~(np.isnan(one) | np.isnan(other))
    a, b = one[known] == 1, other[known] == 1
    return Paired(*(int(np.count_nonzero(cell)) for cell in (a & b, a & ~b, ~a & b, ~a & ~b)))


def draw_boards(boards: NDArray[np.int64], draws: int = DRAWS, seed: int = 0) -> Weights:
    """How often each board is in each bootstrap draw, (draws, number of boards).

    Args:
        boards: (n,) board of each joint, whole numbers from 0.
        draws: how many draws.
        seed: of the draws; the same seed gives the same draws for every detector and measure.
    """
    number = int(boards.max(initial=-1)) + 1
    return np.asarray(Resampling(number, draws, seed).weights[1:], dtype=np.int32)


def percentiles(values: Floats) -> Interval:
    """The middle 95 % of bootstrap values; NaN where a tenth of the draws or more could not be computed."""
    known = values[np.isfinite(values)]
    if not len(known) or len(known) < 0.9 * len(values):
        return Interval(math.nan, math.nan)
    low, high = np.quantile(known, [0.025, 0.975])
    return Interval(float(low), float(high))


def share_difference(
    one: Floats, other: Floats, boards: NDArray[np.int64], weights: Weights
) -> tuple[float, Interval]:
    """Share of joints the one is right about less that of the other, with its interval over boards.

    Args:
        one, other: (n,) from :func:`right`.
        boards: (n,) board of each joint.
        weights: from :func:`draw_boards`.
    """
    known = ~(np.isnan(one) | np.isnan(other))
    count = weights.shape[1]
    n = np.bincount(boards[known], minlength=count)
    gain = np.bincount(boards[known], weights=(one - other)[known], minlength=count)
    if not known.any():
        return math.nan, Interval(math.nan, math.nan)
    with np.errstate(invalid="ignore"):
        return float(gain.sum() / n.sum()), percentiles(weights @ gain / (weights @ n))


def recall_at(truth: Floats, scores: Floats, rate: float) -> float:
    """Highest recall of any cut that calls at most a share of the joints without the kind.

    The cut is chosen on these very joints, so it flatters; it does so for every detector alike. Equal scores lie on
    one side of a cut together.

    Args:
        truth: (n,) 1, 0 or NaN (not counted).
        scores: (n,).
        rate: largest share of false calls, 0 to 1.

    Returns:
        NaN where no joint has the kind or none lacks it.
    """
    once = np.ones((1, 1), np.int32)
    return float(recalls_at(truth, scores, [rate], np.zeros(len(truth), np.int64), once)[0, 0])


def recalls_at(
    truth: Floats, scores: Floats, rates: Sequence[float], boards: NDArray[np.int64], weights: Weights
) -> Floats:
    """:func:`recall_at` of every bootstrap draw, (draws, rates); the cuts are chosen anew in each.

    Args:
        truth, scores: as for :func:`recall_at`.
        rates: largest shares of false calls.
        boards: (n,) board of each joint.
        weights: from :func:`draw_boards`.

    Raises:
        InputError: a rate outside 0 to 1.
    """
    if not all(0 <= rate <= 1 for rate in rates):
        raise InputError(f"expected false-call rates from 0 to 1, found {list(rates)}; correct them")
    faulty, sound = np.flatnonzero(truth == 1), np.flatnonzero(truth == 0)
    if not len(faulty) or not len(sound):
        return np.full((len(weights), len(rates)), np.nan)
    faulty, sound = (part[np.argsort(-scores[part], kind="stable")] for part in (faulty, sound))
    # How many faulty joints score above each sound one: those called when the cut lies just above it.
    above = np.searchsorted(-scores[faulty], -scores[sound], side="left")
    whole = [weights @ np.bincount(boards[part], minlength=weights.shape[1]) for part in (faulty, sound)]
    pieces = []
    for start in range(0, len(weights), PIECE):
        draws = slice(start, start + PIECE)
        limits = np.outer(whole[1][draws], rates) * (1 + 1e-12)  # rounding must not turn 0.1 * 30 into 2
        allowed = _allowed(weights[draws], boards[sound], limits)
        found = _heavier(weights[draws], boards[faulty], np.append(above, len(faulty))[allowed])
        with np.errstate(invalid="ignore", divide="ignore"):
            recall = found / whole[0][draws, None]
        pieces.append(np.where(whole[1][draws, None] > 0, recall, np.nan))
    return np.concatenate(pieces)


def _allowed(weights: Weights, boards: NDArray[np.int64], limits: Floats) -> NDArray[np.intp]:
    """How many of the sound joints, by falling score, may be called within the limits, (draws, rates)."""
    # Small rates are used up among the first joints; the rest is looked at only where some draw asks for it.
    for last in (min(len(boards), 300 + int(2 * limits.max())), len(boards)):
        false = np.cumsum(weights[:, boards[:last]], axis=1, dtype=np.int32)
        if last == len(boards) or (false[:, -1:] > limits).all():
            break
    return np.stack([(false <= limit[:, None]).sum(axis=1) for limit in limits.T], axis=1)


def _heavier(weights: Weights, boards: NDArray[np.int64], places: NDArray[np.intp]) -> NDArray[np.int32]:
    """Weight of the first so many faulty joints, (draws, rates)."""
    hits = np.zeros((len(weights), len(boards) + 1), np.int32)
    np.cumsum(weights[:, boards], axis=1, out=hits[:, 1:])
    return np.take_along_axis(hits, places, axis=1)
