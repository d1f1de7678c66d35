"""`jointwise score` over several scans as a whole, on small phantoms, with the rules that come along."""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import SimpleITK

from jointwise.commands.main import main
from jointwise.joints.store import Store
from jointwise.models.bench import has_shipped
from jointwise.scoring import run as run_module
from jointwise.scoring.batch import FAILURE, SUMMARY
from jointwise.scoring.done import DONE
from jointwise.scoring.write import OURS, TABLE_CSV

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not has_shipped(), reason="no detectors come with this copy"),
]
PART = ["array.pitch_mm=0.8", "array.ball_mm=0.46", "detectors=[rules]", "score.pictures=1", "device=cpu"]


@pytest.fixture(scope="module")
def lot(phantom: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three boards of nine sites in two folders, two of them called the same, and a broken file."""
    folder = tmp_path_factory.mktemp("lot")
    for n, name in enumerate(("line 1/board, [a]", "line 2/board, [a]", "line 2/größe\n2")):
        made = phantom(rows=3, cols=3, missing=((1, 1),) * (n == 1), seed=n, noise=0.1)
        image = SimpleITK.GetImageFromArray(made.volume)
        image.SetSpacing(made.lattice.spacing_mm)
        path = folder / f"{name}.mha"
        path.parent.mkdir(exist_ok=True)
        SimpleITK.WriteImage(image, str(path), True)
    return folder


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_lot_with_a_broken_scan(lot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    broken, out, store = lot / "line 1" / "broken.mha", tmp_path / "out", tmp_path / "kept"
    broken.write_text("no scan")
    words = ["score", f"scan={lot}/*/*.mha", f"out={out}", f"store={store}", *PART]
    try:
        assert main(words) == 2
    finally:
        broken.unlink()
    said = capsys.readouterr()
    assert "broken: failed: expected a MetaImage header" in said.err
    assert "1 of 4 scans failed" in said.err.splitlines()[-1]
    assert f"wrote {out / SUMMARY[0]}" in said.out
    folders = {"line_1_board_a", "line_2_board_a", "größe_2"}
    assert names(out) == {*folders, *SUMMARY, ".writing"}
    assert names(out / "größe_2") == {*OURS, DONE} & names(out / "größe_2") | {DONE}
    joints = pd.read_parquet(out / SUMMARY[3])
    assert set(joints["scan"]) == {"line 1/board, [a]", "line 2/board, [a]", "größe\n2"}
    assert set(joints.loc[joints["findings"] == "missing", "scan"]) == {"line 2/board, [a]"}
    kept = Store(store)
    assert len(kept.shards) == 3
    assert len(kept) == 9 + 8 + 9
    assert set(kept.table["board_id"]) == set(joints["scan"])
    before = (out / "größe_2" / DONE).stat().st_mtime_ns
    assert main(words) == 0
    assert (out / "größe_2" / DONE).stat().st_mtime_ns == before
    assert {b["state"] for b in json.loads((out / SUMMARY[1]).read_text())["boards"]} == {"as before"}
    assert main([*words, "score.table_rows=3"]) == 0
    assert (out / "größe_2" / DONE).stat().st_mtime_ns != before
    one = f"scan={lot}/line 1/board, [a].mha"
    assert main(["score", one, f"out={out}", *PART]) == 0  # one scan, straight into the folder
    assert not names(out) & set(SUMMARY)
    assert (out / TABLE_CSV).is_file()


def test_a_fault_of_ours_ends_with_1(
    lot: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    locate = run_module.locate_all

    def odd(scan: Any, *rest: Any) -> Any:
        if "größe" in scan.path.name:
            raise ZeroDivisionError("a fault")
        return locate(scan, *rest)

    monkeypatch.setattr(run_module, "locate_all", odd)
    assert main(["score", f"scan={lot}/line 2/*.mha", f"out={tmp_path}", *PART]) == 1
    said = capsys.readouterr().err
    assert "1 of 2 scans failed, 1 of them by a fault of ours: ZeroDivisionError: a fault" in said
    assert "in odd" in (tmp_path / "größe_2" / FAILURE).read_text()
    assert (tmp_path / "board_a" / DONE).is_file()


def test_killed_at_three_moments_the_same_command_goes_on(lot: Path, tmp_path: Path) -> None:
    words = ["score", f"scan={lot}/*/*.mha", *PART]
    assert main([*words, f"out={tmp_path / 'whole'}"]) == 0
    out = tmp_path / "out"
    line = [sys.executable, "-m", "jointwise.commands.main", *words, f"out={out}"]
    done: list[int] = []
    for count in (0, 1, 2):
        process = subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        end = time.monotonic() + 120
        while len(list(out.glob(f"*/{DONE}"))) < count or not out.exists():
            assert process.poll() is None
            assert time.monotonic() < end
            time.sleep(0.01)
        time.sleep(0.15)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        done.append(len(list(out.glob(f"*/{DONE}"))))
        assert not names(out) & set(SUMMARY)
    assert done[-1] < 3, "the kills came after the work"
    stamps = {path: path.stat().st_mtime_ns for path in out.glob(f"*/{DONE}")}
    assert main([*words, f"out={out}"]) == 0
    assert all(path.stat().st_mtime_ns == stamp for path, stamp in stamps.items())
    assert names(out) == names(tmp_path / "whole")
    for path in (tmp_path / "whole").glob(f"*/{TABLE_CSV}"):
        assert (out / path.parent.name / TABLE_CSV).read_bytes() == path.read_bytes()
