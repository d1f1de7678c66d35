"""The same scan in every format: the same values, in the same place, in memory or box by box."""

import dataclasses
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pydicom
import pytest

from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice
from jointwise.scoring.cut import cut_array
from jointwise.scoring.finding.locate import locate
from jointwise.scoring.reading.formats import read_scan
from jointwise.scoring.reading.load import BoxVolume
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.settings import ArraySettings, ScoreSettings

LATTICE = Lattice((18, 50, 60), (-1.0, 2.0, 0.5), (0.02, 0.021, 0.025))


def volume(dtype: str) -> np.ndarray:
    """No two axes alike, so that a flip or a swap shows."""
    rng = np.random.default_rng(3)
    return np.asarray(rng.uniform(0, 150, LATTICE.shape) + np.arange(60), dtype)


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


@pytest.fixture(scope="module")
def board(phantom: Callable) -> tuple[np.ndarray, Lattice]:
    """A small array as a scanner stores it, in 16 bits."""
    made = phantom(rows=3, cols=4, voxel=0.04, noise=0.1)
    grey = np.clip(10000 + 5000 * made.volume, 0, 65535)
    return grey.astype(np.uint16), made.lattice


def joints(path: Path, settings: ReadSettings) -> tuple[pd.DataFrame, np.ndarray]:
    """Sites and sub-volumes by the way of `jointwise score`."""
    scan = read_scan(path, settings)
    array, how = ArraySettings(0.8, 0.46, 3, 4), ScoreSettings(workers=1)
    found = locate(scan, array, how)
    return found.sites, cut_array(scan, found, array, how, Grid((24, 28, 28))).joints.volumes


@pytest.fixture(scope="module")
def usual(
    writers: dict[str, Callable], board: tuple[np.ndarray, Lattice], tmp_path_factory: pytest.TempPathFactory
) -> tuple[pd.DataFrame, np.ndarray]:
    written = writers["mha"](tmp_path_factory.mktemp("usual"), *board)
    return joints(written.path, written.settings)


@pytest.mark.slow
def test_same_joints(
    tmp_path: Path,
    every_format: Callable,
    board: tuple[np.ndarray, Lattice],
    usual: tuple[pd.DataFrame, np.ndarray],
) -> None:
    written = every_format(tmp_path, *board)
    sites, volumes = joints(written.path, written.settings)
    places, names = ["x_mm", "y_mm", "z_mm"], ["row", "col", "ball", "present"]
    assert sites["present"].sum() == 12
    pd.testing.assert_frame_equal(sites[names], usual[0][names])
    shift = 0 if written.origin else np.array(board[1].origin_mm)
    np.testing.assert_allclose(sites[places] + shift, usual[0][places], atol=1e-4)
    np.testing.assert_allclose(volumes, usual[1], atol=4e-3)


def test_the_user_stands_above_the_file(tmp_path: Path, writers: dict[str, Callable]) -> None:
    path = writers["nii_by_itk"](tmp_path, volume("uint16"), LATTICE).path
    own = read_scan(path, ReadSettings("30,40,50", axes="-y z x"))
    np.testing.assert_array_equal(own.volume, volume("uint16").transpose(1, 0, 2)[:, ::-1])
    assert own.lattice.spacing_mm == (0.03, 0.04, 0.05)
    # The first stored voxel keeps its place, now at the high end of y.
    first = np.array(LATTICE.origin_mm)
    np.testing.assert_allclose(own.lattice.origin_mm, first - [0, 17 * 0.04, 0], atol=1e-6)
    assert own.facts["voxel size from"] == "read.spacing_um"
    assert own.facts["stored axes"] == "-yzx (read.axes)"


@pytest.mark.parametrize("dtype", ["int8", "int16", "int32", "uint32", "float16", "float64"])
def test_other_types(tmp_path: Path, writers: dict[str, Callable], dtype: str) -> None:
    written = writers["raw"](tmp_path, volume("uint8").astype(dtype), LATTICE)
    scan = read_scan(written.path)
    assert scan.volume.dtype == (dtype if dtype[0] in "iu" else "float32")
    np.testing.assert_array_equal(scan.volume, volume("uint8").astype(dtype))
    assert dtype in scan.facts["voxel type"]


