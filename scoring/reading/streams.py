"""Compressed streams, unpacked piece by piece: never more than a few megabytes at once, whatever they claim to hold."""

import bz2
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from jointwise.joints.errors import InputError

# Deflate cannot shrink data further than this, so a header that claims more lies.
LARGEST_DEFLATE_RATIO = 1100
READ_BYTES, UNPACKED_BYTES = 1 << 20, 1 << 24


def check_bytes(data: Path, start: int, needed: int, form: str, compressed: bool) -> None:
    """Whether the voxels that a header announces can be in the file, before any memory is asked for.

    Args:
        data: file of voxels.
        start: byte at which they begin.
        needed: their number of bytes.
        form: size and type as announced, for the message.
        compressed: by deflate.

    Raises:
        InputError: too few bytes.
    """
    there = max(data.stat().st_size - start, 0)
    if there < (needed / LARGEST_DEFLATE_RATIO if compressed else needed):
        raise InputError(
            f"expected {needed:,} bytes of voxels ({form}) in {data}, found "
            f"{there:,}{' compressed' if compressed else ''}; "
            "the file is cut short or its header is wrong, copy it again"
        )


def inflated(data: Path, start: int, kind: str) -> Iterator[bytes]:
    """The unpacked bytes of a compressed file.

    Args:
        data: the file.
        start: byte at which the stream begins.
        kind: `zlib`, `gzip` or `bzip2`.

    Raises:
        InputError: damaged, or cut short.
    """
    with data.open("rb") as file:
        file.seek(start)
        try:
            yield from _members(file, data, kind)
        except (zlib.error, OSError, ValueError) as error:
            raise InputError(
                f"expected whole voxels in {data}, found damage in them; copy the file again"
            ) from error


def _members(file: Any, data: Path, kind: str) -> Iterator[bytes]:
    """One stream after the other: parallel packers write several."""
    packed = file.read(READ_BYTES)
    while packed:
        unpack = (
            bz2.BZ2Decompressor() if kind == "bzip2" else zlib.decompressobj(31 if kind == "gzip" else 15)
        )
        while not unpack.eof:
            yield unpack.decompress(packed, UNPACKED_BYTES)
            waiting = b"" if kind == "bzip2" else unpack.unconsumed_tail  # type: ignore[union-attr]
            hungry = unpack.needs_input if isinstance(unpack, bz2.BZ2Decompressor) else not waiting
            packed = waiting or (file.read(READ_BYTES) if hungry and not unpack.eof else b"")
            if hungry and not packed and not unpack.eof:
                raise InputError(f"expected whole voxels in {data}, found the file cut short; copy it again")
        packed = (unpack.unused_data or file.read(READ_BYTES)).lstrip(b"\0")


def without_head(chunks: Iterator[bytes], head: int) -> Iterator[bytes]:
    """What follows the first bytes of a stream."""
    for chunk in chunks:
        if head < len(chunk):
            yield chunk[head:]
        head = max(head - len(chunk), 0)
