"""The best linear test on a few channels: Hotelling observer, d', AUC and an interval over boards.

For Gaussian channels of equal covariance K and mean difference Δs the ideal test is linear and its
SNR² = Δsᵀ K⁻¹ Δs; its d' is that SNR and its area under the ROC curve Φ(SNR/√2). The sample plug-in T is biased
upwards, with p channels, N0 and N1 joints, pooled S and ν = N0 + N1 - 2 by E[T] = ν/(ν-p-1)·[SNR² + p(1/N0 + 1/N1)],
so T solved for SNR² is unbiased. It may be negative where there is nothing to find, and is then not clipped:
only d' and AUC, which cannot be, take 0 instead. (Domain notes, section F: theory of Hotelling's T², checked there.)
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import norm, rankdata
from scipy.stats import t as student

from jointwise.evaluation.statistics.measures import Bools, Floats, Interval
from jointwise.joints.errors import InputError

"""Boards below which an interval over boards is called unreliable (domain notes, section F)."""

_LEAST_EIGENVALUE = 1e-10
"""Of the channels' correlation: below it one channel is a sum of the others and S cannot be inverted."""


class Hotelling(NamedTuple):
    """What a linear test on the channels can find.

    Attributes:
        plug_in: T = Δᵀ S⁻¹ Δ of the sample, biased upwards.
        snr2: SNR² without that bias; may be negative.
    """

    plug_in: float
    snr2: float

    @property
    def d_prime(self) -> float:
        """Separation of the classes in standard deviations of the test, √SNR², 0 where SNR² is negative."""
        return detectability(self.snr2)

    @property
    def auc(self) -> float:
        """Area under the ROC curve of a Gaussian test, Φ(d'/√2), from 0.5."""
        return float(norm.cdf(self.d_prime / math.sqrt(2.0)))


def detectability(snr2: float) -> float:
    """d' of an SNR²: its root, or 0 where the estimate fell below 0."""
    return math.sqrt(max(snr2, 0.0))


def hotelling(sound: ArrayLike, faulty: ArrayLike) -> Hotelling:
    """The channelised Hotelling observer of two classes.

    Args:
        sound, faulty: channels (joints, p), any units; the result does not change under a linear change of channels.

    Raises:
        InputError: shapes that do not fit, values that are not finite, too few joints, or channels that depend
            on each other.

    Example:
        >>> found = hotelling([[0, 0], [1, 0], [0, 1], [-1, -1]], [[2, 1], [3, 0], [1, 2], [2, -1]])
        >>> round(found.plug_in, 6), round(found.snr2, 6)
        (6.888889, 2.444444)
    """
    g0, g1 = _channels(sound, "sound"), _channels(faulty, "faulty")
    if g1.shape[1] != g0.shape[1]:
        raise InputError(
            f"expected the same channels in both classes, found {g0.shape[1]} and {g1.shape[1]}; compute them alike"
        )
    return _observer(np.concatenate([g0, g1]), np.repeat([False, True], [len(g0), len(g1)]), None)


def hotelling_within(channels: ArrayLike, faulty: ArrayLike, board: ArrayLike) -> Hotelling:
    """The same observer looking at every joint against its own board, so that what a board shares tells nothing.

    The mean of every board and the difference Δ of the classes are fitted together. With ȳ the faulty share of the
    joint's board and W = Σ (y - ȳ)², Δ has covariance K/W, so 1/W stands for 1/N0 + 1/N1 and ν is joints less boards
    less one (least squares; with one board it is `hotelling`).

    Args:
        channels: (n, p).
        faulty: (n,) 1 or True where the fault is.
        board: (n,) name of each joint's board.

    Raises:
        InputError: as `hotelling`.
    """
    return _observer(*_labelled(channels, faulty, board))


def over_boards(
    channels: ArrayLike, faulty: ArrayLike, board: ArrayLike, level: float = 0.95, within: bool = False
) -> tuple[Hotelling, Interval]:
    """The observer of all joints, and an interval of its SNR² from leaving out one board at a time.

    The delete-one-board jackknife of the unbiased SNR² with Student's t on boards - 1 degrees of freedom: joints of
    one board share its nuisances, so boards, not joints, are what is independent. A bootstrap would draw boards twice,
    which makes S too small and T too large. Below `bootstrap.FEWEST_BOARDS` boards call the interval unreliable.

    Args:
        channels: (n, p).
        faulty: (n,) 1 or True where the fault is.
        board: (n,) name of each joint's board.
        level: of the two-sided interval.
        within: look at every joint against its own board (`hotelling_within`).

    Returns:
        The observer, and low and high of SNR² (not of d'; take `detectability` of either).

    Raises:
        InputError: as `hotelling` does, also when a board is left out, or fewer than three boards.
    """
    values, truth, boards = _labelled(channels, faulty, board)
    names = np.unique(boards)
    if len(names) < 3:
        raise InputError(
            f"expected joints of at least 3 boards for an interval over boards, found {len(names)}; take more boards"
        )

    def judge(kept: Bools) -> Hotelling:
        return _observer(values[kept], truth[kept], boards[kept] if within else None)

    whole = judge(np.ones(len(truth), bool))
    reach = jackknife_reach(np.array([judge(boards != name).snr2 for name in names]), level)
    return whole, Interval(whole.snr2 - reach, whole.snr2 + reach)


def relative_to_board(channels: ArrayLike, board: ArrayLike) -> Floats:
    """Channels (n, p) less the mean of all joints of the same board (n,), sound and faulty together."""
    return _less_mean(np.asarray(channels, np.float64), np.asarray(board))


