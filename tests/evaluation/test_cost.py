"""Expected cost over the ratio of prices: sums, the best cut, and where two detectors cost the same."""

import math

import numpy as np
import pytest

from jointwise.evaluation.statistics.cost import (
    RATIOS,
    best_cost,
    equal_cost_ratio,
    errors,
    expected_cost,
)
from jointwise.evaluation.statistics.paired import draw_boards
from jointwise.joints.errors import InputError

TRUTH = np.array([1.0, 1.0, 0.0, 0.0, 0.0, math.nan])
SCORES = np.array([0.9, 0.4, 0.6, 0.2, 0.1, 0.8])
BOARDS = np.array([0, 1, 0, 1, 1, 0])


def test_by_hand() -> None:
    """One escape and one false call among five joints, two of them faulty."""
    found = errors(TRUTH, SCORES >= 0.5, BOARDS)
    assert [part.tolist() for part in found] == [[0, 1], [1, 1], [1, 0], [1, 2]]
    np.testing.assert_allclose(expected_cost(found.total, np.array([1, 10]))[0], [2 / 5, 11 / 5])
    # One in a hundred faulty: 0.01 * 1/2 * ratio + 0.99 * 1/3.
    np.testing.assert_allclose(expected_cost(found.total, np.array([10.0]), 0.01)[0], 0.05 + 0.33)


def test_the_best_cut_by_hand() -> None:
    """At ratio 1 call the first (one escape left: 1/5); at 10 call three (one false call: 1/5)."""
    np.testing.assert_allclose(best_cost(TRUTH, SCORES, np.array([1.0, 10.0])), [0.2, 0.2])
    np.testing.assert_allclose(best_cost(TRUTH, np.zeros(6), np.array([1.0, 10.0])), [2 / 5, 3 / 5])


def test_no_fixed_cut_is_cheaper_than_the_best_one() -> None:
    rng = np.random.default_rng(0)
    truth = (rng.random(300) < 0.2).astype(float)
    scores = np.round(0.3 * truth + rng.random(300), 1)
    best = best_cost(truth, scores, RATIOS, 0.05)
    every = [
        expected_cost(errors(truth, scores >= cut, np.zeros(300, np.int64)).total, RATIOS, 0.05)[0]
        for cut in [*np.unique(scores), np.inf]
    ]
    np.testing.assert_allclose(best, np.min(every, axis=0))
    np.testing.assert_array_less(best - 1e-12, np.minimum(0.05 * RATIOS, 0.95))


def test_perfect_costs_nothing_and_order_does_not_matter() -> None:
    perfect = errors(TRUTH, TRUTH == 1, BOARDS)
    assert not expected_cost(perfect.total, RATIOS).any()
    assert not best_cost(TRUTH, np.nan_to_num(TRUTH), RATIOS).any()
    order = np.array([3, 5, 0, 4, 1, 2])
    one, other = (
        errors(TRUTH, SCORES >= 0.5, BOARDS),
        errors(TRUTH[order], SCORES[order] >= 0.5, BOARDS[order]),
    )
    np.testing.assert_array_equal(np.stack(one), np.stack(other))


def test_equal_cost() -> None:
    """The careful one lets one more escape, the eager one calls two more in vain: even where an escape costs two."""
    careful = errors(TRUTH, np.array([1, 0, 0, 0, 0, 0], bool), BOARDS)
    eager = errors(TRUTH, np.array([1, 1, 1, 1, 0, 0], bool), BOARDS)
    assert equal_cost_ratio(careful, eager) == equal_cost_ratio(eager, careful) == 2
    at = np.array([2.0])
    assert expected_cost(careful.total, at) == pytest.approx(expected_cost(eager.total, at))
    assert math.isnan(equal_cost_ratio(careful, careful))
    assert math.isnan(equal_cost_ratio(errors(TRUTH, TRUTH == 1, BOARDS), eager))


def test_draws_are_sums_of_boards() -> None:
    found = errors(TRUTH, SCORES >= 0.5, BOARDS)
    weights = np.array([[2, 0], [1, 1]], np.int32)
    np.testing.assert_allclose(expected_cost(found.weighted(weights), np.array([10.0]))[:, 0], [0.5, 11 / 5])
    assert expected_cost(found.weighted(draw_boards(BOARDS, 7)), RATIOS).shape == (7, len(RATIOS))


def test_empty_classes_and_bad_numbers() -> None:
    nothing = errors(np.zeros(3), np.array([True, False, False]), np.zeros(3, np.int64))
    assert expected_cost(nothing.total, np.array([5.0]))[0, 0] == pytest.approx(1 / 3)
    assert np.isnan(expected_cost(nothing.total, np.array([5.0]), 0.1)).all()
    assert expected_cost(nothing.total, np.array([5.0]), 0.0)[0, 0] == pytest.approx(1 / 3)
    unknown = errors(np.full(3, math.nan), np.ones(3, bool), np.zeros(3, np.int64))
    assert np.isnan(expected_cost(unknown.total, RATIOS)).all()
    assert np.isnan(best_cost(np.full(3, math.nan), np.ones(3), RATIOS)).all()
    with pytest.raises(InputError, match="above 0"):
        expected_cost(nothing.total, np.array([0.0]))
    with pytest.raises(InputError, match="prevalence"):
        expected_cost(nothing.total, RATIOS, 1.2)
