"""Voxels as they lie in a file, in its own order and byte order, read box by box."""

import dataclasses
import math
import os
import shutil
import tempfile
import weakref
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError

Box = tuple[slice, slice, slice]
PIECE_BYTES = 1 << 26
JOINT_VOXELS = 64  # across the box of a joint, about
LARGEST_NEAR = 1 << 26
LARGEST_CHUNK = 1 << 28


class Stored(Protocol):
    """A volume in a file; axis 0 is the slowest one."""

    @property
    def shape(self) -> tuple[int, int, int]:
        """Voxels along the stored axes."""

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of a voxel, with the file's byte order."""

    @property
    def chunks(self) -> tuple[int, int, int]:
        """Blocks that are best read whole."""

    @property
    def in_boxes(self) -> bool:
        """Whether a small box costs little; else the volume is unpacked first."""

    def read(self, box: Box) -> NDArray[Any]:
        """The voxels of a box, in memory."""


@dataclass(frozen=True)
class Mapped:
    """Voxels that lie one after the other in a file, not compressed.

    Every box is mapped afresh and copied: a lasting map would keep all that was ever touched resident.

    Args:
        file: path, or an open temporary file.
        offset: byte of the first voxel.
        shape: voxels along the stored axes.
        dtype: with the file's byte order.
    """

    file: Path | IO[bytes]
    offset: int
    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    in_boxes: bool = True

    @property
    def chunks(self) -> tuple[int, int, int]:
        """One slice."""
        return 1, *self.shape[1:]

    def read(self, box: Box) -> NDArray[Any]:
        """The voxels of a box, in memory."""
        return np.array(np.memmap(self.file, self.dtype, "r", self.offset, self.shape)[box])

    def write(self, box: Box, values: NDArray[Any]) -> None:
        """Put voxels into a box of a temporary file."""
        np.memmap(self.file, self.dtype, "r+", self.offset, self.shape)[box] = values


@dataclass(frozen=True)
class Slices:
    """Uncompressed slices, each somewhere in some file.

    Args:
        places: file and byte of the first voxel of each slice.
        size: rows and columns of a slice.
        dtype: with the file's byte order.
    """

    places: Sequence[tuple[Path, int]]
    size: tuple[int, int]
    dtype: np.dtype[Any]
    in_boxes: bool = True

    @property
    def shape(self) -> tuple[int, int, int]:
        """Slices, rows, columns."""
        return len(self.places), *self.size

    @property
    def chunks(self) -> tuple[int, int, int]:
        """One slice."""
        return 1, *self.size

    def read(self, box: Box) -> NDArray[Any]:
        """The voxels of a box, in memory."""
        first, *within = box
        parts = [
            np.array(np.memmap(path, self.dtype, "r", offset, self.size)[tuple(within)])
            for path, offset in self.places[first]
        ]
        return np.stack(parts)


@dataclass(frozen=True)
class Decoded:
    """Compressed slices that a library unpacks whole.

    Args:
        decode: gives the slices from one number to before another.
        shape: slices, rows, columns.
        dtype: of the slices.
    """

    decode: Callable[[int, int], NDArray[Any]]
    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    in_boxes: bool = False

    @property
    def chunks(self) -> tuple[int, int, int]:
        """One slice."""
        return 1, *self.shape[1:]

    def read(self, box: Box) -> NDArray[Any]:
        """The voxels of a box, in memory."""
        first, *within = box
        return self.decode(first.start, first.stop)[:, within[0], within[1]]


@dataclass(frozen=True)
class Held:
    """Voxels that are in memory already."""

    values: NDArray[Any]
    in_boxes: bool = True

    @property
    def shape(self) -> tuple[int, int, int]:
        """Voxels along the stored axes."""
        a, b, c = self.values.shape
        return a, b, c

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of a voxel."""
        return self.values.dtype

    @property
    def chunks(self) -> tuple[int, int, int]:
        """One slice."""
        return 1, *self.shape[1:]

    def read(self, box: Box) -> NDArray[Any]:
        """The voxels of a box, a view."""
        return self.values[box]


def boxes_are_cheap(stored: "Stored") -> bool:
    """Whether the chunks that the box of a joint touches are few bytes; else the volume is better unpacked "
    "once."""
    near = [min(max(c, JOINT_VOXELS), n) for c, n in zip(stored.chunks, stored.shape, strict=True)]
    return math.prod(near) * stored.dtype.itemsize <= LARGEST_NEAR


