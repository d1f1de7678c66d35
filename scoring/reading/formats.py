"""Read a scan of any format: the kind is told by the name, and by what lies in a folder."""

import glob
import importlib
from pathlib import Path
from typing import Any

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.library import library
from jointwise.scoring.reading.load import load
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.reading.settings import ReadSettings

ROOM = "jointwise.scoring.reading"
READERS = {
    ".mha": "metaimage", ".mhd": "metaimage", ".nrrd": "nrrd_file", ".nhdr": "nrrd_file", ".nii": "nifti",
    ".nii.gz": "nifti", ".tif": "tiff", ".tiff": "tiff", ".dcm": "dicom", ".h5": "hdf5", ".hdf5": "hdf5",
    ".hdf": "hdf5", ".nxs": "hdf5", ".raw": "raw", ".bin": "raw", ".vol": "raw", ".raw.json": "raw",
    ".bin.json": "raw", ".vol.json": "raw",
}  # fmt: skip
"""Suffix to module; a reader is `read(path, settings) -> Found` there and imports its library itself."""

KNOWN = (
    ".mha, .mhd, .nrrd, .nhdr, .nii, .nii.gz, .tif, .h5, .zarr, .raw with .raw.json, a folder or pattern of "
    "TIFF slices, a folder of DICOM slices"
)
SLICES = (".tif", ".tiff")
ZARR_MARKS = (".zgroup", ".zattrs", ".zarray", "zarr.json")


def read_scan(path: Path, settings: ReadSettings = ReadSettings()) -> Scan:  # noqa: B008 - frozen
    """Read a scan: a file, a folder, or a pattern of slices.

    Large volumes stay in their file and are read box by box (`read.in_memory_gib`).

    Args:
        path: file, folder of slices, OME-Zarr folder, or pattern of TIFF slices such as `scan/slice_*.tif`.
        settings: what the user says of it.

    Raises:
        InputError: missing, empty, cut short or damaged; not a plain three-dimensional volume of grey values, of
            implausible voxel size, slanting, not finite, without contrast. One sentence with the remedy.
    """
    pattern = slices_of(path)
    if pattern:
        return load(path.parent, _reader("tiff").read_slices(path, pattern, settings), settings)
    try:
        exists, is_folder, is_file = path.exists(), path.is_dir(), path.is_file()
    except (OSError, ValueError):
        exists = is_folder = is_file = False
    if not exists:
        raise InputError(f"expected a scan at {path}, found nothing there; check scan=")
    if is_folder:
        return load(path, _folder(path, settings), settings)
    name = _module(path)
    if not is_file or name is None:
        kind = f"a file of the kind '{path.suffix}'" if is_file else "neither file nor folder"
        raise InputError(f"expected a scan ({KNOWN}) at {path}, found {kind}; export it as one of these")
    if path.stat().st_size == 0:
        raise InputError(f"expected a scan in {path}, found an empty file; copy it again")
    return load(path, _reader(name).read(path, settings), settings)


def slices_of(path: Path) -> list[Path]:
    """The TIFF files that a pattern of slices names; none where it is a plain path or names other files."""
    if path.suffix.lower() not in SLICES or not glob.has_magic(path.name) or path.exists():
        return []
    return [Path(name) for name in glob.glob(str(path))]


def are_slices(files: list[Path]) -> bool:
    """Whether files, such as those of a pattern, are slices of one scan and not a scan each: TIFFs of one page.

    Raises:
        InputError: the first one cannot be read.
    """
    if len(files) < 2 or any(file.suffix.lower() not in SLICES for file in files):
        return False
    return all(_reader("tiff").is_single(file) for file in files[:2])


def _module(path: Path) -> str | None:
    """The module for a file's name; the longest suffix counts."""
    name = path.name.lower()
    fitting = [suffix for suffix in READERS if name.endswith(suffix)]
    return READERS[max(fitting, key=len)] if fitting else None


def _reader(name: str) -> Any:
    return importlib.import_module(f"{ROOM}.{name}")


def _folder(path: Path, settings: ReadSettings) -> Any:
    """A Zarr folder by its marks, else slices of the one kind that lies in it."""
    with library(path, "a folder of slices"):
        files = [entry for entry in sorted(path.iterdir()) if not entry.is_dir()]
    if any((path / mark).exists() for mark in ZARR_MARKS):
        return _reader("ome_zarr").read(path, settings)
    slices = [file for file in files if file.suffix.lower() in SLICES]
    if slices:
        return _reader("tiff").read_slices(path, slices, settings)
    if not files:
        raise InputError(f"expected a scan ({KNOWN}) at {path}, found a folder without files; check scan=")
    return _reader("dicom").read_folder(path, files, settings)
