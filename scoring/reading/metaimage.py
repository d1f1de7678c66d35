"""Read a scan: a MetaImage file becomes an array and its lattice, or one sentence says why not."""

import zlib
from pathlib import Path
from typing import Any

import numpy as np
import SimpleITK
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice
from jointwise.scoring.reading.scan import Scan

itk: Any = SimpleITK  # its functions carry no types
VOXEL_TYPES = ("float32", "uint16", "int16", "uint8")
VOXEL_BYTES = {"MET_FLOAT": 4, "MET_USHORT": 2, "MET_SHORT": 2, "MET_UCHAR": 1}
PLAUSIBLE_UM = (1.0, 200.0)
FEWEST_VOXELS = 16  # along x and y; along z a third of it is enough for a ball
# Deflate cannot shrink data further than this, so a header that claims more lies.
LARGEST_DEFLATE_RATIO = 1100


class _Pixels:
    """Tells numpy where an image's voxels are, and keeps the image as long as the array lives."""

    def __init__(self, image: Any) -> None:
        self.image = image
        self.__array_interface__ = itk.GetArrayViewFromImage(image).__array_interface__


def read_scan(path: Path) -> Scan:
    """Read a three-dimensional MetaImage (.mha, or .mhd with its file of voxels).

    Raises:
        InputError: the file is missing, empty, truncated or no MetaImage; not three-dimensional, not one number
            per voxel, of another voxel type, turned, of implausible voxel size, or not finite.
    """
    header = _read_header(path)
    _check_bytes(path, header)
    reader = _open(path)
    _check_form(path, reader)
    lattice = _lattice(path, reader)
    try:
        image = reader.Execute()
    except (RuntimeError, MemoryError) as error:
        raise InputError(
            f"expected whole voxels in {path}, found none that can be read; the file is damaged, copy it again"
        ) from error
    volume = np.asarray(_Pixels(image))
    _check_values(path, volume)
    return Scan(path, volume, lattice)


def _read_header(path: Path) -> dict[str, str]:
    """The `key = value` lines of a MetaImage header, up to the line that says where the voxels are."""
    if not path.exists():
        raise InputError(f"expected a scan (.mha or .mhd) at {path}, found nothing there; check scan=")
    if path.is_dir() or path.suffix.lower() not in (".mha", ".mhd"):
        kind = "a folder" if path.is_dir() else f"a file of the kind '{path.suffix}'"
        raise InputError(f"expected a MetaImage scan (.mha or .mhd) at {path}, found {kind}; export it so")
    if path.stat().st_size == 0:
        raise InputError(f"expected a scan in {path}, found an empty file; copy it again")
    with path.open("rb") as file:
        head = file.read(65536)
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


def _check_bytes(path: Path, header: dict[str, str]) -> None:
    """Whether the voxels that the header announces can be in the file, before any memory is asked for."""
    named = header["ElementDataFile"]
    if named.upper().startswith("LIST") or "%" in named:
        raise InputError(
            f"expected the voxels of {path} in one file, found a list of slices; save it as one .mha"
        )
    local = named.upper() == "LOCAL"
    data = path if local else path.parent / named
    if not data.is_file():
        raise InputError(
            f"expected the voxels of {path} in {data}, found no such file; copy it beside the header"
        )
    there = data.stat().st_size - (int(header["length"]) if local else 0)
    needed = _announced_bytes(path, header)
    compressed = header.get("CompressedData", "False").lower() == "true"
    if there < (needed / LARGEST_DEFLATE_RATIO if compressed else needed):
        raise InputError(
            f"expected {needed:,} bytes of voxels ({header['DimSize']} {header['ElementType']}) in {data}, found "
            f"{there:,}{' compressed' if compressed else ''}; "
            "the file is cut short or its header is wrong, copy it again"
        )
    if compressed:
        _check_compressed(data, int(header["length"]) if local else 0, needed)


def _check_compressed(data: Path, start: int, needed: int) -> None:
    """Unpack once, piece by piece, only to count: the reader leaves damaged voxels as they happen to be in memory."""
    unpack = zlib.decompressobj()
    unpacked = 0
    with data.open("rb") as file:
        file.seek(start)
        try:
            while (
                unpacked <= needed
                and not unpack.eof
                and (piece := unpack.unconsumed_tail or file.read(1 << 20))
            ):
                unpacked += len(unpack.decompress(piece, 1 << 24))
        except zlib.error as error:
            raise InputError(
                f"expected whole voxels in {data}, found damage in them; copy the file again"
            ) from error
    if unpacked != needed or not unpack.eof:
        raise InputError(
            f"expected {needed:,} bytes of voxels in {data}, found {unpacked:,} after unpacking; "
            "the file is cut short or its header is wrong, copy it again"
        )


