"""How far readers agree beyond chance: Cohen's kappa of two readers, Fleiss' kappa of any number.

Answers are 1, 0 or NaN (could not tell); a joint counts where every reader compared could tell. Intervals are a
percentile bootstrap that draws whole boards with replacement (2,000 draws), because joints of one board are alike: the
asymptotic standard error takes them for independent and is too small. Below ten boards the interval is unreliable.
"""

import math
from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from jointwise.evaluation.statistics.measures import Floats
from jointwise.joints.errors import InputError

DRAWS: Final = 2000
"""Boards below which an interval is called unreliable."""

UNDEFINED_DRAWS: Final = 0.05
"""Share of draws without a kappa (one answer everywhere) above which no interval is given."""


class Kappa(NamedTuple):
    """Agreement of readers on one kind.

    Args:
        kappa: 1 agreed, 0 as by chance; NaN without joints or where one answer was given everywhere.
        low, high: 95 % cluster bootstrap; NaN on one board or where too many draws have no kappa.
        observed: share of pairs of answers that agree; NaN without joints.
        n: joints that every reader could tell.
        boards: they come from.
    """

    kappa: float
    low: float
    high: float
    observed: float
    n: int
    boards: int


def cohen(table: ArrayLike) -> float:
    """(p_o - p_e)/(1 - p_e) of two readers, J. Cohen, Educ. Psychol. Meas. 20:37 (1960).

    Args:
        table: (k, k) counts, one reader's answers along the rows, the other's along the columns.

    Returns:
        NaN for an empty table or one answer everywhere.

    Example:
        >>> round(cohen([[20, 5], [10, 15]]), 12)
        0.4
    """
    counts = np.asarray(table, dtype=np.float64)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or (counts < 0).any():
        raise InputError(f"expected a square table of counts, found shape {counts.shape}; count again")
    return float(_cohen(counts[None])[0])


def fleiss(counts: ArrayLike) -> float:
    """(P - P_e)/(1 - P_e) of any number of readers, J. L. Fleiss, Psychol. Bull. 76:378 (1971).

    Args:
        counts: (joints, answers), how many readers gave which answer; every joint has as many readers, two at least.

    Returns:
        NaN without joints or where one answer was given everywhere.

    Example:
        >>> fleiss([[3, 0], [0, 3]])
        1.0
    """
    given = np.asarray(counts, dtype=np.float64)
    readers = given.sum(axis=1) if given.ndim == 2 else np.array([-1.0])
    if (readers != readers[:1]).any() or (readers < 2).any():
        raise InputError(
            "expected answers of the same two or more readers on every joint, found other numbers; leave out joints "
            "that some could not tell"
        )
    return float(_fleiss(_moments(given).sum(axis=0, keepdims=True))[0])


def agreement_of(labels: ArrayLike, boards: ArrayLike, *, seed: int = 0) -> Kappa:
    """Kappa of readers on one kind with its interval: Cohen's for two, Fleiss' for more.

    Args:
        labels: (readers, n) of 1, 0 or NaN.
        boards: (n,) which board each joint belongs to, whole numbers.
        seed: of the bootstrap.

    Raises:
        InputError: fewer than two readers, other values, or arrays that do not fit each other.
    """
    said, board = np.asarray(labels, dtype=np.float64), np.asarray(boards)
    if said.ndim != 2 or len(said) < 2 or board.shape != said.shape[1:]:
        raise InputError(
            f"expected answers (readers, joints) of two readers at least and a board of each joint, found shapes "
            f"{said.shape} and {board.shape}"
        )
    told = ~np.isnan(said).any(axis=0)
    said = said[:, told]
    if not np.isin(said, (0.0, 1.0)).all():
        raise InputError("expected 1, 0 or empty from every reader, found other values; correct the labels")
    names, place = np.unique(board[told], return_inverse=True)
    kappa_of, rows = (_cohen_rows, _cells(said)) if len(said) == 2 else (_fleiss, _moments(_counts(said)))
    per_board = np.zeros((len(names), rows.shape[1]))
    np.add.at(per_board, place, rows)
    low, high = _interval(kappa_of, per_board, seed)
    whole = per_board.sum(axis=0, keepdims=True)
    n = int(told.sum())
    observed = float(_moments(_counts(said)).sum(axis=0)[0] / n) if n else math.nan
    return Kappa(float(kappa_of(whole)[0]), low, high, observed, n, len(names))


def _interval(kappa_of: Callable[[Floats], Floats], per_board: Floats, seed: int) -> tuple[float, float]:
    boards = len(per_board)
    if boards < 2:
        return math.nan, math.nan
    weights = np.random.default_rng(seed).multinomial(boards, np.full(boards, 1 / boards), size=DRAWS)
    drawn = kappa_of(weights @ per_board)
    defined = drawn[~np.isnan(drawn)]
    if len(defined) < (1 - UNDEFINED_DRAWS) * DRAWS:
        return math.nan, math.nan
    low, high = np.quantile(defined, [0.025, 0.975])
    return float(low), float(high)


def _counts(said: Floats) -> Floats:
    """(n, 2): how many readers said 0 and how many 1."""
    yes = said.sum(axis=0)
    return np.asarray(np.stack([len(said) - yes, yes], axis=1))


def _cells(said: Floats) -> Floats:
    """(n, 4): in which cell of the two readers' table each joint stands."""
    place = (2 * said[0] + said[1]).astype(np.int64)
    return np.asarray(np.eye(4)[place])


def _cohen_rows(cells: Floats) -> Floats:
    return _cohen(cells.reshape(-1, 2, 2))


def _cohen(tables: Floats) -> Floats:
    """(m, k, k) counts to (m,) kappas."""
    n = tables.sum(axis=(1, 2))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = tables / n[:, None, None]
        expected = (share.sum(axis=1) * share.sum(axis=2)).sum(axis=1)
        return _beyond(np.trace(share, axis1=1, axis2=2), expected)


def _moments(counts: Floats) -> Floats:
    """What Fleiss' kappa needs of each joint, summable over joints: its agreement P_i, 1, and its counts."""
    readers = counts.sum(axis=1)
    pairs = ((counts**2).sum(axis=1) - readers) / (readers * (readers - 1))
    return np.column_stack([pairs, np.ones(len(counts)), counts])


def _fleiss(sums: Floats) -> Floats:
    """(m, 2 + answers) sums of :func:`_moments` to (m,) kappas."""
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = sums[:, 2:] / sums[:, 2:].sum(axis=1, keepdims=True)
        return _beyond(sums[:, 0] / sums[:, 1], (shares**2).sum(axis=1))


def _beyond(observed: Floats, expected: Floats) -> NDArray[np.float64]:
    """Agreement beyond chance; NaN where chance alone explains it all (rounding leaves 1e-16)."""
    free = 1 - expected
    return np.where(free > 1e-12, (observed - expected) / np.where(free > 1e-12, free, 1.0), np.nan)
