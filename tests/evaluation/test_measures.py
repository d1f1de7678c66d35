"""Laws of the measures: order, relabelling, perfect and useless detectors, empty sets, what is refused."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jointwise.evaluation.statistics import measures
from jointwise.joints.errors import InputError

Drawn = tuple[np.ndarray, np.ndarray]


@st.composite
def labelled_scores(draw: st.DrawFn) -> Drawn:
    """Labels and scores of 1 to 30 joints, with many ties."""
    n = draw(st.integers(1, 30))
    truth = draw(st.lists(st.sampled_from([0.0, 1.0]), min_size=n, max_size=n))
    score = draw(st.lists(st.sampled_from([0.0, 0.2, 0.5, 0.5001, 1.0]), min_size=n, max_size=n))
    return np.array(truth), np.array(score)


@given(labelled_scores(), st.randoms(use_true_random=False))
@settings(deadline=None, derandomize=True, max_examples=60)
def test_average_precision_ignores_the_order_of_joints(drawn: Drawn, random: object) -> None:
    truth, score = drawn
    order = np.array(random.sample(range(len(truth)), len(truth)))  # type: ignore[attr-defined]
    np.testing.assert_equal(
        measures.average_precision(truth[order], score[order]), measures.average_precision(truth, score)
    )


@given(labelled_scores())
@settings(deadline=None, derandomize=True, max_examples=60)
def test_average_precision_depends_on_ranks_only(drawn: Drawn) -> None:
    truth, score = drawn
    np.testing.assert_equal(
        measures.average_precision(truth, np.exp(3 * score) - 7), measures.average_precision(truth, score)
    )


@given(labelled_scores())
@settings(deadline=None, derandomize=True, max_examples=60)
def test_counts_add_up_and_rates_lie_between_0_and_1(drawn: Drawn) -> None:
    truth, score = drawn
    counts = measures.count(truth, score >= 0.5)
    assert counts.n == len(truth)
    assert counts.faulty == truth.sum()
    assert counts.called == (score >= 0.5).sum()
    for rate in (counts.precision, counts.recall, counts.f1, counts.false_positive_rate):
        assert math.isnan(rate) or 0 <= rate <= 1


def test_perfect_and_inverted_detectors() -> None:
    truth = np.array([1.0, 0, 1, 0, 0])
    assert measures.average_precision(truth, truth) == 1.0
    assert measures.count(truth, truth == 1) == (2, 0, 0, 3)
    assert measures.count(truth, truth == 1).f1 == 1.0
    # The two faulty joints come last: P = 1/4 at R = 1/2, P = 2/5 at R = 1.
    assert measures.average_precision(truth, [0.1, 1, 0.2, 0.9, 0.8]) == pytest.approx(0.5 * (1 / 4 + 2 / 5))
    assert measures.count(truth, truth == 0).recall == 0.0


def test_a_constant_score_gets_the_class_frequency() -> None:
    assert measures.average_precision([1, 0, 0, 1, 0], np.full(5, 0.3)) == pytest.approx(2 / 5)


def test_without_faulty_joints_nothing_is_claimed() -> None:
    counts = measures.count([0, 0, 0], [False, True, False])
    assert math.isnan(counts.recall)
    assert math.isnan(counts.f1)
    assert counts.precision == 0.0, "one call was made and it was wrong"
    assert math.isnan(measures.average_precision([0, 0, 0], [0.1, 0.2, 0.3]))
    assert all(math.isnan(value) for value in measures.guess(0, 3))


def test_without_calls_precision_is_not_a_number_and_f1_is_zero() -> None:
    counts = measures.count([1, 0], [False, False])
    assert math.isnan(counts.precision)
    assert (counts.recall, counts.f1) == (0.0, 0.0)


def test_one_joint_and_none() -> None:
    assert measures.average_precision([1], [0.0]) == 1.0
    assert measures.count([1], [True]) == (1, 0, 0, 0)
    assert measures.count([], []) == (0, 0, 0, 0)
    assert math.isnan(measures.average_precision([], []))
    assert all(math.isnan(bound) for bound in measures.wilson(0, 0))


def test_wilson_contains_the_rate_and_mirrors() -> None:
    for n in (1, 2, 7, 100):
        for successes in range(n + 1):
            low, high = measures.wilson(successes, n)
            mirrored = measures.wilson(n - successes, n)
            assert 0 <= low <= successes / n <= high <= 1
            assert (1 - mirrored.high, 1 - mirrored.low) == pytest.approx((low, high))


def test_wilson_narrows_as_joints_are_added() -> None:
    widths = [high - low for low, high in (measures.wilson(n // 2, n) for n in (2, 10, 50, 1000))]
    assert widths == sorted(widths, reverse=True)


@pytest.mark.parametrize(("faulty", "n"), [(1, 1), (1, 6), (3, 6), (2, 25), (25, 25)])
def test_guess_is_the_mean_of_a_random_order(faulty: int, n: int) -> None:
    """Against brute force: the mean AP of many random orders, within 4 standard errors."""
    rng = np.random.default_rng(5)
    truth = np.arange(n) < faulty
    tries = np.array([measures.average_precision(truth, rng.random(n)) for _ in range(1000)])
    error = 4 * tries.std() / np.sqrt(len(tries)) + 1e-12
    assert abs(measures.guess(faulty, n).ap - tries.mean()) <= error


def test_guess_tends_to_the_class_frequency() -> None:
    assert measures.guess(1000, 100_000).ap == pytest.approx(0.01, abs=2e-4)
    assert measures.guess(2, 50).ap > 2 * measures.guess(2, 50).precision, (
        "few faulty joints: a lucky rank counts"
    )


def test_guess_with_the_frequency_of_another_set() -> None:
    guess = measures.guess(10, 100, call_rate=0.3)
    assert (guess.precision, guess.recall) == (0.1, 0.3)
    assert guess.f1 == pytest.approx(2 * 3 / (2 * 3 + 27 + 7)), "expected counts: tp 3, fp 27, fn 7"


def test_missing_balls_and_unknown_truth_do_not_count() -> None:
    truth = np.array([[1, 0], [np.nan, 1], [1, 1]])
    np.testing.assert_array_equal(
        measures.counted(truth, [1, 1, 0]), [[True, True], [False, True], [False, False]]
    )
    assert not measures.counted(np.full((3, 2), np.nan), np.ones(3)).any()
    assert not measures.counted(truth, np.zeros(3)).any()


def test_calls_at_the_threshold_and_nowhere_without_a_ball() -> None:
    score = np.array([[0.5, 0.49], [np.nan, np.nan], [0.9, 0.9]])
    np.testing.assert_array_equal(
        measures.calls(score, [0.5, np.inf], [1, 0, 1]), [[True, False], [False, False], [True, False]]
    )


def test_any_kind_is_sure_only_when_it_can_be() -> None:
    truth = np.array([[0, 0], [0, 1], [np.nan, 1], [np.nan, 0], [0, 0]])
    np.testing.assert_array_equal(measures.any_kind(truth, [1, 1, 1, 1, 0]), [0, 1, 1, np.nan, np.nan])


def test_a_joint_called_with_the_wrong_kind_has_not_escaped() -> None:
    truth = np.array([[1, 0], [1, 0], [0, 0], [0, 0], [np.nan, 0]])
    called = np.array([[False, True], [False, False], [True, False], [False, False], [True, True]])
    escape, false_call = measures.escapes(truth, called, np.ones(5))
    np.testing.assert_array_equal(escape, [False, True, False, False, False])
    np.testing.assert_array_equal(false_call, [False, False, True, False, False])


REFUSED: dict[str, Callable[[], object]] = {
    "more successes than trials": lambda: measures.wilson(3, 2),
    "negative count": lambda: measures.wilson(-1, 2),
    "more faulty joints than joints": lambda: measures.guess(3, 2),
    "truth neither 0 nor 1": lambda: measures.count([0.5], [True]),
    "unknown truth in a plain measure": lambda: measures.average_precision([np.nan, 1], [0.1, 0.2]),
    "score without a number": lambda: measures.average_precision([0, 1], [np.nan, 0.2]),
    "scores of other joints": lambda: measures.average_precision([0, 1], [0.2]),
    "calls of other joints": lambda: measures.count([0, 1], [True]),
    "truth with infinity": lambda: measures.counted([[np.inf]], [1]),
    "present unknown": lambda: measures.counted([[1.0]], [np.nan]),
    "present of other joints": lambda: measures.counted([[1.0]], [1, 1]),
    "present joint without a score": lambda: measures.calls([[np.nan]], [0.5], [1]),
    "no threshold": lambda: measures.calls([[0.5]], [np.nan], [1]),
    "thresholds of other kinds": lambda: measures.calls([[0.5]], [0.5, 0.5], [1]),
}


@pytest.mark.parametrize("what", REFUSED)
def test_refused_in_one_sentence(what: str) -> None:
    with pytest.raises(InputError, match=r"^expected .*, found .*[^.]$") as refusal:
        REFUSED[what]()
    assert "\n" not in str(refusal.value)
