"""Measures of a set with intervals: laws, what stands where nothing can be computed, escapes, packages, prevalence."""

import dataclasses
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation import measured, table
from jointwise.evaluation.measured import MACRO, MICRO
from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.bootstrap import Resampling
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from tests.evaluation.test_verdicts import example


def a_set(n: int = 240, boards: int = 12, seed: int = 0) -> Verdicts:
    """Joints of several boards with every kind, two detectors, three readers, a missing ball, unknown labels."""
    rng = np.random.default_rng(seed)
    board, present = np.arange(n) % boards, np.ones(n, np.int64)
    truth = (rng.random((n, 4)) < [0.3, 0.2, 0.15, 0.15]).astype(float)
    scores = {
        who: np.round(np.clip(share * truth + rng.normal(0.3, 0.15, (n, 4)), 0, 1), 3)
        for who, share in (("learned", 0.5), ("rules", 0.3))
    }
    truth[1, 1] = np.nan
    if n > 3:
        present[3] = 0
        truth[3] = np.nan
    for score in scores.values():
        score[present == 0] = np.nan
    place = np.arange(n) // boards
    sites = pd.DataFrame(
        {
            "scan": [f"scan_{b}" for b in board],
            "board_id": [f"board_{b:02d}" for b in board],
            "component": [f"U{1 + p % 2}" for p in place],
            "ball": [f"A{i}" for i in range(n)],
            "present": present,
            "row": place // 5,
            "col": place % 5,
            "pitch_mm": np.array([0.4, 0.8])[board % 2],
            "voxels_per_ball": np.array([12.0, 25.0, 35.0])[board % 3],
            "cnr": 5.0 + 4 * board,
            "voxel_um": 20.0,
            "gap_um": np.where((truth[:, 1] == 1) | (truth[:, 3] == 1), rng.uniform(2, 60, n), np.nan),
            "void_projected_area_pct": np.where(truth[:, 0] == 1, rng.uniform(5, 40, n), 1.0),
            "kvp": 120,
        }
    )
    readers = {f"reader_{r}": np.where(rng.random((n, 4)) < 0.1, 1 - truth, truth) for r in (1, 2, 3)}
    cuts = {"learned": np.full((n, 4), 0.55), "rules": np.full((n, 4), 0.5)}
    return Verdicts("a set", "made up", sites, truth, scores, cuts, readers)


def every_table(verdicts: Verdicts) -> list[pd.DataFrame]:
    """All that the module computes."""
    weights = measured.board_weights(verdicts)
    found = measured.resampled(verdicts, weights)
    return [
        measured.measured_table(verdicts, found),
        measured.stopped_table(verdicts, weights),
        measured.package_table(verdicts),
        measured.prevalence_table(verdicts, found, dict.fromkeys(KINDS, 0.01)),
    ]


def cell(frame: pd.DataFrame, kind: str, detector: str = "learned") -> Any:
    """The one row of a kind and a detector."""
    return frame[(frame["kind"] == kind) & (frame["detector"] == detector)].iloc[0]


def changed(verdicts: Verdicts, **parts: Any) -> Verdicts:
    """The same set with other parts."""
    return dataclasses.replace(verdicts, **parts)


def test_the_measure_itself_is_the_one_without_resampling() -> None:
    """Two ways: the scalar functions of `measures`, and row 0 of the resampled counts."""
    one = a_set()
    found = measured.resampled(one, measured.board_weights(one))
    plain = table.per_kind_table(one.truth, one.present, one.scores, one.cuts)
    for row in plain.to_dict("records"):
        values = found[row["detector"]].by_kind
        for name in ("precision", "recall", "false_positive_rate", "f1", "ap", "balanced_accuracy"):
            assert values[name][0, KINDS.index(row["kind"])] == pytest.approx(row[name], abs=1e-12)


def test_every_interval_holds_its_measure_and_names_its_method() -> None:
    frame = every_table(a_set())[0]
    assert len(frame) == 2 * (len(KINDS) + 2)
    for name in ("precision", "recall", "false_positive_rate", "f1", "ap", "balanced_accuracy"):
        assert (frame[f"{name}_low"] < frame[name]).all()
        assert (frame[name] < frame[f"{name}_high"]).all()
        single = name in measured.SINGLE
        wilson = (frame[f"{name}_method"] == measured.WILSON) == (single & (frame["kind"] != MACRO))
        assert wilson.all()
    beside = frame[frame["kind"] != MACRO]
    assert (beside["recall_boards_low"] < beside["recall"]).all()
    assert (beside["recall_boards"] == beside["recall"]).all()


