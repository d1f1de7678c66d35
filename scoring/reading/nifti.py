"""NIfTI: .nii and .nii.gz."""

import math
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.library import library
from jointwise.scoring.reading.load import GIB, Found, check_type
from jointwise.scoring.reading.place import Place
from jointwise.scoring.reading.rescale import rescaled
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.reading.stored import Held, Mapped, from_stream
from jointwise.scoring.reading.streams import check_bytes, inflated, without_head
from jointwise.scoring.reading.units import per_mm

HEADERS = {348: "Nifti1Header", 540: "Nifti2Header"}
FARTHEST_START = 1 << 26  # header and extensions; more would be a lie


def read(path: Path, settings: ReadSettings) -> Found:
    """The header by nibabel, the voxels from where they lie; scl_slope and scl_inter are told, not applied.

    Raises:
        InputError: no NIfTI, cut short, not three-dimensional, colour.
    """
    packed = path.name.lower().endswith(".gz")
    header = _header(path, packed)
    shape, dtype = _announced(path, header)
    behind, needed = float(header["vox_offset"]), math.prod(shape) * dtype.itemsize
    if not 0 < behind <= FARTHEST_START:  # NaN fails too
        raise InputError(
            f"expected voxels behind the header of {path}, found vox_offset {behind:g}; export it again"
        )
    start = int(behind)
    form = f"{' x '.join(map(str, shape[::-1]))} {dtype.name}"
    check_bytes(path, 0 if packed else start, needed, form, packed)
    stored: Mapped | Held = Mapped(path, start, shape, dtype)
    if packed:
        chunks = without_head(inflated(path, 0, "gzip"), start)
        stored = from_stream(chunks, shape, dtype, path, settings.in_memory_gib * GIB)
    scale = (float(header["scl_slope"]), float(header["scl_inter"]))
    facts = {"format": "NIfTI" + (", gzip" if packed else "")}
    if scale[0] and np.isfinite(scale).all():
        return rescaled(Found(stored, _place(path, header), facts), scale[:1], scale[1:])
    return Found(stored, _place(path, header), facts)


def _header(path: Path, packed: bool) -> Any:
    """The header alone: extensions and voxels are not touched, however long they claim to be."""
    import nibabel

    with path.open("rb") as file:
        head = file.read(4096)
    if packed:
        try:
            head = zlib.decompressobj(31).decompress(head, 1024)
        except zlib.error as error:
            raise InputError(
                f"expected a gzip file at {path}, found another; unpack or export it again"
            ) from error
    size = next(
        (n for n in HEADERS if n in (int.from_bytes(head[:4], order) for order in ("little", "big"))), 0
    )
    if not size or len(head) < size:
        raise InputError(
            f"expected a NIfTI header in {path}, found none; the file is damaged or of another kind"
        )
    with library(path, "a NIfTI header"):
        return getattr(nibabel, HEADERS[size])(head[:size], check=False)


def _announced(path: Path, header: Any) -> tuple[tuple[int, int, int], np.dtype[Any]]:
    """Voxels along z, y, x, and their type; further axes of length 1 are left out."""
    count = int(header["dim"][0])
    sizes = [int(n) for n in header["dim"][1 : count + 1]] if 1 <= count <= 7 else []
    while len(sizes) > 3 and sizes[-1] == 1:
        sizes.pop()
    if len(sizes) != 3:
        raise InputError(
            f"expected a volume of three dimensions in {path}, found {count} ({' x '.join(map(str, sizes))}); "
            "export the whole volume, one scan a file"
        )
    if min(sizes) < 1:
        raise InputError(f"expected at least one voxel in {path}, found sizes {sizes}; the header is damaged")
    with library(path, "a type of voxels"):
        dtype = header.get_data_dtype()
    if dtype.fields or dtype.kind == "c":
        raise InputError(
            f"expected one number per voxel in {path}, found colour or complex ones; export grey values"
        )
    check_type(path, dtype)
    return (sizes[2], sizes[1], sizes[0]), dtype


def _place(path: Path, header: Any) -> Place:
    """The affine brought from NIfTI's frame to DICOM's, where x and y run the other way; without one, plain "
    "axes."""
    with library(path, "a NIfTI header"):
        unit = header.get_xyzt_units()[0]
        coded = int(header["sform_code"]) > 0 or int(header["qform_code"]) > 0
        affine = np.asarray(header.get_best_affine(), np.float64) if coded else None
    scale = 1.0 if unit == "unknown" else per_mm(unit, path)
    if affine is None:
        steps = [float(n) * scale for n in header["pixdim"][1:4]]
        return Place((steps[2], steps[1], steps[0]), "NIfTI pixdim")
    moved = np.diag([-scale, -scale, scale, 1.0]) @ affine
    vectors = moved[:3, 2::-1].T
    steps = np.linalg.norm(vectors, axis=1)
    directions = vectors / np.where(steps > 0, steps, 1)[:, None]
    return Place(tuple(steps), "NIfTI affine", directions, tuple(moved[:3, 3]))
