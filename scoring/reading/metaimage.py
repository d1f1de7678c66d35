"""MetaImage: .mha, or .mhd with its file of voxels."""

import math
from pathlib import Path
from typing import Any

import numpy as np

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.beside import beside, printable
from jointwise.scoring.reading.library import library, quiet_stderr
from jointwise.scoring.reading.load import GIB, Found
from jointwise.scoring.reading.place import Place
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.reading.stored import Held, Mapped, from_stream
from jointwise.scoring.reading.streams import check_bytes, inflated

VOXELS = {
    "MET_FLOAT": "f4", "MET_DOUBLE": "f8", "MET_CHAR": "i1", "MET_UCHAR": "u1", "MET_SHORT": "i2",
    "MET_USHORT": "u2", "MET_INT": "i4", "MET_UINT": "u4",
}  # fmt: skip
HEADER_BYTES = 65536


def read(path: Path, settings: ReadSettings) -> Found:
    """Size, spacing and directions by ITK, voxels from where they lie.

    Raises:
        InputError: no MetaImage, cut short, not three-dimensional, not one number per voxel, voxels elsewhere.
    """
    header = _header(path)
    local = header["ElementDataFile"].upper() == "LOCAL"
    data = path if local else beside(path, header["ElementDataFile"])
    dtype, needed = _announced(path, header)
    compressed = _yes(header, "CompressedData")
    start = _start(path, header, data, needed, local)
    check_bytes(data, start, needed, f"{header['DimSize']} {header['ElementType']}", compressed)
    place, shape = _place(path)
    if math.prod(shape) * dtype.itemsize != needed:
        raise InputError(f"expected one size of the volume in {path}, found two; the header is damaged")
    stored: Mapped | Held = Mapped(data, start, shape, dtype)
    if compressed:
        stored = from_stream(inflated(data, start, "zlib"), shape, dtype, data, settings.in_memory_gib * GIB)
    return Found(stored, place, {"format": "MetaImage" + (", compressed" if compressed else "")})


def _header(path: Path) -> dict[str, str]:
    """The `key = value` lines, up to the line that says where the voxels are."""
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
    header = {}
    for line in head.split(b"\n"):
        key, equals, value = line.decode("ascii", errors="replace").partition("=")
        if not equals:
            break
        header[key.strip()] = value.strip()
        if key.strip() == "ElementDataFile":
            break
    if not {"NDims", "DimSize", "ElementType", "ElementDataFile"} <= header.keys():
        raise InputError(
            f"expected a MetaImage header (NDims, DimSize, ElementType, ElementDataFile) in {path}, found none; "
            "the file is damaged or of another kind"
        )
    header["length"] = str(head.find(b"\n", head.find(b"ElementDataFile")) + 1)
    return header


def _announced(path: Path, header: dict[str, str]) -> tuple[np.dtype[Any], int]:
    """Type of a voxel and bytes of all of them."""
    if header["ElementType"] not in VOXELS:
        raise InputError(
            f"expected voxels of {', '.join(VOXELS)} in {path}, found {printable(header['ElementType'])}; "
            "convert the file"
        )
    if header.get("BinaryData", "True").lower() not in ("true", "1"):
        raise InputError(f"expected binary voxels in {path}, found BinaryData = False; export it as binary")
    try:
        shape = [int(n) for n in header["DimSize"].split()]
        channels = int(header.get("ElementNumberOfChannels", "1"))
    except ValueError as error:
        raise InputError(
            f"expected whole numbers in DimSize of {path}, found '{printable(header['DimSize'])}'; the header "
            "is damaged"
        ) from error
    if not shape or min(shape) < 1 or channels < 1:
        raise InputError(
            f"expected at least one voxel in {path}, found DimSize = {printable(header['DimSize'])}; "
            "the header is damaged"
        )
    big = _yes(header, "BinaryDataByteOrderMSB") or _yes(header, "ElementByteOrderMSB")
    dtype = np.dtype((">" if big else "<") + VOXELS[header["ElementType"]])
    return dtype, channels * math.prod(shape) * dtype.itemsize


def _yes(header: dict[str, str], key: str) -> bool:
    return header.get(key, "False").lower() in ("true", "1")


def _start(path: Path, header: dict[str, str], data: Path, needed: int, local: bool) -> int:
    """Byte of the first voxel: behind the header, or where HeaderSize says (-1: at the end of the file)."""
    if local:
        return int(header["length"])
    try:
        size = int(header.get("HeaderSize", "0"))
    except ValueError:
        size = -2
    if size < -1:
        raise InputError(f"expected HeaderSize = -1, 0 or more in {path}, found another; correct the header")
    return size if size >= 0 else max(data.stat().st_size - needed, 0)


def _place(path: Path) -> tuple[Place, tuple[int, int, int]]:
    """Where the voxels lie, and how many there are along z, y and x."""
    import SimpleITK

    itk: Any = SimpleITK  # its functions carry no types
    with library(path, "a MetaImage header"), quiet_stderr():
        reader = itk.ImageFileReader()
        reader.SetFileName(str(path))
        reader.SetImageIO("MetaImageIO")
        reader.ReadImageInformation()
        size, components = reader.GetSize(), reader.GetNumberOfComponents()
        spacing, origin, direction = reader.GetSpacing(), reader.GetOrigin(), reader.GetDirection()
    if len(size) != 3:
        raise InputError(
            f"expected a volume of three dimensions in {path}, found {len(size)} "
            f"({' x '.join(map(str, size))}); export the whole volume, one scan a file"
        )
    if components != 1:
        raise InputError(
            f"expected one number per voxel in {path}, found {components} (a colour picture?); export grey values"
        )
    columns = np.array(direction).reshape(3, 3)
    return Place(tuple(spacing[::-1]), "ElementSpacing", columns.T[::-1], tuple(origin)), tuple(size[::-1])
