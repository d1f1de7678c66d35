"""The real commands on the real configuration, shrunk: generate, verify, train, evaluate, all in one folder."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.commands.main import main
from jointwise.evaluation.verdicts import read_verdicts
from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.store import StoreWriter

SMALL = [
    "family.rows=[3,3]",
    "family.cols=[3,3]",
    "scanner.views=[90,100]",
    "scanner.voxels_per_ball=[10,12]",
    "grid.shape=[16,20,20]",
    "defects.voids_finding=0.3",
    "defects.voids_free=0.0",
    "defects.non_wet=0.3",
    "defects.head_in_pillow=0.3",
]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("the whole way, ä=[1]")


@pytest.fixture(scope="module")
def joints(folder: Path) -> Path:
    out = folder / "joints"
    assert main(["generate", f"out={out}", "boards=10", "seed=3", "workers=1", *SMALL]) == 0
    return out


@pytest.fixture(scope="module")
def model(folder: Path, joints: Path) -> Path:
    words = [
        "network=resnet_tiny",
        "epochs=1",
        "threads=1",
        "device=cpu",
        f"tracking.folder={folder / 'tracking'}",
    ]
    assert main(["train", f"data={joints}", f"out={folder / 'train'}", *words]) == 0
    return folder / "train" / "model"


@pytest.mark.slow
def test_generate_says_what_it_made(joints: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["generate", f"out={joints}", "boards=10", "seed=3", "workers=1", *SMALL]) == 0
    said = capsys.readouterr().out
    assert "90 joints of 10 simulated boards" in said
    assert f"'data={joints}'" in said


@pytest.mark.slow
def test_verify_finds_and_mends_damage(joints: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (joints / "scan_00004.safetensors").read_bytes()
    (joints / "scan_00004.safetensors").write_bytes(before[:-100])
    assert main(["verify", f"data={joints}"]) == 2
    assert "found 1 damaged (scan_00004)" in capsys.readouterr().err
    assert main(["verify", f"data={joints}", "remake=true", "workers=1"]) == 0
    assert (joints / "scan_00004.safetensors").read_bytes() == before
    assert main(["verify", f"data={joints}"]) == 0


@pytest.mark.slow
def test_train_leaves_both_detectors_and_a_tracked_run(model: Path) -> None:
    assert {path.name for path in model.iterdir()} == {
        "card.json", "model.safetensors", "rules.json", "novelty.json", "novelty.safetensors",
    }  # fmt: skip
    assert (model.parent / "tracked.json").is_file()


@pytest.mark.slow
def test_evaluate_judges_both_on_the_same_joints(folder: Path, joints: Path, model: Path) -> None:
    out = folder / "evaluation"
    words = [f"data={joints}", f"model={model}", f"out={out}", f"tracking.folder={folder / 'tracking'}"]
    assert main(["evaluate", *words, "device=cpu"]) == 0
    one = read_verdicts(out / "verdicts_joints.parquet")
    assert set(one.scores) == {"learned", "rules"}
    assert len(one) == 18
    assert set(pd.read_csv(out / "tables" / "measures_joints.csv")["detector"]) == {"learned", "rules"}
    assert (out / "contact_sheet_joints.png").stat().st_size > 10_000
    assert "resnet_tiny" in (out / "report.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_the_network_that_comes_along_is_judged_on_the_same_joints(
    folder: Path, joints: Path, model: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Here the trained one stands in for it, so that its figures must be those of `learned`."""
    out = folder / "three"
    monkeypatch.setattr("jointwise.models.bench.SHIPPED_FOLDER", model)
    words = [f"data={joints}", f"model={model}", f"out={out}", "tracking.enabled=false", "device=cpu"]
    assert main(["evaluate", *words, "shipped=true"]) == 0
    table = pd.read_csv(out / "tables" / "measures_joints.csv").set_index(["kind", "detector"])
    assert set(table.index.get_level_values("detector")) == {"learned", "rules", "shipped"}
    pd.testing.assert_frame_equal(table.xs("shipped", level=1), table.xs("learned", level=1))


@pytest.mark.slow
def test_rules_alone_can_be_asked(folder: Path, joints: Path, model: Path) -> None:
    out = folder / "rules only"
    words = [f"data={joints}", f"model={model}", f"out={out}", "detectors=[rules]", "tracking.enabled=false"]
    assert main(["evaluate", *words]) == 0
    assert set(pd.read_csv(out / "tables" / "measures_joints.csv")["detector"]) == {"rules"}


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """The one sentence with which a command line is refused."""
    assert main(list(words)) == 2
    said = capsys.readouterr().err
    assert "Traceback" not in said
    assert said.count("\n") == 1
    return said


def test_a_store_that_is_not_there_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("train", "verify"):
        said = refused(
            capsys,
            command,
            f"data={tmp_path / 'nowhere'}",
            *([f"out={tmp_path / 't'}"] * (command == "train")),
        )
        assert "expected a store of joints" in said
    assert not (tmp_path / "nowhere").exists()


def test_a_model_that_is_not_there_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = pd.DataFrame({"split": ["test"], "present": [1]})
    with StoreWriter(tmp_path / "store", Grid((8, 8, 8)), 0, {}) as writer:
        writer.add("scan_00000", Joints(np.zeros((1, 8, 8, 8), np.float16), table, Grid((8, 8, 8))))
    words = [f"data={tmp_path / 'store'}", f"model={tmp_path / 'model'}", f"out={tmp_path / 'e'}"]
    assert "expected a folder of detectors" in refused(capsys, "evaluate", *words)
    assert not (tmp_path / "e").exists()


def test_settings_that_cannot_be_are_refused_before_anything_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = refused(
        capsys, "generate", f"out={tmp_path / 'store'}", "defects.non_wet=0.7", "defects.head_in_pillow=0.6"
    )
    assert "head_in_pillow + non_wet at most 1" in said
    assert "whole number of at least 1" in refused(
        capsys, "generate", f"out={tmp_path / 'store'}", "boards=0"
    )
    assert not (tmp_path / "store").exists()
