"""Recall first: the joint limit holds, nothing is given away, and the card says what the cuts are for."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jointwise.joints.errors import InputError
from jointwise.models.parted import WAYS
from jointwise.models.recall_first import share_cuts, share_cuts_parted
from jointwise.models.settings import ThresholdSettings
from jointwise.models.thresholds import Thresholds, choose_thresholds


def drawn(seed: int, n: int = 300, apart: float = 1.5) -> tuple[np.ndarray, np.ndarray]:
    """Truth and scores of joints with at most one kind; sound and faulty ones overlap."""
    random = np.random.default_rng(seed)
    kind = random.integers(0, 8, n)
    truth = (kind[:, None] == np.arange(4)).astype(float)
    return truth, 1 / (1 + np.exp(-(random.normal(0, 1, (n, 4)) + apart * (2 * truth - 1))))


def called(truth: np.ndarray, scores: np.ndarray, cuts: tuple[float, ...]) -> int:
    return int((scores[(truth == 0).all(axis=1)] >= cuts).any(axis=1).sum())


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 1000), st.sampled_from([0.0, 0.02, 0.05, 0.2]))
def test_sound_joints_called_for_any_kind_stay_within_the_limit(seed: int, limit: float) -> None:
    """Not kind by kind: four kinds at the limit would call up to four times as many."""
    truth, scores = drawn(seed)
    assert (
        called(truth, scores, share_cuts(truth, scores, limit, 0.0)) <= limit * (truth == 0).all(axis=1).sum()
    )


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 1000))
def test_no_single_kind_could_come_down_further(seed: int) -> None:
    """Each kind's next faulty joint lies below so many sound ones that the limit would break."""
    truth, scores = drawn(seed)
    cuts, limit = share_cuts(truth, scores, 0.05, 0.0), 0.05 * (truth == 0).all(axis=1).sum()
    for k in range(4):
        missed = scores[(truth[:, k] == 1) & (scores[:, k] < cuts[k]), k]
        if len(missed):
            lower = tuple(missed.max() if j == k else cut for j, cut in enumerate(cuts))
            assert called(truth, scores, lower) > limit


@pytest.mark.parametrize("seed", range(6))
def test_mean_recall_is_near_the_best_there_is(seed: int) -> None:
    """Against every choice of cuts on a small set; steps may end a joint or two off the best."""
    truth, scores = drawn(seed, 60, 1.0)
    limit = 0.1
    budget = limit * (truth == 0).all(axis=1).sum()

    def recall(cuts: tuple[float, ...]) -> float:
        return float(np.mean([(scores[truth[:, k] == 1, k] >= cuts[k]).mean() for k in range(4)]))

    faulty = [[*scores[truth[:, k] == 1, k], 2.0] for k in range(4)]
    best = max(recall(cuts) for cuts in itertools.product(*faulty) if called(truth, scores, cuts) <= budget)
    assert best - 0.08 <= recall(share_cuts(truth, scores, limit, 0.0)) <= best + 1e-12


def test_a_kind_that_costs_nothing_comes_down_and_one_that_costs_stays_up() -> None:
    """The limit goes to the kind that finds most for it, the floor holds for the one that is free."""
    truth, scores = np.zeros((120, 4)), np.full((120, 4), 0.01)
    truth[100:110, 0], truth[110:, 2] = 1, 1
    scores[:100, 0] = np.linspace(0.1, 0.9, 100)
    scores[100:110, 0], scores[110:, 2] = 0.5, 0.2
    cuts = share_cuts(truth, scores, 0.02, 0.15)
    assert cuts[2] == 0.15
    assert cuts[0] > 0.88


