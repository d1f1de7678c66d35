"""Parts of a set: where a joint falls, what is counted there, and which joints are sound beside them."""

import dataclasses
import json

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.measured import board_weights
from jointwise.evaluation.slices import Slicing, slice_table, slicings
from jointwise.evaluation.statistics.measures import wilson
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from tests.evaluation.test_measured import a_set

VOID, NON_WET, BRIDGING, PILLOW = range(4)


def by(verdicts: Verdicts, name: str) -> Slicing:
    """The one slicing of a name."""
    return next(one for one in slicings(verdicts) if one.name == name)


def placed(verdicts: Verdicts, name: str, kind: int = 0) -> list[str]:
    """Each joint's part in words; `-` for none."""
    one = by(verdicts, name)
    return [one.labels[part] if part >= 0 else "-" for part in one.place[:, kind]]


def with_columns(verdicts: Verdicts, **columns: object) -> Verdicts:
    """The same set with other columns."""
    return dataclasses.replace(verdicts, table=verdicts.table.assign(**columns))


def test_every_column_that_is_there_gives_a_slicing() -> None:
    one = a_set()
    assert [each.name for each in slicings(one)] == [
        "pitch",
        "voxels_per_ball",
        "cnr",
        "gap",
        "void",
        "position",
        "kvp",
        "readers",
    ]
    bare = dataclasses.replace(
        one, table=one.table[["scan", "board_id", "ball", "present"]], readers={"reader_1": one.truth}
    )
    assert slicings(bare) == []


def test_gaps_are_cut_in_voxels_and_borders_belong_below() -> None:
    one = a_set(8)
    gap = np.array([10.0, 10.1, 20, 30, 40, 41, np.nan, 0])
    for kind in (NON_WET, PILLOW):
        assert placed(with_columns(one, gap_um=gap), "gap", kind) == [
            "≤ 0.5",
            "0.5–1",
            "0.5–1",
            "1–2",
            "1–2",
            "> 2",
            "-",
            "≤ 0.5",
        ]
    assert set(placed(with_columns(one, gap_um=gap), "gap", VOID)) == {"-"}


def test_pitches_go_to_the_nearest_in_use() -> None:
    found = placed(with_columns(a_set(5), pitch_mm=[0.41, 0.66, 0.79, 1.27, np.nan]), "pitch")
    assert found == ["0.40 mm", "0.65 mm", "0.80 mm", "1.27 mm", "-"]


def test_places_in_the_array_count_missing_balls_and_each_component_alone() -> None:
    one = a_set(18)
    grid = [(row, col) for row in range(3) for col in range(3)]
    sites = with_columns(
        one,
        scan="s",
        board_id="b",
        component=["U1"] * 9 + ["U2"] * 9,
        row=[row for row, _ in grid] + [row + 7 for row, _ in grid],
        col=[col for _, col in grid] * 2,
    )
    one_array = ["corner", "edge", "corner", "edge", "inner", "edge", "corner", "edge", "corner"]
    assert not sites.present[3]
    assert placed(sites, "position") == one_array * 2


def test_a_recorded_extent_goes_before_the_joints_that_were_kept() -> None:
    one = a_set(4)
    kept = with_columns(one, scan="s", board_id="b", component="U1", row=[2, 3, 4, 9], col=[2, 2, 5, 0])
    assert placed(kept, "position") == ["edge", "inner", "edge", "corner"]
    recorded = with_columns(kept, board_record=json.dumps({"rows": 10, "cols": 10}))
    assert placed(recorded, "position") == ["inner", "inner", "inner", "corner"]


def test_the_mount_is_read_from_the_scanners_record() -> None:
    one = a_set(3)
    records = [json.dumps({"mount": mount}) for mount in ("tilted", "upright", "tilted")]
    assert placed(with_columns(one, scanner_record=records), "mount") == ["tilted", "upright", "tilted"]
    assert placed(with_columns(one, scanner_record=records, mount="flat"), "mount") == ["flat"] * 3


