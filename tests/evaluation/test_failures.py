"""Misses and false calls: all of them in the table, the worst first, pictured small enough to send."""

import dataclasses
import io

import numpy as np
import pandas as pd
from PIL import Image

from jointwise.evaluation.report.failures import ACCENT, beside, failures, failures_section, joint_png
from jointwise.evaluation.report.section import Figure, Grid, Paragraph, Section
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid as Lattice
from jointwise.joints.kinds import KINDS

SHAPE = Lattice((12, 14, 14))


def verdicts(truth: list[list[float]], **scores: list[list[float]]) -> Verdicts:
    """Joints A0, A1, … of two boards, called from 0.5 on."""
    n = len(truth)
    table = pd.DataFrame(
        {"scan": "s", "board_id": [f"b{i % 2}" for i in range(n)], "ball": [f"A{i}" for i in range(n)]}
    )
    table = table.assign(present=1, pitch_mm=0.8, ball_mm=0.5, gap_um=10.0, voxel_um=20.0)
    cuts = {who: np.full((n, 4), 0.5) for who in scores}
    return Verdicts("set", "drawn", table, np.array(truth), {w: np.array(s) for w, s in scores.items()}, cuts)


VOID, SOUND, NON_WET = [1.0, 0, 0, 0], [0.0, 0, 0, 0], [0, 1.0, 0, 0]
FOUR = verdicts(
    [VOID, VOID, SOUND, NON_WET, [np.nan, 0, 0, 0]],
    learned=[[0.4, 0, 0, 0], [0.9, 0, 0, 0], [0, 0, 0, 0.9], [0, 0.1, 0, 0.6], [0.9, 0, 0, 0]],
    rules=[[0.1, 0, 0, 0], [0.9, 0, 0, 0], [0, 0, 0, 0.1], [0, 0.9, 0, 0.1], [0.9, 0, 0, 0]],
)


def joints_of(one: Verdicts, seed: int = 0) -> Joints:
    rng = np.random.default_rng(seed)
    return Joints(rng.random((len(one), *SHAPE.shape)).astype(np.float16), one.table, SHAPE)


def blocks(section: Section, kind: type) -> list:  # type: ignore[type-arg]
    return [block for block in section.blocks if isinstance(block, kind)]


def test_misses_and_false_calls_are_told_by_kind_and_detector() -> None:
    found = failures(FOUR)
    assert found.missed["learned"].nonzero()[0].tolist() == [0, 3]
    assert found.missed["rules"].nonzero()[0].tolist() == [0]
    assert found.false["learned"].nonzero()[0].tolist() == [2, 3]
    assert not found.false["rules"].any()
    assert found.rows.tolist() == [0, 2, 3]  # of the last joint the void is not known


def test_the_table_has_them_all_with_scores_cuts_and_sizes() -> None:
    (grid,) = blocks(failures_section(FOUR), Grid)
    frame = grid.frame.set_index("ball")
    assert list(frame.index) == ["A0", "A2", "A3"]  # the escape, the surest false call, the other
    assert frame.loc["A3", "learned"] == "misses non-wet; calls head-in-pillow"
    assert frame.loc["A3", "rules"] == "right"
    assert frame.loc["A0", "truth"] == "void"
    assert frame.loc["A2", "truth"] == "sound"
    assert frame.loc["A0", "gap_voxels"] == 0.5
    assert frame.loc["A3", ["learned_score_non_wet", "learned_cut_non_wet"]].tolist() == [0.1, 0.5]
    assert {column.name for column in grid.columns} >= {"learned", "rules", "gap_um", "gap_voxels"}


def test_order_of_joints_changes_nothing_but_ties() -> None:
    (grid,) = blocks(failures_section(FOUR), Grid)
    (other,) = blocks(failures_section(FOUR.take(np.array([4, 3, 2, 1, 0]))), Grid)
    assert list(other.frame["ball"]) == list(grid.frame["ball"])


