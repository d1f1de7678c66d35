"""OME-Zarr: a folder with levels of one volume (versions 0.4 and 0.5 of the specification), or a plain Zarr array."""

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.beside import printable
from jointwise.scoring.reading.library import library
from jointwise.scoring.reading.load import Found, check_type
from jointwise.scoring.reading.place import AS_STORED, Place, directions_of
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.reading.stored import Box, boxes_are_cheap, check_chunks
from jointwise.scoring.reading.units import MM

CHUNK_NAME = re.compile(r"(c[/.])?\d+([/.]\d+)*")
SPARE_BYTES = 1 << 16  # what a chunk's file may hold beside its voxels, besides a fifth of them


class Chunked:
    """A Zarr array, chunks or shards read as needed."""

    def __init__(self, array: Any, lead: int) -> None:
        self.array, self.lead = array, lead
        self.shape: tuple[int, int, int] = tuple(array.shape[lead:])
        self.dtype: np.dtype[Any] = np.dtype(array.dtype)
        self.chunks: tuple[int, int, int] = tuple(array.chunks[lead:])

    @property
    def in_boxes(self) -> bool:
        """Whether the box of a joint touches few chunks."""
        return boxes_are_cheap(self)

    def read(self, box: Box) -> NDArray[Any]:
        """The voxels of a box, in memory."""
        return np.asarray(self.array[(*[0] * self.lead, *box)])


class Sharded(Chunked):
    """A Zarr array whose files hold many chunks each."""

    def __init__(self, array: Any, lead: int) -> None:
        super().__init__(array, lead)
        self.chunks = tuple(array.shards[lead:])
        self.inner: tuple[int, int, int] = tuple(array.chunks[lead:])

    @property
    def in_boxes(self) -> bool:
        """Whether the box of a joint touches few of the inner chunks."""
        return boxes_are_cheap(Chunked(self.array, self.lead))


def read(path: Path, settings: ReadSettings) -> Found:
    """Level 0, or the one the user names; scale, translation and units from the multiscales.

    Raises:
        InputError: no Zarr; several channels or times; a level elsewhere; chunks absent or linked elsewhere.
    """
    import zarr

    with library(path, "a Zarr folder"):
        node = zarr.open(str(path), mode="r")
        attributes = dict(node.attrs)
        is_array = isinstance(node, zarr.Array)
    scales = _multiscales(path, attributes)
    if is_array:
        array, place = node, Place(None, "no multiscales")
    elif scales is None:
        array, place = _member(path, node, settings.dataset), Place(None, "no multiscales")
    else:
        level = _level(path, scales, settings.dataset)
        array = _member(path, node, str(level.get("path", "")))
        with library(path, "multiscales"):
            place = _place(scales, level, array.ndim)
    stored = _stored(path, array, settings)
    return Found(
        stored,
        place,
        {"format": f"OME-Zarr, version {array.metadata.zarr_format}", "dataset": array.path or "/"},
    )


def _multiscales(path: Path, attributes: Mapping[str, Any]) -> Mapping[str, Any] | None:
    inner = attributes.get("ome", attributes)
    found = inner.get("multiscales") if isinstance(inner, Mapping) else None
    if found is None:
        return None
    if not isinstance(found, list) or not found or not isinstance(found[0], Mapping):
        raise InputError(f"expected multiscales with datasets in {path}, found another form; export it again")
    return cast(Mapping[str, Any], found[0])


def _level(path: Path, scales: Mapping[str, Any], wanted: str) -> Mapping[str, Any]:
    levels = scales.get("datasets")
    if not isinstance(levels, list) or not levels or not all(isinstance(level, Mapping) for level in levels):
        raise InputError(f"expected datasets in the multiscales of {path}, found none; export it again")
    names = [str(level.get("path")) for level in levels]
    if not wanted:
        return cast(Mapping[str, Any], levels[0])
    if wanted in names:
        return cast(Mapping[str, Any], levels[names.index(wanted)])
    if wanted.isdecimal() and int(wanted) < len(levels):
        return cast(Mapping[str, Any], levels[int(wanted)])
    raise InputError(
        f"expected one of {printable(', '.join(names))} for read.dataset in {path}, found {printable(wanted)}; "
        "correct it"
    )