def test_readers_agree_when_all_say_the_same_and_the_adjudicated_label_is_no_reader() -> None:
    one = a_set(4)
    first, second = np.zeros((4, 4)), np.zeros((4, 4))
    second[1, VOID] = 1
    second[2, VOID] = np.nan
    first[3], second[3] = np.nan, np.nan
    two = dataclasses.replace(
        one, readers={"reader_1": first, "reader_2": second, "adjudicated": first + np.nan}
    )
    assert placed(two, "readers") == ["all agree", "not all", "not all", "not all"]
    assert placed(two, "readers", BRIDGING)[:3] == ["all agree"] * 3


def test_counts_of_a_part_by_hand() -> None:
    """Two scans: a faint gap missed in the first, a wide one found in the second; sound joints of the same scans."""
    table = pd.DataFrame({"scan": list("aaabbbcc"), "ball": list("ABCABCAB"), "present": 1}).assign(
        board_id=lambda t: t["scan"], gap_um=[5, 0, 0, 50, 0, 0, 0, 0], voxel_um=10.0
    )
    truth, score = np.zeros((8, 4)), np.zeros((8, 4))
    truth[[0, 3], NON_WET] = 1
    score[[3, 4, 6, 7], NON_WET] = 1
    one = Verdicts("three scans", "made up", table, truth, {"d": score}, {"d": np.full((8, 4), 0.5)})
    found = slice_table(one, by(one, "gap"), board_weights(one)).set_index("slice")
    assert found.index.tolist() == ["≤ 0.5", "> 2"]
    assert found.loc["≤ 0.5", ["faulty", "found", "sound", "false_calls"]].tolist() == [1, 0, 2, 0]
    assert found.loc["> 2", ["faulty", "found", "sound", "false_calls"]].tolist() == [1, 1, 2, 1]
    assert (found.loc["> 2", "recall_low"], found.loc["> 2", "recall_high"]) == wilson(1, 1)
    assert (found["rank"] == "too few").all()


def test_parts_add_up_to_the_whole() -> None:
    one = a_set()
    weights = board_weights(one)
    yes = (one.truth == 1) & one.known
    for slicing in slicings(one):
        found = slice_table(one, slicing, weights)
        for k, kind in enumerate(KINDS):
            own = found[(found["kind"] == kind) & (found["detector"] == "rules")]
            if slicing.name == "gap" and kind not in ("non_wet", "head_in_pillow"):
                assert own.empty
            elif slicing.name != "void" or kind == "void":
                assert own["faulty"].sum() == yes[:, k].sum()
                assert own["found"].sum() == (yes & one.calls("rules"))[:, k].sum()


def test_neither_order_nor_another_detector_changes_a_part() -> None:
    one = a_set()
    other = one.take(np.random.default_rng(4).permutation(len(one)))
    alone = dataclasses.replace(one, scores={"rules": one.scores["rules"]}, cuts={"rules": one.cuts["rules"]})
    for ours, shuffled, single in zip(slicings(one), slicings(other), slicings(alone), strict=True):
        found = slice_table(one, ours, board_weights(one))
        pd.testing.assert_frame_equal(slice_table(other, shuffled, board_weights(other)), found, rtol=1e-12)
        pd.testing.assert_frame_equal(
            slice_table(alone, single, board_weights(alone)),
            found[found["detector"] == "rules"].reset_index(drop=True),
        )


@pytest.mark.parametrize("n", [0, 1])
def test_next_to_no_joints(n: int) -> None:
    one = a_set(24).take(np.arange(n))
    for slicing in slicings(one):
        found = slice_table(one, slicing, board_weights(one))
        assert len(found) <= 8


def test_columns_that_hold_something_else_are_refused_in_words() -> None:
    one = a_set(4)
    with pytest.raises(InputError, match="numbers in the column row"):
        slicings(with_columns(one, row=["A", "B", "C", "D"]))
    with pytest.raises(InputError, match="JSON in the column board_record"):
        slicings(with_columns(one, board_record="{rows"))
