"""The same scan in every format: the same values, in the same place, in memory or box by box."""

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from jointwise.joints.lattice import Lattice
from jointwise.scoring.reading.formats import read_scan
from jointwise.scoring.reading.load import BoxVolume

LATTICE = Lattice((14, 20, 24), (-1.0, 2.0, 0.5), (0.02, 0.021, 0.025))


def volume(dtype: str) -> np.ndarray:
    """No two axes alike, so that a flip or a swap shows."""
    rng = np.random.default_rng(3)
    return np.asarray(rng.uniform(0, 200, LATTICE.shape) + np.arange(24), dtype)


@pytest.mark.parametrize("dtype", ["uint16", "float32", "uint8"])
@pytest.mark.parametrize("in_memory_gib", [1.0, 0.0])
def test_same_values_at_the_same_place(
    tmp_path: Path, every_format: Callable, dtype: str, in_memory_gib: float
) -> None:
    written = every_format(tmp_path, volume(dtype), LATTICE)
    scan = read_scan(written.path, dataclasses.replace(written.settings, in_memory_gib=in_memory_gib))
    assert isinstance(scan.volume, BoxVolume) == (in_memory_gib == 0)
    assert scan.volume.dtype == np.dtype(dtype)
    assert scan.volume.dtype.isnative
    np.testing.assert_array_equal(scan.volume[0:99, 0:99, 0:99], volume(dtype))
    np.testing.assert_array_equal(scan.volume[3:5, 7:15, 20:24], volume(dtype)[3:5, 7:15, 20:24])
    assert scan.lattice.shape == LATTICE.shape
    np.testing.assert_allclose(scan.lattice.spacing_mm, LATTICE.spacing_mm, rtol=1e-6)
    origin = LATTICE.origin_mm if written.origin else (0, 0, 0)
    np.testing.assert_allclose(scan.lattice.origin_mm, origin, atol=1e-6)
    assert {"format", "voxel type", "stored axes", "voxel size from", "held"} <= scan.facts.keys()
