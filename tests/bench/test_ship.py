"""The shipped network is made of a finished training: its weights halved, its cuts those of the kept validation."""

import json
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import SAMPLE_COLUMNS
from jointwise.joints.store import Store, StoreWriter
from jointwise.models.calibration import calibration_error, fit_calibration
from jointwise.models.folder import load_model
from jointwise.models.settings import NetworkSettings, ThresholdSettings
from jointwise.models.thresholds import choose_thresholds
from jointwise.train import run
from jointwise.train.data import known_truth
from jointwise.train.settings import OptimiserSettings, TrainSettings

GRID = Grid((12, 12, 12))


def board(n: int, seed: int, split: str) -> Joints:
    """Noise, brighter in slices of its kind; thin gaps in every other open joint, near voids that look like voids."""
    rng = np.random.default_rng(seed)
    truth = np.eye(5)[np.arange(n) % 5, 1:]
    near = (truth[:, 0] == 0) & (rng.random(n) < 0.3)
    volumes = rng.normal(0, 0.3, (n, *GRID.shape))
    volumes[near, :2] += 0.9
    for k in range(4):
        volumes[:, 3 * k : 3 * k + 2] += truth[:, k, None, None, None]
    table = pd.DataFrame(dict.fromkeys(SAMPLE_COLUMNS, np.nan), index=range(n)).assign(
        scan=f"s{seed}", board_id=f"b{seed}", component="part", ball=[f"A{i}" for i in range(n)], row=0,
        col=range(n), present=1, split=split, pitch_mm=0.8, ball_mm=0.5, voxel_um=20.0,
        voxels_per_ball=rng.uniform(20, 40, n), cnr=rng.uniform(5, 20, n), gap_um=rng.choice([0.5, 50.0], n),
        void_projected_area_pct=np.where(truth[:, 0] == 1, 9.0, np.where(near, 4.0, 0.0)),
    )  # fmt: skip
    return Joints(volumes.astype(np.float16), table.assign(**dict(zip(KINDS, truth.T, strict=True))), GRID)


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of one short training, with its store beside it."""
    folder = tmp_path_factory.mktemp("ship")
    with StoreWriter(folder / "store", GRID, seed=5, config={}) as writer:
        writer.add("a", board(60, 1, "train"))
        writer.add("b", board(100, 2, "validation"))
    network = NetworkSettings("tiny", widths=(4, 4, 8, 8), sizes=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "_draw_examples", lambda *_: None)
        run.train(
            TrainSettings(
                folder / "store",
                folder / "run",
                epochs=12,
                batch=10,
                optimiser=OptimiserSettings(lr=1e-2),
                threads=1,
                device="cpu",
                least_gap_voxels=0.1,
                network=network,
            )
        )
    return folder


def shipped(finished: Path, script: Callable[[str], ModuleType], out: Path, *words: str) -> Path:
    """What the script makes of the training."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["ship.py", "--run", str(finished / "run"), "--out", str(out), *words])
        script("ship").main()
    return out


@pytest.mark.parametrize(
    ("words", "rule"),
    [
        ((), ThresholdSettings("recall_first", 0.02, 0.3, 4, void_guard=1.0)),
        (("--void-guard", "0"), ThresholdSettings("recall_first", 0.02, 0.3, 4)),
        (
            ("--criterion", "false_calls", "--false-calls", "0.2", "--floor", "0", "--noise-classes", "1"),
            ThresholdSettings("false_calls", 0.2),
        ),
    ],
    ids=["as shipped", "without guard", "as asked"],
)
def test_cuts_are_those_chosen_on_the_validation_joints(
    words: tuple[str, ...],
    rule: ThresholdSettings,
    finished: Path,
    script: Callable[[str], ModuleType],
    tmp_path: Path,
) -> None:
    """By the joints in the store themselves, thin gaps and near voids and all; metrics are at these cuts."""
    detector, store = load_model(finished / "run" / "model"), Store(finished / "store")
    joints = store.read(store.split("validation"))
    truth, scores = known_truth(joints.table, 0.1), detector.score(joints)
    assert np.isnan(truth).any()
    card = load_model(shipped(finished, script, tmp_path / "first", *words)).card
    expected = choose_thresholds(truth, scores, rule, joints.table)
    assert card.thresholds.criterion == rule.criterion
    assert card.thresholds.with_kind == expected.with_kind
    np.testing.assert_allclose(card.thresholds.values, expected.values, atol=1e-5)
    assert card.thresholds != detector.card.thresholds
    called = card.thresholds.called(scores, joints.table)
    for k, kind in enumerate(KINDS):
        told, faulty = card.metrics["validation"][kind], truth[:, k] == 1
        assert told["with"] == faulty.sum() > 0
        assert told["recall"] == pytest.approx(called[faulty, k].mean())


def test_the_folder_is_a_model_of_half_the_size_that_scores_the_same(
    finished: Path, script: Callable[[str], ModuleType], tmp_path: Path
) -> None:
    """But for the halved kernels; everything else of the card stays, and a second call replaces the first."""
    out = tmp_path / "first"
    for _ in range(2):
        shipped(finished, script, out)
    assert {path.name for path in out.iterdir()} == {"card.json", "model.safetensors"}
    before, after = load_model(finished / "run" / "model"), load_model(out)
    store = Store(finished / "store")
    joints = store.read(store.split("validation"))
    np.testing.assert_allclose(after.score(joints), before.score(joints), atol=2e-3)
    np.testing.assert_allclose(after.measure(joints), before.measure(joints), atol=2e-2)
    same = ("name", "grid", "network", "calibration", "envelope", "data", "code_version")
    assert all(getattr(after.card, key) == getattr(before.card, key) for key in same)
    assert after.card.metrics["best_epoch"] == before.card.metrics["best_epoch"]
    sizes = [(path / "model.safetensors").stat().st_size for path in (out, finished / "run" / "model")]
    assert sizes[0] < 0.75 * sizes[1]


def test_the_calibration_is_fitted_anew_on_the_validation_joints_when_asked(
    finished: Path, script: Callable[[str], ModuleType], tmp_path: Path
) -> None:
    """As a fit to what the network says of the joints in the store; cuts and errors in the card are of these scores."""
    detector, store = load_model(finished / "run" / "model"), Store(finished / "store")
    joints = store.read(store.split("validation"))
    truth, logits = known_truth(joints.table, 0.1), detector.logits(joints)
    card = load_model(shipped(finished, script, tmp_path / "first", "--calibration", "temperature")).card
    expected = fit_calibration(truth, logits, "temperature")
    assert (card.calibration.method, card.calibration.counted) == ("temperature", expected.counted)
    np.testing.assert_allclose(card.calibration.slopes, expected.slopes, rtol=1e-4)
    assert card.calibration != detector.card.calibration
    error = calibration_error(truth[:, 0], expected(logits)[:, 0])
    assert card.metrics["reliability"]["void"]["calibration_error"] == pytest.approx(error, abs=1e-3)


def test_rules_go_along_when_named(
    finished: Path, script: Callable[[str], ModuleType], tmp_path: Path
) -> None:
    """Byte for byte."""
    (tmp_path / "old").mkdir()
    (tmp_path / "old" / "rules.json").write_text(json.dumps({"of": "another store"}))
    out = shipped(finished, script, tmp_path / "first", "--rules", str(tmp_path / "old"))
    assert (out / "rules.json").read_bytes() == (tmp_path / "old" / "rules.json").read_bytes()
