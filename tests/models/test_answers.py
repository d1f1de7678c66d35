"""A table from outside is answered as the detector itself would, or refused in one sentence."""

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.store import StoreWriter
from jointwise.models.answers import answers
from jointwise.models.bench import Judge
from jointwise.models.envelope import Envelope
from jointwise.models.thresholds import Thresholds

GRID = Grid((8, 8, 8))
CUTS = Thresholds(((0.5, 0.6, 0.7, 0.8),), "f1", None, ((9,) * 4,), ((30,) * 4,))


def first_values(joints: Joints) -> Any:
    """A detector whose scores are the first four values of each sub-volume."""
    return joints.volumes.reshape(len(joints), -1)[:, : len(KINDS)].astype(np.float64)


@pytest.fixture
def judge() -> Judge:
    detector: Any = SimpleNamespace(name="simple", score=first_values)
    return Judge(detector, CUTS, Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}, 12))


def volumes(n: int) -> np.ndarray:
    return np.random.default_rng(0).random((n, *GRID.shape), np.float32)


def test_scores_calls_findings_and_reasons_of_each_joint(judge: Judge) -> None:
    some = volumes(40)
    table = pd.DataFrame({"ball": [f"A{i}" for i in range(40)], "pitch_mm": 0.8, "ball_mm": 0.5})
    said = answers(judge, table.assign(volume=list(some), cnr=20.0, voxels_per_ball=20.0), GRID)
    scores = some.reshape(40, -1)[:, :4].astype(np.float64)
    np.testing.assert_array_equal(said[[f"score_{kind}" for kind in KINDS]], scores)
    called = scores >= np.array([0.5, 0.6, 0.7, 0.8])
    np.testing.assert_array_equal(said[[f"call_{kind}" for kind in KINDS]], called)
    assert said["findings"].tolist() == [
        ";".join(k for k, c in zip(KINDS, row, strict=True) if c) for row in called
    ]
    assert said["ball"].tolist() == table["ball"].tolist()
    assert set(said["out_of_envelope"]) == {0}
    assert set(said["thresholds_id"]) == {CUTS.identity}


def test_a_scan_that_is_not_told_of_is_not_known(judge: Judge) -> None:
    """Nested lists do as well; without cnr and voxels per ball every joint lies outside, with the reason."""
    table = pd.DataFrame({"volume": volumes(2).tolist(), "pitch_mm": 0.8, "ball_mm": 0.5})
    said = answers(judge, table, GRID)
    assert said["out_of_envelope"].tolist() == [1, 1]
    assert "voxels per ball: not known" in said["reason"][0]


def test_stores_are_answered_joint_by_joint(judge: Judge, tmp_path: Path) -> None:
    table = pd.DataFrame({"ball": ["A1", "A2", "A3"], "pitch_mm": 0.8, "ball_mm": 0.5, "present": [1, 0, 1]})
    for name in "ab":
        with StoreWriter(tmp_path / name, GRID, None, {"name": name}) as writer:
            writer.add("shard_0", Joints(volumes(3), table, GRID))
    said = answers(judge, pd.DataFrame({"store": [str(tmp_path / "a"), str(tmp_path / "b")]}), GRID)
    assert said["ball"].tolist() == ["A1", "A2", "A3"] * 2
    assert np.isnan(said.loc[1, "score_void"])  # no ball is there
    assert said.loc[1, "findings"] == ""
    np.testing.assert_allclose(said.loc[0, "score_void"], volumes(3)[0, 0, 0, 0], atol=1e-3)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"volume": [np.zeros((8, 8, 9))]},
            r"shape \(8, 8, 8\) in the column volume, found \(8, 8, 9\) in row 0",
        ),
        ({"volume": ["text"]}, "sub-volumes of numbers"),
        ({"pitch_mm": None}, "expected the columns pitch_mm"),
    ],
)
def test_what_nobody_can_judge_is_one_sentence(judge: Judge, change: dict[str, Any], words: str) -> None:
    table = pd.DataFrame({"volume": list(volumes(1)), "pitch_mm": 0.8, "ball_mm": 0.5}).assign(**change)
    with pytest.raises(InputError, match=words):
        answers(judge, table.dropna(axis="columns"), GRID)
