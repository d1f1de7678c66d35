"""Synthetic stores for the training tests: balls painted straight onto a coarse grid, with coarse defects."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import SAMPLE_COLUMNS
from jointwise.joints.store import StoreWriter

SMALL_GRID = Grid((16, 16, 16))


def paint(kind: str, rng: np.random.Generator, grid: Grid) -> NDArray[np.float16]:
    """One joint as a sub-volume: a ball, and in it or beside it what its kind says."""
    z, y, x = np.meshgrid(*(np.linspace(-1, 1, n) for n in grid.shape), indexing="ij")
    r = rng.uniform(0.55, 0.65)
    volume = ((x**2 + y**2 + z**2) < r**2).astype(np.float64)
    if kind == "void":
        a, b = rng.uniform(-0.15, 0.15, 2)
        volume[(x - a) ** 2 + (y - b) ** 2 + z**2 < 0.25**2] = 0
    if kind == "non_wet":
        volume[np.abs(z + 0.45) < 0.1] = 0
    if kind == "head_in_pillow":
        volume[np.abs(z - 0.1) < 0.1] = 0
    if kind == "bridging":
        along, across = (x, y) if rng.random() < 0.5 else (y, x)
        volume[(across**2 + z**2 < 0.2**2) & (along > 0)] = 1
    return np.asarray(volume + 0.05 * rng.standard_normal(volume.shape), dtype=np.float16)


def joints_of(n: int, seed: int, split: str, grid: Grid = SMALL_GRID) -> Joints:
    """n joints: sound and each kind in turn; every seventh row has one unknown label, the last has no ball."""
    rng = np.random.default_rng(seed)
    kinds = [("sound", *KINDS)[i % 5] for i in range(n)]
    table = pd.DataFrame(dict.fromkeys(SAMPLE_COLUMNS, np.nan), index=range(n))
    table = table.assign(
        scan=f"s{seed}",
        board_id=f"b{seed}",
        component="part",
        ball=[f"A{i + 1}" for i in range(n)],
        row=0,
        col=range(n),
        present=1,
        split=split,
        pitch_mm=0.8,
        ball_mm=0.5,
        voxels_per_ball=rng.uniform(20, 40, n),
        cnr=rng.uniform(5, 20, n),
        void_projected_area_pct=0.0,
        void_volume_pct=0.0,
        void_largest_pct=0.0,
        void_interface_pct=0.0,
    )
    for kind in KINDS:
        table[kind] = [float(found == kind) for found in kinds]
    table.loc[table.index % 7 == 6, "void"] = np.nan
    table.loc[n - 1, "present"] = 0
    return Joints(np.stack([paint(kind, rng, grid) for kind in kinds]), table, grid)


def write_store(folder: Path, training: int = 80, validation: int = 40, grid: Grid = SMALL_GRID) -> Path:
    """A store of painted joints, two boards for training and one for validation."""
    with StoreWriter(folder, grid, seed=5, config={"painted": True}) as writer:
        writer.add("a", joints_of(training // 2, 1, "train", grid))
        writer.add("b", joints_of(training - training // 2, 2, "train", grid))
        writer.add("c", joints_of(validation, 3, "validation", grid))
    return folder


@pytest.fixture(scope="session")
def make_store() -> Callable[..., Path]:
    """`make_store(folder, training=…, validation=…)` writes a painted store."""
    return write_store


@pytest.fixture(scope="session")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The painted store most tests share."""
    return write_store(tmp_path_factory.mktemp("data") / "store")
