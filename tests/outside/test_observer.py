"""The Hotelling observer against the check values of the project's domain notes and against scikit-learn."""

import math
from fractions import Fraction

import numpy as np
import pytest
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.metrics import roc_auc_score

from jointwise.evaluation.statistics.observer import (
    Hotelling,
    area_under_curve,
    detectability,
    held_out_scores,
    hotelling,
    hotelling_within,
    over_boards,
    relative_to_board,
)
from jointwise.evaluation.statistics.pairs import linear_snr2, observe
from jointwise.evaluation.statistics.shift import shift_area
from jointwise.joints.errors import InputError

# Domain notes, section F, "Hotelling", p = 5: K_ij = 0.5^|i-j|, N 40 + 40.
COVARIANCE = 0.5 ** np.abs(np.subtract.outer(np.arange(5), np.arange(5)))
FACTOR = np.linalg.cholesky(COVARIANCE)
SIGNAL = np.array([1.0, 0.5, 0.0, -0.5, 0.25])


def _draw(rng: np.random.Generator, n: int = 40) -> tuple[np.ndarray, np.ndarray]:
    sound = rng.standard_normal((n, 5)) @ FACTOR.T
    return sound, rng.standard_normal((n, 5)) @ FACTOR.T + SIGNAL


def test_the_example_by_hand() -> None:
    """Domain notes, section F (by hand = numpy): T = 62/9, unbiased SNR² = 22/9."""
    found = hotelling([(0, 0), (1, 0), (0, 1), (-1, -1)], [(2, 1), (3, 0), (1, 2), (2, -1)])
    assert found.plug_in == pytest.approx(float(Fraction(62, 9)), rel=1e-12)
    assert found.snr2 == pytest.approx(float(Fraction(22, 9)), rel=1e-12)


def test_the_five_channel_draw() -> None:
    """Domain notes, section F (numpy 2.4.6, default_rng(20240501)): first draw, T and unbiased SNR²."""
    sound, faulty = _draw(np.random.default_rng(20240501))
    assert sound[0, 0] == pytest.approx(-0.32696731, abs=5e-9)
    found = hotelling(sound, faulty)
    assert found.plug_in == pytest.approx(2.0497612, abs=5e-8)
    assert found.snr2 == pytest.approx(1.6420872, abs=5e-8)


def test_auc_of_the_true_snr() -> None:
    """Domain notes, section F (theory): SNR² = 1.75 gives AUC 0.825213."""
    snr2 = float(SIGNAL @ np.linalg.solve(COVARIANCE, SIGNAL))
    assert snr2 == pytest.approx(1.75, abs=1e-12)
    assert Hotelling(math.nan, snr2).auc == pytest.approx(0.825213, abs=5e-7)
    assert Hotelling(math.nan, snr2).d_prime == pytest.approx(math.sqrt(1.75), abs=1e-12)


def test_the_mean_over_many_draws() -> None:
    """Domain notes, section F: E[T] = 2.166667 and E[SNR²_u] = 1.75 (theory; 40 000 trials gave 1.7491 ± 0.0035)."""
    rng = np.random.default_rng(5)
    found = np.array([hotelling(*_draw(rng)) for _ in range(2000)])
    error = found.std(axis=0, ddof=1) / math.sqrt(len(found))
    assert error[1] < 0.019  # 0.0035 at twenty times the trials
    assert abs(found[:, 0].mean() - 2.166667) < 4 * error[0]
    assert abs(found[:, 1].mean() - 1.75) < 4 * error[1]


def test_nothing_to_find_averages_to_zero_with_negative_values() -> None:
    rng = np.random.default_rng(6)
    found = [hotelling(rng.standard_normal((20, 4)), rng.standard_normal((20, 4))) for _ in range(1000)]
    snr2 = np.array([f.snr2 for f in found])
    assert abs(snr2.mean()) < 4 * snr2.std() / math.sqrt(len(snr2))
    negative = found[int(snr2.argmin())]
    assert negative.snr2 < 0
    assert (negative.d_prime, negative.auc) == (0.0, 0.5)


def test_a_linear_change_of_channels_changes_nothing() -> None:
    sound, faulty = _draw(np.random.default_rng(7))
    mixed = np.random.default_rng(8).standard_normal((5, 5)) * [1e-6, 1.0, 1e3, 1.0, 1e6]
    assert hotelling(sound @ mixed, faulty @ mixed) == pytest.approx(hotelling(sound, faulty), rel=1e-6)


def test_plug_in_against_scikit_learn() -> None:
    """sklearn LinearDiscriminantAnalysis: the distance of the class means along its scores is T (its S has N below)."""
    sound, faulty = _draw(np.random.default_rng(9))
    data, truth = np.concatenate([sound, faulty]), np.repeat([0, 1], 40)
    scores = LinearDiscriminantAnalysis(solver="lsqr").fit(data, truth).decision_function(data)
    theirs = scores[truth == 1].mean() - scores[truth == 0].mean()
    assert hotelling(sound, faulty).plug_in == pytest.approx(theirs * 78 / 80, rel=1e-9)


