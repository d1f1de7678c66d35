"""A DICOM or DICONDE series: a folder with one file per slice."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.beside import check_within, printable
from jointwise.scoring.reading.library import library
from jointwise.scoring.reading.load import Found, check_type
from jointwise.scoring.reading.place import Place
from jointwise.scoring.reading.rescale import rescaled
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.reading.stored import Decoded, Slices

SUFFIXES = (".dcm", ".dicom", ".dic", ".ima")
PIXELS = {"PixelData": 0x7FE00010, "FloatPixelData": 0x7FE00008, "DoubleFloatPixelData": 0x7FE00009}
TAGS = [
    "SeriesInstanceUID", "SeriesDescription", "Rows", "Columns", "SamplesPerPixel", "NumberOfFrames",
    "BitsAllocated", "BitsStored", "PixelRepresentation", "ImagePositionPatient", "ImageOrientationPatient",
    "PixelSpacing", "SpacingBetweenSlices", "SliceThickness", "InstanceNumber", "RescaleSlope",
    "RescaleIntercept", *PIXELS,
]  # fmt: skip
UNEVEN = 0.02  # of the slices' distance: rounding of positions in text
DEFERRED_BYTES = 4096
PLAIN_SYNTAXES = {"1.2.840.10008.1.2": "<", "1.2.840.10008.1.2.1": "<", "1.2.840.10008.1.2.2": ">"}
RUN_LENGTHS = "1.2.840.10008.1.2.5"
"""The one compression that pydicom unpacks itself, slice by slice."""


@dataclass(frozen=True)
class Slice:
    """A slice as its header describes it.

    Args:
        file: of it.
        series, title: SeriesInstanceUID and description.
        size: rows and columns.
        dtype: of a voxel, with the file's byte order.
        start: byte of the first voxel; None where it must be unpacked.
        position: centre of the first voxel, mm; None where the header is silent.
        directions: along a row and down a column; None where the header is silent.
        pixel_mm: distance of rows, of columns; None where the header is silent.
        apart_mm: distance of slices by the header; None where it is silent.
        number: InstanceNumber.
        line: rescale slope and intercept.
    """

    file: Path
    series: str
    title: str
    size: tuple[int, int]
    dtype: np.dtype[Any]
    start: int | None
    position: NDArray[np.float64] | None
    directions: NDArray[np.float64] | None
    pixel_mm: tuple[float, float] | None
    apart_mm: float | None
    number: int | None
    line: tuple[float, float]


def read(path: Path, settings: ReadSettings) -> Found:  # noqa: ARG001 - one signature for all formats
    """The series that one slice belongs to, out of its folder."""
    found = _slice(path)
    if found is None:
        raise InputError(f"expected a DICOM slice in {path}, found no image; give the folder of its series")
    files = [entry for entry in sorted(path.parent.iterdir()) if entry.is_file()]
    return _series(path.parent, [f for f in _slices(files) if f.series == found.series])


def read_folder(home: Path, files: Sequence[Path], settings: ReadSettings) -> Found:
    """The only series of a folder, or the one that the user names; other files there are left alone.

    Raises:
        InputError: no series, several, slices of different form, twice at a place or unevenly apart.
    """
    by_series: dict[str, list[Slice]] = defaultdict(list)
    for found in _slices(files):
        by_series[found.series].append(found)
    if not by_series:
        raise InputError(
            f"expected slices (TIFF or DICOM) or a Zarr volume in the folder {home}, found neither; check scan="
        )
    wanted = (
        [name for name in by_series if name.endswith(settings.dataset)]
        if settings.dataset
        else list(by_series)
    )
    if len(wanted) != 1:
        listed = ", ".join(
            f"{printable(name)} ({len(slices)} "
            f"slices{': ' + printable(slices[0].title) if slices[0].title else ''})"
            for name, slices in list(by_series.items())[:8]
        )
        raise InputError(
            f"expected one series in {home}, found {listed}; choose one by read.dataset=… with its number or "
            "the end of it"
        )
    return _series(home, by_series[wanted[0]])


def _slices(files: Sequence[Path]) -> list[Slice]:
    return [found for file in files if (found := _slice(file)) is not None]


def _slice(file: Path) -> Slice | None:
    """The header of a file; None where it is no DICOM file, or one without an image."""
    import pydicom
    from pydicom.errors import InvalidDicomError

    check_within(file, file.parent)
    with library(file, "a DICOM header"):
        try:
            # First the few bytes that say how the rest is packed: a deflated file would be unpacked whole.
            meta = pydicom.filereader.read_file_meta_info(file)
        except InvalidDicomError:
            if file.suffix.lower() in SUFFIXES:
                raise
            return None
        _check_syntax(file, str(meta.get("TransferSyntaxUID", "")))
        header = pydicom.dcmread(file, defer_size=DEFERRED_BYTES, specific_tags=TAGS)
        if "Rows" not in header:
            return None
        return _described(file, header)


def _check_syntax(file: Path, syntax: str) -> None:
    if syntax not in PLAIN_SYNTAXES and syntax != RUN_LENGTHS:
        raise InputError(
            f"expected uncompressed or run-length coded slices in {file}, found the transfer syntax "
            f"{printable(syntax) or 'of none'}; export them uncompressed"
        )


def _described(file: Path, header: Any) -> Slice:
    """What a slice's header says, checked."""
    if int(header.get("SamplesPerPixel", 1)) != 1:
        raise InputError(f"expected one number per voxel in {file}, found colour; export grey values")
    if int(header.get("NumberOfFrames", None) or 1) != 1:
        raise InputError(
            f"expected one slice a file in {file}, found {header.NumberOfFrames} frames; export a series of "
            "single slices"
        )
    dtype, start = _voxels(file, header)
    size = (int(header.Rows), int(header.Columns))
    if min(size) < 1:
        raise InputError(
            f"expected at least one voxel in {file}, found {size[1]} x {size[0]}; export it again"
        )
    needed = size[0] * size[1] * dtype.itemsize
    if start is not None and file.stat().st_size - start < needed:
        raise InputError(
            f"expected {needed:,} bytes of voxels ({size[1]} x {size[0]} {dtype.name}) in {file}, found "
            f"{max(file.stat().st_size - start, 0):,}; the file is cut short or its header is wrong, copy it again"
        )
    turned = _numbers(header, "ImageOrientationPatient", 6)
    pixel = _numbers(header, "PixelSpacing", 2)
    number = header.get("InstanceNumber", None)
    slope, intercept = (_numbers(header, key, 1) for key in ("RescaleSlope", "RescaleIntercept"))
    apart = _numbers(header, "SpacingBetweenSlices", 1)
    apart = _numbers(header, "SliceThickness", 1) if apart is None else apart
    return Slice(
        file,
        str(header.get("SeriesInstanceUID", "")),
        str(header.get("SeriesDescription", "") or ""),
        size,
        dtype,
        start,
        _numbers(header, "ImagePositionPatient", 3),
        None if turned is None else turned.reshape(2, 3),
        None if pixel is None else (float(pixel[0]), float(pixel[1])),
        None if apart is None else float(apart[0]),
        None if number is None else int(number),
        (1.0 if slope is None else float(slope[0]), 0.0 if intercept is None else float(intercept[0])),
    )


