"""Damaged scans in every format: cut short, not finite, flat, tiny, of no plausible voxel size; seeded fuzz."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice
from jointwise.scoring.reading.formats import read_scan

LATTICE = Lattice((14, 20, 24), (-1.0, 2.0, 0.5), (0.02, 0.02, 0.02))
Refusal = Callable[..., str]
Writers = dict[str, Callable[..., Any]]


def volume(dtype: str = "uint16") -> np.ndarray:
    return np.asarray(np.random.default_rng(3).uniform(0, 200, LATTICE.shape), dtype)


def files_of(path: Path) -> list[Path]:
    """The files with voxels: of a folder or pattern all that are not notes."""
    if "*" in path.name:
        return sorted(path.parent.glob(path.name))
    if path.is_dir():
        names = [file for file in sorted(path.rglob("*")) if file.is_file()]
        names = [file for file in names if "s1" not in file.parts]  # another level of Zarr
        return [f for f in names if f.suffix not in (".txt", ".json") and not f.name.startswith(".z")]
    return (
        [path.with_suffix(".raw")]
        if path.suffix in (".mhd", ".nhdr") and path.with_suffix(".raw").exists()
        else [path]
    )


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_not_finite(refusal: Refusal, tmp_path: Path, every_format: Callable[..., Any], bad: float) -> None:
    values = volume("float32")
    values[7, 3, 3] = bad
    written = every_format(tmp_path, values, LATTICE)
    assert "NaN or infinity in slice z = 7" in refusal(written.path, written.settings)


def test_the_same_value_everywhere(
    refusal: Refusal, tmp_path: Path, every_format: Callable[..., Any]
) -> None:
    written = every_format(tmp_path, np.full(LATTICE.shape, 3, np.uint16), LATTICE)
    assert "the value 3 everywhere" in refusal(written.path, written.settings)


def test_too_small(refusal: Refusal, tmp_path: Path, every_format: Callable[..., Any]) -> None:
    small = Lattice((3, 20, 24), LATTICE.origin_mm, LATTICE.spacing_mm)
    written = every_format(tmp_path, volume()[:3], small)
    assert "at least 16 x 16 x 5 voxels" in refusal(written.path, written.settings)


@pytest.mark.parametrize("share", [0.0, 0.5, 0.97])
def test_cut_short(refusal: Refusal, tmp_path: Path, every_format: Callable[..., Any], share: float) -> None:
    written = every_format(tmp_path, volume(), LATTICE)
    files = files_of(written.path)
    file = files[len(files) // 2]
    file.write_bytes(file.read_bytes()[: int(share * file.stat().st_size)])
    refusal(written.path, written.settings)


@pytest.mark.parametrize("step", [1e-5, 3.0])
def test_implausible_voxel_size(
    refusal: Refusal, tmp_path: Path, every_format: Callable[..., Any], step: float
) -> None:
    written = every_format(tmp_path, volume(), Lattice(LATTICE.shape, (0.0, 0.0, 0.0), (step,) * 3))
    assert "1 to 200 µm" in refusal(written.path, written.settings)


FLIPS = 12


@pytest.mark.filterwarnings("ignore:.*:UserWarning")
def test_fuzzed_headers(tmp_path: Path, every_format: Callable[..., Any]) -> None:
    """Bytes of headers changed at random: read as before or refused in a sentence, never anything else."""
    rng = np.random.default_rng(5)
    written = every_format(tmp_path, volume(), LATTICE)
    home = written.path.parent if "*" in written.path.name or written.path.is_file() else written.path
    files = [f for f in sorted(home.rglob("*")) if f.is_file() and (f.suffix != ".raw" or f.parent != home)]
    for _ in range(FLIPS):
        file = files[rng.integers(len(files))]
        whole = file.read_bytes()
        changed, span = bytearray(whole), min(len(whole), int(rng.choice([64, 400, 2000])))
        for _ in range(rng.integers(1, 6)):
            changed[rng.integers(span)] = rng.integers(256)
        file.write_bytes(bytes(changed))
        try:
            shape = read_scan(written.path, written.settings).volume.shape
        except InputError as error:
            text = str(error)
            assert text.startswith("expected"), text
            assert text.isprintable(), text
        else:
            assert len(shape) == 3
        file.write_bytes(whole)
    assert read_scan(written.path, written.settings).volume.shape == LATTICE.shape
