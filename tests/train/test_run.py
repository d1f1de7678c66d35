"""A whole small training: it reaches a score, repeats, goes on where it was cut off, and says no in words."""

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import torch
from safetensors.numpy import load_file

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import SAMPLE_COLUMNS, truth_array
from jointwise.joints.store import Store, StoreWriter
from jointwise.models.folder import load_model
from jointwise.models.settings import NetworkSettings, ThresholdSettings
from jointwise.train import run
from jointwise.train.loop import SPEED, Tell
from jointwise.train.run import described, fresh_network, prepare, train
from jointwise.train.run_folder import RunFolder
from jointwise.train.settings import AugmentSettings, OptimiserSettings, TrainSettings
from jointwise.train.stores import Stores

TINY = NetworkSettings("tiny", widths=(8, 16, 16, 16))


class Cut(Exception):
    """Stands in for whatever ends a process."""


def cut_at(step: int) -> Tell:
    """Ends a training after that step."""

    def cut(done: int, *_: object) -> None:
        if done == step:
            raise Cut

    return cut


def settings(store: Path, out: Path) -> TrainSettings:
    """A training of two epochs of four steps with everything random in use."""
    return TrainSettings(
        store,
        out,
        epochs=2,
        batch=16,
        threads=1,
        device="cpu",
        checkpoint_steps=3,
        network=replace(TINY, dropout=0.1),
        augment=AugmentSettings(mirror=0.5, turn=0.7, shift=0.5, offset=0.02, gain=0.05, noise=0.05),
    )


def weights(folder: Path) -> dict[str, np.ndarray]:
    return dict(load_file(folder / "model" / "model.safetensors"))


def same_weights(a: Path, b: Path) -> bool:
    left, right = weights(a), weights(b)
    return left.keys() == right.keys() and all(np.array_equal(left[k], right[k]) for k in left)


def epochs(out: Path) -> list[dict[str, Any]]:
    """The lines of a training, less its speed, the one entry that does not repeat."""
    lines = [json.loads(line) for line in (out / "metrics.jsonl").read_text().splitlines()]
    assert all(line.pop(SPEED) > 0 for line in lines)
    return lines


@pytest.fixture
def no_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the page of examples out where it is not what is tested: it takes seconds."""
    monkeypatch.setattr(run, "_draw_examples", lambda *_: None)


@pytest.fixture(scope="module")
def whole(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The training of `settings`, never cut off, with its picture."""
    out = tmp_path_factory.mktemp("whole") / "run"
    assert train(settings(store, out)) == out / "model"
    return out


def test_the_folder_holds_what_it_says(whole: Path, store: Path) -> None:
    """Settings, facts, one line per epoch, picture, model; no checkpoint once it is done."""
    names = {path.name for path in whole.iterdir()}
    told = {"settings.json", "facts.json", "metrics.jsonl", "examples.png", "validation.parquet"}
    assert names == {".training", "model", *told}
    lines = [json.loads(line) for line in (whole / "metrics.jsonl").read_text().splitlines()]
    assert [line["epoch"] for line in lines] == [1, 2]
    assert set(lines[0]["kinds"]) == set(KINDS)
    derived = json.loads((whole / "settings.json").read_text())["derived"]
    assert derived["data_fingerprint"] == Store(store).fingerprint
    assert derived["training_joints"] == 78
    assert derived["steps_per_epoch"] == 4


def test_the_card_says_where_the_model_comes_from(whole: Path, store: Path) -> None:
    """Fingerprint, envelope of the training joints alone, metrics with n."""
    card, opened = load_model(whole / "model").card, Store(store)
    assert card.data["fingerprint"] == opened.fingerprint
    assert card.data["simulated"] is True
    table = opened.table.iloc[opened.split("train")]
    low, high = card.envelope.ranges["voxels_per_ball"]
    assert table["voxels_per_ball"].min() <= low < high <= table["voxels_per_ball"].max()
    assert card.metrics["validation"]["void"]["n"] == sum(
        (card.thresholds.with_kind[0][0], card.thresholds.without_kind[0][0])
    )


@pytest.mark.usefixtures("no_picture")
def test_cuts_by_noise_and_calibration_errors_reach_the_card(store: Path, tmp_path: Path) -> None:
    """Two classes of the 39 validation joints, each kind's calibration error in both, with n."""
    rule = ThresholdSettings("false_calls", 0.1, noise_classes=2, least_sound=2)
    train(replace(settings(store, tmp_path), epochs=1, thresholds=rule))
    card = load_model(tmp_path / "model").card
    assert len(card.thresholds.values) == 2
    assert 1 / 20 < card.thresholds.edges[0] < 1 / 5  # noise of the painted joints
    for kind, known in card.metrics["validation"].items():
        told = card.metrics["reliability"][kind]
        assert told["n"] == known["n"] == sum(part["n"] for part in told["by_noise_class"])
        assert 0 <= told["calibration_error"] <= 1


