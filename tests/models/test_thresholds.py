"""Thresholds: the right cut by each criterion, whatever the ties, and plain numbers on the way to disk."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import f1_score

from jointwise.joints.errors import InputError
from jointwise.models.settings import ThresholdSettings
from jointwise.models.thresholds import Thresholds, choose_thresholds

F1 = ThresholdSettings()


def four(column: list[float]) -> np.ndarray:
    """The same column for each kind."""
    return np.repeat(np.asarray(column, dtype=np.float64)[:, None], 4, axis=1)


def chosen(truth: list[float], scores: list[float], rule: ThresholdSettings = F1) -> float:
    return choose_thresholds(four(truth), four(scores), rule).values[0]


def limit(share: float) -> ThresholdSettings:
    return ThresholdSettings("false_calls", share)


def test_a_separable_set_is_cut_in_the_middle_of_the_gap() -> None:
    """Not at the lowest positive score, which any noise would undercut."""
    assert chosen([0, 0, 1, 1], [0.1, 0.2, 0.8, 0.9]) == pytest.approx(0.5)


def test_a_score_of_exactly_zero_is_never_called() -> None:
    """A cut at 0 would call every joint there is."""
    assert chosen([1, 0], [0.0, 0.0]) > 0


def test_unknown_labels_do_not_count() -> None:
    """A marginal joint with a high score must not move the cut."""
    assert chosen([0, 0, 1, 1, np.nan], [0.1, 0.2, 0.8, 0.9, 0.5]) == pytest.approx(0.5)


@settings(deadline=None)
@given(st.lists(st.tuples(st.booleans(), st.integers(1, 10)), min_size=2, max_size=30))
def test_no_cut_has_a_better_f1(joints: list[tuple[bool, int]]) -> None:
    """Against scikit-learn's F1 at every score that occurs, ties and all."""
    truth, scores = np.array([y for y, _ in joints], float), np.array([s / 10 for _, s in joints])
    if not truth.any():
        return
    cut = chosen(list(truth), list(scores))
    reached = f1_score(truth, scores >= cut, zero_division=0)
    others = [f1_score(truth, scores >= s, zero_division=0) for s in {*scores, 0.5}]
    assert reached >= max(others) - 1e-12


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.booleans(), st.integers(1, 10)), min_size=2, max_size=30),
    st.sampled_from([0.0, 0.1, 0.3]),
)
def test_false_calls_stay_in_the_limit_and_the_cut_is_the_lowest(
    joints: list[tuple[bool, int]], share: float
) -> None:
    """At the next lower score that occurs the limit would be broken."""
    truth, scores = np.array([y for y, _ in joints], float), np.array([s / 10 for _, s in joints])
    sound = scores[truth == 0]
    cut = chosen(list(truth), list(scores), limit(share))
    if (sound == 1).sum() > share * len(sound):
        assert cut == 1.0  # scores of exactly 1 cannot be left uncalled
        return
    assert (sound >= cut).sum() <= share * len(sound)
    below = scores[scores < cut]
    assert not len(below) or (sound >= below.max()).sum() > share * len(sound)


def test_a_kind_nobody_has_gets_the_lowest_cut_without_false_calls() -> None:
    """F1 is not defined there; the cut must still be usable, and the card must say that it rests on none."""
    thresholds = choose_thresholds(four([0, 0, 0]), four([0.1, 0.2, 0.3]), F1)
    assert thresholds.values[0] == pytest.approx(0.65)
    assert thresholds.with_kind == (0, 0, 0, 0)
    assert thresholds.without_kind == (3, 3, 3, 3)


def test_called_is_at_or_above_and_never_for_nan() -> None:
    """The rule every table follows."""
    thresholds = Thresholds((0.5, 0.5, 0.5, 0.5), "f1", None, (1, 1, 1, 1), (1, 1, 1, 1))
    called = thresholds.called(np.array([[0.5, 0.49, np.nan, 1.0]]))
    assert called.tolist() == [[True, False, False, True]]


def test_json_round_trip_and_identity() -> None:
    """Same cuts, same name; other cuts, other name."""
    first = choose_thresholds(four([0, 1, 0]), four([0.1, 0.9, 0.3]), limit(0.02))
    again = Thresholds.from_json(json.loads(json.dumps(first.to_json())))
    assert again == first
    assert again.identity == first.identity
    assert first.identity.startswith("false_calls-")
    other = choose_thresholds(four([0, 1, 0]), four([0.1, 0.8, 0.3]), limit(0.02))
    assert other.identity != first.identity


@pytest.mark.parametrize(
    ("truth", "scores", "words"),
    [
        (four([0, 1]), four([0.1, np.nan]), "scores from 0 to 1"),
        (four([0, 1]), four([0.1, 1.2]), "scores from 0 to 1"),
        (four([np.nan, np.nan]), four([0.1, 0.2]), "known truth of void, non_wet"),
        (four([0, 1])[:, :2], four([0.1, 0.2]), r"truth and scores \(n, 4\)"),
    ],
)
def test_unusable_input_is_refused(truth: np.ndarray, scores: np.ndarray, words: str) -> None:
    """In one sentence that says what was found."""
    with pytest.raises(InputError, match=words):
        choose_thresholds(truth, scores, F1)


def test_unusable_settings_are_refused() -> None:
    """Criterion and limit by key."""
    with pytest.raises(InputError, match=r"thresholds\.criterion"):
        ThresholdSettings("best")
    with pytest.raises(InputError, match=r"thresholds\.false_calls"):
        ThresholdSettings("false_calls", 1.0)
