"""Pairs of joints with and without a known fault: what a linear test can find, and how much of it a detector finds.

Both members of a pair share their background, and pairs of one board share their nuisances, so neither the classes nor
the joints are independent, as the textbook form of Hotelling's test wants them. Written with the mean pair difference
Δ, of covariance V, and the mean covariance S of both classes, T = Δᵀ S⁻¹ Δ has E[T] ≈ ν/(ν-p-1)·[SNR² + tr(K⁻¹V)];
for independent classes V = K(1/N0 + 1/N1) and this is the unbiased form of domain notes, section F. V comes from the
boards' own mean differences; ν is taken as pairs - 1. What bias the clustering leaves in S⁻¹ the jackknife over boards
takes away (Quenouille, Biometrika 43:353, 1956), and its spread is the interval.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import gaussian_filter
from scipy.stats import norm

from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.statistics.observer import detectability, jackknife_reach
from jointwise.joints.errors import InputError

LEAST_BOARDS: Final = 3
BLURS: Final = (0.0, 1.5, 3.0, 6.0)
"""Grid steps by which the lost metal's picture is blurred: a few levels tell noise from what lies around the fault."""
SHIFTS: Final = (-4, -2, 2, 4)
"""Grid steps along z by which it is moved: what a test has to compare the fault's own place with."""
PUSHED_BLURS: Final = (0.0, 3.0)
MOST_CHANNELS: Final = len(BLURS) + len(SHIFTS) + len(PUSHED_BLURS) + 4
"""Of :func:`signal_channels`, the sound joint and its three changes among them."""
INDEPENDENT: Final = 1e-5
"""Least share of the strongest template that is not a sum of the others."""

_LEAST_EIGENVALUE: Final = 1e-12

Names = NDArray[np.str_]


class Estimate(NamedTuple):
    """A figure with its 95 % interval; NaN where it cannot be told."""

    value: float
    low: float
    high: float


class Efficiency(NamedTuple):
    """What is in the pairs and what a detector gets out of them.

    Attributes:
        ideal_snr2: SNR² of the best linear test on the channels.
        auc: area under the detector's ROC curve, faulty against sound members of other boards.
        snr: the detector's √2 Φ⁻¹(AUC); infinite at AUC 1, negative below chance.
        efficiency: snr² over ideal_snr2; NaN where there is nothing to find or the detector is saturated.
        note: `nothing to find`, `saturated` or empty.
    """

    ideal_snr2: Estimate
    auc: Estimate
    snr: Estimate
    efficiency: Estimate
    note: str


def signal_channels(signal: ArrayLike, background: ArrayLike) -> Floats:
    """Templates (p, voxels) of a test that knows the fault, orthonormal; a channel is a volume times a template.

    Metal lost (the gap or void) and metal pushed outwards are separate, since joints' own spread drowns the second. The
    lost part comes also blurred and moved along z, so that the test can look at it against its surroundings; the sound
    joint and its change when it stands higher, grows taller or wider tell what is geometry.

    Args:
        signal: (z, y, x) mean of noise-free differences, faulty less sound, of boards that are not judged.
        background: (z, y, x) mean of the noise-free sound joints.
    """
    s, b = np.asarray(signal, np.float64), np.asarray(background, np.float64)
    if not s.any():
        raise InputError("expected a signal to know, found none at any voxel; leave out faults of no size")
    lost, pushed = np.minimum(s, 0.0), np.maximum(s, 0.0)
    templates = [gaussian_filter(lost, blur) for blur in BLURS]
    templates += [np.roll(lost, shift, axis=0) for shift in SHIFTS]
    templates += [gaussian_filter(pushed, blur) for blur in PUSHED_BLURS]
    templates += [b, *_changes(b)]
    flat = np.array([t.ravel() for t in templates if t.any()])
    # The test is the same for any basis of them; one that is a sum of others brings nothing.
    _, strength, basis = np.linalg.svd(
        flat / np.linalg.norm(flat, axis=1, keepdims=True), full_matrices=False
    )
    return np.asarray(basis[strength > INDEPENDENT * strength[0]])


