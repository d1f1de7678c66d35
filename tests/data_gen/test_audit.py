"""The shortcut audit. Guards: leaks that are not found, blameless features that fail, intervals of the wrong width."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from jointwise.data_gen import audit as au
from jointwise.data_gen import nuisances as nu
from jointwise.data_gen.audit import (
    audit,
    bootstrap_interval,
    clustered_auc,
    expected_half_width,
    single_features,
)
from jointwise.data_gen.drawing.joint import draw_fault
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.nuisances import drawn_board, filled, numbers, stored_board, usable
from jointwise.data_gen.scan import board_pose, joint_table
from jointwise.data_gen.settings import FamilySettings, GeneratorSettings
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.joints.kinds import KINDS

SETTINGS = GeneratorSettings(family=FamilySettings(rows=(2, 2), cols=(2, 3)))
BOARDS, EACH = 200, 40


def made(leak: float, seed: int = 0) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Features and labels of which only `leaky` may move the first label; one feature is common to a board."""
    rng = np.random.default_rng(seed)
    n = BOARDS * EACH
    features = pd.DataFrame(rng.normal(size=(n, 6)), columns=[f"scanner.a{i}" for i in range(6)])
    features["joint.leaky"] = rng.normal(size=n)
    features["board.height"] = np.repeat(rng.normal(size=BOARDS), EACH)
    truth = (rng.random((n, len(KINDS))) < 0.2).astype(float)
    truth[:, 0] = rng.random(n) < 0.2 + leak * np.sign(features["joint.leaky"])
    truth[rng.random(truth.shape) < 0.02] = np.nan
    return features, truth, np.repeat([f"b{i:03d}" for i in range(BOARDS)], EACH)


@pytest.mark.slow
def test_a_leak_fails_and_is_named_and_blameless_labels_pass() -> None:
    features, truth, boards = made(leak=0.06, seed=0)
    table = audit({"nuisances": features}, truth, boards, barred=("nuisances",))
    assert set(table.loc[table["kind"] == "void", "verdict"]) == {"fail"}
    assert set(table.loc[table["kind"] != "void", "verdict"]) == {"pass"}
    alone = single_features(features, truth, boards)
    assert alone.loc[alone["leak"], ["kind", "feature"]].to_numpy().tolist() == [["void", "joint.leaky"]]


@pytest.mark.slow
def test_few_joints_never_pass_and_unbarred_sets_are_only_reported() -> None:
    features, truth, boards = made(leak=0.0)
    few = boards < "b040"
    table = audit({"a": features[few], "b": features[few]}, truth[few], boards[few], barred=("a",))
    assert set(table.loc[table["features"] == "a", "verdict"]) == {"too few"}
    assert set(table.loc[table["features"] == "b", "verdict"]) == {"reported"}


def test_pooled_folds_do_not_push_a_blameless_auc_below_a_half() -> None:
    """A constant feature carries nothing: with pairs within folds its AUC is 0.5 exactly, pooled it is not."""
    _, truth, boards = made(leak=0.0)
    known = ~np.isnan(truth[:, 0])
    faulty, group = truth[known, 0] > 0.5, np.unique(boards[known], return_inverse=True)[1]
    fold = au.board_folds(boards[known], 0)
    scores = au.held_out_scores(au.classifiers()["logistic"], np.ones((known.sum(), 1)), faulty, fold)
    assert bootstrap_interval(*au.pair_counts(scores, faulty, group, fold), seed=0) == (0.5, 0.5, 0.5)
    assert clustered_auc(scores, faulty, boards[known])[0] < 0.495


def test_bootstrap_and_closed_form_agree_and_know_that_boards_are_clusters() -> None:
    rng = np.random.default_rng(1)
    board = np.repeat(np.arange(120), 20)
    faulty = rng.random(2400) < np.repeat(rng.beta(1.0, 4.0, 120), 20)
    score = np.repeat(rng.normal(size=120), 20) + rng.normal(size=2400)
    auc, se = clustered_auc(score, faulty, board)
    found = bootstrap_interval(*au.pair_counts(score, faulty, board, np.zeros(2400, int)), seed=2)
    assert found[0] == pytest.approx(auc, abs=1e-12)
    assert (found[2] - found[1]) / (2 * 1.96) == pytest.approx(se, rel=0.1)
    alone = expected_half_width(2400, float(faulty.mean())) / 1.96
    assert se > 1.5 * alone
    assert clustered_auc(score, faulty, np.arange(2400))[1] == pytest.approx(alone, rel=0.05)


def test_drawn_and_stored_joints_give_the_same_numbers() -> None:
    drawn = drawn_board(SETTINGS, 3, 0, 0.004)
    record = draw_scan(SETTINGS, 3, 0)
    scene = build_scene(record)
    table = joint_table(record, scene, board_pose(record, scene), None)
    stored = stored_board(table)
    pd.testing.assert_frame_equal(stored.nuisances, drawn.nuisances)
    assert stored.truth["ball"].tolist() == drawn.truth["ball"].tolist()


def test_a_board_that_cannot_be_built_is_drawn_anew(monkeypatch) -> None:
    """As in a store; it used to end the audit with an error."""
    tried = []

    def fails_first(record):
        tried.append(record)
        if len(tried) == 1:
            raise Infeasible("its metal does not settle")
        return build_scene(record)

    monkeypatch.setattr(nu, "build_scene", fails_first)
    drawn = drawn_board(SETTINGS, 3, 0, 0.004)
    assert tried[1] == draw_scan(SETTINGS, 3, 0, attempt=1) != tried[0]
    assert len(drawn.truth) == len(tried[1].kept)


def test_nothing_that_a_fault_brings_along_is_a_nuisance() -> None:
    record = draw_scan(SETTINGS, 3, 1)
    joint = record.joints[0]
    sure = dataclasses.replace(SETTINGS.defects, head_in_pillow=1.0, non_wet=0.0, missing=0.0)
    faulty = draw_fault(np.random.default_rng(0), sure, joint, record.board)
    assert any(gap.place == "interface" for gap in faulty.gaps)
    one, other = (nu._of_joint(j, record.board) for j in (joint, faulty))
    assert {k: v for k, v in one.items() if "waist" not in k} == {
        k: v for k, v in other.items() if "waist" not in k
    }


def test_absence_tells_nothing_once_features_are_filled() -> None:
    gaps = pd.DataFrame(
        {"joint.waist.level": [0.3, np.nan] * 500, "scanner.storage=uint8": [1.0, np.nan] * 500}
    )
    gaps["constant"] = 1.0
    done = filled(gaps, 0)
    assert list(done) == ["scanner.storage=uint8"]  # the rest has one value only
    assert set(done["scanner.storage=uint8"]) == {0.0, 1.0}
    rng = np.random.default_rng(0)
    level = pd.DataFrame({"joint.waist.level": np.where(np.arange(4000) % 2, rng.random(4000), np.nan)})
    value = filled(level, 0)["joint.waist.level"].to_numpy()
    assert abs(clustered_auc(value, np.arange(4000) % 2 == 0, np.arange(4000))[0] - 0.5) < 0.03


def test_what_makes_a_label_is_left_out_for_that_label_alone() -> None:
    columns = ["voids.count", "bulges.count", "scanner.kvp"]
    assert usable(columns, "void") == ["bulges.count", "scanner.kvp"]
    assert usable(columns, "bridging") == ["voids.count", "scanner.kvp"]
    assert usable(columns, "non_wet") == columns
    assert numbers({"traces": ({"width_mm": 1.0},), "noise_seed": 3}, "board") == {"board.traces.count": 1.0}
