"""The network that comes with jointwise: used where no model is given, told of, and missed in one sentence."""

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import SimpleITK
import torch

from jointwise.commands import demo, doctor
from jointwise.commands.main import main
from jointwise.commands.screen import Done
from jointwise.commands.settings import DemoConfig, DoctorConfig, ScoreConfig
from jointwise.commands.settings_evaluate import EvaluateConfig
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.models import bench
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import WEIGHTS, save_model
from jointwise.models.names import MODEL_CARD
from jointwise.models.network import build_network
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import Thresholds

NETWORK = NetworkSettings("first_one", widths=(4, 4, 8, 8))
CUTS = Thresholds(((1.0,) * 4,), "f1", None, ((9,) * 4,), ((30,) * 4,))


def ship(folder: Path, grid: Grid) -> Path:
    """A network with random weights in a folder, as one that was shipped."""
    torch.manual_seed(0)
    envelope = Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}, 12)
    data = {"simulated": True, "training_joints": 100}
    save_model(
        folder,
        build_network(NETWORK),
        Card("first_one", grid, NETWORK, CUTS, Calibration(), envelope, data, "0", {}),
    )
    return folder


@pytest.fixture
def shipped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The copy of jointwise under test comes with a network of random weights."""
    monkeypatch.setattr(bench, "SHIPPED_FOLDER", ship(tmp_path / "first", Grid((16, 20, 20))))
    return bench.SHIPPED_FOLDER


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The copy under test comes with none."""
    monkeypatch.setattr(bench, "SHIPPED_FOLDER", tmp_path / "nothing")


@pytest.fixture(scope="module")
def scan_file(phantom: Callable[..., Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = phantom(missing=((1, 2),))
    image = SimpleITK.GetImageFromArray(made.volume)
    image.SetSpacing(made.lattice.spacing_mm)
    image.SetOrigin(made.lattice.origin_mm)
    path = tmp_path_factory.mktemp("scan") / "board.mha"
    SimpleITK.WriteImage(image, str(path))
    return path


@pytest.mark.usefixtures("shipped")
def test_score_without_a_model_takes_it_and_says_so(
    scan_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["score", f"scan={scan_file}", "array.ball_mm=0.46", f"out={tmp_path / 'out'}", "device=cpu"]
    assert main(words) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith(
        "the network first_one comes with jointwise and was trained on simulated joints only"
    )
    assert {line.removeprefix("wrote ") for line in said if line.startswith("wrote ")} == {
        str(path) for path in (tmp_path / "out").iterdir()
    }
    table = pd.read_csv(tmp_path / "out" / "joints.csv")
    assert set(table["detector"]) == {"first_one"}
    assert table.loc[table["present"] == 1, "score_void"].notna().all()
    assert table["rules_void"].isna().all()  # no rules came with it


@pytest.mark.usefixtures("bare")
def test_score_without_a_model_where_none_comes_is_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["score", "scan=board.mha", f"out={tmp_path / 'out'}"]) == 2
    said = capsys.readouterr().err
    assert "expected model=FOLDER" in said
    assert said.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_doctor_says_whether_it_is_there_and_whole(
    shipped: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(doctor, "CHECKS", tuple(c for c in doctor.CHECKS if c.name == "network"))
    doctor.run(DoctorConfig())
    said = capsys.readouterr().out
    assert "first_one comes with this copy" in said
    assert "was not written down" in said
    (shipped / MODEL_CARD).write_text("# Model card")
    doctor.run(DoctorConfig())
    assert f"what was measured of it: {shipped / MODEL_CARD}" in capsys.readouterr().out
    (shipped / WEIGHTS).write_bytes(b"cut short")
    with pytest.raises(InputError, match=r"1 failed \(network\)"):
        doctor.run(DoctorConfig())
    assert "damaged" in capsys.readouterr().out
    monkeypatch.setattr(bench, "SHIPPED_FOLDER", tmp_path / "nothing")
    doctor.run(DoctorConfig())
    assert "none comes with this copy" in capsys.readouterr().out


def test_rules_come_with_it_only_where_its_folder_holds_them(shipped: Path) -> None:
    found = bench.load_shipped()
    assert list(found.judges) == ["learned"]
    assert found.card is not None
    assert found.grid == Grid((16, 20, 20))
    with pytest.raises(InputError, match="expected fitted rules"):
        bench.load_shipped(["rules"])
    (shipped / "rules.json").write_text("{}")
    with pytest.raises(InputError, match="expected fitted rules"):  # there, wanted, and damaged
        bench.load_shipped()


def steps(monkeypatch: pytest.MonkeyPatch, grid: Grid, out: Path) -> tuple[EvaluateConfig, ScoreConfig]:
    """What `jointwise demo` asks evaluation and scoring for; no step is done."""
    asked: dict[str, Any] = {}
    for name in ("generate", "train", "evaluate", "score"):
        module = getattr(demo, name)
        monkeypatch.setattr(module, "run", lambda cfg, name=name: asked.update({name: cfg}) or Done())
    cfg = DemoConfig(out=out)
    demo.run(dataclasses.replace(cfg, generate=dataclasses.replace(cfg.generate, grid=grid)))
    return asked["evaluate"], asked["score"]


@pytest.mark.usefixtures("shipped")
def test_the_demo_sets_it_beside_its_own_network_and_scores_the_scan_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    judged, scored = steps(monkeypatch, Grid((16, 20, 20)), tmp_path)
    assert judged.shipped
    assert scored.model is None
    said = capsys.readouterr().out
    assert "trained on simulated joints only" in said
    assert "What was measured of the network" not in said
    (bench.SHIPPED_FOLDER / MODEL_CARD).write_text("# Model card")
    judged, scored = steps(monkeypatch, Grid((16, 20, 22)), tmp_path)
    assert not judged.shipped
    assert scored.model is None
    said = capsys.readouterr().out
    assert "on another grid" in said
    assert f"What was measured of the network that comes with jointwise: {bench.SHIPPED_FOLDER}" in said


@pytest.mark.usefixtures("bare")
def test_the_demo_does_without_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    judged, scored = steps(monkeypatch, Grid(), tmp_path)
    assert not judged.shipped
    assert scored.model == tmp_path / "train" / "model"