def _changes(b: Floats) -> list[Floats]:
    """How the sound joint changes when moved along z, stretched along z and stretched in its plane."""
    along_z, along_y, along_x = (np.asarray(g) for g in np.gradient(b))
    z, y, x = np.meshgrid(*(np.arange(n) - (n - 1) / 2 for n in b.shape), indexing="ij")
    return [along_z, z * along_z, y * along_y + x * along_x]


def demand_pairs(per_board: Sequence[int]) -> None:
    """Refuse a study that is too small for its channels, also with any one board left out.

    Args:
        per_board: pairs of each judged board.

    Raises:
        InputError: says how many are needed and how many boards like these give them.
    """
    total, most, needed = sum(per_board), max(per_board, default=0), MOST_CHANNELS + 3
    if total - most < needed:
        mean = total / max(len(per_board), 1)
        boards = math.ceil((needed + most) / mean) if mean else 0
        raise InputError(
            f"expected at least {needed} pairs for {MOST_CHANNELS} channels whichever board is left out, found {total} "
            f"of {len(per_board)} boards, {total - most} without the largest; "
            + (f"take pairs.boards={boards} or larger arrays" if boards else "take larger arrays")
        )


def observe(
    sound: ArrayLike, faulty: ArrayLike, score_sound: ArrayLike, score_faulty: ArrayLike, board: ArrayLike
) -> Efficiency:
    """How well the best linear test and a detector tell the members of pairs apart.

    Args:
        sound, faulty: channels (n, p) of both members of each pair.
        score_sound, score_faulty: the detector's scores (n,) of them.
        board: (n,) name of each pair's board.

    Raises:
        InputError: parts that do not fit each other, values that are not finite, fewer than three boards, or too few
            pairs for so many channels.
    """
    g0, g1, boards = _checked(sound, faulty, board)
    s0, s1 = np.asarray(score_sound, np.float64), np.asarray(score_faulty, np.float64)
    if s0.shape != boards.shape or s1.shape != boards.shape or not np.isfinite([s0, s1]).all():
        raise InputError(f"expected a finite score of both members of {len(boards)} pairs; score them again")
    names = np.unique(boards)

    def ideal(kept: Bools) -> float:
        return linear_snr2(g0[kept], g1[kept], boards[kept])

    parts = [boards != name for name in names]
    whole = np.ones(len(boards), bool)
    linear, ideals = ideal(whole), np.array([ideal(kept) for kept in parts])
    snr2 = _jackknife(linear, ideals, corrected=True)
    area, areas = _areas_across(s0, s1, boards)
    auc = _within(_jackknife(area, areas), 0.0, 1.0)
    if _saturated(areas, auc.value, len(boards)):
        least = signal_to_noise(1.0 - 1.0 / len(boards))
        return Efficiency(
            snr2, auc, Estimate(signal_to_noise(auc.value), least, math.inf), _NOT_TOLD, "saturated"
        )
    snr = _jackknife(signal_to_noise(auc.value), np.array([signal_to_noise(a) for a in areas]))
    if snr2.low <= 0.0:
        return Efficiency(snr2, auc, snr, _NOT_TOLD, "nothing to find")
    shares = np.array([_squared(signal_to_noise(a)) for a in areas]) / (ideals * snr2.value / linear)
    share = _jackknife(_squared(snr.value) / snr2.value, shares)
    return Efficiency(snr2, auc, snr, _within(share, 0.0, math.inf), "")


_NOT_TOLD: Final = Estimate(math.nan, math.nan, math.nan)


def linear_snr2(sound: Floats, faulty: Floats, boards: Names) -> float:
    """SNR² of the best linear test on channels (n, p), by the formula at the head of this module; may be negative."""
    n, p = sound.shape
    nu = n - 1
    if nu <= p + 1:
        raise InputError(f"expected more than {p + 2} pairs for {p} channels, found {n}; take more boards")
    spread = (np.cov(sound.T) + np.cov(faulty.T)).reshape(p, p) / 2
    unit = np.sqrt(np.diag(spread))
    if not (unit > 0).all():
        raise InputError(
            "expected channels that vary from joint to joint, found one that does not; leave it out"
        )
    correlation = spread / np.outer(unit, unit)
    if float(np.linalg.eigvalsh(correlation)[0]) < _LEAST_EIGENVALUE:
        raise InputError("expected independent channels, found one that is a sum of others; leave it out")
    inverse = np.linalg.inv(correlation)
    change = (faulty - sound) / unit
    delta = change.mean(axis=0)
    bias = float(np.sum(inverse * _of_the_mean(change - delta, boards)))
    return float((nu - p - 1) / nu * (delta @ inverse @ delta - bias))