def _numbers(header: Any, key: str, count: int) -> NDArray[np.float64] | None:
    """A field of finite numbers; None where it is absent or empty."""
    value = header.get(key, None)
    if value is None or value == "":
        return None
    found = np.array([float(v) for v in np.atleast_1d(value)])
    if found.size != count or not np.isfinite(found).all():
        raise InputError(f"expected {count} numbers in {key}, found {printable(str(value))}")
    return found


def _voxels(file: Path, header: Any) -> tuple[np.dtype[Any], int | None]:
    """Type of a voxel, and the byte where they begin if they lie there plainly."""
    syntax = str(header.file_meta.TransferSyntaxUID)
    key = next((name for name in PIXELS if name in header), None)
    if key is None:
        raise InputError(f"expected voxels in {file}, found a header alone; export it again")
    bits = {"PixelData": int(header.get("BitsAllocated", 0)), "FloatPixelData": 32}.get(key, 64)
    kind = "f" if key != "PixelData" else "i" if int(header.get("PixelRepresentation", 0)) else "u"
    if bits not in (8, 16, 32, 64):
        raise InputError(f"expected 8, 16 or 32 bits per voxel in {file}, found {bits}; export it so")
    dtype = np.dtype(f"{PLAIN_SYNTAXES.get(syntax, '<')}{kind}{bits // 8}")
    check_type(file, dtype)
    whole = key != "PixelData" or kind == "u" or int(header.get("BitsStored", bits)) == bits
    element = header.get_item(PIXELS[key], keep_deferred=True)
    plain = syntax in PLAIN_SYNTAXES and whole and element.value_tell
    return dtype, int(element.value_tell) if plain else None


