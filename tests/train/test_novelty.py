"""Fitting the novelty detector from a store: sound training joints only, and never a look at the test boards."""

from pathlib import Path

import numpy as np
import pytest

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import SAMPLE_COLUMNS
from jointwise.joints.store import Store, StoreWriter, write_shard
from jointwise.models.bench import load_bench
from jointwise.models.settings import ThresholdSettings
from jointwise.train.novelty import fit_novelty

GRID = Grid((8, 8, 8))


def shard(split: str, n: int, seed: int, strange: float = 0.0) -> Joints:
    """Smooth blobs, every second one with a fault of some kind that leaves a hole; `strange` is added to all."""
    import pandas as pd

    rng = np.random.default_rng(seed)
    x = np.linspace(-1, 1, 8)
    blob = np.exp(-(x[:, None, None] ** 2 + x[:, None] ** 2 + x**2))
    volumes = rng.uniform(0.8, 1.2, (n, 1, 1, 1)) * blob + 0.02 * rng.standard_normal((n, 8, 8, 8)) + strange
    truth = np.zeros((n, 4))
    truth[np.arange(1, n, 2), np.arange(len(truth[1::2])) % 4] = 1
    volumes[1::2, 3:5, 3:5, 3:5] -= 0.5
    table = pd.DataFrame(dict.fromkeys(SAMPLE_COLUMNS, 0.5), index=range(n))
    table = table.assign(
        scan=split, board_id=f"{split}_board", component="U1", split=split, present=1, pitch_mm=0.8
    )
    table = table.assign(ball=[f"A{i}" for i in range(n)], **dict(zip(KINDS, truth.T, strict=True)))
    return Joints(volumes.astype(np.float32), table, GRID)


def store(folder: Path, training: int = 60, validation: int = 40, faults_strange: bool = False) -> Store:
    train = shard("train", training, 0)
    if faults_strange:
        train.volumes[1::2] += 9.0
    with StoreWriter(folder, GRID, 1, {}) as writer:
        for name, joints in (
            ("a", train),
            ("b", shard("validation", validation, 1)),
            ("c", shard("test", 10, 2, 7.0)),
        ):
            writer.commit(write_shard(folder, name, joints))
    return Store(folder)


def quiet(done: int, total: int, note: str) -> None:
    """Shows nothing."""


def test_faulty_training_joints_and_test_boards_have_no_say(tmp_path: Path) -> None:
    for name, strange in (("one", False), ("other", True)):
        joints = store(tmp_path / f"joints_{name}", faults_strange=strange)
        fit_novelty(joints, ThresholdSettings(), tmp_path / name, quiet)
    first, second = ((tmp_path / name / "novelty.safetensors").read_bytes() for name in ("one", "other"))
    assert first == second
    bench = load_bench(tmp_path / "one", ["novelty"])
    assert bench.grid == GRID
    judge = bench.deciding
    assert judge.thresholds.with_kind == ((5, 5, 5, 5),)
    joints = shard("validation", 40, 1)
    scores = judge.detector.score(joints)
    assert scores[1::2].min() > scores[::2].max()


def test_equal_stores_give_equal_files(tmp_path: Path) -> None:
    for name in ("one", "other"):
        fit_novelty(store(tmp_path / f"joints_{name}"), ThresholdSettings(), tmp_path / name, quiet)
    for file in ("novelty.json", "novelty.safetensors"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "other" / file).read_bytes()


def test_too_few_sound_joints_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="at least 10 sound training joints .* novelty=false"):
        fit_novelty(store(tmp_path / "joints", training=10), ThresholdSettings(), tmp_path, quiet)