def split(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """As drawn, but belief in half of the parted joints is split between both ways."""
    truth, scores = drawn(seed, 1200, 2.0)
    parted = np.flatnonzero(truth[:, WAYS].any(axis=1))[::2]
    scores[np.ix_(parted, WAYS)] = 0.45 + 0.01 * truth[np.ix_(parted, WAYS)]
    return truth, scores


@pytest.mark.parametrize("seed", range(4))
def test_split_belief_costs_nothing_where_both_ways_are_one_kind(seed: int) -> None:
    """The sum is as sure as a single way is; alone, each way would have to come down to 0.46 and call sound joints."""
    truth, scores = split(seed)
    cuts, parted = share_cuts_parted(truth, scores, 0.02, 0.3)
    assert cuts[WAYS[0]] == cuts[WAYS[1]] == min(parted, 1.0)
    assert cuts[WAYS[0]] > 0.46
    rule = choose_thresholds(truth, scores, ThresholdSettings("recall_first", 0.02, 0.3))
    alone = choose_thresholds(truth, scores, ThresholdSettings("recall_first", 0.02, 0.3, parted=False))
    table = pd.DataFrame(index=range(len(truth)))
    way, sound = truth[:, WAYS] == 1, (truth == 0).all(axis=1)
    found, before = (one.called(scores, table)[:, WAYS][way].mean() for one in (rule, alone))
    assert found > before + 0.2
    assert not rule.called(scores, table)[:, WAYS][way[:, ::-1]].any()
    assert rule.called(scores, table)[sound].any(axis=1).mean() <= 0.02


def test_the_limit_holds_in_each_class_of_noise_with_the_rule_on_both_ways() -> None:
    """Parted joints spend what is left, not more."""
    truth, scores = drawn(5, 1200)
    table = pd.DataFrame({"cnr": np.where(np.arange(1200) % 2, 10.0, 100.0)})
    rule = choose_thresholds(truth, scores, ThresholdSettings("recall_first", 0.05, 0.0, 2, 100), table)
    assert len(rule.values) == 2
    assert len(rule.parted) == 2
    sound = (truth == 0).all(axis=1)
    for one in range(2):
        part = sound & (rule.classes(table) == one)
        share = rule.called(scores, table)[part].any(axis=1).mean()
        assert 0.03 < share <= 0.05
    assert rule.purpose == (
        "recall first: find as much as a limit allows, at most 5 % of the sound joints called at all, "
        "on validation joints"
    )


def near_voids() -> tuple[np.ndarray, np.ndarray, pd.DataFrame]:
    """Sound joints, one in ten of which has a void of 4.5 % and as high a score as those of 6 %; a few gaps besides."""
    random = np.random.default_rng(3)
    truth, scores = np.zeros((1300, 4)), random.uniform(0.0, 0.4, (1300, 4))
    truth[1000:1200, 0], truth[1200:, 1] = 1, 1
    area = np.concatenate([np.full(900, 1.0), np.full(100, 4.5), np.full(200, 6.0), np.full(100, 0.0)])
    scores[900:1200, 0], scores[1200:, 1] = random.uniform(0.5, 0.9, 300), random.uniform(0.3, 0.9, 100)
    return truth, scores, pd.DataFrame({"void_projected_area_pct": area})


def test_calls_within_the_guard_band_of_a_void_do_not_count_and_others_do() -> None:
    truth, scores, table = near_voids()
    strict, guarded = (
        choose_thresholds(truth, scores, ThresholdSettings("recall_first", 0.02, void_guard=guard), table)
        for guard in (0.0, 1.0)
    )
    sound, near = (truth == 0).all(axis=1), table["void_projected_area_pct"].to_numpy() == 4.5
    found = guarded.called(scores, table)
    assert found[truth[:, 0] == 1, 0].all()  # strictly a dozen near voids would use the limit up
    assert strict.called(scores, table)[truth[:, 0] == 1, 0].mean() < 0.3
    assert strict.called(scores, table)[sound].any(axis=1).mean() <= 0.02
    counted = found.copy()
    counted[near, 0] = False
    assert 0.01 < counted[sound].any(axis=1).mean() <= 0.02
    # A near void that is called parted counts like any other joint.
    scores[near, 1] = 0.95
    again = choose_thresholds(truth, scores, ThresholdSettings("recall_first", 0.02, void_guard=1.0), table)
    assert again.called(scores, table)[near, 1].sum() <= 0.02 * sound.sum()


def test_the_guard_band_stands_in_the_purpose_and_in_the_card() -> None:
    truth, scores, table = near_voids()
    rule = choose_thresholds(truth, scores, ThresholdSettings("recall_first", 0.02, void_guard=1.0), table)
    assert rule.purpose == (
        "recall first: find as much as a limit allows, at most 2 % of the sound joints called at all "
        "(calls of voids of 4 to 5 % of the area not counted), on validation joints"
    )
    assert Thresholds.from_json(rule.to_json()) == rule
    without = choose_thresholds(truth, scores, ThresholdSettings("recall_first", 0.02), table)
    assert "void_guard" not in without.to_json()
    with pytest.raises(InputError, match="expected validation joints with void_projected_area_pct"):
        choose_thresholds(truth, scores, ThresholdSettings("recall_first", 0.02, void_guard=1.0), table[[]])


@pytest.mark.parametrize(("criterion", "guard"), [("f1", 1.0), ("recall_first", 2.1), ("recall_first", -0.5)])
def test_a_guard_band_is_narrow_and_belongs_to_recall_first(criterion: str, guard: float) -> None:
    with pytest.raises(InputError, match="void_guard: expected 0 to 2 points"):
        ThresholdSettings(criterion, 0.02, void_guard=guard)