def _series(home: Path, slices: list[Slice]) -> Found:
    """Slices of one series in their order along the normal."""
    first = slices[0]
    for one in slices:
        alike = (one.size, one.dtype.newbyteorder("=")) == (first.size, first.dtype.newbyteorder("="))
        if not alike or not _same(one.directions, first.directions) or one.pixel_mm != first.pixel_mm:
            raise InputError(
                f"expected slices of {first.size[1]} x {first.size[0]} {first.dtype.name} of one spacing and "
                "orientation as in "
                f"{first.file}, found another form in {one.file}; keep only slices of one scan there"
            )
    slices, place = _in_order(home, slices)
    stored: Slices | Decoded
    if all(one.start is not None and one.dtype == first.dtype for one in slices):
        stored = Slices([(one.file, one.start or 0) for one in slices], first.size, first.dtype)
    else:
        files = [one.file for one in slices]
        stored = Decoded(
            lambda a, b: _decode(files[a:b], first.size), (len(slices), *first.size), first.dtype
        )
    found = Found(stored, place, {"format": "DICOM series", "series": first.series})
    return rescaled(found, *zip(*(one.line for one in slices), strict=True))


def _decode(files: Sequence[Path], size: tuple[int, int]) -> NDArray[Any]:
    import pydicom

    found = [pydicom.dcmread(file).pixel_array for file in files]
    return np.stack([values.reshape(size) for values in found])


def _same(one: NDArray[np.float64] | None, other: NDArray[np.float64] | None) -> bool:
    if one is None or other is None:
        return one is other
    return bool(np.allclose(one, other, atol=1e-4))


def _in_order(home: Path, slices: list[Slice]) -> tuple[list[Slice], Place]:
    """By position along the normal, or by number where the headers give no position."""
    first = slices[0]
    pixel = first.pixel_mm
    if any(one.position is None or one.directions is None for one in slices):
        numbers = [one.number for one in slices]
        if None in numbers or len(set(numbers)) < len(numbers):
            raise InputError(
                f"expected ImagePositionPatient, or InstanceNumber once each, in the slices of {home}, found "
                "neither; export it again"
            )
        ordered = sorted(slices, key=lambda one: one.number or 0)
        if pixel is None or first.apart_mm is None:
            return ordered, Place(None, "no PixelSpacing and SpacingBetweenSlices")
        return ordered, Place((first.apart_mm, *pixel), "PixelSpacing and SpacingBetweenSlices")
    along_row, down_column = np.asarray(first.directions)
    normal = np.cross(along_row, down_column)
    heights = np.array([np.dot(one.position, normal) for one in slices])  # type: ignore[arg-type]
    order = np.argsort(heights, kind="stable")
    ordered = [slices[k] for k in order]
    apart = _apart(home, ordered, heights[order], normal)
    x, y, z = (float(v) for v in np.asarray(ordered[0].position))
    directions = np.stack([normal, down_column, along_row])
    if pixel is None:
        return ordered, Place(None, "no PixelSpacing", directions, (x, y, z))
    return ordered, Place((apart, *pixel), "PixelSpacing and ImagePositionPatient", directions, (x, y, z))


def _apart(
    home: Path, slices: list[Slice], heights: NDArray[np.float64], normal: NDArray[np.float64]
) -> float:
    """The distance of neighbouring slices, mm, once it is the same for all and they stand above each other."""
    if len(slices) < 2:
        raise InputError(f"expected a series of slices in {home}, found one; give the folder of all slices")
    steps = np.diff(heights)
    usual = float(np.median(steps))
    odd = np.flatnonzero(~(np.abs(steps - usual) <= UNEVEN * max(usual, 1e-9)))
    if odd.size or usual <= 0:
        k = int(odd[0]) if odd.size else 0
        raise InputError(
            f"expected slices evenly apart ({1000 * usual:.4g} µm) in {home}, found {1000 * steps[k]:.4g} µm "
            "between "
            f"{slices[k].file.name} and {slices[k + 1].file.name}; remove doubles, or copy the missing slices"
        )
    drift = np.asarray(slices[-1].position) - np.asarray(slices[0].position)
    if np.linalg.norm(drift - np.dot(drift, normal) * normal) > 0.02 * abs(float(np.dot(drift, normal))):
        raise InputError(
            f"expected slices straight above each other in {home}, found a slanting stack; resample it to an "
            "upright one"
        )
    return float(heights[-1] - heights[0]) / (len(heights) - 1)
