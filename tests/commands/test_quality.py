"""`jointwise quality`: one scan or several, results replaced together, and what is refused in one sentence."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import SimpleITK
import tifffile

from jointwise.commands.main import main
from jointwise.commands.quality import FILES, drawn_ranges, named, scan_files
from jointwise.data_gen.demo_scan import demo_record
from jointwise.joints.errors import InputError

DEMO = Path(__file__).parents[2] / "demo_sets" / "demo_scan.mha"


@pytest.fixture(scope="module")
def corner(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine joints of the demo scan, in a file whose name holds a comma."""
    sitk: Any = SimpleITK
    image = sitk.ReadImage(str(DEMO))
    path = tmp_path_factory.mktemp("scans") / "corner, a.mha"
    sitk.WriteImage(image[:125, 110:, :], str(path), True)
    return path


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["quality", *words]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    return said


def test_scan_into_tables_and_picture(
    corner: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "quality.csv").write_text("of an earlier run")
    (out / "notes.txt").write_text("of the user")
    assert main(["quality", f"scan={corner}", f"out={out}"]) == 0
    said = capsys.readouterr().out
    assert "edge in plane" in said
    assert "12 to 40" in said
    assert {p.name for p in out.iterdir()} == {*FILES, "notes.txt"}
    table = pd.read_csv(out / "quality.csv").set_index("measure")
    assert set(table["scan"]) == {"corner, a"}
    assert 1.5 < table.loc["edge_in_plane", "value"] < 3
    assert table.loc["voxels_per_ball", "value"] == pytest.approx(
        0.5 / demo_record().scanner.voxel_mm, rel=1e-4
    )
    assert table.loc["edge_in_plane", "n"] >= 4
    facts = json.loads((out / "quality.json").read_text())[0]["facts"]
    assert facts["type"] == "uint16"
    assert 4 <= facts["joints"] <= 12


@pytest.mark.slow
def test_scans_stand_side_by_side(corner: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    again = tmp_path / "whole.mha"
    again.symlink_to(DEMO)
    corner_too = tmp_path / "corner.mha"
    corner_too.symlink_to(corner)
    assert main(["quality", f"scan={tmp_path}/*.mha", f"out={tmp_path / 'out'}"]) == 0
    assert {"corner", "whole"} <= set(capsys.readouterr().out.split())
    table = pd.read_csv(tmp_path / "out" / "quality.csv").pivot(
        index="measure", columns="scan", values="value"
    )
    assert table.loc["edge_in_plane", "corner"] == pytest.approx(table.loc["edge_in_plane", "whole"], rel=0.1)


def test_bad_input_is_refused_and_nothing_written(
    corner: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = f"out={tmp_path / 'out'}"
    assert "found nothing there" in refused(capsys, f"scan={tmp_path / 'no.mha'}", out)
    assert "check the pattern" in refused(capsys, f"scan={tmp_path}/*.mha", out)
    assert "found nothing" in refused(capsys, "scan=,", out)
    assert "array.pitch_mm" in refused(capsys, f"scan={corner}", "array=bga_1270", out)
    assert "max_tilt_deg" in refused(capsys, f"scan={corner}", "max_tilt_deg=90", out)
    assert list(tmp_path.iterdir()) == []


def test_files_behind_one_word(tmp_path: Path) -> None:
    for name in ("b.mha", "a.mha", "c,d.mha"):
        (tmp_path / name).write_bytes(b"")
    a, b, odd = (tmp_path / n for n in ("a.mha", "b.mha", "c,d.mha"))
    assert scan_files(str(odd)) == [odd]
    assert scan_files(f"{tmp_path}/?.mha") == [a, b]
    assert scan_files(f"{b}, {a},{b}") == [b, a]
    with pytest.raises(InputError, match="check the pattern"):
        scan_files(f"{a},{tmp_path}/z*.mha")
    for n in range(3):
        tifffile.imwrite(tmp_path / f"s{n}.tif", np.zeros((8, 8), np.uint8))
        tifffile.imwrite(tmp_path / f"v{n}.tif", np.zeros((3, 8, 8), np.uint8), photometric="minisblack")
    assert scan_files(f"{tmp_path}/s*.tif") == [tmp_path / "s*.tif"]
    assert scan_files(f"{tmp_path}/v*.tif") == [tmp_path / f"v{n}.tif" for n in range(3)]
    assert list(named([a, tmp_path / "x" / "a.mha", b]).values()) == [f"{tmp_path.name}/a", "x/a", "b"]


def test_what_is_drawn_comes_from_the_generators_settings() -> None:
    assert drawn_ranges(0.5)["voxel"] == pytest.approx((500 / 40, 500 / 12))
