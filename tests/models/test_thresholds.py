"""Thresholds: the right cut by each criterion, whatever the ties, and plain numbers on the way to disk."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import f1_score

from jointwise.joints.errors import InputError
from jointwise.models.settings import ThresholdSettings
from jointwise.models.thresholds import NEAR_PCT, Thresholds, choose_thresholds, plainly_sound

F1 = ThresholdSettings()


def four(column: list[float]) -> np.ndarray:
    """The same column for each kind."""
    return np.repeat(np.asarray(column, dtype=np.float64)[:, None], 4, axis=1)


def chosen(truth: list[float], scores: list[float], rule: ThresholdSettings = F1) -> float:
    return choose_thresholds(four(truth), four(scores), rule).values[0][0]


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
    assert thresholds.values[0][0] == pytest.approx(0.65)
    assert thresholds.with_kind == ((0, 0, 0, 0),)
    assert thresholds.without_kind == ((3, 3, 3, 3),)


def test_called_is_at_or_above_and_never_for_nan() -> None:
    """The rule every table follows."""
    thresholds = Thresholds(((0.5,) * 4,), "f1", None, ((1,) * 4,), ((1,) * 4,))
    called = thresholds.called(np.array([[0.5, 0.49, np.nan, 1.0]]), pd.DataFrame(index=[0]))
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


def of_noise(noise: np.ndarray) -> pd.DataFrame:
    """Rows of joints with that noise in units of the contrast; NaN where it is not known."""
    with np.errstate(divide="ignore"):
        return pd.DataFrame({"cnr": 1 / noise})


def two_classes() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Truth, scores and noise: 100 clean and 100 noisy joints, sound ones up to 0.1 and up to 0.6, faulty ones 0.9."""
    truth = np.tile(np.r_[np.zeros(80), np.ones(20)], 2)
    clean, noisy = (np.r_[np.linspace(0, top, 80), np.full(20, 0.9)] for top in (0.1, 0.6))
    return truth, np.r_[clean, noisy], np.r_[np.full(100, 0.02), np.full(100, 0.2)]


def test_one_class_is_as_if_noise_were_not_known() -> None:
    """Same cuts, same name, and the JSON that versions without classes wrote and read."""
    truth, scores, noise = two_classes()
    for rule in (replace(F1, parted=False), replace(limit(0.02), parted=False)):
        bare = choose_thresholds(four(truth), four(scores), rule)
        told = choose_thresholds(four(truth), four(scores), rule, of_noise(noise))
        assert told == bare
        assert told.identity == bare.identity
        assert set(told.to_json()) == {"criterion", "false_calls", "values", "with_kind", "without_kind"}


def test_each_class_of_noise_has_the_cut_of_its_own_joints() -> None:
    """80 sound joints, none called: midway from the highest of them to 0.9, for the clean (0.1) and the noisy (0.6)."""
    truth, scores, noise = two_classes()
    rule = ThresholdSettings("false_calls", 0.0, noise_classes=2, least_sound=80)
    found = choose_thresholds(four(truth), four(scores), rule, of_noise(noise))
    assert found.edges == pytest.approx((0.11,))
    assert [row[0] for row in found.values] == pytest.approx([0.5, 0.75])
    assert found.with_kind == ((20,) * 4,) * 2
    assert found.without_kind == ((80,) * 4,) * 2
    asked = of_noise(np.array([0.0, 0.02, 0.2, 7.0, np.nan]))
    assert found.classes(asked).tolist() == [0, 0, 1, 1, 1]  # noisier than all, or not known: the noisiest
    assert found.cuts(asked)[:, 3] == pytest.approx([0.5, 0.5, 0.75, 0.75, 0.75])
    assert found.called(four([0.6] * 5), asked)[:, 0].tolist() == [True, True, False, False, False]
    assert found.classes(pd.DataFrame(index=[0])).tolist() == [1]
    again = Thresholds.from_json(json.loads(json.dumps(found.to_json())))
    assert again == found
    assert again.identity == found.identity
    assert found.identity != choose_thresholds(four(truth), four(scores), limit(0.0)).identity


