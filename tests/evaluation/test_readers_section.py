"""The readers' part of the report: what it says, and what it does without readers, truth or a second reader."""

import dataclasses
import time

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.report.readers import readers_section
from jointwise.evaluation.report.section import Grid, Paragraph, Section
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError


def made(n: int = 400, boards: int = 20, readers: int = 3, seed: int = 0) -> Verdicts:
    """Readers who err in every twentieth answer and could not tell every fiftieth; a detector that errs in every third
    and one that never errs."""
    rng = np.random.default_rng(seed)
    truth = (rng.random((n, 4)) < 0.3).astype(np.float64)

    def erring(share: float) -> np.ndarray:
        return np.where(rng.random((n, 4)) < share, 1 - truth, truth)

    said = {
        f"reader_{i + 1}": np.where(rng.random((n, 1)) < 0.02, np.nan, erring(0.05)) for i in range(readers)
    }
    scores = {"rules": erring(0.33), "learned": truth}
    table = pd.DataFrame({"board_id": np.arange(n) * boards // n, "scan": "s", "present": 1})
    cuts = {who: np.full((n, 4), 0.5) for who in scores}
    table = table.assign(ball=[f"A{i}" for i in range(n)])
    return Verdicts("made", "made up by a test", table, truth, scores, cuts, said)


def grids(section: Section | None) -> dict[str, Grid]:
    assert section is not None
    return {block.stem: block for block in section.blocks if isinstance(block, Grid)}


def words(section: Section | None, role: str) -> list[str]:
    assert section is not None
    return [block.text for block in section.blocks if isinstance(block, Paragraph) and block.role == role]


def test_without_readers_there_is_no_section() -> None:
    assert readers_section(dataclasses.replace(made(), readers={})) is None


def test_every_grid_holds_what_it_shows_and_says_its_method() -> None:
    section = readers_section(made())
    found = grids(section)
    assert list(found) == [
        "kappa_made", "could_not_tell_made", "not_settled_made", "readers_made", "detector_or_reader_made",
    ]  # fmt: skip
    for grid in found.values():
        assert {column.name for column in grid.columns} <= set(grid.frame)
        assert not {"crack", ""} & {column.title for column in grid.columns}
    assert "draws of whole boards" in found["kappa_made"].caption
    assert {"kappa_low", "kappa_high"} <= set(found["kappa_made"].frame)
    assert "Wilson" in found["readers_made"].caption
    assert "McNemar" in found["detector_or_reader_made"].columns[7].title


def test_the_better_one_is_found() -> None:
    section = readers_section(made())
    found = words(section, "finding")
    kinds = "void, non-wet, bridging and head-in-pillow"
    assert f"rules against reader_1: reader_1 is nearer for {kinds}." in found
    assert f"learned against reader_1: learned is nearer to the truth for {kinds}." in found
    assert len(found) == 2 * 4  # two detectors against three readers and their majority


def test_numbers_are_finite_and_named_by_who_and_kind() -> None:
    section = readers_section(made())
    assert section is not None
    assert np.isfinite(list(section.numbers.values())).all()
    assert section.numbers["learned/against_truth/void/recall"] == 1
    assert 0.6 < section.numbers["kappa/reader_1_and_reader_2/void"] < 0.9
    assert section.numbers["learned/or_majority/void/p"] <= 1


def test_few_boards_are_warned_of() -> None:
    assert any("too narrow: 9 boards" in text for text in words(readers_section(made(boards=9)), "warning"))
    assert not any("unreliable" in text for text in words(readers_section(made(boards=10)), "warning"))


def test_the_settling_reader_is_the_users_choice() -> None:
    section = readers_section(made(), "reader_3")
    assert set(grids(section)["kappa_made"].frame["readers"]) == {"reader_1 and reader_2"}
    assert any("what reader_3 says" in text for text in words(section, "words"))
    with pytest.raises(InputError, match="adjudication: expected majority, consensus or one of"):
        readers_section(made(), "reader_9")


def test_one_reader_alone_without_truth_or_detector() -> None:
    one = made(readers=1)
    alone = dataclasses.replace(one, truth=np.full_like(one.truth, np.nan), scores={}, cuts={})
    section = readers_section(alone)
    assert next(iter(grids(section))) == "could_not_tell_made"
    assert any("One reader alone" in text for text in words(section, "warning"))
    assert any("to hold the reader against" in text for text in words(section, "warning"))


def test_readers_who_could_tell_nothing_and_one_joint() -> None:
    one = made()
    nothing = {who: np.full_like(labels, np.nan) for who, labels in one.readers.items()}
    section = readers_section(dataclasses.replace(one, readers=nothing))
    assert section is not None
    assert section.numbers["nobody_could_tell/void"] == 1
    assert not any(name.startswith("kappa/") for name in section.numbers)
    assert readers_section(one.take([0])) is not None


def test_five_thousand_joints_of_many_boards_take_seconds() -> None:
    """Of the minute that a whole evaluation has."""
    many = made(5000, 200)
    begun = time.process_time()
    readers_section(many)
    assert time.process_time() - begun < 8