@pytest.mark.usefixtures("no_picture")
def test_it_repeats_bit_for_bit(whole: Path, store: Path, tmp_path: Path) -> None:
    """Same settings, same data, same number of threads: same weights and lines."""
    train(settings(store, tmp_path))
    assert same_weights(whole, tmp_path)
    assert epochs(whole) == epochs(tmp_path)


@pytest.mark.usefixtures("no_picture")
@pytest.mark.parametrize("cuts", [(2,), (4,), (5, 7)], ids=str)
def test_cut_off_and_gone_on_ends_with_the_same_bits(
    cuts: tuple[int, ...], whole: Path, store: Path, tmp_path: Path
) -> None:
    """Before the first checkpoint, at the end of an epoch, twice within the second epoch."""
    for at in cuts:
        with pytest.raises(Cut):
            train(settings(store, tmp_path), cut_at(at))
        assert not (tmp_path / "model").exists()
    train(settings(store, tmp_path))
    assert same_weights(whole, tmp_path)
    assert epochs(whole) == epochs(tmp_path)


@pytest.mark.usefixtures("no_picture")
def test_a_folder_moved_to_another_machine_goes_on_with_the_same_bits(
    whole: Path, store: Path, tmp_path: Path
) -> None:
    """Cut off here, its folder and the store copied elsewhere, gone on there."""
    with pytest.raises(Cut):
        train(settings(store, tmp_path / "here"), cut_at(6))
    (tmp_path / "there").mkdir()
    shutil.move(tmp_path / "here", tmp_path / "there" / "run")
    data = shutil.copytree(store, tmp_path / "there" / "joints")
    train(settings(data, tmp_path / "there" / "run"))
    assert same_weights(whole, tmp_path / "there" / "run")
    assert epochs(whole) == epochs(tmp_path / "there" / "run")


def test_a_finished_training_needs_its_data_no_more(whole: Path, tmp_path: Path) -> None:
    """Brought back without them: the model is found, other settings are refused all the same."""
    run = shutil.copytree(whole, tmp_path / "run")
    assert train(settings(tmp_path / "gone", run)) == run / "model"
    with pytest.raises(InputError, match="other values of seed in"):
        train(replace(settings(tmp_path / "gone", run), seed=4))


def test_a_model_from_before_there_was_a_second_trunk_still_loads(whole: Path, tmp_path: Path) -> None:
    """Its card does not know the keys."""
    folder = shutil.copytree(whole / "model", tmp_path / "model")
    card = json.loads((folder / "card.json").read_text())
    del card["network"]["tight"], card["network"]["tight_widths"]
    (folder / "card.json").write_text(json.dumps(card))
    assert load_model(folder).card == load_model(whole / "model").card


def test_gaps_too_thin_leave_both_splits(store: Path, tmp_path: Path) -> None:
    """All non-wet joints have gaps of a tenth of a voxel: none is left to learn from or to be judged by."""
    joints = Store(store).read()
    table = joints.table.assign(voxel_um=10.0, gap_um=np.where(joints.table["non_wet"] == 1, 1.0, np.nan))
    with StoreWriter(tmp_path / "thin", joints.grid, seed=None, config={}) as writer:
        writer.add("a", Joints(joints.volumes, table, joints.grid))
    cfg = replace(settings(tmp_path / "thin", tmp_path / "run"), least_gap_voxels=0.2)
    task, before = prepare(cfg), prepare(replace(cfg, least_gap_voxels=0.0))
    for now, then in ((task.training, before.training), (task.validation, before.validation)):
        assert (then.truth == 1).any(dim=0).all()
        assert (now.truth == 1).any(dim=0).tolist() == [True, False, True, True]
        assert len(now) == len(then)
    lost = sum(int((split.truth[:, 1] == 1).sum()) for split in (before.training, before.validation))
    derived = described(task, fresh_network(cfg, torch.device("cpu")))["derived"]
    assert derived["labels_with_thin_gaps"] == lost > 0


