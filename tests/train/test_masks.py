"""Training with masks: what is read, that it is learned, repeats, and goes on where it was cut off."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from safetensors.numpy import load_file

from jointwise.evaluation.statistics.pointing import hits
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.masks import FULL, MASKS, mask_shape
from jointwise.joints.store import Store, StoreWriter
from jointwise.models.folder import load_model
from jointwise.models.settings import NetworkSettings
from jointwise.train import run
from jointwise.train.data import gathered, load_split, resident
from jointwise.train.loop import SPEED
from jointwise.train.mask_loss import mask_loss, usual_shares
from jointwise.train.run import train
from jointwise.train.settings import AugmentSettings, OptimiserSettings, TrainSettings

NETWORK = NetworkSettings("tiny", widths=(8, 16, 16, 16), masks=True, decoder_widths=(8, 8, 8))
CPU = torch.device("cpu")


class Cut(Exception):
    """Stands in for whatever ends a process."""


def painted_masks(joints: Joints) -> np.ndarray:
    """What `conftest.paint` drew, as masks: the dark parts of a ball are its void or gap, a bright rim its bridge."""
    n, (_, z, y, x) = len(joints), mask_shape(joints.grid)
    fine = joints.volumes.astype(np.float32).reshape(n, z, 2, y, 2, x, 2)
    metal = np.clip(fine, 0, 1).mean(axis=(2, 4, 6))
    at = np.meshgrid(*((np.arange(k) + 0.5) * 2 / k - 1 for k in (z, y, x)), indexing="ij")
    ball = (sum(a**2 for a in at) < 0.55**2) & (metal < 0.8)
    has = joints.table[list(KINDS)].to_numpy(dtype=np.float64, na_value=0.0) == 1
    masks = np.zeros((n, *mask_shape(joints.grid)), np.float32)
    masks[:, 0] = metal
    masks[:, 1] = (1 - metal) * ball * has[:, 0, None, None, None]
    masks[:, 2] = (1 - metal) * ball * (has[:, 1] | has[:, 3])[:, None, None, None]
    masks[:, 3] = metal * (sum(a**2 for a in at) > 0.7**2) * has[:, 2, None, None, None]
    return np.asarray(np.round(masks * FULL), dtype=np.uint8)


@pytest.fixture(scope="session")
def masked(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The painted store, with masks."""
    joints, folder = Store(store).read(), tmp_path_factory.mktemp("masked") / "store"
    with StoreWriter(folder, joints.grid, seed=None, config={}, masks=True) as writer:
        writer.add("a", Joints(joints.volumes, joints.table, joints.grid, painted_masks(joints)))
    return folder


@pytest.fixture(autouse=True)
def no_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the page of examples out: it takes seconds."""
    monkeypatch.setattr(run, "_draw_examples", lambda *_: None)


def settings(store: Path, out: Path) -> TrainSettings:
    """A training of two epochs of four steps with everything that moves masks in use."""
    return TrainSettings(
        store, out, epochs=2, batch=16, threads=1, device="cpu", checkpoint_steps=3, network=NETWORK,
        augment=AugmentSettings(mirror=0.5, turn=0.7, shift=0.5, noise=0.05),
    )  # fmt: skip


def lines(out: Path) -> list[dict[str, float]]:
    found = [json.loads(line) for line in (out / "metrics.jsonl").read_text().splitlines()]
    assert all(line.pop(SPEED) > 0 for line in found)
    return found


def same(a: Path, b: Path) -> bool:
    left, right = (load_file(folder / "model" / "model.safetensors") for folder in (a, b))
    return all(np.array_equal(left[k], right[k]) for k in left | right) and lines(a) == lines(b)


@pytest.fixture(scope="session")
def whole(masked: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A training with masks, finished in one go."""
    out = tmp_path_factory.mktemp("whole") / "run"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "_draw_examples", lambda *_: None)
        train(settings(masked, out))
    return out


