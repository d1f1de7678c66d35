"""Fine-tuning: it starts where the other model stands, keeps what it says it keeps, and says no in words."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from safetensors.numpy import load_file
from scipy.special import expit, logit

from jointwise.commands import hydra_wrapper
from jointwise.commands.main import main
from jointwise.commands.registry import load
from jointwise.evaluation.labels.filled import COLUMNS
from jointwise.joints.atomic import sha256
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.store import Store, StoreWriter
from jointwise.models.calibration import Calibration, fit_calibration
from jointwise.models.envelope import Envelope
from jointwise.models.folder import WEIGHTS, load_model
from jointwise.models.settings import NetworkSettings
from jointwise.train import run
from jointwise.train.run import train
from jointwise.train.settings import OF_MODEL, AugmentSettings, OptimiserSettings, TrainSettings
from jointwise.train.start import PRIOR, PRIOR_SLOPE, recalibrated, to_learn, widened

TINY = NetworkSettings("tiny", widths=(8, 16, 16, 16))
NAN = float("nan")

pytestmark = pytest.mark.usefixtures("no_picture")


@pytest.fixture(autouse=True, scope="module")
def no_picture() -> object:
    """The page of examples is not what is tested here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "_draw_examples", lambda *_: None)
        yield


@pytest.fixture(scope="module")
def first(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A model folder after two epochs, with something that stands for rules."""
    out = tmp_path_factory.mktemp("first") / "run"
    model = train(TrainSettings(store, out, epochs=2, threads=1, device="cpu", network=TINY))
    (model / "rules.json").write_text("{}")
    return model


@pytest.fixture(scope="module")
def other(make_store: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Other painted joints."""
    return make_store(tmp_path_factory.mktemp("other") / "store", training=46, validation=30)


def tuning(data: Path, out: Path, init_from: Path) -> TrainSettings:
    """One epoch of five steps."""
    return TrainSettings(
        data, out, init_from=init_from, statistics=False, epochs=1, batch=8, threads=1, device="cpu", rules=False,
        balance=1, network=NetworkSettings(name=OF_MODEL), optimiser=OptimiserSettings(3e-3, weight_decay=0),
        augment=AugmentSettings(mirror=0.5), checkpoint_steps=2,
    )  # fmt: skip


def weights(model: Path) -> dict[str, np.ndarray]:
    return dict(load_file(model / WEIGHTS))


def test_it_starts_from_the_other_models_weights_and_says_so(
    first: Path, other: Path, tmp_path: Path
) -> None:
    """A rate of next to nothing leaves the weights where they were; settings.json and card name model and hash."""
    cfg = tuning(other, tmp_path, first)
    model = train(replace(cfg, optimiser=replace(cfg.optimiser, lr=1e-12)))
    before, after = weights(first), weights(model)
    assert before.keys() == after.keys()
    assert all(np.allclose(before[name], after[name], atol=1e-9) for name in before)
    card, old = load_model(model).card, load_model(first).card
    lineage = {"name": "tiny", "weights_sha256": sha256(first / WEIGHTS)}
    assert card.data["init_from"] == lineage | {"data": old.data}
    assert json.loads((tmp_path / "settings.json").read_text())["derived"]["init_from"] == lineage
    assert (card.name, card.network) == ("tiny_tuned", old.network)
    assert card.thresholds == old.thresholds
    assert (model / "rules.json").read_text() == "{}"


def test_it_learns_and_keeps_the_statistics_of_normalisation(
    first: Path, other: Path, tmp_path: Path
) -> None:
    """With `statistics` they follow the joints; kernels move either way."""
    cfg, before = tuning(other, tmp_path / "kept", first), weights(first)
    kept, followed = weights(train(cfg)), weights(train(replace(cfg, out=tmp_path / "all", statistics=True)))
    running = [name for name in before if "running" in name]
    assert running
    assert all(np.array_equal(before[name], kept[name]) for name in running)
    assert not any(np.array_equal(before[name], followed[name]) for name in running)
    assert not np.array_equal(before["backbone.conv1.weight"], kept["backbone.conv1.weight"])


@pytest.mark.parametrize(("learn", "moving"), [("late", ("layer4", "fc")), ("last", ("fc",))])
def test_only_the_named_layers_learn(
    learn: str, moving: tuple[str, ...], first: Path, other: Path, tmp_path: Path
) -> None:
    """All weights of these move, and no other."""
    before, after = weights(first), weights(train(replace(tuning(other, tmp_path, first), learn=learn)))
    moved = {name for name, value in before.items() if not np.array_equal(value, after[name])}
    wanted = {name for name in before if name.split(".")[1] in moving and "running" not in name}
    assert moved == wanted - {name for name in wanted if "num_batches" in name}


def test_weights_that_no_epoch_betters_are_kept(first: Path, other: Path, tmp_path: Path) -> None:
    """A rate that ruins the network: the validation joints choose the epoch before the first."""
    cfg = tuning(other, tmp_path, first)
    model = train(replace(cfg, optimiser=replace(cfg.optimiser, lr=3.0)))
    assert load_model(model).card.metrics["best_epoch"] == 0
    assert all(np.array_equal(value, weights(model)[name]) for name, value in weights(first).items())


def test_cut_off_it_goes_on_to_the_same_bits(first: Path, other: Path, tmp_path: Path) -> None:
    """Also where the model it started from has moved."""

    class Cut(Exception):
        pass

    def cut(done: int, *_: object) -> None:
        if done == 3:
            raise Cut

    whole = weights(train(tuning(other, tmp_path / "whole", first)))
    moved = tmp_path / "moved"
    moved.mkdir()
    for path in first.iterdir():
        (moved / path.name).write_bytes(path.read_bytes())
    with pytest.raises(Cut):
        train(tuning(other, tmp_path / "cut", first), cut)
    again = weights(train(tuning(other, tmp_path / "cut", moved)))
    assert all(np.array_equal(whole[name], again[name]) for name in whole)


def test_another_start_is_another_training(first: Path, other: Path, tmp_path: Path) -> None:
    """The hash of the weights counts, not the place."""
    second = train(tuning(other, tmp_path / "second", first))
    cfg = tuning(other, tmp_path / "run", first)
    with pytest.raises(RuntimeError):
        train(cfg, lambda *_: (_ for _ in ()).throw(RuntimeError))
    with pytest.raises(InputError, match=r"derived\.init_from\.name, derived\.init_from\.weights_sha256"):
        train(replace(cfg, init_from=second))


def test_cuts_are_chosen_anew_where_asked(first: Path, other: Path, tmp_path: Path) -> None:
    """`keep_cuts=false` fits calibration and cuts on the validation joints alone."""
    card = load_model(train(replace(tuning(other, tmp_path, first), keep_cuts=False))).card
    assert max(card.calibration.counted) <= 30
    assert card.thresholds != load_model(first).card.thresholds


def test_the_line_is_the_most_likely_one_and_shrinks_with_few_joints() -> None:
    """Log odds that should be half as large and log 2 higher: 4,000 joints find both, ten a part, none nothing."""
    rng = np.random.default_rng(1)
    logits = rng.normal(0, 3, (4000, 4))
    truth = (rng.random((4000, 4)) < expit(0.5 * logits + np.log(2))).astype(float)
    truth[:, 3] = NAN
    many = recalibrated(Calibration(), truth, logits)
    assert np.array(many.slopes[:3]) == pytest.approx(0.5, abs=0.06)
    assert np.array(many.offsets[:3]) == pytest.approx(np.log(2), abs=0.2)
    assert (many.slopes[3], many.offsets[3]) == (1, 0)
    few = recalibrated(Calibration(), np.ones((10, 4)), np.full((10, 4), 1.0))
    slope, offset = few.slopes[0], few.offsets[0]
    missing = 10 * (1 - expit(slope + offset))
    assert offset == pytest.approx(PRIOR**2 * missing, abs=1e-4)
    assert np.log(slope) == pytest.approx(PRIOR_SLOPE**2 * missing * slope, abs=1e-4)
    assert 0 < offset < 3


def test_a_curve_is_recalibrated_as_a_line_is() -> None:
    """An isotonic calibration moves in log odds too: points on a straight line of another slope and offset."""
    rng = np.random.default_rng(2)
    logits = rng.normal(0, 2, (400, 4))
    truth = (rng.random((400, 4)) < expit(logits)).astype(float)
    curve = fit_calibration(truth, logits, "isotonic")
    later = (rng.random((400, 4)) < expit(0.6 * logits + 1)).astype(float)
    moved = recalibrated(curve, later, logits)
    p, q = (np.array([p for _, p in c.curves[0]]) for c in (curve, moved))
    inside = (p > 1e-3) & (p < 1 - 1e-3)
    slope, offset = np.polyfit(logit(p[inside]), logit(q[inside]), 1)
    assert np.allclose(logit(q[inside]), slope * logit(p[inside]) + offset)
    assert 0.4 < slope < 0.85
    assert 0.3 < offset < 1.5


def test_the_envelope_holds_both(store: Path) -> None:
    """Union of the ranges; an open end stays open; a column that the new joints do not tell is not claimed."""
    table = Store(store).table.assign(cnr=50.0, voxels_per_ball=30.0)
    old = Envelope({"voxels_per_ball": (12.0, 20.0), "cnr": (None, 40.0), "lane": (0.0, 0.1)}, 7)
    new = widened(old, table)
    assert new.ranges == {"voxels_per_ball": (12.0, 30.0), "cnr": (None, 50.0)}
    assert new.scans == 7 + 3


def test_training_mode_leaves_frozen_statistics_alone() -> None:
    """Everything else trains."""
    network = torch.nn.Sequential(torch.nn.Conv3d(1, 2, 1), torch.nn.BatchNorm3d(2), torch.nn.Dropout())
    to_learn(network, statistics=False)
    assert [layer.training for layer in network] == [True, False, True]
    to_learn(network, statistics=True)
    assert all(layer.training for layer in network)


def test_what_does_not_go_together_is_one_sentence(
    first: Path, other: Path, make_store: Callable[..., Path], tmp_path: Path
) -> None:
    """No model, another network, another grid, of_model without a model; nothing is written."""
    cfg = tuning(other, tmp_path / "out", first)
    wide = make_store(tmp_path / "wide", 20, 10, Grid((20, 16, 16)))
    for wrong, words in (
        (replace(cfg, init_from=tmp_path / "none"), "expected a model folder"),
        (replace(cfg, network=NetworkSettings()), "other settings of resnet_small; give network=of_model"),
        (replace(cfg, data=wide), "on the grid of the model"),
        (replace(cfg, init_from=None), "expected a model for network=of_model"),
    ):
        with pytest.raises(InputError, match=words):
            train(wrong)
    assert not (tmp_path / "out").exists()
    assert replace(cfg, network=TINY).network == load_model(first).card.network
    with pytest.raises(InputError, match="learn: expected one of all, late, last"):
        replace(cfg, learn="first")


def test_a_lab_tunes_by_one_command(
    first: Path, other: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A store as scoring keeps it with labels.csv in it; the screen says what was learned from, and what must judge."""
    joints = Store(other).read()
    told = joints.table.assign(
        reader="eye", sure="", note="", cannot_tell=joints.table["void"].isna().astype(int)
    )
    told.loc[told["cannot_tell"] == 1, list(KINDS)] = np.nan
    unknown = joints.table.assign(**dict.fromkeys(KINDS, np.nan), split="train")
    with StoreWriter(tmp_path / "mine", joints.grid, None, {"made_by": "score"}) as writer:
        writer.add("s", Joints(joints.volumes, unknown, joints.grid))
    told.loc[told["present"] == 1, list(COLUMNS)].to_csv(tmp_path / "mine" / "labels.csv", index=False)
    words = [f"data={tmp_path / 'mine'}", f"out={tmp_path / 'out'}", "epochs=1", "tracking.enabled=false"]
    assert main(["train", f"init_from={first}", *words]) == 0
    said = capsys.readouterr()
    said_all = said.out + said.err
    assert "labelled by eye; whole boards are kept back" in said_all
    assert "they cannot judge" in said_all
    card = load_model(tmp_path / "out" / "model").card
    assert card.data["training_joints"] == card.data["validation_joints"]
    assert card.data["training_joints"] == int((told["cannot_tell"].eq(0) & told["present"].eq(1)).sum())
    assert card.metrics["tuned"]["parts"] == 3
    assert card.data["simulated"] is False


def test_init_from_alone_brings_the_recipe_along() -> None:
    """Unless another experiment is named; without a model nothing changes."""
    with hydra_wrapper.session(load("train")) as active:
        tuned, quick, plain, null = (
            hydra_wrapper.settings(active, ["data=x", *words])
            for words in (["init_from=m"], ["init_from=m", "experiment=quick"], [], ["init_from=null"])
        )
    assert (tuned.network.name, tuned.statistics, tuned.sizes_weight) == (OF_MODEL, False, 0)
    assert quick.network.name == "resnet_tiny"
    assert plain == null
    assert plain.training == TrainSettings(Path("x"))