def test_classes_with_few_sound_joints_are_merged() -> None:
    """81 are asked for and each has 80; of three classes the middle one joins the weaker neighbour."""
    truth, scores, noise = two_classes()
    rule = ThresholdSettings("false_calls", 0.0, noise_classes=2, least_sound=81)
    assert choose_thresholds(four(truth), four(scores), rule, of_noise(noise)).edges == ()
    truth, scores = np.r_[np.zeros(290), np.ones(10)], np.linspace(0, 1, 300)
    noise = np.r_[np.full(100, 0.01), np.full(100, 0.02), np.full(100, 0.03)]
    truth[100:150] = np.nan  # unknown, so not sound: 100, 50 and 90 sound joints are left
    rule = ThresholdSettings("false_calls", 0.0, noise_classes=3, least_sound=60)
    found = choose_thresholds(four(truth), four(scores), rule, of_noise(noise))
    assert found.edges == pytest.approx((0.015,))
    assert found.without_kind == ((100,) * 4, (140,) * 4)


def test_scans_without_noise_are_a_class_and_unknown_noise_is_the_noisiest() -> None:
    """Infinite cnr stands for no noise."""
    truth, scores, noise = two_classes()
    noise[:100], noise[150:] = 0.0, np.nan
    rule = ThresholdSettings("false_calls", 0.0, noise_classes=2, least_sound=10)
    found = choose_thresholds(four(truth), four(scores), rule, of_noise(noise))
    assert found.edges == pytest.approx((0.1,))
    assert found.with_kind == ((20,) * 4, (20,) * 4)


def test_nothing_below_the_floor_is_called() -> None:
    """A clean scan: every sound joint scores 0.001, the lowest cut within the limit is 0.0255."""
    truth, scores = [0.0] * 50 + [1.0], [0.001] * 50 + [0.05]
    assert chosen(truth, scores, limit(0.0)) == pytest.approx(0.0255)
    assert chosen(truth, scores, ThresholdSettings("false_calls", 0.0, floor=0.3)) == 0.3
    assert chosen(truth, [0.001] * 50 + [0.99], ThresholdSettings("f1", floor=0.3)) == pytest.approx(0.4955)
    with_floor = choose_thresholds(four(truth), four(scores), ThresholdSettings(floor=0.3))
    assert Thresholds.from_json(json.loads(json.dumps(with_floor.to_json()))) == with_floor


def test_the_guard_raises_the_cut_of_f1_to_what_the_limit_allows() -> None:
    """Sound joints at 0.05, 0.15 … 0.95, faulty ones from 0.12 on: F1 alone calls nine of the ten sound ones."""
    sound = [0.05 + 0.1 * i for i in range(10)]
    truth, scores = [0.0] * 10 + [1.0] * 30, sound + list(np.linspace(0.12, 0.98, 30))
    assert chosen(truth, scores) == pytest.approx((0.05 + 0.12) / 2)
    for share, called in ((0.0, 0), (0.1, 1), (0.25, 2), (0.3, 3)):
        cut = chosen(truth, scores, ThresholdSettings("guarded_f1", share))
        below = max(s for s in scores if s < cut)
        assert sum(s >= cut for s in sound) == called
        assert sum(s >= below for s in sound) > share * 10  # the next lower cut would break the limit
    assert chosen(truth, scores, ThresholdSettings("guarded_f1", 0.9)) == chosen(truth, scores)
    assert chosen(truth, scores, ThresholdSettings("guarded_f1", 0.0, floor=0.99)) == 0.99


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.booleans(), st.integers(1, 9)), min_size=2, max_size=30),
    st.sampled_from([0.0, 0.1, 0.3]),
)
def test_a_cut_of_f1_within_the_limit_stays_and_others_rise_to_the_lowest_within(
    joints: list[tuple[bool, int]], share: float
) -> None:
    """Whatever the ties; every joint has all kinds or none, so the sound ones are those without."""
    truth, scores = np.array([y for y, _ in joints], float), np.array([s / 10 for _, s in joints])
    sound = scores[truth == 0]
    best = chosen(list(truth), list(scores))
    cut = chosen(list(truth), list(scores), ThresholdSettings("guarded_f1", share))
    if (sound >= best).sum() <= share * len(sound):
        assert cut == best
    else:
        assert cut > best
        assert (sound >= cut).sum() <= share * len(sound) < (sound >= scores[scores < cut].max()).sum()