def test_numbers_are_flat_counts() -> None:
    numbers = failures_section(FOUR).numbers
    assert numbers["learned/void/misses"] == 1
    assert numbers["learned/head_in_pillow/false_calls"] == 2
    assert numbers["rules/non_wet/misses"] == 0
    assert len(numbers) == 2 * 2 * len(KINDS)


def test_the_worst_are_pictured_and_the_rest_is_counted() -> None:
    joints = joints_of(FOUR)
    section = failures_section(FOUR, joints.take, most=2)
    pictures = blocks(section, Figure)
    assert [picture.caption.split(".")[1].split(" of")[0].strip() for picture in pictures] == ["A0", "A2"]
    assert "The first 2 are shown; 1 more stand" in " ".join(p.text for p in blocks(section, Paragraph))
    first = pictures[0].caption
    assert "Truth: void (gap 10 µm, gap 0.5 voxels)" in first
    assert "▲ learned misses void: void 0.40 < 0.50" in first
    assert "○ rules right" in pictures[1].caption
    assert "■ learned calls head-in-pillow" in pictures[1].caption
    assert "A0" in pictures[0].alt


def test_readers_and_foreign_scans_are_told() -> None:
    readers = {"eye": np.array([VOID, VOID, SOUND, [np.nan] * 4, SOUND])}
    one = dataclasses.replace(FOUR, readers=readers, outside={"learned": np.ones(5, np.bool_)})
    captions = [picture.caption for picture in blocks(failures_section(one, joints_of(one).take), Figure)]
    assert "Readers: eye void." in captions[0]
    assert "Readers: eye cannot tell." in captions[2]
    assert all("learned" in text and "(scan unlike its training)" in text for text in captions)


def test_pictures_are_small_and_keep_the_accent() -> None:
    png = joint_png(joints_of(FOUR), 0, "void")
    image = Image.open(io.BytesIO(png))
    assert image.mode == "P"
    assert len(png) < 60_000
    accent = tuple(int(ACCENT[i : i + 2], 16) for i in (1, 3, 5))
    colours = np.asarray(image.convert("RGB"))
    assert (colours == accent).all(axis=2).any()
    assert (colours == 255).all(axis=2).any()  # paper stays white


def test_without_sub_volumes_the_table_stays_and_says_why_no_pictures() -> None:
    section = failures_section(FOUR)
    assert blocks(section, Figure) == []
    assert "without sub-volumes" in section.blocks[-1].text  # type: ignore[union-attr]


def test_a_detector_without_fault_one_joint_and_no_truth() -> None:
    perfect = verdicts([VOID, SOUND], rules=[[0.9, 0, 0, 0], [0.1, 0, 0, 0]])
    single = verdicts([VOID], rules=[[0.1, 0, 0, 0]])
    unknown = verdicts([[np.nan] * 4] * 2, rules=[[0.9, 0, 0, 0], [0.1, 0, 0, 0]])
    assert "No detector errs on any of 2" in failures_section(perfect).blocks[0].text  # type: ignore[union-attr]
    assert len(blocks(failures_section(single, joints_of(single).take), Figure)) == 1
    assert "errs on any of 0" in failures_section(unknown).blocks[0].text  # type: ignore[union-attr]
    missing = dataclasses.replace(single, table=single.table.assign(present=0))
    assert blocks(failures_section(missing), Grid) == []


def test_a_kind_that_is_never_called_has_no_endless_distance() -> None:
    never = {"rules": np.full((2, 4), np.inf)}
    one = dataclasses.replace(verdicts([VOID, VOID], rules=[[0.4, 0, 0, 0], [0.6, 0, 0, 0]]), cuts=never)
    (grid,) = blocks(failures_section(one), Grid)
    assert len(grid.frame) == 2


def test_a_score_just_under_its_cut_is_written_apart_from_it() -> None:
    assert [beside(*pair) for pair in ((0.5, 0.9), (0.9444, 0.9447), (0.3, 0.3))] == [
        "0.50 < 0.90", "0.944 < 0.945", "0.30 ≥ 0.30",
    ]  # fmt: skip
