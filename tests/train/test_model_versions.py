"""MLflow's registry: every finished model is a version that loads from code, without pickle, and scores the same."""

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import torch

from jointwise.commands.main import main
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.store import Store
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import load_model, read_card, save_model
from jointwise.models.network import build_network
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import Thresholds
from jointwise.train import model_versions
from jointwise.train.mlflow_store import open_store
from jointwise.train.settings import TrackingSettings
from jointwise.train.tracking import track, track_model

GRID = Grid((16, 16, 16))
NETWORK = NetworkSettings("tiny", widths=(4, 4, 4, 4))
CUTS = Thresholds(((0.5,) * 4,), "f1", None, ((9,) * 4,), ((30,) * 4,))
PLAIN = {"", ".py", ".json", ".yaml", ".txt", ".safetensors"}
"""Text, and tensors without code: whatever else lies there might be a pickle."""


def make_model(folder: Path, seed: int = 0) -> Path:
    """A model folder of random weights."""
    torch.manual_seed(seed)
    envelope = Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}, 12)
    data = {"fingerprint": "f" * 64, "simulated": True, "training_joints": 100}
    card = Card("tiny", GRID, NETWORK, CUTS, Calibration(), envelope, data, "0.1+abc", {"best_epoch": 2})
    save_model(folder, build_network(NETWORK), card)
    return folder


def make_run(out: Path) -> Path:
    """What a finished training of two stores leaves."""
    make_model(out / "model")
    facts = {"store": "a/joints", "more_stores": ["b/more"], "fingerprint": "e" * 64}
    texts = {
        "settings.json": json.dumps({"seed": 3, "derived": {"n": 1}}),
        "facts.json": json.dumps(facts | {"fingerprints": ["c" * 64, "d" * 64]}),
        "metrics.jsonl": json.dumps({"epoch": 1, "loss": 0.5}) + "\n",
    }
    for name, text in texts.items():
        (out / name).write_text(text)
    return out


@pytest.fixture(scope="module")
def tracking(tmp_path_factory: pytest.TempPathFactory) -> TrackingSettings:
    """One SQLite store for this module, in a folder with a difficult name: setting one up takes seconds."""
    return TrackingSettings(folder=tmp_path_factory.mktemp("t") / "Läufe b=c,[d] e")


@pytest.fixture
def client(tracking: TrackingSettings, tmp_path: Path) -> Iterator[Any]:
    """MLflow's own client on that store, which MLflow also asks without being told."""
    import mlflow

    opened = open_store(tracking, tmp_path)
    mlflow.set_tracking_uri(opened.uri)
    yield opened.client
    mlflow.set_tracking_uri("")


def joints(n: int = 5) -> Joints:
    """Joints of noise, the last outside the envelope."""
    rng = np.random.default_rng(1)
    table = pd.DataFrame(
        {
            "scan": "s",
            "ball": [f"A{i}" for i in range(n)],
            "pitch_mm": 0.8,
            "ball_mm": 0.5,
            "voxels_per_ball": 20.0,
            "cnr": [20.0] * (n - 1) + [1.0],
        }
    )
    return Joints(rng.random((n, *GRID.shape), np.float32), table, GRID)


def asked(some: Joints) -> pd.DataFrame:
    """As a user hands them over."""
    return some.table.assign(volume=list(some.volumes))


def test_a_finished_training_is_a_version_with_alias_and_lineage(
    tmp_path: Path, tracking: TrackingSettings, client: Any
) -> None:
    """Its tags say data, weights, code and recipe; the run holds all stores; asked again it is the same version."""
    named = replace(tracking, registered_as="lineage")
    out = make_run(tmp_path / "run")
    done = track(out, named)
    assert done.version == ("lineage", "1", "candidate")
    found = client.get_model_version_by_alias("lineage", "candidate")
    assert found.run_id == done.run_id
    card = json.loads((out / "model" / "card.json").read_text())
    expected = {
        "data_fingerprint": "f" * 64, "training_joints": "100", "simulated": "True", "network": "tiny",
        "weights_sha256": card["weights_sha256"], "code_version": "0.1+abc",
    }  # fmt: skip
    assert {k: v for k, v in found.tags.items() if not k.endswith("settings_sha256")} == {
        f"jointwise.{key}": value for key, value in expected.items()
    }
    digests = {one.dataset.digest for one in client.get_run(done.run_id).inputs.dataset_inputs}
    assert digests == {letter * 36 for letter in "ecd"}
    assert track(out, named) == done
    second = track(make_run(tmp_path / "second"), named)
    assert second.version is not None
    assert second.version.number == "2"
    assert client.get_model_version_by_alias("lineage", "candidate").version == 2
    again = track(out, named)
    assert again.version == ("lineage", "1", "")  # the alias has gone to the newer one, and stays there
    assert client.get_model_version_by_alias("lineage", "candidate").version == 2


def test_the_recipe_tag_tells_recipes_apart_but_not_what_followed_from_the_data() -> None:
    one = model_versions.settings_tag({"seed": 1, "derived": {"joints": 3}})
    assert one == model_versions.settings_tag({"seed": 1, "derived": {"joints": 4}})
    assert one != model_versions.settings_tag({"seed": 2})