def _member(path: Path, group: Any, name: str) -> Any:
    import zarr

    if not name or ".." in name.split("/") or name.startswith("/") or "\\" in name:
        raise InputError(
            f"expected the name of an array inside {path}, found {printable(name) or 'none'}; name one by "
            "read.dataset="
        )
    with library(path, f"an array {printable(name)}"):
        found = group[name]
    if not isinstance(found, zarr.Array):
        raise InputError(
            f"expected an array {printable(name)} in {path}, found a group; correct read.dataset"
        )
    return found


def _stored(path: Path, array: Any, settings: ReadSettings) -> Chunked:
    lead = array.ndim - 3
    if lead < 0 or any(n != 1 for n in array.shape[:lead]) or 0 in array.shape:
        raise InputError(
            f"expected a volume of three dimensions in {path}, found "
            f"{' x '.join(map(str, array.shape)) or 'one value'}; "
            "export one channel and one time"
        )
    with library(path, "a type of voxels"):
        check_type(path, np.dtype(array.dtype))
        stored = Sharded(array, lead) if getattr(array, "shards", None) else Chunked(array, lead)
    largest = int(1.2 * np.prod(stored.chunks, dtype=np.float64) * stored.dtype.itemsize) + SPARE_BYTES
    check_chunks(stored, _chunk_files(path, path / array.path, largest), settings.absent_chunks, path)
    return stored


def _chunk_files(root: Path, folder: Path, largest: int) -> int:
    """Count an array's files of voxels; none may lie elsewhere or be longer than a chunk can be."""
    count, home = 0, root.resolve()
    for place, _, names in os.walk(folder):
        for name in names:
            file = Path(place, name)
            if not CHUNK_NAME.fullmatch(file.relative_to(folder).as_posix()):
                continue
            if file.is_symlink() and not file.resolve().is_relative_to(home):
                raise InputError(
                    f"expected all chunks inside {root}, found {file}, a link to another place; copy the files "
                    "themselves"
                )
            if not file.is_file() or file.stat().st_size > largest:
                raise InputError(
                    f"expected at most {largest:,} bytes in each chunk of {root}, found another file at "
                    f"{file}; copy the scan again"
                )
            count += file.stat().st_size > 0
    return count


def _place(scales: Mapping[str, Any], level: Mapping[str, Any], count: int) -> Place:
    """Voxel size and place from the level's transformations and then those of all levels."""
    axes = scales.get("axes") or ["t", "c", "z", "y", "x"][-count:]
    names = [str(axis["name"] if isinstance(axis, Mapping) else axis).lower() for axis in axes][-3:]
    units = [str(axis.get("unit", "")) if isinstance(axis, Mapping) else "" for axis in axes][-3:]
    scale, shift = np.ones(3), np.zeros(3)
    for step in (*level.get("coordinateTransformations", ()), *scales.get("coordinateTransformations", ())):
        kind = step["type"]
        if kind not in ("scale", "translation", "identity"):
            raise ValueError(f"a transformation of the type {kind}")
        values = np.array([float(v) for v in step.get(kind, [1.0] * count)])
        if len(values) != count:
            raise ValueError(f"{len(values)} numbers in a {kind}, {count} axes")
        if kind == "scale":
            scale, shift = scale * values[-3:], shift * values[-3:]
        elif kind == "translation":
            shift = shift + values[-3:]
    directions = directions_of(names) if sorted(names) == ["x", "y", "z"] else AS_STORED
    if not all(unit.lower() in MM for unit in units):
        return Place(None, "no unit of length in its axes", directions)
    unit = np.array([MM[word.lower()] for word in units])
    x, y, z = (shift * unit) @ directions
    a, b, c = scale * unit
    return Place((float(a), float(b), float(c)), "OME-Zarr scale", directions, (float(x), float(y), float(z)))