def test_the_guard_counts_sound_joints_alone_and_spares_near_voids() -> None:
    """Joints with another kind, and sound ones with a void of 4 %, may be called void; for other kinds they count."""
    assert NEAR_PCT < 4 < 5
    truth, scores = np.zeros((30, 4)), np.full((30, 4), 0.1)
    truth[:10, 0], scores[:10] = 1, 0.9
    scores[10], scores[11] = 0.95, 0.8
    truth[11, 2] = 1
    area = np.r_[np.full(10, 10.0), 4.0, np.zeros(19)]
    rule = ThresholdSettings("guarded_f1", 0.0)
    near = choose_thresholds(truth, scores, rule, pd.DataFrame({"void_projected_area_pct": area})).values[0]
    assert near[0] == choose_thresholds(truth, scores, F1).values[0][0] == pytest.approx((0.8 + 0.9) / 2)
    assert near[1:] == pytest.approx([0.975] * 3)
    for table in (None, pd.DataFrame({"void_projected_area_pct": np.where(area == 4, 2.0, area)})):
        assert choose_thresholds(truth, scores, rule, table).values[0] == pytest.approx([0.975] * 4)


def test_without_sound_joints_there_is_no_guard() -> None:
    """Every joint has some fault: the cut is that of F1, low as it is."""
    truth, scores = np.zeros((8, 4)), np.full((8, 4), 0.01)
    truth[:4, 0] = truth[4:, 1] = 1
    scores[:4, 0] = scores[4:, 1] = 0.05
    found = choose_thresholds(truth, scores, ThresholdSettings("guarded_f1", 0.0)).values[0]
    assert found == choose_thresholds(truth, scores, F1).values[0]
    assert found[:2] == pytest.approx([0.03] * 2)


def test_plainly_sound_is_without_any_fault_known_and_without_a_near_void() -> None:
    """Six joints: sound, near, a little void, one kind unknown, faulty; a void nobody measured does not spare."""
    truth = np.zeros((6, 4))
    truth[3, 1], truth[4, 3] = np.nan, 1
    table = pd.DataFrame({"void_projected_area_pct": [0.0, 4.9, 2.9, 0.0, 0.0, np.nan]})
    sound = np.array([True, True, True, False, False, True])
    np.testing.assert_array_equal(plainly_sound(truth, table)[:, 0], sound & [1, 0, 1, 1, 1, 1])
    for found in (plainly_sound(truth, None), plainly_sound(truth, table)[:, 1:]):
        np.testing.assert_array_equal(found, np.repeat(sound[:, None], found.shape[1], axis=1))


@pytest.mark.parametrize("edges", [(0.1, 0.1), (0.1,), (-1.0, 0.1), (0.1, np.inf), (np.nan, 0.1)])
def test_classes_without_order_are_refused(edges: tuple[float, ...]) -> None:
    """From a damaged card, say."""
    with pytest.raises(InputError, match="of 3 noise classes with rising noise"):
        Thresholds(((0.5,) * 4,) * 3, "f1", None, ((1,) * 4,) * 3, ((1,) * 4,) * 3, edges)


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
    for key, value in (("floor", 1.0), ("noise_classes", 0), ("least_sound", 0)):
        with pytest.raises(InputError, match=rf"thresholds\.{key}"):
            ThresholdSettings(**{key: value})
