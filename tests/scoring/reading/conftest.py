"""One scan in every format, written by the formats' own libraries."""

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import h5py
import nibabel
import nrrd
import numpy as np
import pydicom
import pytest
import SimpleITK
import tifffile
import zarr
from numpy.typing import NDArray
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian, RLELossless, generate_uid

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice
from jointwise.scoring.reading.formats import read_scan
from jointwise.scoring.reading.settings import ReadSettings

Volume = NDArray[Any]


@dataclass(frozen=True)
class Written:
    """A scan that was written: what to read, how, and whether the format keeps the origin."""

    path: Path
    settings: ReadSettings = field(default_factory=ReadSettings)
    origin: bool = True


Writer = Callable[[Path, Volume, Lattice], Written]
WRITERS: dict[str, Writer] = {}


def writer(function: Writer) -> Writer:
    WRITERS[function.__name__] = function
    return function


def um(lattice: Lattice) -> str:
    return ",".join(f"{1000 * step:.9g}" for step in lattice.spacing_mm)


def _itk(folder: Path, volume: Volume, lattice: Lattice, name: str, compress: bool = False) -> Written:
    image = SimpleITK.GetImageFromArray(volume)
    image.SetSpacing(lattice.spacing_mm)
    image.SetOrigin(lattice.origin_mm)
    SimpleITK.WriteImage(image, str(folder / name), compress)
    return Written(folder / name)