def test_slopes(tmp_path: Path, writers: dict[str, Callable], dicom_slice: tuple) -> None:
    """One rising line is told; lines that differ from slice to slice are applied."""
    header, write = dicom_slice
    (tmp_path / "a").mkdir()
    for n, page in enumerate(volume("uint16")):
        one = header((0, 0, 0.02 * n), (0.02, 0.02, 0.02), n, "1.2")
        one.RescaleSlope, one.RescaleIntercept = f"{1 + n}", "-7"
        write(tmp_path / "a" / f"{n}.dcm", one, page)
    scan = read_scan(tmp_path / "a")
    np.testing.assert_array_equal(scan.volume[5:6, :, :], volume("uint16")[5:6] * np.float32(6) - 7)
    assert scan.facts["rescale"].startswith("applied")
    one_line = read_scan(writers["dicom"](tmp_path, volume("uint16"), LATTICE).path)
    assert one_line.facts["rescale"] == "0.5 · stored value + -3, not applied"


def test_a_series_is_chosen(tmp_path: Path, writers: dict[str, Callable]) -> None:
    """Two series in one folder: both are named; one is chosen by its number or by one of its files."""
    path = writers["dicom"](tmp_path, volume("uint16"), LATTICE).path
    (tmp_path / "b").mkdir()
    other = writers["dicom"](tmp_path / "b", volume("uint16")[:, ::-1], LATTICE).path
    for n, file in enumerate(sorted(other.glob("*_*"))):
        slice_ = pydicom.dcmread(file)
        slice_.SeriesInstanceUID = "1.2.77"
        slice_.save_as(path / f"other{n}.dcm")
    with pytest.raises(InputError, match=r"1\.2\.3 \(18 slices\), 1\.2\.77 \(18 slices\).*read\.dataset"):
        read_scan(path)
    chosen = read_scan(path, ReadSettings(dataset="77"))
    np.testing.assert_array_equal(chosen.volume, volume("uint16")[:, ::-1])
    np.testing.assert_array_equal(read_scan(path / "other3.dcm").volume, chosen.volume)


def test_boxes(tmp_path: Path, writers: dict[str, Callable]) -> None:
    """Boxes as numpy cuts them, at and beyond edges; other slicing is refused, not misread."""
    written = writers["nii_gz_turned"](tmp_path, volume("uint16"), LATTICE)
    boxes = read_scan(written.path, ReadSettings(in_memory_gib=0)).volume
    for box in np.s_[:, :, :], np.s_[2:3, -4:, :5], np.s_[3:3, :, :], np.s_[9:99, 0:1, 23:24]:
        np.testing.assert_array_equal(boxes[box], volume("uint16")[box])
        assert boxes[box].flags.c_contiguous
    with pytest.raises(IndexError):
        boxes[::2, :, :]


def test_no_room_to_unpack(
    tmp_path: Path, writers: dict[str, Callable], monkeypatch: pytest.MonkeyPatch
) -> None:
    written = writers["mha_compressed"](tmp_path, volume("uint16"), LATTICE)
    full = shutil.disk_usage(tmp_path)._replace(free=1000)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: full)
    with pytest.raises(InputError, match="set TMPDIR to a larger disk, or export the scan uncompressed"):
        read_scan(written.path, ReadSettings(in_memory_gib=0))


@pytest.mark.parametrize("words", [
    {"spacing_um": "wide"}, {"spacing_um": "0"}, {"spacing_um": "20,20"}, {"axes": "xyy"}, {"axes": "z,y"},
    {"in_memory_gib": -1.0},
])  # fmt: skip
def test_settings_that_make_no_sense(words: dict) -> None:
    with pytest.raises(InputError, match=rf"^read\.{next(iter(words))}: expected .*, found "):
        ReadSettings(**words)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["raw", "nii_gz_turned", "tiff_folder", "dicom", "hdf5_chunked"])
def test_same_joints_box_by_box(
    tmp_path: Path,
    writers: dict[str, Callable],
    board: tuple[np.ndarray, Lattice],
    usual: tuple[pd.DataFrame, np.ndarray],
    name: str,
) -> None:
    written = writers[name](tmp_path, *board)
    sites, volumes = joints(written.path, dataclasses.replace(written.settings, in_memory_gib=0))
    pd.testing.assert_frame_equal(sites[["row", "col", "present"]], usual[0][["row", "col", "present"]])
    np.testing.assert_allclose(volumes, usual[1], atol=4e-3)
