"""`jointwise sets` and `jointwise evaluate sets=…`: what is asked for, and what is refused in one sentence."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.commands.evaluate import set_folder
from jointwise.commands.main import main
from jointwise.evaluation.labels.labelled_set import Tables, write_set
from jointwise.evaluation.verdicts import read_verdicts
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import MEASURES
from jointwise.models.bench import Bench, Judge
from jointwise.models.thresholds import Thresholds

ORIGIN = "drawn by a test, nobody looked"


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """The one sentence with which a command line is refused."""
    assert main(list(words)) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "Traceback" not in said
    return said


def test_evaluate_wants_a_store_or_sets_and_not_both(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    model = f"model={tmp_path / 'model'}"
    assert "expected either `data` (a store) or `sets`" in (neither := refused(capsys, "evaluate", model))
    assert "found neither" in neither
    both = refused(capsys, "evaluate", model, f"data={tmp_path / 'store'}", "sets=[demo]")
    assert "found both" in both
    assert list(tmp_path.iterdir()) == []


def test_demo_sets_lie_in_a_checkout_and_are_missed_elsewhere(tmp_path: Path) -> None:
    assert (set_folder("demo") / "set.json").is_file()
    assert set_folder("some/folder") == Path("some/folder")
    with pytest.raises(InputError, match="come with a checkout of the repository"):
        set_folder("demo", tmp_path)


def test_sources_that_are_no_sources(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [f"source={tmp_path}", f"out={tmp_path / 'out'}"]
    assert "for `provenance`, found none" in refused(capsys, "sets", *words)
    words.append("provenance=made up, by a test")
    assert "folders with volume.mha" in refused(capsys, "sets", *words)
    (tmp_path / "b1").mkdir()
    (tmp_path / "b1" / "volume.mha").write_bytes(b"")
    assert "pitch_mm, ball_mm" in refused(capsys, "sets", *words)
    facts = '{"pitch_mm": 0.8, "ball_mm": 0.46, "rows": 2, "cols": 2, "depopulated": [], "package_side": "high z"}'
    (tmp_path / "b1" / "scan.json").write_text(facts)
    assert "expected a table at" in refused(capsys, "sets", *words)
    assert not (tmp_path / "out").exists()


@dataclass
class Bright:
    """Calls a void on joints whose mean is above one half."""

    name: str = "bright"

    def score(self, joints: Joints) -> np.ndarray:
        scores = np.zeros((len(joints), 4))
        scores[:, 0] = np.clip(joints.volumes.mean(axis=(1, 2, 3)), 0, 1)
        return scores

    def measure(self, joints: Joints) -> pd.DataFrame:
        return pd.DataFrame(np.nan, index=range(len(joints)), columns=list(MEASURES))


@pytest.fixture
def little_set(tmp_path: Path) -> Path:
    """Four joints: two bright; truth says void of the first and third, the reader cannot tell the fourth."""
    sites = pd.DataFrame(
        {"scan": "s", "ball": ["A1", "A2", "A3", "A4"], "row": 0, "col": range(4), "present": 1}
    )
    sites[["x_mm", "y_mm", "z_mm"]] = 0.0
    sites["pitch_mm"], sites["ball_mm"] = 0.8, 0.5
    truth = sites[["scan", "ball", "present"]].assign(**dict.fromkeys(KINDS, 0), contact_fraction=np.nan)
    truth["void"] = [1, 0, 1, 0]
    labels = truth.assign(reader="eye", cannot_tell=[0, 0, 0, 1])
    grid = Grid((8, 8, 8))
    bright = np.array([0.9, 0.8, 0.1, 0.1], np.float16).reshape(-1, 1, 1, 1) * np.ones(grid.shape, np.float16)
    folder = tmp_path / "my set, ä"
    write_set(folder, {"s": Joints(bright, sites, grid)}, Tables(sites, labels, truth), ORIGIN, {})
    return folder


def test_a_set_of_ones_own_is_judged(
    tmp_path: Path, little_set: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    cuts = Thresholds(((0.5,) * 4,), "f1", None, ((1,) * 4,), ((1,) * 4,))
    bench = Bench(rules=Judge(Bright(), cuts))
    monkeypatch.setattr("jointwise.models.bench.load_bench", lambda *_: bench)
    out = tmp_path / "out"
    words = [f"sets=['{little_set}']", "model=any", f"out={out}", "tracking.enabled=false"]
    assert main(["evaluate", *words]) == 0
    assert capsys.readouterr().out.count(ORIGIN) >= 2
    one = read_verdicts(out / f"verdicts_{little_set.name}.parquet")
    assert one.calls("rules")[:, 0].tolist() == [True, True, False, False]
    assert one.truth[:, 0].tolist() == [1, 0, 1, 0]
    np.testing.assert_array_equal(one.readers["eye"][:, 0], [1, 0, 1, np.nan])
    assert one.seconds["rules"] > 0
    report = (out / "report.html").read_text(encoding="utf-8")
    assert "my set, ä" in report
    assert ORIGIN in report


def test_a_set_that_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("jointwise.models.bench.load_bench", lambda *_: None)
    said = refused(capsys, "evaluate", f"sets=[{tmp_path / 'none'}]", "model=any", "tracking.enabled=false")
    assert "expected a set of labelled joints" in said