@writer
def mha(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    return _itk(folder, volume, lattice, "a.mha")


@writer
def mha_compressed(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    return _itk(folder, volume, lattice, "a.mha", True)


@writer
def mhd(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    return _itk(folder, volume, lattice, "a.mhd")


@writer
def mhd_turned(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    """Stored as (x, -z, y), slowest first, and big-endian; the directions say so."""
    stored = volume.transpose(2, 0, 1)[:, ::-1, :]
    (x, y, z), (dx, dy, dz) = lattice.origin_mm, lattice.spacing_mm
    order = stored.astype(stored.dtype.newbyteorder(">"))
    (folder / "a.raw").write_bytes(np.ascontiguousarray(order).tobytes())
    kind = {"f4": "FLOAT", "u2": "USHORT", "i2": "SHORT", "u1": "UCHAR", "i4": "INT"}[stored.dtype.str[1:]]
    (folder / "a.mhd").write_text(
        "ObjectType = Image\nNDims = 3\nBinaryData = True\nBinaryDataByteOrderMSB = True\n"
        f"CompressedData = False\nTransformMatrix = 0 1 0 0 0 -1 1 0 0\n"
        f"Offset = {x} {y} {z + (volume.shape[0] - 1) * dz}\n"
        f"ElementSpacing = {dy} {dz} {dx}\nDimSize = {' '.join(map(str, stored.shape[::-1]))}\n"
        f"ElementType = MET_{kind}\nElementDataFile = a.raw\n"
    )
    return Written(folder / "a.mhd")


@writer
def nrrd_by_itk(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    return _itk(folder, volume, lattice, "a.nrrd")


def _nrrd(folder: Path, volume: Volume, lattice: Lattice, name: str, **more: Any) -> Written:
    header = {
        "space": "right-anterior-superior",
        "space directions": np.diag([-1, -1, 1] * np.array(lattice.spacing_mm)),
        "space origin": [-1, -1, 1] * np.array(lattice.origin_mm),
        **more,
    }
    nrrd.write(str(folder / name), volume, header, detached_header=name.endswith(".nhdr"), index_order="C")
    return Written(folder / name)


@writer
def nrrd_gzip_ras(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    return _nrrd(folder, volume, lattice, "a.nrrd", encoding="gzip")


@writer
def nhdr_big_endian(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    big = volume.astype(volume.dtype.newbyteorder(">"))
    return _nrrd(folder, big, lattice, "a.nhdr", encoding="raw", endian="big")


@writer
def nrrd_bzip2(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    return _nrrd(folder, volume, lattice, "a.nrrd", encoding="bzip2")


@writer
def nii_by_itk(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    return _itk(folder, volume, lattice, "a.nii")


@writer
def nii_gz_turned(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    """Stored with its axes (y, -x, z), fastest first, in micrometres."""
    (x, y, z), (dx, dy, dz) = lattice.origin_mm, lattice.spacing_mm
    stored = volume.transpose(1, 2, 0)[:, ::-1, :]
    affine = 1000 * np.array(
        [[0, dx, 0, -x - (volume.shape[2] - 1) * dx], [-dy, 0, 0, -y], [0, 0, dz, z], [0, 0, 0, 0.001]]
    )
    image = nibabel.Nifti1Image(np.ascontiguousarray(stored), affine)
    image.header.set_xyzt_units("micron")
    nibabel.save(image, folder / "a.nii.gz")
    return Written(folder / "a.nii.gz")


@writer
def tiff_imagej(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    dx, dy, dz = lattice.spacing_mm
    tifffile.imwrite(
        folder / "a.tif", volume, imagej=True, resolution=(1 / dx, 1 / dy),
        metadata={"spacing": dz, "unit": "mm", "axes": "ZYX"},
    )  # fmt: skip
    return Written(folder / "a.tif", origin=False)


@writer
def tiff_ome_deflate(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    dx, dy, dz = (1000 * step for step in lattice.spacing_mm)
    sizes = {f"PhysicalSize{axis}": step for axis, step in zip("XYZ", (dx, dy, dz), strict=True)}
    tifffile.imwrite(folder / "a.ome.tif", volume, compression="zlib", metadata={"axes": "ZYX", **sizes})
    return Written(folder / "a.ome.tif", origin=False)


@writer
def tiff_lzw(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    from PIL import Image

    pages = [Image.fromarray(page) for page in volume]
    pages[0].save(folder / "a.tif", save_all=True, append_images=pages[1:], compression="tiff_lzw")
    return Written(folder / "a.tif", ReadSettings(um(lattice)), origin=False)


@writer
def tiff_folder(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    """Unpadded numbers, big-endian, resolution per centimetre."""
    (folder / "slices").mkdir()
    dx, dy, _ = lattice.spacing_mm
    for n, page in enumerate(volume):
        tifffile.imwrite(
            folder / "slices" / f"s_{n + 1}.tif", page, byteorder=">", resolution=(10 / dx, 10 / dy),
            resolutionunit="CENTIMETER", metadata=None,
        )  # fmt: skip
    cubic = dx == lattice.spacing_mm[2]
    return Written(folder / "slices", ReadSettings("" if cubic else um(lattice)), origin=False)


@writer
def tiff_pattern(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    for n, page in enumerate(volume):
        tifffile.imwrite(folder / f"s_{n:03}.tif", page, compression="zlib", metadata=None)
    tifffile.imwrite(folder / "preview.tif", volume[0, :8, :8])
    return Written(folder / "s_*.tif", ReadSettings(um(lattice)), origin=False)


def slice_header(
    place: tuple[float, ...], spacing: tuple[float, ...], number: int, series: str
) -> FileDataset:
    """A slice without voxels; its rows run along x, its columns along y."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.TransferSyntaxUID = CTImageStorage, ExplicitVRLittleEndian
    meta.MediaStorageSOPInstanceUID = generate_uid(entropy_srcs=[series, str(number)])
    header = FileDataset("", {}, preamble=b"\0" * 128, file_meta=meta)
    header.SOPClassUID, header.SOPInstanceUID = CTImageStorage, meta.MediaStorageSOPInstanceUID
    header.Modality, header.SeriesInstanceUID, header.InstanceNumber = "CT", series, number
    header.ImagePositionPatient, header.ImageOrientationPatient = list(place), [1, 0, 0, 0, 1, 0]
    header.PixelSpacing, header.SamplesPerPixel = [spacing[1], spacing[0]], 1
    header.PhotometricInterpretation = "MONOCHROME2"
    return header


def write_slice(path: Path, header: FileDataset, page: Volume) -> None:
    header.Rows, header.Columns = page.shape
    header.BitsAllocated = header.BitsStored = 8 * page.dtype.itemsize
    header.HighBit = header.BitsStored - 1
    if page.dtype.kind == "f":
        header.FloatPixelData = page.tobytes()
    else:
        header.PixelRepresentation = int(page.dtype.kind == "i")
        header.PixelData = page.tobytes()
        header["PixelData"].VR = "OB" if page.dtype.itemsize == 1 else "OW"
    header.save_as(path, enforce_file_format=True)


def text(value: float) -> float:
    """A DICOM decimal string has sixteen characters."""
    return float(f"{value:.9g}")


@writer
def dicom(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    """Names in no order, a note beside them, stored from high z down."""
    (folder / "series").mkdir()
    x, y, z = lattice.origin_mm
    for n, page in enumerate(volume):
        place = (text(x), text(y), text(z + n * lattice.spacing_mm[2]))
        header = slice_header(place, tuple(map(text, lattice.spacing_mm)), 100 - n, "1.2.3")
        header.RescaleSlope, header.RescaleIntercept = "0.5", "-3"
        write_slice(folder / "series" / f"{hash((n, 7)) % 9973}_{n}", header, page)
    (folder / "series" / "README.txt").write_text("from the lab\n" * 20)
    return Written(folder / "series")


@writer
def dicom_rle(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    if volume.dtype.kind == "f":
        return dicom(folder, volume, lattice)
    written = dicom(folder, volume, lattice)
    for path in written.path.iterdir():
        if path.suffix != ".txt":
            header = pydicom.dcmread(path)
            header.compress(RLELossless)
            header.save_as(path)
    return written


@writer
def hdf5_chunked(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    with h5py.File(folder / "a.h5", "w") as file:
        data = file.create_dataset(
            "scan/volume", data=volume[None], chunks=(1, min(5, len(volume)), 7, 9), compression="gzip"
        )
        data.attrs["element_size_um"] = [1000 * step for step in lattice.spacing_mm[::-1]]
        file["small"] = np.zeros((3, 3))
    return Written(folder / "a.h5", origin=False)


@writer
def hdf5_plain(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    with h5py.File(folder / "a.hdf5", "w") as file:
        file["one"] = volume.astype(volume.dtype.newbyteorder(">"))
        file["two"] = volume[:6]
    return Written(folder / "a.hdf5", ReadSettings(um(lattice), dataset="one"), origin=False)


def _zarr(folder: Path, volume: Volume, lattice: Lattice, version: int, **more: Any) -> Written:
    group = zarr.create_group(store=str(folder / "a.zarr"), zarr_format=version)
    full = group.create_array("s0", shape=(1, *volume.shape), dtype=volume.dtype, **more)
    full[0] = volume
    half = group.create_array("s1", shape=volume.shape, dtype=volume.dtype, chunks=(8, 8, 8))
    half[:] = volume[::-1]
    names = [("c", "channel"), *((axis, "space") for axis in "zyx")]
    axes = [
        {"name": n, "type": kind, **({"unit": "micrometer"} if kind == "space" else {})} for n, kind in names
    ]
    scale = [1000 * step for step in lattice.spacing_mm[::-1]]
    shift = [1000 * o for o in lattice.origin_mm[::-1]]
    steps = [{"type": "scale", "scale": [1, *scale]}, {"type": "translation", "translation": [0, *shift]}]
    scales = [
        {"axes": axes, "datasets": [{"path": p, "coordinateTransformations": steps} for p in ("s0", "s1")]}
    ]
    group.attrs.update({"multiscales": scales} if version == 2 else {"ome": {"multiscales": scales}})
    return Written(folder / "a.zarr")


@writer
def zarr_v2(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    return _zarr(folder, volume, lattice, 2, chunks=(1, 5, 7, 9))


@writer
def zarr_v3_sharded(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    return _zarr(folder, volume, lattice, 3, chunks=(1, 4, 8, 8), shards=(1, 8, 16, 16))


@writer
def raw(folder: Path, volume: Volume, lattice: Lattice) -> Written:
    """Stored as (-y, z, x), slowest first, big-endian, behind a foreign header."""
    stored = volume.transpose(1, 0, 2)[::-1].astype(volume.dtype.newbyteorder(">"))
    (folder / "a.raw").write_bytes(b"maker's header" + np.ascontiguousarray(stored).tobytes())
    x, y, z = lattice.origin_mm
    sidecar = {
        "shape": stored.shape, "type": volume.dtype.name, "byte_order": "big", "offset_bytes": 14,
        "spacing_um": [1000 * step for step in lattice.spacing_mm], "axes": "-y z x",
        "origin_mm": [x, y + (volume.shape[1] - 1) * lattice.spacing_mm[1], z],
    }  # fmt: skip
    (folder / "a.raw.json").write_text(json.dumps(sidecar))
    return Written(folder / "a.raw")


@pytest.fixture(params=sorted(WRITERS))
def every_format(request: pytest.FixtureRequest) -> Writer:
    """Each writer in turn."""
    return WRITERS[request.param]


@pytest.fixture(scope="session")
def writers() -> dict[str, Writer]:
    """All of them by name."""
    return WRITERS


@pytest.fixture(scope="session")
def dicom_slice() -> tuple[Callable[..., FileDataset], Callable[..., None]]:
    """Make a slice's header; write it with its voxels."""
    return slice_header, write_slice


@pytest.fixture(scope="session")
def refusal() -> Callable[..., str]:
    """Read what must be refused, and give the one sentence."""
    return refused


def refused(path: Path, settings: ReadSettings | None = None) -> str:
    """The one sentence, once it is one: it says what was expected and found, where, and what to do."""
    started = time.monotonic()
    with pytest.raises(InputError) as caught:
        read_scan(path, settings or ReadSettings())
    assert time.monotonic() - started < 5
    text = str(caught.value)
    assert text.startswith("expected"), text
    assert " found " in text, text
    assert text.isprintable(), text
    assert len(text) < 1200, text
    return text
