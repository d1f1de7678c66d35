"""What calls cost: escapes and false calls in one currency, over the ratio of their prices.

The unit is the cost of one false call; an escape costs `ratio` of them. The expected cost of a joint is
π·ratio·(escape rate) + (1 - π)·(false-call rate), π being the share of faulty joints (C. Drummond and R. Holte, Mach.
Learn. 65:95, 2006, give the curve over the same trade).
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.statistics.paired import Weights
from jointwise.joints.errors import InputError

RATIOS: Final[Floats] = np.logspace(0, 3, 31)
"""Cost of an escape over that of a false call, 1 to 1000."""


class Errors(NamedTuple):
    """Errors of one detector, board by board, (boards,) each.

    Args:
        escapes: faulty joints not called.
        faulty: joints with the kind.
        false_calls: sound joints called.
        sound: joints without it.
    """

    escapes: Floats
    faulty: Floats
    false_calls: Floats
    sound: Floats

    def weighted(self, weights: Weights) -> "Errors":
        """The same sums of every bootstrap draw, (draws,) each."""
        return Errors(*(np.asarray(weights @ part, dtype=np.float64) for part in self))

    @property
    def total(self) -> "Errors":
        """The sums over all boards, (1,) each."""
        return Errors(*(np.atleast_1d(part.sum()) for part in self))


def errors(truth: Floats, called: Bools, boards: NDArray[np.int64]) -> Errors:
    """Count errors by board.

    Args:
        truth: (n,) 1, 0 or NaN (not counted).
        called: (n,).
        boards: (n,) board of each joint, whole numbers from 0.
    """
    count = int(boards.max(initial=-1)) + 1
    yes, no = truth == 1, truth == 0
    parts = (yes & ~called, yes, no & called, no)
    return Errors(*(np.bincount(boards[part], minlength=count).astype(np.float64) for part in parts))


def expected_cost(found: Errors, ratios: Floats, prevalence: float | None = None) -> Floats:
    """Expected cost of a joint in units of one false call, (sums, ratios).

    Args:
        found: sums of errors, (m,) each, of all joints or of bootstrap draws.
        ratios: (k,) cost of an escape over that of a false call.
        prevalence: share of faulty joints; None takes that of the joints themselves.

    Returns:
        NaN where the faulty or the sound joints it needs are missing.

    Raises:
        InputError: a ratio that is not above 0, or a prevalence outside 0 to 1.
    """
    if not (np.asarray(ratios) > 0).all():
        raise InputError("expected cost ratios above 0, found others; correct them")
    if prevalence is not None and not 0 <= prevalence <= 1:
        raise InputError(f"prevalence: expected a share from 0 to 1, found {prevalence}; correct it")
    escape, false = weights_of(found, prevalence)
    return np.asarray(escape[:, None] * np.asarray(ratios) + false[:, None])


def weights_of(found: Errors, prevalence: float | None) -> tuple[Floats, Floats]:
    """Escapes and false calls per joint, (m,) each, at a prevalence: the two terms of the cost at ratio 1."""
    with np.errstate(invalid="ignore", divide="ignore"):
        if prevalence is None:
            n = found.faulty + found.sound
            return found.escapes / n, found.false_calls / n
        miss, false = found.escapes / found.faulty, found.false_calls / found.sound
    # A term that the prevalence switches off is not asked of joints that are not there.
    escape = prevalence * miss if prevalence else np.zeros_like(miss)
    return escape, ((1 - prevalence) * false if prevalence < 1 else np.zeros_like(false))


def best_cost(truth: Floats, scores: Floats, ratios: Floats, prevalence: float | None = None) -> Floats:
    """Lowest expected cost of any one cut, (ratios,), each ratio with its own cut.

    The cut is chosen on the joints it is judged on, so this is what the scores could give, and it flatters.

    Args:
        truth: (n,) 1, 0 or NaN (not counted).
        scores: (n,).
        ratios, prevalence: as for :func:`expected_cost`.
    """
    known = ~np.isnan(truth)
    yes, value = truth[known] == 1, scores[known]
    order = np.argsort(-value, kind="stable")
    yes, value = yes[order], value[order]
    ends = np.flatnonzero(np.append(np.diff(value) != 0, True)) if len(value) else np.zeros(0, np.int64)
    hits, false = (np.concatenate([[0], np.cumsum(part)[ends]]).astype(np.float64) for part in (yes, ~yes))
    whole = np.ones_like(hits)
    cuts = Errors(yes.sum() - hits, yes.sum() * whole, false, (~yes).sum() * whole)
    return np.asarray(expected_cost(cuts, ratios, prevalence).min(axis=0))


def equal_cost_ratio(one: Errors, other: Errors, prevalence: float | None = None) -> float:
    """The ratio at which two detectors cost the same; NaN where one is cheaper (or equal) at every ratio.

    Args:
        one, other: errors on the same joints.
        prevalence: as for :func:`expected_cost`.
    """
    (e1, f1), (e2, f2) = (weights_of(found.total, prevalence) for found in (one, other))
    escapes, false = float(e1[0] - e2[0]), float(f1[0] - f2[0])
    return -false / escapes if escapes * false < 0 else float("nan")
