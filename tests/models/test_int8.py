"""A graph in eight bits belongs to the weights beside it, says nearly what they say, and is taken only where it may be.

NNCF is not needed: a graph is written here as the tool writes one, with its weights rounded to a coarse step instead.
"""

import json
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import torch

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import load_model, save_model
from jointwise.models.int8 import GRAPH, KEY, VALUES
from jointwise.models.learned import LearnedDetector
from jointwise.models.names import CARD
from jointwise.models.network import Asked, build_network
from jointwise.models.runtime import graph_of
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import Thresholds

openvino = pytest.importorskip("openvino")

GRID = Grid((16, 16, 16))
SETTINGS = NetworkSettings(
    "tiny", widths=(4, 4, 8, 8), stem_stride=(1, 2, 2), masks=True, decoder_widths=(4, 4, 8), sizes=True
)


def joints(n: int = 5) -> Joints:
    volumes = np.random.default_rng(1).random((n, *GRID.shape)).astype(np.float16)
    table = pd.DataFrame({"ball": [f"A{i + 1}" for i in range(n)], "pitch_mm": 0.8, "ball_mm": 0.5})
    return Joints(volumes, table, GRID)


def coarser(network: torch.nn.Module) -> torch.nn.Module:
    """The network with its kernels rounded to 127 steps of their largest weight, as eight bits do."""
    for value in network.state_dict().values():
        if value.is_floating_point() and value.ndim > 1:
            step = value.abs().max() / 127
            value.copy_((value / step).round() * step)
    return network


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A model folder with a graph beside its weights."""
    torch.manual_seed(0)
    card = Card(
        "tiny",
        GRID,
        SETTINGS,
        Thresholds(((0.5,) * 4,), "f1", None, ((9,) * 4,), ((30,) * 4,)),
        Calibration((1.0,) * 4, (0.0,) * 4, (39,) * 4),
        Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}),
        {},
        "0.0.0",
        {},
    )
    network = build_network(SETTINGS).eval()
    place = tmp_path / "model"
    save_model(place, network, card)
    graph = graph_of(Asked(coarser(network), masks=True, features=True), GRID.shape)  # type: ignore[arg-type]
    openvino.save_model(graph, place / GRAPH, compress_to_fp16=False)
    told(place)
    return place


def told(place: Path, **other: Any) -> None:
    """Let the card speak of the graph."""
    data = json.loads((place / CARD).read_text())
    xml, values = (sha256((place / name).read_bytes()).hexdigest() for name in (GRAPH, VALUES))
    data[KEY] = {
        "weights_sha256": data["weights_sha256"],
        "xml_sha256": xml,
        "bin_sha256": values,
        "masks": True,
    }
    data[KEY].update(other)
    (place / CARD).write_text(json.dumps(data))


def test_a_cpu_takes_the_graph_and_hears_nearly_what_the_weights_say(folder: Path) -> None:
    small, plain = load_model(folder, runtime="auto"), load_model(folder, runtime="openvino")
    assert (small.runtime, plain.runtime) == ("int8", "openvino")
    for ask in (LearnedDetector.logits, LearnedDetector.features, LearnedDetector.evidence):
        a, b = ask(small, joints()).astype(np.float64), ask(plain, joints()).astype(np.float64)
        assert a.shape == b.shape
        assert 0 < np.abs(a - b).max() < 0.05 * np.ptp(b)  # rounded weights speak, not the float32 ones
    looked = small.score_and_measure(joints())[0]
    np.testing.assert_array_equal(looked, small.score(joints()))


def test_other_runtimes_stay_as_they_are(folder: Path) -> None:
    plain = load_model(folder, runtime="torch")
    assert plain.runtime == "torch"
    graph = load_model(folder, runtime="openvino").logits(joints())
    np.testing.assert_allclose(graph, plain.logits(joints()), rtol=0, atol=1e-4)


def test_a_graph_of_other_weights_is_refused(folder: Path) -> None:
    told(folder, weights_sha256="0" * 64)
    with pytest.raises(InputError, match="made from other weights"):
        load_model(folder)


@pytest.mark.parametrize("name", [GRAPH, VALUES])
def test_a_damaged_or_missing_file_is_refused(folder: Path, name: str) -> None:
    data = (folder / name).read_bytes()
    (folder / name).write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    with pytest.raises(InputError, match="damaged"):
        load_model(folder)
    (folder / name).unlink()
    with pytest.raises(InputError, match=f"expected {GRAPH} and {VALUES}"):
        load_model(folder)


def test_a_folder_without_one_runs_as_before_and_refuses_int8(folder: Path) -> None:
    data = json.loads((folder / CARD).read_text())
    del data[KEY]
    (folder / CARD).write_text(json.dumps(data))
    assert load_model(folder, runtime="auto").runtime == "openvino"
    with pytest.raises(InputError, match="expected a model folder with int8.xml"):
        load_model(folder, runtime="int8")


def test_saving_other_weights_leaves_no_graph_of_the_old_ones(folder: Path) -> None:
    detector = load_model(folder)
    save_model(folder, build_network(SETTINGS), detector.card)
    assert not (folder / GRAPH).exists()
    assert load_model(folder, runtime="auto").runtime == "openvino"


def test_a_copy_with_another_runtime_asks_that_one(folder: Path) -> None:
    from dataclasses import replace

    small = load_model(folder, runtime="int8")
    before = small.logits(joints())
    assert np.abs(replace(small, runtime="torch").logits(joints()) - before).max() > 0
    np.testing.assert_array_equal(small.logits(joints()), before)