def test_masks_come_with_a_split_that_is_asked_for_them(masked: Path, store: Path) -> None:
    """Row for row those of its joints, under a limit too; otherwise none; a store without them is refused."""
    opened = Store(masked)
    rows, split = opened.split("train"), load_split(opened, "train", seed=1, limit=12, masks=True)
    assert split.masks is not None
    assert split.masks.dtype == torch.uint8
    of_ball = {
        (r.board_id, r.ball): row for row, r in zip(rows, opened.table.iloc[rows].itertuples(), strict=True)
    }
    wanted = [of_ball[(r.board_id, r.ball)] for r in split.table.itertuples()]
    np.testing.assert_array_equal(split.masks.numpy(), opened.read(np.array(wanted), masks=True).masks)
    assert resident(split, CPU).masks is split.masks
    assert torch.equal(gathered(split.masks, torch.tensor([3, 0]), CPU), split.masks[[3, 0]])
    assert load_split(opened, "train", seed=1, limit=12).masks is None
    with pytest.raises(InputError, match="masks"):
        load_split(Store(store), "train", masks=True)


def test_a_store_without_masks_trains_no_network_with_them(store: Path, tmp_path: Path) -> None:
    """Before any training, and nothing is written."""
    with pytest.raises(InputError, match="masks"):
        train(settings(store, tmp_path / "run"))
    assert not (tmp_path / "run" / "model").exists()


def test_masks_change_nothing_for_a_network_without_them(masked: Path, store: Path, tmp_path: Path) -> None:
    """The same bits from stores with and without masks, whatever masks_weight is."""
    plain = replace(NETWORK, masks=False)
    train(replace(settings(store, tmp_path / "a"), network=plain))
    train(replace(settings(masked, tmp_path / "b"), network=plain, masks_weight=3.0))
    assert same(tmp_path / "a", tmp_path / "b")
    assert all("validation_mask_loss" not in line for line in lines(tmp_path / "a"))


def test_it_repeats_bit_for_bit_and_the_weight_of_masks_counts(
    whole: Path, masked: Path, tmp_path: Path
) -> None:
    """The same settings, the same bits; another weight, others; no weight, no mask loss."""
    for weight in (0.5, 0.1, 0.0):
        train(replace(settings(masked, tmp_path / str(weight)), masks_weight=weight))
    assert same(whole, tmp_path / "0.5")
    assert not same(whole, tmp_path / "0.1")
    assert all(line["validation_mask_loss"] > 0 for line in lines(whole))
    assert all("validation_mask_loss" not in line for line in lines(tmp_path / "0.0"))


@pytest.mark.parametrize("step", [2, 3, 4, 7])
def test_cut_off_and_gone_on_ends_with_the_same_bits(
    step: int, whole: Path, masked: Path, tmp_path: Path
) -> None:
    """Before the first checkpoint, on one, between epochs and within the second."""

    def cut(done: int, *_: object) -> None:
        if done == step:
            raise Cut

    out = tmp_path / "run"
    with pytest.raises(Cut):
        train(settings(masked, out), cut)
    train(settings(masked, out))
    assert same(whole, out)


def test_masks_are_learned_beside_the_kinds(masked: Path, tmp_path: Path) -> None:
    """Floor, on validation joints: the loss falls, and gaps are found where they are and not elsewhere."""
    cfg = replace(
        settings(masked, tmp_path), epochs=12, batch=8, optimiser=OptimiserSettings(lr=1e-2),
        augment=AugmentSettings(mirror=0.5, turn=0.75),
    )  # fmt: skip
    train(cfg)
    detector, split = load_model(tmp_path / "model"), load_split(Store(masked), "validation", masks=True)
    assert split.masks is not None
    shares = split.masks.float() / FULL
    trained = load_split(Store(masked), "train", masks=True).masks
    assert trained is not None
    # Half-filled cells cost something even where they are said half filled.
    least = mask_loss(torch.logit(shares.clamp(1e-6, 1 - 1e-6)), shares, usual_shares(trained)).item()
    told = [line["validation_mask_loss"] - least for line in lines(tmp_path)]
    assert 0 < told[-1] < 0.5 * told[0]
    with torch.inference_mode():
        share = detector.network.looked(split.volumes.float())[1].sigmoid()[:, MASKS.index("gap")]
    true = shares[:, MASKS.index("gap")]
    has = true.flatten(1).sum(dim=1) > 1
    assert has.sum() >= 8
    assert hits(share[has].numpy(), true[has].numpy()).mean() > 0.9
    assert share[~has].flatten(1).sum(dim=1).mean() < 0.2 * true[has].flatten(1).sum(dim=1).mean()
    assert all(kind["ap"] > 0.9 for kind in detector.card.metrics["validation"].values())