@pytest.mark.usefixtures("no_picture")
def test_a_second_store_and_a_second_trunk_are_said_in_the_run(
    store: Path, make_store: Callable[..., Path], tmp_path: Path
) -> None:
    """In settings.json and in the card; the same run on one store is another training."""
    more = make_store(tmp_path / "more", training=40, validation=20)
    cfg = replace(
        settings(store, tmp_path / "run"), more_data=(more,), epochs=1,
        network=replace(TINY, tight=0.6),
    )  # fmt: skip
    train(cfg)
    derived = json.loads((tmp_path / "run" / "settings.json").read_text())["derived"]
    fingerprint = Stores([store, more]).fingerprint
    assert derived["training_joints"] == 78 + 38
    card = load_model(tmp_path / "run" / "model").card
    assert card.network == cfg.network
    assert derived["data_fingerprint"] == card.data["fingerprint"] == fingerprint
    with pytest.raises(InputError, match="data_fingerprint"):
        train(replace(cfg, more_data=()))


def test_what_was_said_of_the_validation_joints_is_kept(whole: Path, store: Path) -> None:
    """Rows as in the store, logits as when the saved network is asked again; the card's metrics follow from them."""
    said, opened, detector = (
        pd.read_parquet(whole / "validation.parquet"),
        Store(store),
        load_model(whole / "model"),
    )
    joints = opened.read(opened.split("validation")[:-1])  # the last has no ball
    assert list(said) == [*SAMPLE_COLUMNS, *(f"logit_{kind}" for kind in KINDS)]
    pd.testing.assert_frame_equal(
        said[list(SAMPLE_COLUMNS)], joints.table[list(SAMPLE_COLUMNS)].reset_index(drop=True)
    )
    logits = said[[f"logit_{kind}" for kind in KINDS]].to_numpy(dtype=np.float64)
    np.testing.assert_allclose(logits, detector.logits(joints), rtol=1e-5, atol=1e-5)
    truth, scores = truth_array(said), detector.card.calibration(logits)
    called = detector.card.thresholds.called(scores, said)
    assert run.summary(truth, scores, called) == detector.card.metrics["validation"]


@pytest.mark.usefixtures("no_picture")
def test_validation_joints_are_limited_apart_from_those_trained_on(store: Path, tmp_path: Path) -> None:
    """20 of 39 validation joints, all 78 others; the weights of the first epoch's end do not change."""
    cfg = replace(settings(store, tmp_path / "few"), validation_limit=20, epochs=1)
    task, before = prepare(cfg), prepare(settings(store, tmp_path))
    assert (len(task.training), len(task.validation)) == (len(before.training), 20) == (78, 20)
    train(cfg)
    train(replace(cfg, validation_limit=0, out=tmp_path / "all"))
    assert same_weights(tmp_path / "few", tmp_path / "all")
    assert len(pd.read_parquet(tmp_path / "few" / "validation.parquet")) == 20
    assert load_model(tmp_path / "few" / "model").card.data["validation_joints"] == 20
    with pytest.raises(InputError, match="other values of validation_limit in"):
        train(replace(cfg, validation_limit=0))


@pytest.mark.usefixtures("no_picture")
def test_further_stores_taken_whole_reach_the_training(
    store: Path, make_store: Callable[..., Path], tmp_path: Path
) -> None:
    """All 59 known joints of the second store are learned from; what is kept of validation is the first's."""
    more = make_store(tmp_path / "more", training=40, validation=20)
    cfg = replace(settings(store, tmp_path / "run"), more_data=(more,), more_data_whole=True, epochs=1)
    train(cfg)
    card = load_model(tmp_path / "run" / "model").card
    assert card.data["training_joints"] == 78 + 38 + 19
    assert card.data["validation_joints"] == 39
    assert set(pd.read_parquet(tmp_path / "run" / "validation.parquet")["board_id"]) == {"1:b3"}
    with pytest.raises(InputError, match="other values of more_data_whole in"):
        train(replace(cfg, more_data_whole=False))


