"""The files of a scored scan: all there or none, earlier ones replaced, the user's own spared."""

import json
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import COLUMNS, MEASURES, SCORES
from jointwise.joints.store import Store
from jointwise.scoring import write as write_module
from jointwise.scoring.scored import Scored
from jointwise.scoring.write import OURS, keep_joints, results, write_results
from tests.scoring.made import scored

WHEN = datetime(2026, 1, 2, 3, 4)


@pytest.fixture(scope="module")
def made() -> Scored:
    without = scored()
    return replace(without, settings=replace(without.settings, pictures=1))


def test_files(made: Scored, tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    out = tmp_path / "out"
    out.mkdir()
    (out / "array.json").write_text("of an earlier version")
    write_results(made, out, WHEN, lambda *step: told.append(step))
    assert {p.name for p in out.iterdir()} == set(OURS) - {"array.json"}
    csv, parquet = pd.read_csv(out / "joints.csv"), pd.read_parquet(out / "joints.parquet")
    assert list(csv.columns) == list(parquet.columns) == list(COLUMNS)
    np.testing.assert_allclose(csv["x_mm"], parquet["x_mm"], atol=1e-5)
    np.testing.assert_allclose(csv[list(SCORES)], made.table[list(SCORES)], atol=1e-5)
    text = (out / "joints.csv").read_text()
    assert "none" not in text.lower()
    assert "nan" not in text.lower()
    assert (out / "map.png").read_bytes()[:4] == b"\x89PNG"
    assert json.loads((out / "joints.json").read_text())["packages"][0]["rows"] == 4
    assert told[-1] == ("joints drawn", 1, 1)


def fail_half_way(out: Path) -> None:
    with results(out) as aside:
        (aside / "joints.csv").write_text("second")
        aside.write_text("not into a folder")


def test_results_swap_in_whole_and_spare_the_users_files(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with results(out) as aside:
        (aside / "joints.csv").write_text("first")
        assert not out.exists()
    (out / "notes.txt").write_text("mine")
    (out / "logs").mkdir()
    (out / "logs" / "a").write_text("mine too")
    with pytest.raises(IsADirectoryError):
        fail_half_way(out)
    assert (out / "joints.csv").read_text() == "first"
    with results(out) as aside:
        (aside / "report.html").write_text("third")
    assert {p.name for p in out.iterdir()} == {"notes.txt", "logs", "report.html"}
    assert (out / "logs" / "a").read_text() == "mine too"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_results_into_a_file_or_a_linked_folder(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(InputError, match="found a file"), results(tmp_path / "file"):
        pass
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    with results(tmp_path / "link") as aside:
        (aside / "map.png").write_text("x")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real" / "map.png").read_text() == "x"


def test_a_failing_report_leaves_nothing(
    made: Scored, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> str:
        raise MemoryError

    monkeypatch.setattr(write_module, "report_html", fail)
    with pytest.raises(MemoryError):
        write_results(made, tmp_path / "out", WHEN)
    assert list(tmp_path.iterdir()) == []


def test_kept_joints_carry_their_place_and_findings_and_no_truth(made: Scored, tmp_path: Path) -> None:
    its = made.packages[0]
    for _ in range(2):  # a scan scored again takes its own place in the store
        keep_joints(its.cut, its.found.axes, made.table, tmp_path / "kept", "test", judging_only=False)
    kept = Store(tmp_path / "kept").read()
    assert np.array_equal(kept.volumes, its.cut.joints.volumes)
    assert len(kept) == 15
    finds = kept.table.set_index("ball")["findings"]
    assert finds["A1"] == "void"
    assert "D4" not in finds.index
    assert finds.isna().sum() == 11
    assert kept.table[[*KINDS, *MEASURES]].isna().all(axis=None)
    assert set(kept.table["split"]) == {"test"}
    assert not kept.table["judging_only"].any()
    assert np.allclose(json.loads(kept.table["axes"].iloc[0]), its.found.axes)
