"""The sections on measures and slices: whole, in words, and honest about what is too little."""

import dataclasses
import re
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from jointwise.evaluation.report.measures import measures_section, reservations
from jointwise.evaluation.report.section import Figure, Grid, Paragraph, Section
from jointwise.evaluation.report.slices import slices_section
from jointwise.evaluation.report.words import listed, slug
from jointwise.evaluation.table import per_kind_table
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from tests.evaluation.test_measured import a_set
from tests.evaluation.test_verdicts import example

CHOSEN = {"learned": "largest F1 on the validation boards"}
Make = Callable[[Verdicts], Section]


def with_all(verdicts: Verdicts) -> Section:
    """The section on measures with all that may be given."""
    return measures_section(verdicts, {"bridging": 0.0002}, CHOSEN)


@pytest.fixture(scope="module")
def whole() -> dict[str, Section]:
    """Both sections of one set."""
    return {"measures": with_all(a_set()), "slices": slices_section(a_set())}


BOTH: Sequence[Make] = (measures_section, slices_section)


def grids(section: Section) -> dict[str, Grid]:
    """The tables by stem."""
    return {block.stem: block for block in section.blocks if isinstance(block, Grid)}


def words(section: Section, role: str = "") -> str:
    """All paragraphs (of a role) as one text."""
    return " ".join(
        b.text for b in section.blocks if isinstance(b, Paragraph) and (not role or b.role == role)
    )


@pytest.mark.parametrize("topic", ["measures", "slices"])
def test_every_table_holds_the_columns_it_shows_and_says_how_its_intervals_were_made(
    whole: dict[str, Section], topic: str
) -> None:
    section = whole[topic]
    assert re.fullmatch(r"[a-z0-9-]+", section.anchor)
    tables = grids(section)
    assert len(tables) == sum(isinstance(block, Grid) for block in section.blocks), "each stem once"
    for stem, grid in tables.items():
        assert re.fullmatch(r"[a-z0-9_]+", stem)
        assert {column.name for column in grid.columns} <= set(grid.frame)
        assert "Wilson" in grid.caption or "resampl" in grid.caption
    assert section.numbers
    assert not any(np.isnan(value) for value in section.numbers.values())
    assert all(re.fullmatch(r"[\w ./-]+", name) for name in section.numbers), "names MLflow takes"


def test_sets_do_not_share_anchors_tables_or_numbers(whole: dict[str, Section]) -> None:
    other = dataclasses.replace(a_set(), name="Another Set_2")
    for one, two in ((whole["measures"], with_all(other)), (whole["slices"], slices_section(other))):
        assert one.anchor != two.anchor
        assert not set(grids(one)) & set(grids(two))
        assert not set(one.numbers) & set(two.numbers)


def test_numbers_and_words_come_from_the_tables(whole: dict[str, Section]) -> None:
    section = whole["measures"]
    frame = grids(section)["measures_a_set"].frame
    for row in frame.to_dict("records"):
        assert section.numbers[f"a set/{row['detector']}/{row['kind']}/ap"] == row["ap"]
    escapes = grids(section)["escapes_a_set"].frame
    for row in escapes[escapes["kind"] == "any"].to_dict("records"):
        assert (
            f"{row['detector']} calls nothing on {row['escapes']} of {row['faulty']} faulty joints ("
            in words(section, "finding")
        )
    assert "made up" in words(section), "where scans and labels come from"


def test_kinds_that_do_not_occur_have_no_picture_and_what_is_not_told_is_said(
    whole: dict[str, Section],
) -> None:
    one = a_set()
    truth = one.truth.copy()
    truth[:, 2] = np.where(np.isnan(truth[:, 2]), np.nan, 0)
    without = measures_section(dataclasses.replace(one, truth=truth))
    pictures = [
        [b.caption for b in each.blocks if isinstance(b, Figure)] for each in (whole["measures"], without)
    ]
    assert [len(each) for each in pictures] == [4, 3]
    assert not any("bridging" in caption for caption in pictures[1])
    assert "learned: largest F1 on the validation boards." in words(whole["measures"])
    assert "was not told" in words(without)
    assert "give a prevalence" in words(without)
    frame = grids(whole["measures"])["prevalence_a_set"].frame
    assert frame["kind"].unique().tolist() == ["bridging"]
    with pytest.raises(InputError, match="crack"):
        measures_section(one, {"crack": 0.1})