def test_a_registered_model_loads_from_code_without_pickle_and_scores_the_same(
    tmp_path: Path, tracking: TrackingSettings, client: Any
) -> None:
    import mlflow

    model = make_model(tmp_path / "model")
    done = track_model(model, tmp_path, replace(tracking, registered_as="plain", alias=""))
    assert done.version is not None
    assert done.version.uri == "models:/plain/1"
    place = tracking.folder / "artefacts" / done.run_id / "artifacts"  # type: ignore[operator]
    files = [path for path in place.rglob("*") if path.is_file()]
    assert {"MLmodel", "pyfunc_model.py", "model.safetensors", "card.json"} <= {path.name for path in files}
    assert {path.suffix for path in files} <= PLAIN
    texts = [path.read_bytes() for path in files if path.suffix != ".safetensors"]
    assert [text for text in texts if text[:1] == b"\x80" or text[:2] == b"PK"] == []
    some = joints()
    said = mlflow.pyfunc.load_model(done.version.uri).predict(asked(some))
    detector = load_model(model)
    scores = detector.score(some)
    np.testing.assert_array_equal(said[[f"score_{kind}" for kind in KINDS]], scores)
    np.testing.assert_array_equal(said[[f"call_{kind}" for kind in KINDS]], scores >= 0.5)
    assert said["ball"].tolist() == some.table["ball"].tolist()
    assert said["out_of_envelope"].tolist() == [0, 0, 0, 0, 1]
    run = client.get_run(done.run_id)
    assert run.info.status == "FINISHED"
    assert run.inputs.dataset_inputs[0].dataset.digest == "f" * 36


@pytest.mark.slow
@pytest.mark.usefixtures("client")
def test_a_fresh_process_loads_it_by_its_alias_and_scores_a_store(
    tmp_path: Path, store: Path, tracking: TrackingSettings, capsys: pytest.CaptureFixture[str]
) -> None:
    """As a colleague would, elsewhere, with nothing but MLflow and the package; the command registers the folder."""
    model = make_model(tmp_path / "model")
    words = [f"tracking.folder={tracking.folder}", "tracking.registered_as=ours", "tracking.alias=champion"]
    assert main(["register", f"model={model}", *words]) == 0
    assert "mlflow.pyfunc.load_model('models:/ours@champion')" in capsys.readouterr().out
    shutil.move(model, tmp_path / "gone")
    code = (
        "import sys, mlflow, pandas as pd\n"
        "mlflow.set_tracking_uri(sys.argv[1])\n"
        "model = mlflow.pyfunc.load_model('models:/ours@champion')\n"
        "model.predict(pd.DataFrame({'store': [sys.argv[2]]})).to_parquet(sys.argv[3])\n"
    )
    uri, out = open_store(tracking, tmp_path).uri, tmp_path / "said.parquet"
    subprocess.run([sys.executable, "-c", code, uri, str(store), str(out)], check=True, cwd=tmp_path)
    said, opened = pd.read_parquet(out), Store(store)
    whole = opened.read()
    there = whole.table["present"].to_numpy() > 0.5
    scores = load_model(tmp_path / "gone").score(whole)
    told = said[[f"score_{kind}" for kind in KINDS]].to_numpy()
    np.testing.assert_allclose(told[there], scores[there], atol=1e-6)
    assert np.isnan(told[~there]).all()
    assert read_card(tmp_path / "gone").data["fingerprint"] == "f" * 64


def test_a_registry_that_fails_leaves_the_run_finished_and_is_asked_again(
    tmp_path: Path, tracking: TrackingSettings, client: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from mlflow.exceptions import MlflowException

    def refuse(*_: object, **__: object) -> None:
        raise MlflowException("no registry here")

    out, named = make_run(tmp_path / "run"), replace(tracking, registered_as="later")
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    with monkeypatch.context() as patch:
        patch.setattr(type(client), "create_model_version", refuse)
        with pytest.raises(InputError, match="no registry here"):
            track(out, named)
    assert {path: path.read_bytes() for path in before} == before
    run_id = json.loads((out / "tracked.json").read_text())["run_id"]
    assert client.get_run(run_id).info.status == "FINISHED"
    done = track(out, named)
    assert (done.run_id, done.version) == (run_id, ("later", "1", "candidate"))


def test_nothing_is_registered_where_no_name_is_given(
    tmp_path: Path, tracking: TrackingSettings, client: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    done = track(make_run(tmp_path / "run"), replace(tracking, registered_as=""))
    assert done.version is None
    assert "pyfunc" not in {item.path for item in client.list_artifacts(done.run_id)}
    assert main(["register", "tracking.registered_as="]) == 2
    assert "expected a name to register the model by" in capsys.readouterr().err


def test_a_damaged_folder_is_not_registered(tmp_path: Path, tracking: TrackingSettings, client: Any) -> None:
    model = make_model(tmp_path / "model")
    (model / "model.safetensors").write_bytes(b"cut short")
    with pytest.raises(InputError, match="expected the weights that belong to"):
        track_model(model, tmp_path, replace(tracking, registered_as="damaged"))
    assert [found.name for found in client.search_registered_models("name='damaged'")] == []


@pytest.mark.parametrize("alias", ["latest", "v3", "3", "a b", "ä"])
def test_an_alias_mlflow_does_not_take_is_refused_before_any_training(alias: str) -> None:
    with pytest.raises(InputError, match=r"tracking\.alias: expected a letter"):
        TrackingSettings(alias=alias)
    with pytest.raises(InputError, match=r"tracking\.registered_as: expected a name without"):
        TrackingSettings(registered_as="a/b")