@pytest.fixture(scope="module")
def sized(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The painted store with the sizes of what was painted, some of them unknown."""
    joints = Store(store).read()
    kinds = joints.table[list(KINDS)]
    table = joints.table.assign(
        voxel_um=20.0,
        void_projected_area_pct=np.where(kinds["void"] == 1, 15.0, 0.0),
        gap_um=np.where((kinds["non_wet"] == 1) | (kinds["head_in_pillow"] == 1), 40.0, np.nan),
        bridge_neck_um=np.where(kinds["bridging"] == 1, 80.0, np.nan),
    )
    folder = tmp_path_factory.mktemp("sized") / "store"
    with StoreWriter(folder, joints.grid, seed=None, config={}) as writer:
        writer.add("a", Joints(joints.volumes, table, joints.grid))
    return folder


@pytest.mark.usefixtures("no_picture")
def test_a_network_that_learns_no_sizes_does_not_care_for_their_weight(
    whole: Path, sized: Path, store: Path, tmp_path: Path
) -> None:
    """The same bits whatever sizes_weight is, and whether the store knows sizes or not."""
    for weight, data in ((0.0, store), (3.0, sized)):
        out = tmp_path / str(weight)
        train(replace(settings(data, out), sizes_weight=weight))
        assert same_weights(whole, out)
        assert epochs(whole) == epochs(out)


@pytest.mark.usefixtures("no_picture")
def test_a_network_learns_to_measure_voids(sized: Path, tmp_path: Path) -> None:
    """Floor, on validation joints: voids of 15 % measure far more than sound joints, and the kinds are found."""
    cfg = replace(
        settings(sized, tmp_path), epochs=12, batch=8, optimiser=OptimiserSettings(lr=1e-2),
        network=replace(TINY, sizes=True), augment=AugmentSettings(mirror=0.5, turn=0.75),
    )  # fmt: skip
    train(cfg)
    detector, opened = load_model(tmp_path / "model"), Store(sized)
    assert detector.card.network.sizes
    joints = opened.read(opened.split("validation"))
    area = detector.measure(joints)["void_projected_area_pct"].to_numpy()
    truth = joints.table["void_projected_area_pct"].to_numpy()
    assert np.abs(area[truth > 0] - 15).mean() < 6
    assert area[truth == 0].mean() < 2
    assert all(told["ap"] > 0.9 for told in detector.card.metrics["validation"].values())


def test_a_finished_training_is_not_done_again(whole: Path, store: Path) -> None:
    """The same command twice: no step."""
    told: list[int] = []
    train(settings(store, whole), lambda done, *_: told.append(done))
    assert told == []


def test_a_folder_of_another_training_is_refused_by_key(whole: Path, store: Path) -> None:
    """What differs is named; where it runs may differ."""
    before = weights(whole)
    with pytest.raises(InputError, match=r"other values of optimiser\.lr, seed in"):
        train(replace(settings(store, whole), seed=4, optimiser=OptimiserSettings(lr=0.5)))
    assert all(np.array_equal(before[k], value) for k, value in weights(whole).items())


def test_other_data_are_refused(whole: Path, make_store: Callable[..., Path], tmp_path: Path) -> None:
    """A store that was generated anew is other data, whatever its path."""
    with pytest.raises(InputError, match="data_fingerprint"):
        train(settings(make_store(tmp_path / "other", training=90), whole))


def test_two_at_once_in_one_folder_are_refused(store: Path, tmp_path: Path) -> None:
    """The second says so and leaves the first alone."""
    with RunFolder(tmp_path), pytest.raises(InputError, match="another process training there"):
        train(settings(store, tmp_path))


def test_a_damaged_checkpoint_is_one_sentence(store: Path, tmp_path: Path) -> None:
    """Not 'not found, starting anew': the user decides."""

    with pytest.raises(Cut):
        train(settings(store, tmp_path), cut_at(4))
    path = tmp_path / "checkpoint.safetensors"
    for damaged in (path.read_bytes()[:2000], b"", b"\xff" * 500):
        path.write_bytes(damaged)
        with pytest.raises(InputError, match="delete it to start anew") as caught:
            train(settings(store, tmp_path))
        assert "\n" not in str(caught.value)


def test_a_missing_store_is_one_sentence_and_nothing_is_written(tmp_path: Path) -> None:
    """Before the folder of the run is made."""
    with pytest.raises(InputError, match="expected a store of joints"):
        train(settings(tmp_path / "nowhere", tmp_path / "out"))
    assert not (tmp_path / "out").exists()


@pytest.mark.usefixtures("no_picture")
def test_it_reaches_a_score(store: Path, tmp_path: Path) -> None:
    """Floor: coarse defects on painted balls are found after a short training, on joints it chose nothing by."""
    long = replace(
        settings(store, tmp_path), epochs=12, batch=8, optimiser=OptimiserSettings(lr=1e-2), network=TINY
    )
    train(replace(long, augment=AugmentSettings(mirror=0.5, turn=0.75)))
    detector, opened = load_model(tmp_path / "model"), Store(store)
    joints = opened.read(opened.split("validation"))
    truth = truth_array(joints.table)
    called = detector.card.thresholds.called(detector.score(joints), joints.table)
    known = ~np.isnan(truth)
    right = (called == (truth == 1)) & known
    assert right.sum() / known.sum() > 0.95
    assert called[truth == 1].mean() > 0.9
