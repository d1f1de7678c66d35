"""`jointwise sets` on a phantom: joints are cut where the source says they are, along the board's own axes."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import SimpleITK

from jointwise.commands.main import main
from jointwise.evaluation.labels.labelled_set import read_set
from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.names import ball_name
from jointwise.joints.schema import MEASURES
from jointwise.models.bench import Bench, Judge
from jointwise.models.thresholds import Thresholds

MOVED_MM = 0.12
CUTS = Thresholds(((0.5,) * 4,), "f1", None, ((1,) * 4,), ((1,) * 4,))


@dataclass
class Core:
    """Scores a joint by a fifth of the value in its middle, the same for every kind."""

    name: str = "core"

    def score(self, joints: Joints) -> np.ndarray:
        middle = joints.volumes[:, 12, 14, 14].astype(np.float64) / 5
        return np.repeat(np.clip(middle, 0, 1)[:, None], 4, axis=1)

    def measure(self, joints: Joints) -> pd.DataFrame:
        return pd.DataFrame(np.nan, index=range(len(joints)), columns=list(MEASURES))


@pytest.fixture
def source(phantom: Callable[..., Any], tmp_path: Path) -> Path:
    """A board of five by six with one ball missing; the given place of A1 is wrong along x on purpose."""
    made = phantom(missing=((1, 2),))
    folder = tmp_path / "boards" / "b7"
    folder.mkdir(parents=True)
    image = SimpleITK.GetImageFromArray(made.volume)
    image.SetSpacing(made.lattice.spacing_mm)
    image.SetOrigin(made.lattice.origin_mm)
    SimpleITK.WriteImage(image, str(folder / "volume.mha"))
    sites = made.truth.copy()
    sites.insert(0, "ball", [ball_name(r, c) for r, c in zip(sites["row"], sites["col"], strict=True)])
    sites.loc[0, "x_mm"] += MOVED_MM
    sites.to_csv(folder / "positions.csv", index=False)
    truth = sites.assign(**dict.fromkeys(KINDS, 0), contact_fraction=np.nan)
    truth.to_csv(folder / "joints_truth.csv", index=False)
    labels = truth.loc[truth["present"] == 1, ["ball", *KINDS]].assign(reader="eye", cannot_tell=0)
    labels.to_csv(folder / "labels.csv", index=False)
    facts = {
        "pitch_mm": 0.8,
        "ball_mm": 0.46,
        "rows": 5,
        "cols": 6,
        "depopulated": [],
        "package_side": "high z",
    }
    (folder / "scan.json").write_text(json.dumps(facts))
    return folder.parent


def test_joints_are_cut_at_the_given_places(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "set"
    words = [f"source={source}", f"out={out}", "provenance=a phantom, nobody looked", "grid.shape=[24,28,28]"]
    monkeypatch.setattr("jointwise.models.bench.load_bench", lambda *_: Bench(rules=Judge(Core(), CUTS)))
    assert main(["sets", *words, "workers=1", "model=any"]) == 0
    said = capsys.readouterr().out
    assert "29 joints of 1 scans, 1 missing balls; labels of eye" in said
    assert "a phantom, nobody looked" in said
    change = pd.read_csv(out / "storage.csv")
    assert change["kind"].tolist() == list(KINDS)
    assert set(change["provenance"]) == {"a phantom, nobody looked"}
    assert ((change["max_change"] > 0) & (change["max_change"] < 0.01)).all()
    made = read_set(out, "phantom")
    assert set(made.joints.table["scan"]) == {"b7"}
    assert made.joints.grid == Grid((24, 28, 28))
    middle = made.joints.volumes[:, 9:15].astype(np.float64).clip(0.5, 1.2) - 0.5
    x, y, _ = made.joints.grid.offsets_mm(0.8, 0.46)
    near = np.hypot(*np.meshgrid(y, x, indexing="ij")) < 0.33
    weight = middle.sum(axis=1) * near
    centre = (weight * x).sum(axis=(1, 2)) / weight.sum(axis=(1, 2))
    assert np.abs(centre[1:]).max() < 0.03
    # Cut too far along x, the ball lies at lower x in its box: the given place counts, not the one found.
    assert centre[0] == pytest.approx(-MOVED_MM, abs=0.04)
