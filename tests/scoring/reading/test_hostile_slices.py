"""Odd TIFF files and series, odd DICOM series."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
import tifffile

from jointwise.joints.lattice import Lattice
from jointwise.scoring.reading.formats import read_scan

LATTICE = Lattice((14, 20, 24), (-1.0, 2.0, 0.5), (0.02, 0.02, 0.02))
Refusal = Callable[..., str]
Writers = dict[str, Callable[..., Any]]


def volume(dtype: str = "uint16") -> np.ndarray:
    return np.asarray(np.random.default_rng(3).uniform(0, 200, LATTICE.shape), dtype)


def put(path: Path, at: int, data: bytes) -> None:
    whole = bytearray(path.read_bytes())
    whole[at : at + len(data)] = data
    path.write_bytes(bytes(whole))


def tiff(path: Path, values: np.ndarray, **more: Any) -> Path:
    tifffile.imwrite(path, values, metadata=None, resolution=(500, 500), resolutionunit="CENTIMETER", **more)
    return path


def test_tiff_of_another_kind(refusal: Refusal, tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    grey = volume("uint8")
    assert "grey values" in refusal(tiff(path, np.stack([grey] * 3, -1), photometric="rgb"))
    assert "grey values" in refusal(tiff(path, grey, photometric="miniswhite"))
    assert "whole bytes" in refusal(tiff(path, grey > 100, photometric="minisblack", bitspersample=1))
    assert "found complex64" in refusal(tiff(path, grey.astype("complex64"), photometric="minisblack"))
    assert "one page" in refusal(tiff(path, grey[0]))
    tiff(path, grey)
    tiff(path, grey[:, :18], append=True)
    assert "page 15 of" in refusal(path)
    tifffile.imwrite(path, np.stack([grey, grey], 1), imagej=True, metadata={"axes": "ZCYX"})
    assert "one channel" in refusal(path)
    tifffile.imwrite(path, grey, imagej=True, metadata={"axes": "ZYX", "spacing": 20, "unit": "pixel"})
    assert "read.spacing_um" in refusal(path)
    tifffile.imwrite(path, grey, resolution=(300, 300), resolutionunit="INCH", metadata=None)
    assert "of a printer" in refusal(path)
    path.write_text("the scan of monday\n" * 9)
    assert "a TIFF file" in refusal(path)


@pytest.mark.parametrize(("text", "words"), [
    ('<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "c">]><OME>&b;</OME>', "found entities"),
    ("<OME><Image></OME>", "found damage"),
    ("<OME></OME>", "no Pixels"),
    ('<OME><Pixels SizeC="2"/></OME>', "one channel"),
    ('<OME><Pixels PhysicalSizeX="a" PhysicalSizeY="20" PhysicalSizeZ="20"/></OME>', "no PhysicalSize"),
    ('<OME><Pixels PhysicalSizeX="0" PhysicalSizeY="20" PhysicalSizeZ="20"/></OME>', "0 µm along x"),
    ('<OME><Pixels PhysicalSizeX="20" PhysicalSizeY="20" PhysicalSizeZ="nan"/></OME>', "nan µm along z"),
    ('<OME><Pixels PhysicalSizeX="20" PhysicalSizeY="20"/></OME>', "no PhysicalSize"),
    ('<OME><Pixels PhysicalSizeX="2" PhysicalSizeXUnit="pixel" PhysicalSizeY="2" PhysicalSizeZ="2"/></OME>',
     "no PhysicalSize"),
])  # fmt: skip
def test_tiff_with_odd_ome_xml(refusal: Refusal, tmp_path: Path, text: str, words: str) -> None:
    tifffile.imwrite(tmp_path / "a.tif", volume(), description=text, metadata=None)
    assert words in refusal(tmp_path / "a.tif")


@pytest.mark.parametrize("loop_from", [3, 13])
def test_tiff_pages_in_a_circle(refusal: Refusal, tmp_path: Path, loop_from: int) -> None:
    path = tiff(tmp_path / "a.tif", volume())
    with tifffile.TiffFile(path) as file:
        first, page = file.pages[0].offset, file.pages[loop_from].offset
        tags = len(file.pages[loop_from].tags)
    put(path, page + 2 + 12 * tags, first.to_bytes(4, "little"))
    assert "a circle" in refusal(path)


def slices(folder: Path, names: list[str]) -> Path:
    folder.mkdir()
    for name, page in zip(names, volume(), strict=True):
        tiff(folder / name, page)
    return folder


def test_tiff_series(refusal: Refusal, tmp_path: Path) -> None:
    names = [f"s_{n}.tif" for n in range(14)]
    whole = slices(tmp_path / "whole", names)
    assert read_scan(whole).volume.shape == LATTICE.shape
    (whole / "s_5.tif").unlink()
    assert "s_6.tif after s_4.tif" in refusal(whole)
    tiff(whole / "s_5.tif", volume()[5, :19])
    assert "s_5.tif" in refusal(whole)
    tiff(whole / "s_5.tif", volume()[5:7])
    assert "several in s_5.tif" in refusal(whole)
    (whole / "s_5.tif").write_bytes(b"II*\0")
    refusal(whole)
    (whole / "s_5.tif").unlink()
    (tmp_path / "elsewhere.tif").write_bytes((whole / "s_4.tif").read_bytes())
    (whole / "s_5.tif").symlink_to(tmp_path / "elsewhere.tif")
    assert "a link to another folder" in refusal(whole)
    assert "nothing there" in refusal(whole / "t_*.tif")
    assert "nothing there" in refusal(whole / "s_%03d.tif")


def edit(field: str, value: Any) -> Callable[[Any], None]:
    return lambda header: setattr(header, field, value)


def without(field: str) -> Callable[[Any], None]:
    return lambda header: delattr(header, field)


def syntax(uid: str) -> Callable[[Any], None]:
    return lambda header: setattr(header.file_meta, "TransferSyntaxUID", uid)


ONE_SLICE = [
    (edit("ImagePositionPatient", [-1, 2, 0.5]), "evenly apart"),
    (edit("ImagePositionPatient", [-1, 2, 0.611]), "evenly apart"),
    (edit("ImagePositionPatient", [-1, 2, 1e300]), "evenly apart"),
    (edit("ImageOrientationPatient", [0, 1, 0, 1, 0, 0]), "one spacing and orientation"),
    (edit("PixelSpacing", [0.02, 0.03]), "one spacing and orientation"),
    (edit("SamplesPerPixel", 3), "colour"),
    (edit("NumberOfFrames", 7), "found 7 frames"),
    (edit("BitsAllocated", 12), "found 12"),
    (edit("BitsAllocated", 64), "found uint64"),
    (edit("Rows", 65535), "cut short"),
    (edit("Rows", 0), "at least one voxel"),
    (edit("Columns", 23), "another form"),
    (without("PixelData"), "a header alone"),
    (without("ImagePositionPatient"), "read.spacing_um"),
    (edit("SeriesInstanceUID", "1.2.4"), "choose one by read.dataset"),
    (edit("RescaleSlope", "inf"), "numbers in RescaleSlope"),
]


@pytest.mark.filterwarnings("ignore:.*:UserWarning")
@pytest.mark.parametrize(("change", "words"), ONE_SLICE)
def test_dicom_with_one_odd_slice(
    refusal: Refusal, tmp_path: Path, writers: Writers, change: Callable[[Any], None], words: str
) -> None:
    path = writers["dicom"](tmp_path, volume(), LATTICE).path
    file = next(file for file in path.iterdir() if file.name.endswith("_6"))
    header = pydicom.dcmread(file)
    change(header)
    header.save_as(file)
    assert words in refusal(path)


ALL_SLICES = [
    (edit("ImageOrientationPatient", [0.8, 0.6, 0, -0.6, 0.8, 0]), "resample it"),
    (edit("ImageOrientationPatient", [1, 0, 0, 1, 0, 0]), "evenly apart"),
    (edit("PixelSpacing", [0, 0]), "1 to 200 µm"),
    (edit("PixelSpacing", [-0.02, 0.02]), "-20 µm along y"),
    (without("PixelSpacing"), "read.spacing_um"),
    (without("ImagePositionPatient"), "read.spacing_um"),
    (syntax("1.2.840.10008.1.2.1.99"), "the transfer syntax"),
    (syntax("1.2.3"), "the transfer syntax"),
]


@pytest.mark.filterwarnings("ignore:.*:UserWarning")
@pytest.mark.parametrize(("change", "words"), ALL_SLICES)
def test_dicom_series(
    refusal: Refusal, tmp_path: Path, writers: Writers, change: Callable[[Any], None], words: str
) -> None:
    path = writers["dicom"](tmp_path, volume(), LATTICE).path
    for file in path.iterdir():
        if file.suffix != ".txt":
            header = pydicom.dcmread(file)
            change(header)
            pydicom.dcmwrite(file, header, force_encoding=True, implicit_vr=False, little_endian=True)
    assert words in refusal(path)


def test_dicom_slices_left_out_and_alone(refusal: Refusal, tmp_path: Path, writers: Writers) -> None:
    path = writers["dicom"](tmp_path, volume(), LATTICE).path
    files = {file.name.split("_")[1]: file for file in path.iterdir() if file.suffix != ".txt"}
    files["6"].unlink()
    assert "evenly apart" in refusal(path)
    files["7"].write_text("hello")
    assert "evenly apart" in refusal(path)
    (path / "b.dcm").write_text("hello")
    assert "b.dcm" in refusal(path)
    assert "b.dcm" in refusal(path / "b.dcm")
    for file in path.iterdir():
        if file != files["3"]:
            file.unlink()
    assert "found one" in refusal(path)
