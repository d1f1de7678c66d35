"""Model folders: the same numbers after saving, whole or not at all, and every damage one sentence."""

import json
import os
import pickle
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import torch

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.models import folder as model_folder
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import WEIGHTS, load_model, save_model
from jointwise.models.learned import LearnedDetector, find_device
from jointwise.models.names import CARD
from jointwise.models.network import JointNetwork, build_network
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import Thresholds

GRID = Grid((16, 16, 16))
SETTINGS = NetworkSettings("tiny", widths=(4, 4, 8, 8))


def made(seed: int = 0) -> tuple[JointNetwork, Card]:
    torch.manual_seed(seed)
    card = Card(
        name="tiny",
        grid=GRID,
        network=SETTINGS,
        thresholds=Thresholds(((0.5, 0.4, 0.3, 0.2),), "f1", None, ((9,) * 4,), ((30,) * 4,)),
        calibration=Calibration((1.0, 0.5, 2.0, 1.0), (0.0, 0.1, -0.2, 0.0), (39, 39, 39, 39)),
        envelope=Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}),
        data={"fingerprint": "abc", "training_joints": 100},
        code_version="0.0.0",
        metrics={"validation": {"void": {"n": 39, "ap": 0.9}}},
    )
    return build_network(SETTINGS), card


def joints(n: int = 5) -> Joints:
    rng = np.random.default_rng(1)
    volumes = rng.random((n, *GRID.shape)).astype(np.float16)
    table = pd.DataFrame({"ball": [f"A{i + 1}" for i in range(n)], "pitch_mm": 0.8, "ball_mm": 0.5})
    return Joints(volumes, table, GRID)


@pytest.fixture
def saved(tmp_path: Path) -> Path:
    save_model(tmp_path / "model", *made())
    return tmp_path / "model"


def test_loaded_gives_the_same_numbers_and_card(saved: Path) -> None:
    """Bit for bit."""
    network, card = made()
    before, after = LearnedDetector(network, card, find_device("cpu")), load_model(saved)
    assert after.card == card
    assert after.name == "tiny"
    np.testing.assert_array_equal(after.score(joints()), before.score(joints()))


def test_a_network_with_sizes_measures_the_same_once_loaded(tmp_path: Path) -> None:
    """Void areas bit for bit, of its fifth column; the others are not measured, and scores are of the first four."""
    settings = replace(SETTINGS, sizes=True)
    torch.manual_seed(0)
    network, card = build_network(settings), replace(made()[1], network=settings)
    with torch.no_grad():
        network.backbone.fc.bias[4] = 1.5  # type: ignore[union-attr, index]
    save_model(tmp_path / "model", network, card)
    before, after = LearnedDetector(network, card, find_device("cpu")), load_model(tmp_path / "model")
    assert after.card.network.sizes
    measured = before.measure(joints())
    pd.testing.assert_frame_equal(after.measure(joints()), measured, check_exact=True)
    assert list(measured.columns[measured.notna().any()]) == ["void_projected_area_pct"]
    with torch.inference_mode():
        said = network(torch.from_numpy(joints().volumes.astype(np.float32))).double().numpy()
    assert (said[:, 4] > 0.5).all()
    np.testing.assert_allclose(measured["void_projected_area_pct"], 5 * said[:, 4] ** 2, rtol=1e-6)
    np.testing.assert_allclose(after.logits(joints()), said[:, :4], rtol=1e-5, atol=1e-6)


def test_a_card_from_before_there_were_sizes_still_loads(saved: Path) -> None:
    """Its network has none and measures nothing."""
    card = json.loads((saved / CARD).read_text())
    del card["network"]["sizes"]
    (saved / CARD).write_text(json.dumps(card))
    detector = load_model(saved)
    assert detector.card == made()[1]
    assert detector.measure(joints()).isna().all(axis=None)


def test_half_weights_are_half_as_large_and_load_as_float32(tmp_path: Path) -> None:
    """Kernels alone are rounded (to 11 bits); biases, statistics and counters come back bit for bit."""
    saved, half = tmp_path / "whole", tmp_path / "half"
    network, card = made()
    with torch.no_grad():
        for value in network.parameters():
            value.add_(0.01 * torch.rand_like(value))  # fresh biases are 0, which any format holds
    save_model(saved, network, card)
    save_model(half, network, card, half=True)
    whole = load_model(saved)
    rounded = load_model(half)
    for name, value in rounded.network.state_dict().items():
        before = whole.network.state_dict()[name]
        assert value.dtype == before.dtype
        if before.ndim > 1:
            assert not torch.equal(value, before)
            torch.testing.assert_close(value, before, rtol=2**-11, atol=1e-7)
        else:
            assert torch.equal(value, before)
    assert (half / WEIGHTS).stat().st_size < 0.7 * (saved / WEIGHTS).stat().st_size
    np.testing.assert_allclose(rounded.score(joints()), whole.score(joints()), atol=1e-3)


def test_scores_are_calibrated_logits(saved: Path) -> None:
    """A loader that forgets the calibration gives other numbers."""
    detector = load_model(saved)
    logits = detector.logits(joints())
    np.testing.assert_allclose(detector.score(joints())[:, 1], 1 / (1 + np.exp(-(0.5 * logits[:, 1] + 0.1))))


