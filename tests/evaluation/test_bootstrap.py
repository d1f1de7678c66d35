"""Resampling of boards: laws of the draws, of the weighted average precision and of the interval."""

import numpy as np
import pytest

from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.bootstrap import (
    Resampling,
    board_sums,
    interval,
    resampled_average_precision,
    resampled_sums,
)
from jointwise.joints.errors import InputError


def drawn(n: int = 300, boards: int = 12, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Truth, scores with many ties, and boards."""
    rng = np.random.default_rng(seed)
    truth = (rng.random(n) < 0.15).astype(float)
    return truth, np.round(0.4 * truth + 0.6 * rng.random(n), 2), rng.integers(0, boards, n)


def test_every_replicate_draws_as_many_boards_as_there_are() -> None:
    weights = Resampling(7, 50, seed=3).weights
    assert weights.shape == (51, 7)
    assert (weights[0] == 1).all()
    assert (weights.sum(axis=1) == 7).all()
    assert (weights == np.round(weights)).all()
    np.testing.assert_array_equal(weights, Resampling(7, 50, seed=3).weights)
    assert (weights != Resampling(7, 50, seed=4).weights).any()


def test_sums_are_those_of_the_joints_copied_with_their_boards() -> None:
    truth, score, boards = drawn()
    weights = Resampling(12, 20).weights
    sums = resampled_sums(np.column_stack([truth, score]), boards, weights)
    for replicate in range(21):
        copies = np.repeat(np.arange(300), weights[replicate, boards].astype(int))
        assert sums[replicate] == pytest.approx([truth[copies].sum(), score[copies].sum()])
    assert board_sums(np.ones(300), boards, 13)[12] == 0, "a board without a joint here brings nothing"


def test_average_precision_of_joints_copied_with_their_boards() -> None:
    truth, score, boards = drawn()
    weights = Resampling(12, 30).weights
    found = resampled_average_precision(truth, score, boards, weights)
    assert found[0] == pytest.approx(measures.average_precision(truth, score))
    for replicate in range(31):
        copies = np.repeat(np.arange(300), weights[replicate, boards].astype(int))
        assert found[replicate] == pytest.approx(measures.average_precision(truth[copies], score[copies]))


def test_neither_the_order_of_joints_nor_a_monotone_change_of_scores_matters() -> None:
    truth, score, boards = drawn()
    weights, order = Resampling(12, 30).weights, np.random.default_rng(1).permutation(300)
    one = resampled_average_precision(truth, score, boards, weights)
    other = resampled_average_precision(truth[order], np.exp(3 * score[order]), boards[order], weights)
    np.testing.assert_array_equal(one, other)


def test_large_cases_are_cut_into_pieces_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    truth, score, boards = drawn()
    weights = Resampling(12, 30).weights
    one = resampled_average_precision(truth, score, boards, weights)
    monkeypatch.setattr("jointwise.evaluation.statistics.bootstrap.CELLS_AT_ONCE", 50)
    other = resampled_average_precision(truth, score, boards, weights)
    np.testing.assert_allclose(other, one, rtol=1e-14)


def test_a_perfect_detector_is_perfect_in_every_replicate_that_has_a_fault() -> None:
    truth = np.array([1.0, 0, 0, 0, 0, 0])
    boards = np.array([0, 0, 1, 1, 2, 2])
    weights = Resampling(3, 400).weights
    found = resampled_average_precision(truth, truth, boards, weights)
    absent = weights[:, 0] == 0
    assert np.isnan(found[absent]).all()
    assert (found[~absent] == 1).all()
    one = interval(found, 3)
    assert one == (1, 1, 1, absent.sum())
    assert 0.2 < one.left_out / 400 < 0.4, "(2/3)^3 = 0.296 of the replicates miss the board with the fault"


def test_no_faulty_joint_no_joint_and_no_board() -> None:
    weights = Resampling(2, 5).weights
    none = resampled_average_precision(np.zeros(4), np.arange(4.0), np.array([0, 0, 1, 1]), weights)
    assert np.isnan(none).all()
    empty = Resampling(0, 5).weights
    assert empty.shape == (6, 0)
    assert np.isnan(resampled_average_precision([], [], [], empty)).all()
    assert np.isnan(interval(none, 2)[:3]).all()
    assert interval(none, 2).left_out == 5


def test_one_board_says_nothing_about_another() -> None:
    one = interval(np.full(11, 0.5), 1)
    assert one.value == 0.5
    assert np.isnan([one.low, one.high]).all()


def test_the_interval_holds_the_middle_of_the_replicates() -> None:
    one = interval(np.concatenate([[0.4], np.arange(1001) / 1000, [np.nan, np.nan]]), 20)
    assert one == (0.4, pytest.approx(0.025), pytest.approx(0.975), 2)


@pytest.mark.parametrize(("boards", "replicates"), [(-1, 5), (3, 0)])
def test_nothing_to_draw_is_refused(boards: int, replicates: int) -> None:
    with pytest.raises(InputError, match="at least one replicate"):
        Resampling(boards, replicates)