def _boards(
    rng: np.random.Generator, boards: int, spread: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """25 joints a board, about half faulty, that share a displacement of their board."""
    board = np.repeat(np.arange(boards), 25)
    truth = rng.random(len(board)) < 0.5
    noise = rng.standard_normal((len(board), 5)) @ FACTOR.T
    shared = spread * rng.standard_normal((boards, 5))
    return noise + shared[board] + truth[:, None] * SIGNAL, truth, board


def test_the_interval_covers_the_truth() -> None:
    rng = np.random.default_rng(10)
    hits = 0
    for _ in range(100):
        _, (low, high) = over_boards(*_boards(rng, 12, 0.0))
        hits += low <= 1.75 <= high
    # 95 % of 100, give or take three standard errors; a jackknife over so few boards may be a little off.
    assert 88 <= hits <= 100


def test_looking_within_boards_takes_their_displacement_out() -> None:
    """Theory as for E[SNR²_u]: unbiased whatever the boards share and however unevenly they are faulty."""
    rng = np.random.default_rng(11)
    plain, within = np.array(
        [
            [over_boards(*data, within=w)[0].snr2 for w in (False, True)]
            for data in (_boards(rng, 12, 3.0) for _ in range(60))
        ]
    ).T
    assert plain.mean() < 0.6
    assert abs(within.mean() - 1.75) < 4 * within.std() / math.sqrt(len(within))
    assert within.std() / math.sqrt(len(within)) < 0.06


def test_within_one_board_is_the_plain_observer() -> None:
    """Domain notes, section F: T = 62/9, unbiased SNR² = 22/9, now as least squares."""
    channels = [(0, 0), (1, 0), (0, 1), (-1, -1), (2, 1), (3, 0), (1, 2), (2, -1)]
    found = hotelling_within(channels, [0] * 4 + [1] * 4, ["a"] * 8)
    assert found == pytest.approx((62 / 9, 22 / 9), rel=1e-12)


def test_means_of_boards_become_zero() -> None:
    values, _, board = _boards(np.random.default_rng(12), 4, 5.0)
    centred = relative_to_board(values, board)
    assert np.abs([centred[board == b].mean(axis=0) for b in range(4)]).max() < 1e-12


def test_held_out_scores_rank_as_theory_says() -> None:
    """AUC 0.825213 for SNR² = 1.75; the template of a finite sample loses a little of it."""
    values, truth, board = _boards(np.random.default_rng(13), 80, 0.0)
    scores = held_out_scores(values, truth, board)
    assert area_under_curve(truth, scores) == pytest.approx(0.825213, abs=0.03)
    shuffled = np.random.default_rng(14).permutation(truth)
    assert abs(area_under_curve(shuffled, held_out_scores(values, shuffled, board)) - 0.5) < 0.06


def test_area_against_scikit_learn() -> None:
    """sklearn.metrics.roc_auc_score, with ties."""
    rng = np.random.default_rng(15)
    truth, score = rng.random(300) < 0.3, rng.integers(0, 9, 300)
    assert area_under_curve(truth, score) == pytest.approx(roc_auc_score(truth, score), abs=1e-12)
    assert math.isnan(area_under_curve([1, 1], [0.1, 0.2]))


def test_negative_values_have_no_detectability() -> None:
    assert (detectability(-0.3), detectability(4.0)) == (0.0, 2.0)


def test_bad_input_is_refused_in_one_sentence() -> None:
    rng = np.random.default_rng(16)
    sound, faulty = _draw(rng)
    twice = np.column_stack([sound, sound[:, 0]]), np.column_stack([faulty, faulty[:, 0]])
    constant = np.column_stack([sound, np.ones(40)]), np.column_stack([faulty, np.ones(40)])
    broken = sound.copy()
    broken[3, 2] = np.nan
    for pair, words in [
        ((sound[:4], faulty[:4]), "more than 8 in all for 5 channels, found 4 sound and 4 faulty"),
        ((sound, faulty[:1]), "at least 2 joints in each class"),
        ((sound, faulty[:, :3]), "same channels in both classes, found 5 and 3"),
        ((sound[0], faulty), "found shape"),
        ((broken, faulty), "NaN or infinity in the sound class"),
        (twice, "a sum of others"),
        (constant, "channel 5 the same in all joints"),
    ]:
        with pytest.raises(InputError, match=words):
            hotelling(*pair)
    values, truth, board = _boards(rng, 3, 0.0)
    with pytest.raises(InputError, match="at least 3 boards"):
        over_boards(values[board < 2], truth[board < 2], board[board < 2])
    with pytest.raises(InputError, match="at least 2 boards"):
        held_out_scores(values[board < 1], truth[board < 1], board[board < 1])
    with pytest.raises(InputError, match="expected 0 or 1 as label"):
        over_boards(values, np.full(len(truth), 0.5), board)
    with pytest.raises(InputError, match="a label and a board for each"):
        over_boards(values, truth[:-1], board)
    with pytest.raises(InputError, match="no board with both"):
        hotelling_within(values, board == 0, board)


BOARDS = 12


def _pairs(rng: np.random.Generator, shared: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ten pairs of each board; both members have a share of their variance in common, half of it with their board."""
    n, board = 10 * BOARDS, np.repeat(np.arange(BOARDS), 10)
    common = rng.standard_normal((BOARDS, 5))[board] + rng.standard_normal((n, 5))
    sound, faulty = (
        math.sqrt(shared / 2) * common + math.sqrt(1 - shared) * rng.standard_normal((n, 5)) for _ in range(2)
    )
    return sound @ FACTOR.T, faulty @ FACTOR.T + SIGNAL, board.astype(str)


@pytest.mark.parametrize("shared", [0.0, 0.7])
def test_pairs_too_give_the_true_snr_on_average(shared: float) -> None:
    """Domain notes, section F: true SNR² 1.75 with these channels, whatever the members of a pair have in common."""
    rng = np.random.default_rng(11)
    found = [
        observe(sound, faulty, sound[:, 0], faulty[:, 0], board).ideal_snr2.value
        for sound, faulty, board in (_pairs(rng, shared) for _ in range(200))
    ]
    error = np.std(found, ddof=1) / math.sqrt(len(found))
    assert error < 0.04
    assert abs(np.mean(found) - 1.75) < 4 * error


def test_the_form_for_pairs_needs_no_jackknife_where_pairs_are_independent() -> None:
    """As above; without the term of the mean difference's covariance it would be 5 · 2 / 40 = 0.25 too high."""
    rng = np.random.default_rng(15)
    found = [linear_snr2(*_draw(rng), np.arange(40).astype(str)) for _ in range(2000)]
    error = np.std(found, ddof=1) / math.sqrt(len(found))
    assert error < 0.02
    # ν is taken as pairs less one where the members share nothing and 2 (pairs - 1) would be right: up to 8 % low.
    assert 0.92 * 1.75 - 4 * error < np.mean(found) < 1.75 + 4 * error


def test_the_best_linear_detector_has_efficiency_one() -> None:
    """Gaussian channels, scores K⁻¹ Δs: SNR² of both are the same by theory. A detector that leaves out all but one
    channel has Δs₁² / K₁₁ = 1 of the 1.75. Their 95 % intervals hold that about as often as they should."""
    rng = np.random.default_rng(12)
    template, best, first = np.linalg.solve(COVARIANCE, SIGNAL), [], []
    for _ in range(60):
        sound, faulty, board = _pairs(rng, 0.3)
        best.append(observe(sound, faulty, sound @ template, faulty @ template, board).efficiency)
        first.append(observe(sound, faulty, sound[:, 0], faulty[:, 0], board).efficiency)
    for found, true in ((best, 1.0), (first, 1 / 1.75)):
        assert np.mean([e.low <= true <= e.high for e in found]) >= 0.87  # 0.95 less 3 standard errors
        assert np.median([e.value for e in found]) == pytest.approx(true, rel=0.06)


def test_the_area_of_a_detector_is_scikit_learns() -> None:
    """Mean of roc_auc_score over all pairs of different boards of the same size, with ties."""
    rng = np.random.default_rng(13)
    sound, faulty, board = _pairs(rng, 0.3)
    s0, s1 = sound[:, 0].round(), faulty[:, 0].round()
    truth = np.repeat([0, 1], len(s0) // BOARDS)
    areas = [
        roc_auc_score(truth, np.concatenate([s0[board == a], s1[board == b]]))
        for a in set(board)
        for b in set(board) - {a}
    ]
    assert observe(sound, faulty, s0, s1, board).auc.value == pytest.approx(np.mean(areas), abs=1e-12)


def test_the_area_of_a_shift_is_scikit_learns() -> None:
    """roc_auc_score, with ties; infinite distances are given there as a number above all others."""
    rng = np.random.default_rng(14)
    near, far = rng.normal(size=40).round(1), (rng.normal(size=30) + 0.5).round(1)
    far[:3] = np.inf
    found = shift_area(near, np.arange(40), far, np.arange(30))
    finite = np.concatenate([near, np.where(np.isinf(far), 99.0, far)])
    assert found.value == pytest.approx(roc_auc_score(np.repeat([0, 1], [40, 30]), finite), abs=1e-12)
    assert found.low < found.value < found.high