def held_out_scores(channels: ArrayLike, faulty: ArrayLike, board: ArrayLike) -> Floats:
    """Score (n,) of every joint by a template that never saw its board; higher is more likely faulty.

    Needs no Gaussian law, so it checks d' and AUC of `hotelling`. The template of the other boards is
    S⁻¹ Δ with a score of 0 midway between their classes.

    Raises:
        InputError: as `hotelling` does for the joints that are left, or fewer than two boards.
    """
    values, truth, boards = _labelled(channels, faulty, board)
    scores = np.empty(len(truth))
    if len(np.unique(boards)) < 2:
        raise InputError("expected joints of at least 2 boards to hold one out, found 1; take more boards")
    for name in np.unique(boards):
        out = boards == name
        g, y = values[~out], truth[~out]
        template, _, _ = _template(g, y, None)
        scores[out] = (values[out] - (g[~y].mean(axis=0) + g[y].mean(axis=0)) / 2) @ template
    return scores


def area_under_curve(faulty: ArrayLike, score: ArrayLike) -> float:
    """Share of (faulty, sound) pairs that the score (n,) ranks right, ties half; NaN if a class is empty."""
    truth, value = np.asarray(faulty, bool), np.asarray(score, np.float64)
    n1, n0 = int(truth.sum()), int((~truth).sum())
    if not n0 or not n1:
        return math.nan
    return float((rankdata(value)[truth].sum() - n1 * (n1 + 1) / 2) / (n0 * n1))


def _observer(g: Floats, faulty: Bools, board: NDArray[np.str_] | None) -> Hotelling:
    template, delta, weight = _template(g, faulty, board)
    nu, p = _freedom(g, faulty, board), g.shape[1]
    plug_in = float(template @ delta)
    return Hotelling(plug_in, (nu - p - 1) / nu * plug_in - p / weight)


def _freedom(g: Floats, faulty: Bools, board: NDArray[np.str_] | None) -> int:
    """Degrees of freedom of S; refuses too few."""
    groups = 1 if board is None else len(np.unique(board))
    (n, p), n1 = g.shape, int(faulty.sum())
    if min(n1, n - n1) < 2 or n - groups - 1 <= p + 1:
        raise InputError(
            f"expected at least 2 joints in each class and more than {p + 2 + groups} in all for {p} channels, found "
            f"{n - n1} sound and {n1} faulty; take more joints or fewer channels"
        )
    return int(n - groups - 1)


def _template(g: Floats, faulty: Bools, board: NDArray[np.str_] | None) -> tuple[Floats, Floats, float]:
    """S⁻¹ Δ, Δ and W; solved on channels of unit variance, so that their units cannot spoil it."""
    nu = _freedom(g, faulty, board)
    y, x = _less_mean(faulty[:, None].astype(np.float64), board), _less_mean(g, board)
    weight = float(np.sum(y**2))
    if weight == 0.0:
        raise InputError("expected sound and faulty joints on the same boards, found no board with both")
    delta = y[:, 0] @ x / weight
    rest = x - y * delta
    spread = np.sqrt(np.sum(rest**2, axis=0) / nu)
    silent = np.flatnonzero(spread <= 1e-12 * np.abs(g).max(axis=0))
    if silent.size:
        raise InputError(
            f"expected channels that vary, found channel {silent[0]} the same in all joints; leave it out"
        )
    correlation = (rest / spread).T @ (rest / spread) / nu
    least = float(np.linalg.eigvalsh(correlation)[0])
    if least < _LEAST_EIGENVALUE:
        raise InputError(
            "expected independent channels, found one that is a sum of others (least eigenvalue of their "
            f"correlation {least:.1e}); leave it out"
        )
    return np.linalg.solve(correlation, delta / spread) / spread, delta, weight


def _less_mean(values: Floats, group: NDArray[Any] | None) -> Floats:
    """Values (n, p) less the mean of their group (n,), or of all."""
    if group is None:
        return np.asarray(values - values.mean(axis=0))
    _, index, size = np.unique(group, return_inverse=True, return_counts=True)
    sums = np.zeros((len(size), values.shape[1]))
    np.add.at(sums, index, values)
    return np.asarray(values - (sums / size[:, None])[index])


def jackknife_reach(left: Floats, level: float = 0.95) -> float:
    """Half the width of Student's t interval from the values with each board left out, (boards,)."""
    n = len(left)
    error = math.sqrt((n - 1) / n * float(np.sum((left - left.mean()) ** 2)))
    return float(student.ppf(0.5 + level / 2, n - 1)) * error


def _channels(values: ArrayLike, name: str) -> Floats:
    g = np.asarray(values, np.float64)
    if g.ndim != 2 or g.shape[1] < 1:
        raise InputError(f"expected channels (joints, p) of the {name} class, found shape {g.shape}")
    if not np.isfinite(g).all():
        raise InputError(
            f"expected finite channels, found NaN or infinity in the {name} class; leave them out"
        )
    return g


def _labelled(
    channels: ArrayLike, faulty: ArrayLike, board: ArrayLike
) -> tuple[Floats, Bools, NDArray[np.str_]]:
    values, truth = _channels(channels, "whole"), np.asarray(faulty)
    boards = np.asarray(board).astype(str)
    if truth.shape != values.shape[:1] or boards.shape != truth.shape:
        raise InputError(
            f"expected a label and a board for each of {len(values)} joints, found {truth.shape} and {boards.shape}"
        )
    if not np.isin(truth, (0, 1)).all():
        raise InputError("expected 0 or 1 as label, found another value; leave out marginal joints")
    return values, truth.astype(bool), boards
