"""What the tool writes is taken by scoring, and a quantised network whose accuracy falls is not written."""

import json
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
import torch

from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import load_model, save_model
from jointwise.models.int8 import KEY, Int8Graph
from jointwise.models.names import CARD
from jointwise.models.network import build_network
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import Thresholds

TABLE = pd.DataFrame(
    [
        ["average precision", "void", 50, 0.90, 0.8965, "of 1"],
        ["call changes", "any", 400, None, 7, "joints"],
    ],
    columns=["what", "of", "n", "float32", "int8", "unit"],
)


@pytest.fixture
def tool(script: Callable[[str], ModuleType]) -> ModuleType:
    return script("quantise")


def test_accuracy_stands_within_its_bounds_and_not_beyond(tool: ModuleType) -> None:
    assert tool.stands(TABLE) == []
    (fall,) = tool.stands(TABLE.assign(int8=[0.8945, 7]))
    assert "void falls from 0.9000 to 0.8945" in fall
    (calls,) = tool.stands(TABLE.assign(int8=[0.95, 9]))
    assert "calls of 9 of 400" in calls


def test_the_comparison_counts_what_differs(tool: ModuleType, detector_folder: Path) -> None:
    rng, n = np.random.default_rng(4), 40
    truth = (rng.random((n, 4)) < 0.4).astype(float)
    table = pd.DataFrame(dict(zip(KINDS, truth.T, strict=True))).assign(present=1, voxel_um=20.0, cnr=9.0)
    for name in tool.BY_MASKS:
        table[name] = 10.0
    scores = np.clip(0.3 + 0.4 * truth + rng.normal(0, 0.05, truth.shape), 0, 1)
    other = scores.copy()
    other[3, 1] = 1.0 - np.round(scores[3, 1])
    measures = np.full((n, 5), 12.0)
    heard = [tool.Heard(s, measures + k, np.full(n, np.nan), None) for k, s in enumerate((scores, other))]
    columns = ["what", "of", "n", "float32", "int8", "unit"]
    rows = pd.DataFrame(tool.compared(table, load_model(detector_folder), *heard), columns=columns)
    rows = rows.set_index(["what", "of"])
    assert rows.loc[("call changes", "any"), "int8"] == rows.loc[("call changes", "non_wet"), "int8"] == 1
    assert rows.loc[("score changes: largest", "non_wet"), "int8"] == pytest.approx(abs(other - scores).max())
    assert rows.loc[("average precision", "void"), "float32"] == pytest.approx(1.0)
    assert rows.loc[("median error of size", "gap_um"), ["float32", "int8"]].tolist() == [2.0, 3.0]


def test_what_is_written_belongs_to_the_weights(tool: ModuleType, detector_folder: Path) -> None:
    tool.write(detector_folder, Int8Graph(b"<net/>", b"\1\2", masks=False), {"nncf": "3.4.0"})
    found = load_model(detector_folder)
    assert found.int8 == Int8Graph(b"<net/>", b"\1\2", masks=False)
    assert json.loads((detector_folder / CARD).read_text())[KEY]["nncf"] == "3.4.0"
    assert load_model(detector_folder, runtime="auto").runtime == "int8"


@pytest.fixture
def detector_folder(tmp_path: Path) -> Path:
    torch.manual_seed(0)
    settings = NetworkSettings("tiny", widths=(4, 4, 8, 8))
    cuts = Thresholds(((0.5,) * 4,), "f1", None, ((9,) * 4,), ((30,) * 4,))
    calibration = Calibration((1.0,) * 4, (0.0,) * 4, (39,) * 4)
    card = Card(
        "tiny",
        Grid((16, 16, 16)),
        settings,
        cuts,
        calibration,
        Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}),
        {},
        "0.0.0",
        {},
    )
    save_model(tmp_path / "model", build_network(settings), card)
    return tmp_path / "model"
