"""Training with masks: what is read, that it is learned, repeats, and goes on, cut off or from a model."""

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from safetensors.numpy import load_file

from jointwise.evaluation.labels.filled import COLUMNS
from jointwise.evaluation.statistics.pointing import hits
from jointwise.joints.atomic import sha256
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.masks import FULL, MASKS, mask_shape
from jointwise.joints.store import Store, StoreWriter
from jointwise.models.folder import WEIGHTS, load_model
from jointwise.models.learned import MEASURED_BY
from jointwise.models.settings import NetworkSettings
from jointwise.models.sizes import SIZES
from jointwise.train import run
from jointwise.train.data import gathered, load_split, resident
from jointwise.train.loop import SPEED
from jointwise.train.mask_loss import mask_loss, usual_shares
from jointwise.train.run import train
from jointwise.train.settings import OF_MODEL, AugmentSettings, OptimiserSettings, TrainSettings
from jointwise.train.stores import knows_masks, open_stores

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


@pytest.fixture(scope="session")
def labelled(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The painted store with masks, and a sheet of people's labels beside them."""
    joints, folder = Store(store).read(), tmp_path_factory.mktemp("labelled") / "store"
    with StoreWriter(folder, joints.grid, seed=None, config={"from": "a lab"}, masks=True) as writer:
        writer.add("a", Joints(joints.volumes, joints.table, joints.grid, painted_masks(joints)))
    known = joints.table[joints.table["present"] == 1].fillna(dict.fromkeys(KINDS, 0))
    sheet = known.assign(reader="eye", sure="", cannot_tell=0, note="")[list(COLUMNS)]
    sheet.to_csv(folder / "labels.csv", index=False)
    return folder


PLANTED = {"void_projected_area_pct": {"by": "sizes", "n": 1}}


@pytest.fixture
def elder(masked: Path, tmp_path: Path) -> Path:
    """A model of one epoch with masks and sizes, with a name of its own, and PLANTED for what it measures by."""
    network = replace(NETWORK, sizes=True)
    model = train(replace(settings(masked, tmp_path / "elder"), epochs=1, network=network))
    card = json.loads((model / "card.json").read_text())
    card["name"], card["metrics"][MEASURED_BY] = "elder", PLANTED
    (model / "card.json").write_text(json.dumps(card))
    return model


def second_step(data: Path, out: Path, start: Path) -> TrainSettings:
    """One epoch from a model on."""
    return replace(
        settings(data, out), epochs=1, init_from=start, network=NetworkSettings(name=OF_MODEL), rules=False,
        keep_cuts=False,
    )  # fmt: skip


def test_a_model_with_masks_goes_on_with_them(elder: Path, masked: Path, tmp_path: Path) -> None:
    """Its name stays, the card tells what it was before, and what it measures by is measured on these joints anew."""
    old = load_model(elder).card
    new = load_model(train(second_step(masked, tmp_path / "run", elder))).card
    assert all(line["validation_mask_loss"] > 0 for line in lines(tmp_path / "run"))
    assert (new.name, new.network) == ("elder", old.network)
    lineage = {"name": "elder", "weights_sha256": sha256(elder / WEIGHTS)}
    assert new.data["init_from"] == lineage | {"data": old.data}
    assert new.data["fingerprint"] == Store(masked).fingerprint
    assert set(new.metrics[MEASURED_BY]) == set(SIZES)
    assert new.metrics[MEASURED_BY]["void_projected_area_pct"]["n"] != 1
    before, after = (load_file(folder / WEIGHTS) for folder in (elder, tmp_path / "run" / "model"))
    decoder = [name for name in before if ".decoder." in name and name.endswith("weight")]
    assert decoder
    assert not any(np.array_equal(before[name], after[name]) for name in decoder)


def test_what_people_label_leaves_masks_as_they_were(elder: Path, labelled: Path, tmp_path: Path) -> None:
    """Even where the store has some: they are of other truth. Another name, and what it measures by stays."""
    old = load_model(elder).card
    new = load_model(train(second_step(labelled, tmp_path / "run", elder))).card
    assert all("validation_mask_loss" not in line for line in lines(tmp_path / "run"))
    assert new.name == "elder_tuned"
    assert new.data["init_from"]["data"] == old.data
    assert new.metrics[MEASURED_BY] == PLANTED


def test_masks_are_known_where_all_stores_have_them_and_no_person_labelled(
    masked: Path, labelled: Path, store: Path, tmp_path: Path
) -> None:
    """One store or several; a single one without is enough."""
    assert knows_masks(Store(masked))
    assert not knows_masks(Store(store))
    assert not knows_masks(open_stores(labelled))
    assert not knows_masks(open_stores(masked, [labelled]))
    assert not knows_masks(open_stores(masked, [store]))
    unlabelled = shutil.copytree(labelled, tmp_path / "more", ignore=shutil.ignore_patterns("labels.csv"))
    assert knows_masks(open_stores(masked, [unlabelled]))