def test_batches_do_not_show(saved: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """More joints than one batch holds come back in their order."""
    detector = load_model(saved)
    whole = detector.logits(joints(7))
    monkeypatch.setattr("jointwise.models.runtime.CPU_BATCH", 2)
    np.testing.assert_allclose(detector.logits(joints(7)), whole, rtol=1e-5, atol=1e-6)


def test_another_grid_is_refused(saved: Path) -> None:
    """Sub-volumes of other size or of another box are other joints to a network."""
    other = Grid(GRID.shape, pitches=1.4)
    with pytest.raises(InputError, match="on the grid"):
        load_model(saved).score(Joints(joints().volumes, joints().table, other))


def test_only_two_files_and_no_pickle(saved: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Loading must not be able to run code from the folder."""

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("unpickled while loading a model")

    monkeypatch.setattr(torch, "load", refuse)
    monkeypatch.setattr(pickle, "load", refuse)
    monkeypatch.setattr(pickle, "loads", refuse)
    monkeypatch.setattr(pickle, "Unpickler", refuse)
    load_model(saved)
    assert sorted(path.name for path in saved.iterdir()) == [CARD, WEIGHTS]


def test_saving_again_replaces_the_whole_folder(saved: Path) -> None:
    """No file of the older model stays, nothing is left beside."""
    (saved / "note.txt").write_text("mine")
    save_model(saved, *made(seed=1))
    load_model(saved)
    assert [path.name for path in saved.parent.iterdir()] == ["model"]
    assert sorted(path.name for path in saved.iterdir()) == [CARD, WEIGHTS]


def test_a_failed_save_leaves_the_older_model(saved: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk is full while the card is written."""

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    before = load_model(saved).score(joints())
    monkeypatch.setattr(model_folder, "write_text", full)
    with pytest.raises(OSError, match="No space left"):
        save_model(saved, *made(seed=1))
    monkeypatch.undo()
    assert [path.name for path in saved.parent.iterdir()] == ["model"]
    np.testing.assert_array_equal(load_model(saved).score(joints()), before)


def test_a_folder_that_is_no_model_is_not_overwritten(tmp_path: Path) -> None:
    """A user's folder given by mistake."""
    (tmp_path / "photos").mkdir()
    with pytest.raises(InputError, match="something else"):
        save_model(tmp_path / "photos", *made())


def edit(key: str, value: object) -> Callable[[Path], None]:
    """Change one value of the card."""

    def change(folder: Path) -> None:
        data = json.loads((folder / CARD).read_text())
        data[key] = value
        (folder / CARD).write_text(json.dumps(data))

    return change


def cut_weights(folder: Path) -> None:
    os.truncate(folder / WEIGHTS, 1000)


def other_weights(folder: Path) -> None:
    save_model(folder.parent / "other", *made(seed=9))
    (folder.parent / "other" / WEIGHTS).replace(folder / WEIGHTS)


DAMAGES: dict[str, tuple[Callable[[Path], None], str]] = {
    "no card": (lambda f: (f / CARD).unlink(), "found none; train a network"),
    "no weights": (lambda f: (f / WEIGHTS).unlink(), "expected weights that read"),
    "cut weights": (cut_weights, "damaged ones"),
    "other weights": (other_weights, "expected the weights that belong"),
    "no JSON": (lambda f: (f / CARD).write_text("{"), "expected a card in JSON"),
    "no text": (lambda f: (f / CARD).write_bytes(b"\xff\xfe\x00"), "expected a card in JSON"),
    "a list": (lambda f: (f / CARD).write_text("[]"), "found list"),
    "other format": (edit("format", "x-9"), "found x-9"),
    "other kinds": (edit("kinds", ["void"]), "of the kinds"),
    "no grid": (edit("grid", {}), "damaged one .KeyError"),
    "unknown key": (edit("network", {"depth": 3}), "damaged one .TypeError"),
    "other network": (edit("network", {"widths": [8, 8, 8, 8]}), "expected weights of the network"),
    "unknown family": (edit("network", {"family": "vgg"}), "network.family"),
    "no thresholds": (edit("thresholds", None), "damaged one .TypeError"),
    "falling slope": (
        edit("calibration", dict.fromkeys(["void", "non_wet", "bridging", "head_in_pillow"])),
        "damaged",
    ),
    "envelope": (edit("envelope", {"cnr": [1, 2]}), "damaged one .KeyError"),
}


@pytest.mark.parametrize("damage", list(DAMAGES))
def test_every_damage_is_one_sentence(damage: str, saved: Path) -> None:
    """It names the file and says what to do; no traceback of a library comes through."""
    harm, words = DAMAGES[damage]
    harm(saved)
    with pytest.raises(InputError, match=words) as caught:
        load_model(saved)
    assert "\n" not in str(caught.value)
    assert str(saved) in str(caught.value)


def test_an_unreadable_place_is_one_sentence(tmp_path: Path) -> None:
    """A folder that is not there, and a file in its place."""
    (tmp_path / "file").write_text("x")
    for place in ("nowhere", "file"):
        with pytest.raises(InputError, match="expected a model folder"):
            load_model(tmp_path / place)


def test_an_unknown_device_is_one_sentence(saved: Path) -> None:
    """A misspelt device, and a card this machine does not have."""
    for device in ("gpu", "cuda:99"):
        with pytest.raises(InputError, match="device: expected one of auto, cpu"):
            load_model(saved, device)
