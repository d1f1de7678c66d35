"""NRRD: .nrrd, or .nhdr with its file of voxels."""

import io
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.beside import beside, printable
from jointwise.scoring.reading.library import library
from jointwise.scoring.reading.load import GIB, Found, check_type
from jointwise.scoring.reading.place import Place
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.reading.stored import Held, Mapped, from_stream
from jointwise.scoring.reading.streams import check_bytes, inflated
from jointwise.scoring.reading.units import per_mm

HEADER_BYTES = 1 << 20
PACKED = {"gzip": "gzip", "gz": "gzip", "bzip2": "bzip2", "bz2": "bzip2"}
# Signs of x and y that bring a named anatomical frame to the one of DICOM; frames without anatomy stay.
SIGNS = {"right": -1, "left": 1, "anterior": -1, "posterior": 1, "r": -1, "l": 1, "a": -1, "p": 1}


def read(path: Path, settings: ReadSettings) -> Found:
    """The header by pynrrd, the voxels from where they lie.

    Raises:
        InputError: no NRRD, cut short, not three-dimensional, text or hex voxels, voxels elsewhere.
    """
    header, behind = _header(path)
    shape, dtype = _announced(path, header)
    named = header.get("data file", header.get("datafile"))
    data = path if named is None else beside(path, str(named))
    encoding = str(header.get("encoding", "")).lower()
    needed = math.prod(shape) * dtype.itemsize
    start = _start(path, header, behind if named is None else 0, data, needed, encoding)
    packed = PACKED.get(encoding)
    form = f"{' x '.join(map(str, shape[::-1]))} {dtype.name}"
    if packed != "bzip2":
        check_bytes(data, start, needed, form, packed is not None)
    stored: Mapped | Held = Mapped(data, start, shape, dtype)
    if packed:
        stored = from_stream(inflated(data, start, packed), shape, dtype, data, settings.in_memory_gib * GIB)
    return Found(stored, _place(path, header), {"format": "NRRD" + (f", {packed}" if packed else "")})


def _header(path: Path) -> tuple[Mapping[str, Any], int]:
    """The fields, and the byte behind them; a bounded part of the file is looked at."""
    import nrrd

    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
    if not head.startswith(b"NRRD"):
        raise InputError(
            f"expected an NRRD header in {path}, found none; the file is damaged or of another kind"
        )
    text = io.BytesIO(head)
    with library(path, "an NRRD header"):
        return nrrd.read_header(text), text.tell()


def _announced(path: Path, header: Mapping[str, Any]) -> tuple[tuple[int, int, int], np.dtype[Any]]:
    """Voxels along z, y, x, and their type."""
    from nrrd.reader import _determine_datatype

    sizes = [int(n) for n in np.ravel(header.get("sizes", []))]
    kinds = [str(kind).lower() for kind in header.get("kinds", [])]
    if any("color" in kind or "vector" in kind or "matrix" in kind for kind in kinds):
        raise InputError(
            f"expected one number per voxel in {path}, found {', '.join(kinds)} (a colour picture?); export "
            "grey values"
        )
    if len(sizes) != 3 or header.get("dimension") != 3:
        raise InputError(
            f"expected a volume of three dimensions in {path}, found sizes "
            f"{printable(str(header.get('sizes', 'none')))}; "
            "export the whole volume, one scan a file"
        )
    if min(sizes) < 1:
        raise InputError(f"expected at least one voxel in {path}, found sizes {sizes}; the header is damaged")
    if str(header.get("encoding", "")).lower() not in ("raw", *PACKED):
        raise InputError(
            f"expected raw, gzip or bzip2 voxels in {path}, found encoding "
            f"{printable(str(header.get('encoding', 'none')))}; "
            "export it as raw"
        )
    with library(path, "a type of voxels"):
        dtype = _determine_datatype(header)
    check_type(path, dtype)
    return (sizes[2], sizes[1], sizes[0]), dtype


def _start(path: Path, header: Mapping[str, Any], behind: int, data: Path, needed: int, encoding: str) -> int:
    """Byte of the first voxel; a skip of -1 means the end of the file."""
    lines = int(header.get("line skip", header.get("lineskip", 0)))
    skip = int(header.get("byte skip", header.get("byteskip", 0)))
    if lines or skip < -1 or (skip and encoding != "raw"):
        raise InputError(
            f"expected voxels right behind the header of {path} or `byte skip` of raw ones, found line skip "
            f"{lines}, "
            f"byte skip {skip}; export it plainly"
        )
    return max(data.stat().st_size - needed, 0) if skip == -1 else behind + skip


def _place(path: Path, header: Mapping[str, Any]) -> Place:
    """Directions and origin in the frame of DICOM, mm."""
    signs = _signs(str(header.get("space", "")))
    if "space directions" not in header:
        spacings = header.get("spacings")
        steps = None if spacings is None else np.abs(spacings[::-1]) * np.sign(spacings[::-1])
        units = [str(unit) for unit in header.get("units", [])]
        scale = np.array([per_mm(unit, path) for unit in units[::-1]] or [1.0])
        return Place(None if steps is None else tuple(steps * scale), "NRRD spacings")
    units = [str(unit) for unit in header.get("space units", [])]
    scale = np.array([per_mm(unit, path) for unit in units] or [1.0, 1.0, 1.0]) * signs
    vectors = np.asarray(header["space directions"], np.float64)[::-1] * scale
    steps = np.linalg.norm(vectors, axis=1)
    origin = np.asarray(header.get("space origin", np.zeros(3)), np.float64) * scale
    directions = vectors / np.where(steps > 0, steps, 1)[:, None]
    return Place(tuple(steps), "NRRD space directions", directions, tuple(origin))


def _signs(space: str) -> np.ndarray[Any, Any]:
    words = space.lower().split("-") if "-" in space else list(space.lower()[:3])
    if len(words) >= 3 and words[0] in SIGNS and words[1] in SIGNS:
        return np.array([SIGNS[words[0]], SIGNS[words[1]], 1.0])
    return np.ones(3)