def _of_the_mean(rest: Floats, boards: Names) -> Floats:
    """Covariance (p, p) of the mean of (n, p), boards being independent and joints of one board not."""
    _, index, size = np.unique(boards, return_inverse=True, return_counts=True)
    sums = np.zeros((len(size), rest.shape[1]))
    np.add.at(sums, index, rest)
    return np.asarray(sums.T @ sums / len(rest) ** 2 * len(size) / (len(size) - 1))


def signal_to_noise(auc: float) -> float:
    """√2 Φ⁻¹(AUC), the d' of a Gaussian test with that area; negative below chance, infinite at 0 and 1."""
    return math.sqrt(2.0) * float(norm.ppf(auc))


def found_at(d_prime: float, false_calls: float) -> float:
    """Share of faulty joints that a Gaussian test of that d' finds at a rate of false calls."""
    return float(norm.sf(norm.isf(false_calls) - d_prime))


def d_prime(snr2: Estimate) -> Estimate:
    """d' and its interval from those of SNR²."""
    return Estimate(*(detectability(v) for v in snr2))


def auc_of(snr2: Estimate) -> Estimate:
    """Area under the curve of a Gaussian test, and its interval, from those of its SNR²."""
    return Estimate(*(float(norm.cdf(detectability(v) / math.sqrt(2.0))) for v in snr2))


def _areas_across(sound: Floats, faulty: Floats, boards: Names) -> tuple[float, Floats]:
    """Share of (faulty, sound) members of different boards that the score ranks right, ties half; with each board out.

    Members of one board share their nuisances, and are told apart more easily than joints that nothing links.
    """
    names, index, size = np.unique(boards, return_inverse=True, return_counts=True)
    right = np.sign(faulty[:, None] - sound[None, :]) / 2 + 0.5
    one = np.eye(len(names))[index]
    won, asked = one.T @ right @ one, np.outer(size, size).astype(np.float64)
    for cells in (won, asked):
        np.fill_diagonal(cells, 0.0)
    left = [cells.sum() - cells.sum(axis=0) - cells.sum(axis=1) for cells in (won, asked)]
    return float(won.sum() / asked.sum()), np.asarray(left[0] / left[1])


def _saturated(areas: Floats, auc: float, n: int) -> bool:
    """Whether the area hangs on fewer misplaced members than one can count on, or lies at 1 with a board left out."""
    return auc > 1.0 - 1.0 / n or bool((areas >= 1.0).any())


def _squared(snr: float) -> float:
    """SNR² that keeps its sign: a detector below chance is no detector the other way round."""
    return snr * abs(snr)


def _jackknife(whole: float, left: Floats, corrected: bool = False) -> Estimate:
    """Estimate with Student's t interval from the values with each board left out."""
    n = len(left)
    value = n * whole - (n - 1) * float(left.mean()) if corrected else whole
    reach = jackknife_reach(left)
    return Estimate(value, value - reach, value + reach)


def _within(told: Estimate, low: float, high: float) -> Estimate:
    return Estimate(*(min(max(v, low), high) for v in told))


def _checked(sound: ArrayLike, faulty: ArrayLike, board: ArrayLike) -> tuple[Floats, Floats, Names]:
    g0, g1, boards = (
        np.asarray(sound, np.float64),
        np.asarray(faulty, np.float64),
        np.asarray(board).astype(str),
    )
    if g0.ndim != 2 or g0.shape != g1.shape or boards.shape != g0.shape[:1]:
        raise InputError(
            f"expected channels (pairs, p) of both members and a board for each pair, found {g0.shape}, {g1.shape} "
            f"and {boards.shape}"
        )
    if not np.isfinite([g0, g1]).all():
        raise InputError("expected finite channels, found NaN or infinity; leave those pairs out")
    if len(np.unique(boards)) < LEAST_BOARDS:
        raise InputError(
            f"expected pairs of at least {LEAST_BOARDS} boards, found {len(np.unique(boards))}; take more boards"
        )
    return g0, g1, boards
