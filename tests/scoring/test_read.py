"""Reading scans: what comes back lies where the file says, and every damaged file is one sentence."""

import re
from pathlib import Path

import numpy as np
import pytest
import SimpleITK

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.formats import read_scan

SHAPE = (12, 20, 24)


def write(path: Path, volume: np.ndarray, compress: bool = False, spacing: float = 0.02) -> bytes:
    image = SimpleITK.GetImageFromArray(volume)
    image.SetSpacing((spacing, spacing, 1.5 * spacing))
    image.SetOrigin((-1.0, 2.0, 0.5))
    SimpleITK.WriteImage(image, str(path), compress)
    return path.read_bytes()


def noise(dtype: str = "float32") -> np.ndarray:
    return (100 * np.random.default_rng(1).random(SHAPE)).astype(dtype)


def refusal(path: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_scan(path)
    text = str(caught.value)
    assert "\n" not in text
    assert text.startswith("expected")
    assert str(path.with_suffix("")) in text
    return text


@pytest.mark.parametrize("dtype", ["float32", "uint16", "int16", "uint8"])
@pytest.mark.parametrize("compress", [False, True])
def test_values_type_and_place_survive(tmp_path: Path, dtype: str, compress: bool) -> None:
    volume = noise(dtype)
    write(tmp_path / "a.mha", volume, compress)
    scan = read_scan(tmp_path / "a.mha")
    assert scan.volume.dtype == dtype
    np.testing.assert_array_equal(scan.volume, volume)
    assert scan.lattice.shape == SHAPE
    np.testing.assert_allclose(scan.lattice.origin_mm, (-1.0, 2.0, 0.5))
    np.testing.assert_allclose(scan.lattice.spacing_mm, (0.02, 0.02, 0.03))


def test_header_and_voxels_in_two_files(tmp_path: Path) -> None:
    write(tmp_path / "a.mhd", noise())
    np.testing.assert_array_equal(read_scan(tmp_path / "a.mhd").volume, noise())
    (tmp_path / "a.raw").unlink()
    assert "no such file" in refusal(tmp_path / "a.mhd")


def test_a_volume_outlives_the_reading(tmp_path: Path) -> None:
    """The array is a view: it must keep its memory alive after everything else of the reader is gone."""
    write(tmp_path / "a.mha", noise())
    kept = [read_scan(tmp_path / "a.mha") for _ in range(5)]
    assert all(np.array_equal(scan.volume, noise()) for scan in kept)


def test_missing_folder_other_kind_and_empty(tmp_path: Path) -> None:
    assert "nothing there" in refusal(tmp_path / "a.mha")
    assert "a folder without files" in refusal(tmp_path)
    (tmp_path / "b.jpg").write_bytes(b"II*")
    assert "'.jpg'" in refusal(tmp_path / "b.jpg")
    (tmp_path / "c.mha").write_bytes(b"")
    assert "empty" in refusal(tmp_path / "c.mha")
    (tmp_path / "d.mha").write_bytes(b"hello = you\n" * 5)
    assert "header" in refusal(tmp_path / "d.mha")


@pytest.mark.parametrize("compress", [False, True])
@pytest.mark.parametrize("share", [0.3, 0.9, 0.999])
def test_truncated(tmp_path: Path, compress: bool, share: float, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "a.mha"
    data = write(path, noise(), compress)
    path.write_bytes(data[: int(share * len(data))])
    assert "cut short" in refusal(path)
    assert capfd.readouterr().err == ""  # the reader's own complaints would be a second sentence


def test_flipped_bytes_in_compressed_voxels(tmp_path: Path) -> None:
    path = tmp_path / "a.mha"
    data = bytearray(write(path, noise(), True))
    for place in range(len(data) // 2, len(data) // 2 + 6):
        data[place] ^= 0xFF
    path.write_bytes(data)
    assert "damage" in refusal(path)


@pytest.mark.parametrize(
    ("pattern", "replacement", "words"),
    [
        (
            rb"ElementSpacing = .*",
            b"ElementSpacing = 20 20 20",
            "20000 µm along x .* in µm: divide it by 1000",
        ),
        (rb"ElementSpacing = .*", b"ElementSpacing = 2e-5 2e-5 2e-5", "in m: multiply it by 1000"),
        (rb"ElementSpacing = .*", b"ElementSpacing = 0.02 0 0.02", "0 µm along y"),
        (rb"ElementSpacing = .*", b"ElementSpacing = -0.02 0.02 0.02", "-20 µm along x"),
        (rb"ElementSpacing = .*\n", b"", "1000 µm"),
        (rb"ElementSpacing = .*", b"ElementSpacing = 0.02 0.02 0.15", "about as long as wide"),
        (rb"TransformMatrix = .*", b"TransformMatrix = 0.8 0.6 0 -0.6 0.8 0 0 0 1", "resample it"),
        (rb"DimSize = .*", b"DimSize = 24 20 999999999999", "cut short or its header is wrong"),
        (rb"DimSize = .*", b"DimSize = 24 20 0", "at least one voxel"),
        (rb"DimSize = .*", b"DimSize = 24 20 many", "whole numbers"),
        (rb"ElementType = .*", b"ElementType = MET_STRING", "found MET_STRING"),
        (rb"ElementDataFile = .*", b"ElementDataFile = LIST", "list of slices"),
    ],
)
def test_lying_headers(tmp_path: Path, pattern: bytes, replacement: bytes, words: str) -> None:
    path = tmp_path / "a.mha"
    path.write_bytes(re.sub(pattern, replacement, write(path, noise()), count=1))
    assert re.search(words, refusal(path))


def test_wrong_dimension_and_colour(tmp_path: Path) -> None:
    path = tmp_path / "a.mha"
    flat = SimpleITK.GetImageFromArray(noise()[0])
    flat.SetSpacing((0.02, 0.02))
    SimpleITK.WriteImage(flat, str(path))
    assert "three dimensions" in refusal(path)
    four = SimpleITK.GetImageFromArray(np.stack([noise(), noise()]), isVector=False)
    four.SetSpacing((0.02,) * 4)
    SimpleITK.WriteImage(four, str(path))
    assert "found 4" in refusal(path)
    colour = SimpleITK.GetImageFromArray(np.stack([noise("uint8")] * 3, axis=-1), isVector=True)
    colour.SetSpacing((0.02,) * 3)
    SimpleITK.WriteImage(colour, str(path))
    assert "one number per voxel" in refusal(path)


def test_not_finite_flat_and_tiny(tmp_path: Path) -> None:
    path = tmp_path / "a.mha"
    for bad in (np.nan, np.inf, -np.inf):
        volume = noise()
        volume[7, 3, 3] = bad
        write(path, volume)
        assert "slice z = 7" in refusal(path)
    write(path, np.full(SHAPE, 3, np.uint16))
    assert "value 3 everywhere" in refusal(path)
    write(path, noise()[:3])
    assert "at least 16 x 16 x 5 voxels" in refusal(path)