def test_micro_adds_counts_and_macro_takes_the_mean() -> None:
    frame = every_table(a_set())[0]
    kinds = frame[(frame["detector"] == "rules") & frame["kind"].isin(KINDS)]
    micro, macro = cell(frame, MICRO, "rules"), cell(frame, MACRO, "rules")
    assert micro["recall"] == pytest.approx(kinds["tp"].sum() / kinds["faulty"].sum())
    assert (micro["recall_low"], micro["recall_high"]) == measures.wilson(
        kinds["tp"].sum(), kinds["faulty"].sum()
    )
    assert macro["averaged"] == 4
    for name in ("precision", "recall", "f1", "ap", "balanced_accuracy"):
        assert macro[name] == pytest.approx(kinds[name].mean())


def test_neither_the_order_of_joints_nor_other_names_of_boards_change_anything() -> None:
    one = a_set()
    order = np.random.default_rng(3).permutation(len(one))
    renamed = changed(one, table=one.table.assign(board_id="new_" + one.table["board_id"]))
    for ours, shuffled, other in zip(
        every_table(one), every_table(one.take(order)), every_table(renamed), strict=True
    ):
        pd.testing.assert_frame_equal(ours, shuffled, rtol=1e-12)
        pd.testing.assert_frame_equal(ours, other)


def test_relabelling_the_kinds_moves_the_rows_and_nothing_else() -> None:
    one, order = a_set(), [2, 0, 3, 1]
    parts = {"scores": one.scores, "cuts": one.cuts, "readers": one.readers}
    moved = changed(
        one,
        truth=one.truth[:, order],
        **{name: {who: a[:, order] for who, a in part.items()} for name, part in parts.items()},
    )
    names = {KINDS[new]: KINDS[old] for new, old in enumerate(order)}
    for ours, theirs in zip(every_table(one), every_table(moved), strict=True):
        back = theirs.assign(kind=theirs["kind"].replace(names)).set_index(["kind", "detector"])
        ours = ours.set_index(["kind", "detector"])
        pd.testing.assert_frame_equal(back.loc[ours.index], ours, rtol=1e-12)


def test_detectors_see_the_same_draws_and_do_not_see_each_other() -> None:
    one = a_set()
    twins = changed(
        one,
        scores={"a": one.scores["rules"], "b": one.scores["rules"], "c": one.scores["learned"]},
        cuts={"a": one.cuts["rules"], "b": one.cuts["rules"], "c": one.cuts["learned"]},
    )
    for frame, alone in zip(every_table(twins), every_table(one), strict=True):
        rows = {who: part.drop(columns="detector") for who, part in frame.groupby("detector", sort=False)}
        mine = alone[alone["detector"] == "rules"].drop(columns="detector")
        for who in "ab":
            pd.testing.assert_frame_equal(
                rows[who].reset_index(drop=True), mine.reset_index(drop=True), check_dtype=False
            )


def test_perfect_and_useless_detectors() -> None:
    one = a_set()
    yes = np.where(np.isnan(one.truth), 0.0, one.truth)
    yes[~one.present] = np.nan
    scores = {"perfect": yes, "mute": 0 * yes, "alarm": 0 * yes + 1}
    judged = changed(one, scores=scores, cuts={who: np.full(yes.shape, 0.5) for who in scores})
    frame, stopped, packages, restated = every_table(judged)
    for kind in (*KINDS, MICRO, MACRO):
        perfect = cell(frame, kind, "perfect")
        assert perfect[["precision", "recall", "f1", "ap", "balanced_accuracy"]].tolist() == [1] * 5
        assert perfect["f1_low"] == 1
        assert cell(frame, kind, "mute")["balanced_accuracy"] == 0.5
        assert cell(frame, kind, "alarm")["balanced_accuracy"] == 0.5
        assert np.isnan(cell(frame, kind, "mute")["precision"])
        assert np.isnan(cell(frame, kind, "mute")["precision_low"])
    assert cell(frame, "void", "alarm")["ap"] == pytest.approx(cell(frame, "void", "alarm")["precision"])
    joints = cell(stopped, "any", "mute")
    assert joints["escape_ppm"] == pytest.approx(1e6 * joints["faulty"] / joints["joints"])
    assert joints["escape_ppm"] + cell(stopped, "any", "alarm")["false_call_ppm"] == pytest.approx(1e6)
    assert cell(packages, "any", "mute")["escape_share"] == 1
    assert cell(packages, "any", "perfect")["escape_packages"] == 0
    assert cell(restated, "void", "perfect")["precision"] == 1
    assert cell(restated, "void", "perfect")["precision_floor"] < 0.6, "no false call seen proves little"
    assert cell(restated, "void", "alarm")["precision"] == pytest.approx(0.01)