def check_chunks(stored: "Stored", there: int, filled: bool, path: Path) -> None:
    """Refuse chunks too large to be unpacked at once, and chunks that are absent and would read as one value.

    Args:
        stored: the volume.
        there: chunks (or shards) of it that the file holds.
        filled: whether the user says that absent ones are meant to be empty.
        path: the scan, for messages.

    Raises:
        InputError: says which.
    """
    if not 0 < math.prod(stored.chunks) * stored.dtype.itemsize <= LARGEST_CHUNK or min(stored.chunks) < 1:
        raise InputError(
            f"expected chunks of one voxel to {LARGEST_CHUNK >> 20} MiB in {path}, found "
            f"{' x '.join(map(str, stored.chunks))} "
            f"{stored.dtype.name}; store it in smaller ones"
        )
    count = math.prod(-(-n // c) for n, c in zip(stored.shape, stored.chunks, strict=True))
    if there < count and not filled:
        raise InputError(
            f"expected {count:,} chunks of voxels in {path}, found {there:,}; copy it whole, or set "
            "read.absent_chunks=true if "
            "the absent ones are meant to be empty"
        )


def pieces(stored: Stored, most_bytes: int = PIECE_BYTES) -> Iterator[Box]:
    """Boxes that together are the volume, whole chunks each and in order, of about `most_bytes` at most."""
    steps = list(stored.chunks)
    for axis in (2, 1, 0):
        others = math.prod(steps[:axis]) * math.prod(steps[axis + 1 :]) * stored.dtype.itemsize
        whole = max(1, most_bytes // max(others * steps[axis], 1))
        steps[axis] = min(steps[axis] * whole, stored.shape[axis])
    a, b, c = (
        [slice(i, min(i + s, n)) for i in range(0, n, s)] for n, s in zip(stored.shape, steps, strict=True)
    )
    return ((i, j, k) for i in a for j in b for k in c)


def room_for(stored: Stored, path: Path) -> Mapped:
    """An empty temporary copy that boxes can be put into; it has no name and vanishes with the process.

    Raises:
        InputError: not enough room for it.
    """
    return _temporary(stored.shape, stored.dtype, path)


def from_stream(
    chunks: Iterator[bytes], shape: tuple[int, int, int], dtype: np.dtype[Any], path: Path, most_bytes: float
) -> Mapped | Held:
    """Voxels from a compressed stream, unpacked piece by piece into memory, or into a temporary file if there are many.

    Args:
        chunks: gives unpacked bytes, never many at once.
        shape: voxels along the stored axes.
        dtype: of a voxel, with the stream's byte order.
        path: the scan, for messages.
        most_bytes: larger volumes go to a temporary file.

    Raises:
        InputError: another number of bytes than the voxels need.
    """
    needed = math.prod(shape) * dtype.itemsize
    if needed <= most_bytes:
        values = np.empty(needed, np.uint8)
        _fill(chunks, needed, path, lambda at, data: values.__setitem__(slice(at, at + len(data)), data))
        return Held(values.view(dtype).reshape(shape))
    copy = _temporary(shape, dtype, path)
    flat = dataclasses.replace(copy, shape=(1, 1, needed), dtype=np.dtype(np.uint8))
    _fill(chunks, needed, path, lambda at, data: flat.write(np.s_[:, :, at : at + len(data)], data))
    return copy


def _fill(
    chunks: Iterator[bytes], needed: int, path: Path, put: Callable[[int, NDArray[np.uint8]], object]
) -> None:
    there = 0
    for chunk in chunks:
        if there + len(chunk) > needed:
            there += len(chunk)
            break
        put(there, np.frombuffer(chunk, np.uint8))
        there += len(chunk)
    if there != needed:
        more = "more" if there > needed else f"{there:,}"
        raise InputError(
            f"expected {needed:,} bytes of voxels in {path}, found {more} after unpacking; "
            "the file is cut short or its header is wrong, copy it again"
        )


def _temporary(shape: tuple[int, int, int], dtype: np.dtype[Any], path: Path) -> Mapped:
    size = math.prod(shape) * dtype.itemsize
    folder = tempfile.gettempdir()
    free = shutil.disk_usage(folder).free
    if size > 0.95 * free:
        raise InputError(
            f"expected room for {size / 2**30:.1f} GiB in {folder} to unpack {path}, found {free / 2**30:.1f} "
            "GiB; set "
            "TMPDIR to a larger disk, or export the scan uncompressed"
        )
    file = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the scan
    copy = Mapped(file, 0, shape, dtype)
    weakref.finalize(copy, file.close)
    if hasattr(os, "posix_fallocate"):  # a disk that fills up later would end the process without a word
        os.posix_fallocate(file.fileno(), 0, size)
    else:
        file.truncate(size)
    return copy