def _announced_bytes(path: Path, header: dict[str, str]) -> int:
    if header["ElementType"] not in VOXEL_BYTES:
        raise InputError(
            f"expected voxels of {', '.join(VOXEL_TYPES)} in {path}, found {header['ElementType']}; "
            "convert the file"
        )
    try:
        shape = [int(n) for n in header["DimSize"].split()]
        channels = int(header.get("ElementNumberOfChannels", "1"))
    except ValueError as error:
        raise InputError(
            f"expected whole numbers in DimSize of {path}, found '{header['DimSize']}'; the header is damaged"
        ) from error
    if not shape or min(shape) < 1 or channels < 1:
        raise InputError(f"expected at least one voxel in {path}, found DimSize = {header['DimSize']}")
    total = channels * VOXEL_BYTES[header["ElementType"]]
    for n in shape:
        total *= n
    return total


def _open(path: Path) -> Any:
    reader = itk.ImageFileReader()
    reader.SetFileName(str(path))
    reader.SetImageIO("MetaImageIO")
    try:
        reader.ReadImageInformation()
    except RuntimeError as error:
        raise InputError(
            f"expected a readable MetaImage header in {path}, found {_short(error)}; export the scan again"
        ) from error
    return reader


def _check_form(path: Path, reader: Any) -> None:
    size = reader.GetSize()
    if reader.GetDimension() != 3:
        raise InputError(
            f"expected a volume of three dimensions in {path}, found {reader.GetDimension()} "
            f"({' x '.join(map(str, size))}); export the whole volume, one scan a file"
        )
    if reader.GetNumberOfComponents() != 1:
        raise InputError(
            f"expected one number per voxel in {path}, found {reader.GetNumberOfComponents()} (a colour picture?); "
            "export grey values"
        )
    if min(size[:2]) < FEWEST_VOXELS or size[2] < FEWEST_VOXELS // 3:
        raise InputError(
            f"expected at least {FEWEST_VOXELS} x {FEWEST_VOXELS} x {FEWEST_VOXELS // 3} voxels (x, y, z) in {path}, "
            f"found {' x '.join(map(str, size))}; export the whole volume"
        )


def _lattice(path: Path, reader: Any) -> Lattice:
    spacing, origin = reader.GetSpacing(), reader.GetOrigin()
    for name, step in zip("xyz", spacing, strict=True):
        if not PLAUSIBLE_UM[0] <= 1000 * step <= PLAUSIBLE_UM[1]:
            raise InputError(
                f"expected a voxel size of {PLAUSIBLE_UM[0]:g} to {PLAUSIBLE_UM[1]:g} µm in {path}, found "
                f"{1000 * step:g} µm along {name} (ElementSpacing {step:g}, read as mm){_unit_hint(step)}"
            )
    if max(spacing) > 4 * min(spacing):
        sizes = " x ".join(f"{1000 * step:g}" for step in spacing)
        raise InputError(
            f"expected voxels about as long as wide in {path}, found {sizes} µm; correct ElementSpacing"
        )
    if not np.allclose(reader.GetDirection(), np.eye(3).ravel(), atol=1e-4):
        raise InputError(
            f"expected a volume whose axes are the file's x, y and z in {path}, found a TransformMatrix of "
            f"{' '.join(f'{v:.3g}' for v in reader.GetDirection())}; resample it, or set it to 1 0 0 0 1 0 0 0 1"
        )
    if not np.isfinite(origin).all():
        raise InputError(f"expected a finite Offset in {path}, found {origin}; correct the header")
    nx, ny, nz = reader.GetSize()
    return Lattice((nz, ny, nx), origin, spacing)


def _unit_hint(step: float) -> str:
    if PLAUSIBLE_UM[0] <= step <= PLAUSIBLE_UM[1]:
        return "; the spacing seems to be in µm: divide it by 1000"
    if PLAUSIBLE_UM[0] <= 1e6 * step <= PLAUSIBLE_UM[1]:
        return "; the spacing seems to be in m: multiply it by 1000"
    return "; write the spacing in mm"


def _check_values(path: Path, volume: NDArray[Any]) -> None:
    """Slice by slice, so that no second volume is needed."""
    low, high = np.inf, -np.inf
    for z, plane in enumerate(volume):
        least, most = float(plane.min()), float(plane.max())  # NaN and infinity both show here
        if not np.isfinite([least, most]).all():
            raise InputError(
                f"expected finite values in {path}, found NaN or infinity in slice z = {z}; "
                "reconstruct or export it again"
            )
        low, high = min(low, least), max(high, most)
    if low == high:
        raise InputError(
            f"expected a scan with contrast in {path}, found the value {low:g} everywhere; export it again"
        )


def _short(error: BaseException) -> str:
    """The last telling line of the reader's own message."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return (lines[-1] if lines else type(error).__name__)[:160]