def test_a_kind_without_a_faulty_joint_is_not_averaged_and_says_nothing() -> None:
    one = a_set()
    truth = one.truth.copy()
    truth[:, 2] = np.where(np.isnan(truth[:, 2]), np.nan, 0)
    frame = every_table(changed(one, truth=truth))[0]
    bridging, macro = cell(frame, "bridging"), cell(frame, MACRO)
    names = ["recall", "f1", "ap", "balanced_accuracy", "recall_low", "f1_low", "ap_high"]
    assert bridging[names].isna().all()
    assert bridging["ap_left_out"] == 2000
    assert macro["averaged"] == 3
    rest = frame[(frame["detector"] == "learned") & frame["kind"].isin(set(KINDS) - {"bridging"})]
    assert macro["ap"] == pytest.approx(rest["ap"].mean())
    assert measured.too_few_to_rank(frame) == ["bridging"]


def test_replicates_without_the_one_board_that_has_the_kind_are_left_out() -> None:
    one = a_set()
    truth = one.truth.copy()
    truth[:, 3] = np.where(np.isnan(truth[:, 3]), np.nan, (one.boards == 4) & (np.arange(len(one)) % 24 == 4))
    frame = every_table(changed(one, truth=truth))[0]
    row = cell(frame, "head_in_pillow")
    # (11/12)^12 = 0.352 of the replicates miss the board.
    assert row["recall_left_out"] == row["ap_left_out"]
    assert row["ap_left_out"] / 2000 == pytest.approx(0.352, abs=0.04)
    assert cell(frame, "void")["ap_left_out"] == 0
    assert cell(frame, MACRO)["ap_left_out"] == row["ap_left_out"]


def test_few_boards_have_no_second_interval_and_one_board_none_at_all() -> None:
    few, single = every_table(a_set(boards=9))[0], every_table(a_set(boards=1))[0]
    kinds = few["kind"].isin(KINDS)
    assert few.loc[kinds, "recall_boards_low"].isna().all()
    assert few.loc[kinds, "f1_low"].notna().all()
    assert single[["f1_low", "ap_high", "balanced_accuracy_low"]].isna().all(axis=None)
    assert single.loc[single["kind"] != MACRO, "recall_low"].notna().all(), "Wilson needs no second board"


@pytest.mark.parametrize("case", ["no joints", "one joint", "all missing", "all unknown"])
def test_sets_with_next_to_nothing_in_them(case: str) -> None:
    one = a_set(24)
    part = one.take(np.arange({"no joints": 0, "one joint": 1}.get(case, 24)))
    if case == "all unknown":
        part = changed(part, truth=np.full(part.truth.shape, np.nan))
    if case == "all missing":
        gone = {who: np.full(score.shape, np.nan) for who, score in part.scores.items()}
        part = changed(
            part,
            table=part.table.assign(present=0),
            truth=np.full(part.truth.shape, np.nan),
            scores=gone,
            readers={},
        )
    frame, stopped, packages, restated = every_table(part)
    assert len(frame) == 12
    assert (frame.loc[frame["kind"].isin(KINDS), "n"] == (1 if case == "one joint" else 0)).all()
    if case != "one joint":
        assert frame[["recall", "f1", "ap", "balanced_accuracy"]].isna().all(axis=None)
        assert stopped[["escape_ppm", "false_call_rate"]].isna().all(axis=None)
        assert (packages[["faulty_packages", "sound_packages"]] == 0).all(axis=None)
        assert restated["precision"].isna().all()


