"""Parted, whichever way: called where the sum leaves no doubt, under the likelier name, and nowhere else."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.models.parted import WAYS, parted_score, parted_truth
from jointwise.models.settings import ThresholdSettings
from jointwise.models.thresholds import Thresholds, choose_thresholds

OPEN, PILLOW = WAYS
CUTS = (0.5, 0.4, 0.5, 0.6)
ONE = pd.DataFrame(index=[0])


def thresholds(parted: tuple[float, ...] = (0.7,)) -> Thresholds:
    return Thresholds((CUTS,), "f1", None, ((1,) * 4,), ((1,) * 4,), parted=parted)


def scores(non_wet: float, pillow: float) -> np.ndarray:
    return np.array([[0.1, non_wet, 0.1, pillow]])


def named(non_wet: float, pillow: float, parted: tuple[float, ...] = (0.7,)) -> list[str]:
    called = thresholds(parted).called(scores(non_wet, pillow), ONE)[0]
    return [kind for kind, yes in zip(KINDS, called, strict=True) if yes]


def test_split_belief_is_called_by_its_likelier_name() -> None:
    """Each below its own cut, together beyond the cut on the sum."""
    assert named(0.35, 0.55) == ["head_in_pillow"]
    assert named(0.39, 0.36) == ["non_wet"]
    assert named(0.39, 0.39) == ["non_wet"]
    assert named(0.3, 0.35) == []
    assert named(0.35, 0.55, parted=()) == []


def test_where_a_way_is_called_the_other_is_held_to_its_own_cut() -> None:
    """The sum would be reached a hundred times over."""
    assert named(0.45, 0.59) == ["non_wet"]
    assert named(0.1, 0.9) == ["head_in_pillow"]


@settings(deadline=None)
@given(st.lists(st.tuples(*[st.floats(0, 1)] * 4), min_size=1, max_size=20), st.floats(0.05, 1))
def test_called_follows_the_definition(rows: list[tuple[float, ...]], cut: float) -> None:
    """Written out joint by joint, away from the rounding of the sum at its cut."""
    p = np.array(rows)
    rule, table = thresholds((cut,)), pd.DataFrame(index=range(len(rows)))
    called, unsure = rule.called(p, table), rule.unsure_which(p, table)
    cuts = rule.cuts(table, p)
    assert ((p >= cuts) == called).all()
    assert (cuts <= np.array(CUTS)).all()
    assert (cuts > 0).all()
    for row, found, either in zip(p, called, unsure, strict=True):
        expected = row >= np.array(CUTS)
        total = row[OPEN] + row[PILLOW]
        if abs(total - cut) < 1e-9:
            continue
        sum_alone = not expected[list(WAYS)].any() and total >= cut
        if sum_alone:
            expected[OPEN if row[OPEN] >= row[PILLOW] else PILLOW] = True
        assert (found == expected).all()
        assert either == sum_alone


def test_nothing_is_said_of_joints_without_scores() -> None:
    """A site without a ball has NaN everywhere."""
    none = np.full((1, 4), np.nan)
    assert not thresholds().called(none, ONE).any()
    assert not thresholds().unsure_which(none, ONE).any()


def test_truth_is_open_only_where_a_way_is_open_and_the_other_absent() -> None:
    """A marginal pillow that is surely no non-wet may or may not be parted."""
    truth = np.zeros((4, 4))
    truth[1, OPEN], truth[2, PILLOW] = 1, np.nan
    truth[3, OPEN], truth[3, PILLOW] = 1, np.nan
    assert parted_truth(truth).tolist() == pytest.approx([0, 1, np.nan, 1], nan_ok=True)


def split_belief() -> tuple[np.ndarray, np.ndarray]:
    """120 sound joints, 40 of either way surely so, and 20 pillows whose belief is split."""
    random = np.random.default_rng(3)
    p, truth = random.uniform(0, 0.15, (220, 4)), np.zeros((220, 4))
    truth[120:160, OPEN], truth[160:, PILLOW] = 1, 1
    truth[:30, 0], truth[30:60, 2] = 1, 1
    p[120:160, OPEN] = p[160:200, PILLOW] = random.uniform(0.8, 0.95, 40)
    p[200:, OPEN], p[200:, PILLOW] = 0.35, random.uniform(0.36, 0.4, 20)
    # Other joints that are none of the kind stand just as high: no cut of either kind alone is right.
    p[60:90, OPEN], p[90:120, PILLOW] = 0.42, 0.42
    return truth, p


@pytest.mark.parametrize("criterion", ["f1", "false_calls", "guarded_f1"])
def test_the_chosen_cut_finds_split_belief_without_false_calls(criterion: str) -> None:
    """Validation decides between 0.57, the highest sum of joints that are not parted, and 0.71."""
    truth, p = split_belief()
    table = pd.DataFrame({"cnr": np.full(len(p), 20.0)})
    rule = choose_thresholds(truth, p, ThresholdSettings(criterion, 0.0), table)
    called = rule.called(p, table)
    assert rule.parted[0] <= 0.71
    assert called[200:, PILLOW].all()
    assert not called[:120, list(WAYS)].any()
    assert rule.unsure_which(p, table).tolist() == [False] * 200 + [True] * 20
    assert parted_score(p)[:120].max() < rule.parted[0]


@pytest.mark.parametrize("criterion", ["f1", "false_calls", "guarded_f1", "recall_first"])
def test_the_cut_on_the_sum_is_never_below_that_of_one_way(criterion: str) -> None:
    """Or it would be a lower cut for one way by another name."""
    random = np.random.default_rng(8)
    truth = (random.integers(0, 6, 600)[:, None] == np.arange(4)).astype(float)
    p = 1 / (1 + np.exp(-(random.normal(0, 1, (600, 4)) + 2 * (2 * truth - 1))))
    rule = choose_thresholds(truth, p, ThresholdSettings(criterion, 0.05))
    assert rule.parted[0] >= max(rule.values[0][way] for way in WAYS)


def test_without_the_rule_cards_are_those_of_before_and_with_it_they_come_back() -> None:
    """An old card has no such key, and then nothing is eased."""
    truth, p = split_belief()
    old = choose_thresholds(truth, p, ThresholdSettings(parted=False))
    new = choose_thresholds(truth, p, ThresholdSettings())
    assert "parted" not in json.dumps(old.to_json())
    assert Thresholds.from_json(old.to_json()).parted == ()
    assert Thresholds.from_json(json.loads(json.dumps(new.to_json()))) == new
    assert new.values == old.values
    assert new.identity != old.identity


@pytest.mark.parametrize("parted", [(0.0,), (2.5,), (0.5, 0.5)])
def test_a_cut_that_is_none_is_refused(parted: tuple[float, ...]) -> None:
    """One for each class of noise, above 0 and at most the sum of two certain scores."""
    with pytest.raises(InputError, match="parted joints"):
        thresholds(parted)