def test_few_boards_and_rare_kinds_are_said_to_be_so(whole: dict[str, Section]) -> None:
    def told(verdicts: Verdicts) -> str:
        args = (verdicts.truth, verdicts.present, verdicts.scores, verdicts.cuts)
        return " ".join(note.text for note in reservations(verdicts, per_kind_table(*args)))

    for section in whole.values():
        assert "boards" not in words(section, "warning")
    assert "only 9 boards" in told(a_set(boards=9))
    assert "of one board" in told(a_set(boards=1))
    one = a_set()
    truth = one.truth.copy()
    truth[:, 2] = np.where(np.isnan(truth[:, 2]), np.nan, np.arange(len(one)) < 3)
    rare = dataclasses.replace(one, truth=truth)
    assert "Too few faulty joints to rank two detectors: bridging. With fewer than 6" in told(rare)
    assert told(rare) in words(slices_section(rare), "warning")


def test_resamplings_left_out_are_counted(whole: dict[str, Section]) -> None:
    one = a_set()
    truth = one.truth.copy()
    truth[:, 3] = np.where(np.isnan(truth[:, 3]), np.nan, one.boards == 4)
    section = measures_section(dataclasses.replace(one, truth=truth))
    text = words(section, "warning")
    row = (
        grids(section)["measures_a_set"]
        .frame.set_index(["kind", "detector"])
        .loc["head_in_pillow", "learned"]
    )
    assert f"head-in-pillow by learned ({row['ap_left_out']:.0f})" in text
    assert "left out" not in words(whole["measures"], "warning")


def test_slices_that_cannot_be_made_are_named(whole: dict[str, Section]) -> None:
    text = words(whole["slices"])
    assert "Not known of this set, so not looked at: mount." in text
    assert "nothing to compare: tube voltage (120)." in text
    assert "slices_kvp_a_set" not in grids(whole["slices"])
    bare = words(slices_section(example()))
    assert "pitch, voxels per ball, noise" in bare


def test_the_weakest_part_is_found() -> None:
    one = a_set(n=1200)
    faint = (one.table["gap_um"] <= 10).to_numpy()[:, None] & (one.truth == 1)
    score = np.where(faint & (np.array(KINDS) == "non_wet"), 0.0, one.scores["learned"])
    text = words(slices_section(dataclasses.replace(one, scores={**one.scores, "learned": score})), "finding")
    assert "learned is weakest at gap, voxels ≤ 0.5, non-wet: 0 of " in text


@pytest.mark.parametrize("make", BOTH)
@pytest.mark.parametrize("case", ["example", "no joints", "one joint", "all missing", "no detector"])
def test_sets_with_next_to_nothing_in_them(make: Make, case: str) -> None:
    one = a_set(24)
    if case == "example":
        one = example()
    elif case == "all missing":
        gone = {who: np.full((24, 4), np.nan) for who in one.scores}
        one = dataclasses.replace(
            one, table=one.table.assign(present=0), truth=np.full((24, 4), np.nan), scores=gone, readers={}
        )
    elif case == "no detector":
        one = dataclasses.replace(one, scores={}, cuts={})
    else:
        one = one.take(np.arange(case == "one joint"))
    section = make(one)
    assert section.blocks
    assert not any(np.isnan(value) for value in section.numbers.values())
    if case == "no detector":
        assert "No detector was judged" in words(section, "warning")


def test_words_of_names() -> None:
    assert slug("Demo set_1 (new)") == "demo-set-1-new"
    assert slug("…") == "set"
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
