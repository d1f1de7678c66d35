"""Two detectors on the same joints: counts, recall at equal false calls, and the laws both must keep."""

import math

import numpy as np
import pytest

from jointwise.evaluation.statistics.mcnemar import exact
from jointwise.evaluation.statistics.paired import (
    draw_boards,
    paired,
    percentiles,
    recall_at,
    recalls_at,
    right,
    share_difference,
)
from jointwise.joints.errors import InputError

NAN = math.nan


def case(n: int = 200, seed: int = 0, levels: int = 12) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Truth, scores with many ties, and boards."""
    rng = np.random.default_rng(seed)
    truth = (rng.random(n) < 0.3).astype(float)
    truth[rng.random(n) < 0.05] = NAN
    scores = np.round((0.4 * np.nan_to_num(truth) + rng.random(n)) * levels) / levels
    return truth, scores, rng.integers(0, 9, n)


def recall_by_hand(truth: np.ndarray, scores: np.ndarray, rate: float) -> float:
    """Every cut in turn, those that call too much left out."""
    recalls = []
    for cut in [*np.unique(scores), np.inf]:
        false = np.count_nonzero((truth == 0) & (scores >= cut))
        if false <= rate * np.count_nonzero(truth == 0) + 1e-9:
            recalls.append(np.count_nonzero((truth == 1) & (scores >= cut)) / np.count_nonzero(truth == 1))
    return max(recalls)


def test_mcnemar_of_nothing_is_one_and_sides_are_alike() -> None:
    assert exact(0, 0) == 1
    assert exact(3, 11) == exact(11, 3)
    assert exact(0, 5) > 0.05 > exact(0, 6)
    with pytest.raises(InputError, match="from 0"):
        exact(-1, 3)


def test_pairs_are_counted_where_both_are_known() -> None:
    truth = np.array([1, 1, 0, 0, NAN, 1])
    one = right(truth, np.array([True, False, False, True, True, True]))
    other = right(truth, np.array([True, True, True, True, True, False]))
    found = paired(one, other)
    assert found == (1, 2, 1, 1)
    assert (found.n, found.discordant, found.p) == (5, 3, 1.0)
    assert paired(other, one) == (1, 1, 2, 1)
    assert math.isnan(paired(one[:0], other[:0]).p)


@pytest.mark.parametrize("levels", [2, 12, 10_000])
@pytest.mark.parametrize("rate", [0, 0.01, 0.1, 0.5, 1])
def test_recall_is_that_of_the_best_cut_within_the_rate(rate: float, levels: int) -> None:
    for seed in range(5):
        truth, scores, _ = case(60, seed, levels)
        assert recall_at(truth, scores, rate) == pytest.approx(recall_by_hand(truth, scores, rate), abs=1e-15)


def test_a_draw_is_the_joints_of_its_boards_again() -> None:
    truth, scores, boards = case()
    weights = draw_boards(boards, 40)
    assert (weights.sum(axis=1) == 9).all()
    drawn = recalls_at(truth, scores, [0.05, 0.3], boards, weights)
    for row, counts in enumerate(weights):
        again = np.repeat(np.arange(len(truth)), counts[boards])
        for column, rate in enumerate((0.05, 0.3)):
            assert drawn[row, column] == pytest.approx(recall_by_hand(truth[again], scores[again], rate))


def test_order_and_rising_maps_of_scores_do_not_matter() -> None:
    truth, scores, boards = case()
    order, weights = np.random.default_rng(1).permutation(len(truth)), draw_boards(boards, 30)
    first = recalls_at(truth, scores, [0.1], boards, weights)
    np.testing.assert_array_equal(
        first, recalls_at(truth[order], scores[order], [0.1], boards[order], weights)
    )
    np.testing.assert_array_equal(first, recalls_at(truth, np.exp(3 * scores), [0.1], boards, weights))


def test_perfect_and_useless_detectors() -> None:
    truth, _, boards = case()
    weights = draw_boards(boards, 20)
    assert (recalls_at(truth, np.nan_to_num(truth), [0.0], boards, weights) == 1).all()
    assert recall_at(truth, np.ones(len(truth)), 0.9) == 0
    assert recall_at(truth, np.ones(len(truth)), 1.0) == 1


def test_what_cannot_be_said_is_nan() -> None:
    scores, boards, weights = np.array([0.2, 0.7]), np.array([0, 1]), np.array([[1, 1], [2, 0]], np.int32)
    for truth in ([0.0, 0.0], [1.0, 1.0], [NAN, NAN]):
        assert np.isnan(recalls_at(np.array(truth), scores, [0.1], boards, weights)).all()
    # A draw without the board that holds the only faulty joint.
    drawn = recalls_at(np.array([0.0, 1.0]), scores, [0.1], boards, weights)[:, 0]
    np.testing.assert_array_equal(drawn, [1, NAN])
    assert math.isnan(recall_at(np.zeros(0), np.zeros(0), 0.1))
    assert draw_boards(np.zeros(0, np.int64), 3).shape == (3, 0)
    with pytest.raises(InputError, match="from 0 to 1"):
        recall_at(np.array([0.0, 1.0]), scores, 1.5)


def test_the_difference_of_a_detector_with_itself_is_nothing() -> None:
    truth, scores, boards = case()
    one = right(truth, scores > 0.6)
    weights = draw_boards(boards, 50)
    assert share_difference(one, one, boards, weights) == (0, (0, 0))
    value, (low, high) = share_difference(one, 1 - one, boards, weights)
    mirrored, (down, up) = share_difference(1 - one, one, boards, weights)
    assert (mirrored, down, up) == pytest.approx((-value, -high, -low))
    assert low < value < high
    assert math.isnan(share_difference(one * NAN, one, boards, weights)[0])


def test_an_interval_over_boards_is_wider_than_over_joints_where_boards_differ() -> None:
    """Boards that are right or wrong as a whole: 10 boards of 40 joints know no more than 10 joints."""
    boards = np.repeat(np.arange(10), 40)
    one, other = (boards % 2).astype(float), np.zeros(400)
    clustered = share_difference(one, other, boards, draw_boards(boards, 500))[1]
    single = share_difference(one, other, np.arange(400), draw_boards(np.arange(400), 500))[1]
    assert clustered.high - clustered.low > 4 * (single.high - single.low)


def test_an_interval_needs_draws_that_could_be_computed() -> None:
    assert percentiles(np.linspace(0, 1, 1001)) == pytest.approx((0.025, 0.975))
    assert math.isnan(percentiles(np.array([1.0, NAN]))[0])
    assert math.isnan(percentiles(np.zeros(0))[0])