def test_packages_by_hand() -> None:
    """Board 0 with U1 (an escape, a false call) and U2 (both faulty found); board 1 with U1 (sound, left alone)."""
    sites = pd.DataFrame(
        {"scan": list("aaaaab"), "board_id": list("000001"), "component": ["U1"] * 3 + ["U2"] * 2 + ["U1"]}
    ).assign(ball=list("ABCDEF"), present=1)
    truth, score = np.zeros((6, 4)), np.zeros((6, 4))
    truth[[0, 3, 4], 0] = 1
    score[[3, 4], 0] = 1
    score[1, 2] = 1
    one = Verdicts("two boards", "made up", sites, truth, {"d": score}, {"d": np.full((6, 4), 0.5)})
    frame = measured.package_table(one)
    row = cell(frame, "any", "d")
    assert row[["faulty_packages", "escape_packages", "sound_packages", "false_call_packages"]].tolist() == [
        2,
        1,
        2,
        1,
    ]
    assert (row["escape_share_low"], row["escape_share_high"]) == measures.wilson(1, 2)
    assert cell(frame, "bridging", "d")["false_call_packages"] == 1
    assert cell(frame, "void", "d")["false_call_packages"] == 0
    stopped = cell(measured.stopped_table(one, measured.board_weights(one)), "any", "d")
    assert (stopped["joints"], stopped["escape_ppm"]) == (6, pytest.approx(1e6 / 6))
    boardwise = dataclasses.replace(one, table=sites.drop(columns="component"))
    assert cell(measured.package_table(boardwise), "any", "d")["faulty_packages"] == 1


def test_precision_at_the_share_of_the_set_is_precision() -> None:
    one = a_set()
    found = measured.resampled(one, measured.board_weights(one))
    frame = measured.measured_table(one, found)
    share = {kind: cell(frame, kind)["faulty"] / cell(frame, kind)["n"] for kind in KINDS}
    restated = measured.prevalence_table(one, found, share)
    for row in restated.to_dict("records"):
        assert row["precision"] == pytest.approx(cell(frame, row["kind"], row["detector"])["precision"])
        assert row["precision_floor"] < row["precision"]
    rare = measured.prevalence_table(one, found, {"void": 0.001})
    assert cell(rare, "void")["precision"] < cell(restated, "void")["precision"]
    assert cell(rare, "void")["precision_high"] < cell(restated, "void")["precision_low"]


def test_no_call_in_vain_is_no_certainty_at_another_prevalence() -> None:
    """Of 120 sites; with 0 in vain of n the false-positive rate may be z² / (n + z²), Wilson's upper limit."""
    one = example(120)
    sure = replace(
        one,
        scores={"sure": np.where(np.isnan(one.truth), 0.0, one.truth)},
        cuts={"sure": np.full((120, 4), 0.5)},
    )
    found = measured.resampled(sure, measured.board_weights(sure))
    row = measured.prevalence_table(sure, found, {"void": 0.01}).iloc[0]
    z2 = 1.959964**2
    n, faulty = row["not_faulty"], row["faulty"]
    recall, vain = faulty / (faulty + z2), z2 / (n + z2)
    assert row["precision"] == row["precision_high"] == 1
    assert row["precision_low"] == pytest.approx(0.01 * recall / (0.01 * recall + 0.99 * vain), rel=1e-6)
    assert row["precision_method"] == "Wilson"


@pytest.mark.parametrize(
    ("given", "words"), [({"crack": 0.1}, "'crack'"), ({"void": 0.0}, "found 0"), ({"void": 1.5}, "1.5")]
)
def test_an_impossible_prevalence_is_refused(given: dict[str, float], words: str) -> None:
    one = a_set()
    with pytest.raises(InputError, match=words):
        measured.prevalence_table(one, measured.resampled(one, measured.board_weights(one)), given)


def test_draws_among_other_boards_are_refused() -> None:
    with pytest.raises(InputError, match="12 boards of a set, found 7"):
        measured.board_weights(a_set(), Resampling(7))


@pytest.mark.slow
def test_five_thousand_joints_take_a_few_seconds() -> None:
    """Processor time, so that a busy machine does not fail it; some 2 s on one core of 2024."""
    one = a_set(5000, boards=50)
    three = changed(
        one,
        scores={**one.scores, "third": one.scores["rules"]},
        cuts={**one.cuts, "third": one.cuts["rules"]},
    )
    start = time.process_time()
    every_table(three)
    assert time.process_time() - start < 8
