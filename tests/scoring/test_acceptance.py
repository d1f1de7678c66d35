"""Files of limits: what is read, and one clear sentence for everything that is not one."""

from pathlib import Path

import pytest

from jointwise.joints.errors import InputError
from jointwise.scoring.judging.acceptance import Limit, read_acceptance

EXAMPLE = Path(__file__).parents[2] / "configs" / "limits" / "example.yaml"


def written(folder: Path, text: str) -> Path:
    path = folder / "limits.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_example_reads_and_says_that_it_is_one() -> None:
    limits = read_acceptance(EXAMPLE)
    assert limits.example
    assert "invented" in limits.title
    assert {limit.then for limit in limits.limits} == {"reject", "review"}
    assert set(limits.places) == {"corner", "rim"}
    assert len(limits.sha256) == 64


def test_a_limit_is_read_as_it_stands(tmp_path: Path) -> None:
    path = written(tmp_path, "limits: [{kind: void, measure: void_largest_pct, most: 10, then: review}]")
    read = read_acceptance(path)
    assert read.limits == (
        Limit("void_largest_pct", "void", "void_largest_pct", 10.0, None, "all", "review"),
    )
    assert read.title == "limits"
    assert not read.example


WRONG = {
    "": "keys with values",
    "[]": "keys with values",
    "title: x": "at least one limit",
    "limits: []": "at least one limit",
    "limits: {a: 1}": "a list under limits",
    "limits: [3]": "entry 1: expected keys with values",
    "limts: [{kind: void}]": "limts",
    "limits: [{kind: void, mostly: 3}]": "mostly",
    "limits: [{kind: crack}]": "'crack'",
    "limits: [{measure: void_pct, most: 3}]": "'void_pct'",
    "limits: [{measure: gap_um, most: many}]": "'many'",
    "limits: [{measure: gap_um, most: true}]": "True",
    "limits: [{measure: gap_um, most: -1}]": "-1",
    "limits: [{measure: gap_um, most: .nan}]": "nan",
    "limits: [{measure: gap_um, most: 3, least: 5}]": "least 5 and most 3",
    "limits: [{measure: gap_um}]": "most or least with a measure",
    "limits: [{kind: void, most: 3}]": "most or least with a measure",
    "limits: [{name: x}]": "a kind or a measure",
    "limits: [{kind: missing, measure: gap_um, most: 3}]": "no measure of a missing ball",
    "limits: [{kind: void, then: ignore}]": "'ignore'",
    "limits: [{kind: void, where: rim}]": "'rim'",
    "{places: {all: {corners: 1}}, limits: [{kind: void}]}": "another name",
    "{places: {rim: {ring: 1}}, limits: [{kind: void}]}": "outer_rows",
    "{places: {rim: {outer_rows: 0}}, limits: [{kind: void}]}": "from 1",
    "{places: {rim: {outer_rows: [1, 2]}}, limits: [{kind: void}]}": "one number",
    "{places: {rim: {balls: [I1]}}, limits: [{kind: void}]}": "ball name",
    "{places: {rim: {balls: [A1:B2:C3]}}, limits: [{kind: void}]}": "rectangle",
    "{places: {rim: {rows: [3]}}, limits: [{kind: void}]}": "ball name",
    "{example: perhaps, limits: [{kind: void}]}": "true or false",
    "counts: [{kind: void}]": "one of most and most_pct",
    "counts: [{kind: void, most: 3, most_pct: 3}]": "one of most and most_pct",
    "limits: [": "YAML file of limits",
    "limits: !!python/object:os.system {}": "YAML file of limits",
    "\x00": "YAML file of limits",
}


@pytest.mark.parametrize("text", list(WRONG))
def test_a_wrong_file_is_refused_in_one_sentence(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError) as caught:
        read_acceptance(written(tmp_path, text))
    assert WRONG[text] in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "expected" in str(caught.value)


def test_no_file_a_folder_or_a_huge_file_is_refused(tmp_path: Path) -> None:
    huge = written(tmp_path, "#" + "x" * 2_000_000)
    for path in (tmp_path / "none.yaml", tmp_path, huge):
        with pytest.raises(InputError, match="acceptance: expected"):
            read_acceptance(path)
    with pytest.raises(InputError, match="found none; correct acceptance="):
        read_acceptance(tmp_path / "none.yaml")
    with pytest.raises(InputError, match="found nothing"):
        read_acceptance(written(tmp_path, ""))
