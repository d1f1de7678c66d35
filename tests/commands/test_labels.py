"""`jointwise labels`: a sheet from a store and from a set, filled, checked and kept; what is refused in a sentence."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.commands.main import main
from jointwise.evaluation.labels.labelled_set import Tables, write_set
from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS

GRID = Grid((8, 8, 8))


@pytest.fixture
def own_set(tmp_path: Path) -> Path:
    """Six sites of two scans, one ball missing, labelled by one reader already."""
    sites = pd.DataFrame(
        {"scan": list("ssszzz"), "ball": [f"A{i}" for i in range(1, 7)], "row": 0, "col": range(6)}
    )
    sites["present"] = [1, 0, 1, 1, 1, 1]
    sites[["x_mm", "y_mm", "z_mm"]] = 0.0
    sites["pitch_mm"], sites["ball_mm"] = 0.8, 0.5
    truth = sites[["scan", "ball", "present"]].assign(**dict.fromkeys(KINDS, 0), contact_fraction=np.nan)
    there = sites[sites["present"] == 1].reset_index(drop=True)
    labels = there[["scan", "ball"]].assign(**dict.fromkeys(KINDS, 0), reader="eye", cannot_tell=0)
    volumes = np.random.default_rng(0).random((5, *GRID.shape)).astype(np.float16)
    cuts = {
        scan: Joints(volumes[rows.index], rows.reset_index(drop=True), GRID)
        for scan, rows in there.groupby("scan")
    }
    write_set(tmp_path / "set", cuts, Tables(sites, labels, truth), "drawn by a test", {})
    return tmp_path / "set"


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """The one sentence with which a command line is refused."""
    capsys.readouterr()
    assert main(["labels", *words]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "Traceback" not in said
    return said


def test_a_sheet_is_made_filled_checked_and_kept(
    tmp_path: Path, own_set: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet, kept = tmp_path / "sheet", tmp_path / "kept"
    assert main(["labels", f"joints={own_set}", f"sheet={sheet}", "reader=reader_a", "seed=4", "page=2"]) == 0
    assert f"check={sheet / 'labels.csv'}" in capsys.readouterr().out
    assert sorted(path.name for path in sheet.glob("*.html")) == [f"page_00{i}.html" for i in (1, 2, 3)]
    rows = pd.read_csv(sheet / "labels.csv", dtype=str)
    pages = "".join(path.read_text(encoding="utf-8") for path in sorted(sheet.glob("*.html")))
    places = [pages.index(f"{row.scan} · {row.ball}<") for row in rows.itertuples()]
    assert places == sorted(places)
    assert len(rows) == 5
    check = [f"joints={own_set}", f"check={sheet / 'labels.csv'}", f"out={kept}"]
    assert "5 rows not filled" in refused(capsys, *check)
    rows[list(KINDS)] = "1"
    rows.to_csv(sheet / "labels.csv", index=False)
    assert main(["labels", *check]) == 0
    assert "5 joints of reader_a, 0 of them cannot be told" in capsys.readouterr().out
    assert pd.read_csv(kept / "labels.csv")["void"].tolist() == [1] * 5
    assert "take another folder" in refused(capsys, f"joints={own_set}", f"sheet={sheet}", "reader=reader_a")


def test_what_is_asked_for_wrongly(tmp_path: Path, own_set: Path, capsys: pytest.CaptureFixture[str]) -> None:
    joints, sheet = f"joints={own_set}", f"sheet={tmp_path / 'sheet'}"
    assert "either `sheet` (a folder for a new one) or `check`" in refused(capsys, joints)
    assert "found both" in refused(capsys, joints, sheet, "check=x.csv")
    assert "reader: expected who is to fill" in refused(capsys, joints, sheet)
    assert "count: expected a whole number of at least 1" in refused(
        capsys, joints, sheet, "reader=a", "count=0"
    )
    assert "at most 5 joints" in refused(capsys, joints, sheet, "reader=a", "count=6")
    assert "split: expected one of none" in refused(capsys, joints, sheet, "reader=a", "split=test")
    assert "found no such file" in refused(capsys, joints, f"check={tmp_path / 'nothing.csv'}")
    assert "found a folder" in refused(capsys, joints, f"check={tmp_path}")
    assert str(tmp_path / "nowhere") in refused(capsys, f"joints={tmp_path / 'nowhere'}", sheet, "reader=a")
    assert not (tmp_path / "sheet").exists()


def test_two_readers_are_told_how_far_they_agree(
    tmp_path: Path, own_set: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for reader, voids in (("reader_a", "01011"), ("reader_b", "01010")):
        sheet = tmp_path / reader
        assert main(["labels", f"joints={own_set}", f"sheet={sheet}", f"reader={reader}"]) == 0
        rows = pd.read_csv(sheet / "labels.csv", dtype=str).sort_values(["scan", "ball"])
        rows.assign(**dict.fromkeys(KINDS, "0")).assign(void=list(voids)).to_csv(
            sheet / "labels.csv", index=False
        )
        check = ["labels", f"joints={own_set}", f"check={sheet / 'labels.csv'}"]
        capsys.readouterr()
        assert main(check) == 0
        assert f"out={tmp_path / reader}_checked" in capsys.readouterr().out.splitlines()[-1]
        assert main([*check, f"out={tmp_path / 'kept'}"]) == 0
    said = capsys.readouterr().out
    assert "reader_a and reader_b, void: 80% agreement on 5 joints of 2 scans, Cohen's kappa 0.62" in said
    assert "bridging: 100% agreement on 5 joints of 2 scans, Cohen's kappa not defined" in said
    assert f"labels={tmp_path / 'kept' / 'labels.csv'}" in said.splitlines()[-1]
