"""`jointwise observe`: from nothing to table and picture, the same again from its pairs; what is refused."""

from pathlib import Path

import pandas as pd
import pytest

from jointwise.commands.main import main

SMALL = [
    "family.rows=[3,3]", "family.cols=[3,3]", "process.profile=quadric", "scanner.views=[60,60]",
    "scanner.voxels_per_ball=[10,10]", "scanner.photons_per_pixel=[200,200]", "pairs.boards=6", "pairs.known_boards=1",
    "pairs.head_in_pillow=[]", "pairs.non_wet=[]", "pairs.void=[6]", "workers=1", "seed=4",
    "detectors=[rules]",
]  # fmt: skip


@pytest.mark.slow
def test_from_nothing_to_table_and_picture_and_again_from_its_pairs(tmp_path: Path) -> None:
    first, again = tmp_path / "first", tmp_path / "again"
    assert main(["observe", f"out={first}", *SMALL]) == 0
    table = pd.read_csv(first / "observer.csv")
    assert list(table["detector"]) == ["rules"]
    assert (table["pairs"] == 30).all()
    assert (table["ideal_d"] > 0).all()
    assert "<svg" in (first / "observer.svg").read_text(encoding="utf-8")[:100]
    assert main(["observe", f"data={first / 'pairs'}", f"out={again}", "detectors=[rules]"]) == 0
    pd.testing.assert_frame_equal(pd.read_csv(again / "observer.csv"), table)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["pairs.void=[50]"], "from 0 to 36"),
        (["seed=-1"], "seed: expected"),
        (["data=nowhere"], "expected a store of joints"),
    ],
)
def test_what_cannot_be_done_is_said_in_a_sentence(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["observe", f"out={tmp_path / 'out'}", "detectors=[rules]", *words]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
