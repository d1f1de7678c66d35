"""TIFF: one file with many pages, or many files with one page."""

import functools
import itertools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.beside import check_within
from jointwise.scoring.reading.library import library, quiet_stderr, short
from jointwise.scoring.reading.load import Found, check_type
from jointwise.scoring.reading.place import Place
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.reading.stored import Decoded, Mapped, Slices
from jointwise.scoring.reading.tiff_spacing import tiff_place

PLAIN, LZW, BLACK_IS_LEAST = 1, 5, 1
LARGEST_RATIO = {PLAIN: 1, LZW: 2800, 8: 1100, 32946: 1100, 32773: 64}
"""Compressions that are read (plain, LZW, deflate twice, PackBits) and the most that a byte of them can say."""


@dataclass(frozen=True)
class Page:
    """A page as its tags describe it.

    Args:
        size: rows and columns.
        dtype: of a voxel, with the file's byte order.
        codec: TIFF's number of the compression.
        start: byte of the first voxel where the page lies in one piece, uncompressed; else None.
        packed: bytes that its pieces take in the file.
    """

    size: tuple[int, int]
    dtype: np.dtype[Any]
    codec: int
    start: int | None
    packed: int

    @property
    def needed(self) -> int:
        """Bytes of its voxels."""
        return math.prod(self.size) * self.dtype.itemsize


def read(path: Path, settings: ReadSettings) -> Found:  # noqa: ARG001 - one signature for all formats
    """A file of many pages, slices along z.

    Raises:
        InputError: damaged, colour, pages of different sizes, a single page, an odd compression.
    """
    pages, place, images = _pages(path)
    _check_alike(pages, [f"page {n + 1} of {path}" for n in range(len(pages))])
    first = pages[0]
    count = max(len(pages), images)
    if count == 1:
        raise InputError(
            f"expected a volume of three dimensions in {path}, found one page of {first.size[1]} x "
            f"{first.size[0]}; "
            "give the folder of all slices, or a file with all pages"
        )
    if images > len(pages):  # ImageJ describes one page and lets the others follow
        _check_room(path, first, images)
        return Found(Mapped(path, first.start or 0, (images, *first.size), first.dtype), place, _facts(first))
    starts = [page.start for page in pages]
    if all(start is not None for start in starts):
        places = [(path, start or 0) for start in starts]
        return Found(Slices(places, first.size, first.dtype), place, _facts(first))
    decode = functools.partial(_decode, path, first)
    return Found(Decoded(decode, (count, *first.size), first.dtype), place, _facts(first))


def read_slices(home: Path, files: Sequence[Path], settings: ReadSettings) -> Found:
    """Files of one page each, in the order of the numbers in their names, slices along z.

    Args:
        home: their folder, for messages.
        files: the slices.
        settings: what the user says of the scan.

    Raises:
        InputError: as for :func:`read`; a number missing among the slices.
    """
    files = sorted(files, key=_natural)
    for file in files:
        check_within(file, file.parent)
    if len(files) == 1:
        return read(files[0], settings)
    _check_numbers(files)
    pages, place = [], None
    for file in files:
        of_file, its_place, images = _pages(file)
        if max(len(of_file), images) > 1:
            raise InputError(
                f"expected one page in each of {len(files)} files in {home}, found several in {file.name}; "
                "give one file of "
                "many pages, or a folder of slices alone"
            )
        pages.append(of_file[0])
        place = place or its_place
    _check_alike(pages, [str(file) for file in files])
    first, facts = pages[0], {**_facts(pages[0]), "slices": f"{files[0].name} to {files[-1].name}"}
    if place is None:
        raise ValueError("no slices")
    if all(page.start is not None for page in pages):
        places = [(file, page.start or 0) for file, page in zip(files, pages, strict=True)]
        return Found(Slices(places, first.size, first.dtype), place, facts)

    def decode(start: int, stop: int) -> NDArray[Any]:
        return np.concatenate([_decode(files[n], first, 0, 1) for n in range(start, stop)])

    return Found(Decoded(decode, (len(files), *first.size), first.dtype), place, facts)


def is_single(path: Path) -> bool:
    """Whether a file holds one page."""
    import tifffile

    with library(path, "a TIFF file"), tifffile.TiffFile(path, _multifile=False) as file:
        notes = (file.imagej_metadata if file.is_imagej else None) or {}
        return len(list(itertools.islice(_chain(path, file.pages), 2))) == 1 and notes.get("images", 1) == 1


def _facts(page: Page) -> dict[str, str]:
    return {"format": "TIFF" + (", compressed" if page.codec != PLAIN else "")}


def _pages(path: Path) -> tuple[list[Page], Place, int]:
    """The pages, where they say that they lie, and how many images ImageJ speaks of."""
    import tifffile

    with library(path, "a TIFF file") as errors, tifffile.TiffFile(path, _multifile=False) as file:
        pages = [_page(path, page, n, file.byteorder) for n, page in enumerate(_chain(path, file.pages))]
        # Where the chain of pages breaks, the library goes on with those before.
        if not pages or errors:
            found = short(RuntimeError(errors[0])) if errors else "none"
            raise InputError(f"expected whole pages in {path}, found damage ({found}); copy the file again")
        notes = file.imagej_metadata if file.is_imagej else None
        ome = file.ome_metadata if file.is_ome else None
        tags = {code: file.pages.first.tags.valueof(code) for code in (282, 283, 296)}
    notes = notes or {}
    counts = [notes.get(key, 1) for key in ("images", "channels", "frames")]
    if not all(isinstance(count, int) for count in counts):
        raise InputError(f"expected whole numbers in ImageJ's notes of {path}, found others; save it again")
    images, channels, frames = (int(count) for count in counts)
    if channels > 1 or frames > 1:
        raise InputError(f"expected one channel and one time in {path}, found several; export one of them")
    return pages, tiff_place(path, notes, ome, tags), images


def _chain(path: Path, pages: Any) -> Iterator[Any]:
    """Page after page; a chain that leads back into itself would never end."""
    seen: set[int] = set()
    for n in itertools.count():
        try:
            page = pages[n]
        except IndexError:
            return
        if page.offset in seen:
            raise InputError(f"expected a chain of pages in {path}, found a circle; export the scan again")
        seen.add(page.offset)
        yield page


def _page(path: Path, page: Any, number: int, byte_order: str) -> Page:
    """What the tags of a page say, checked before anything is decoded."""
    if page.samplesperpixel != 1 or len(page.shape) != 2 or int(page.photometric) != BLACK_IS_LEAST:
        raise InputError(
            f"expected grey values, one number per voxel and black the least, in page {number + 1} of {path}, "
            "found "
            f"{page.samplesperpixel} of the kind {getattr(page.photometric, 'name', page.photometric)}; export "
            "grey values"
        )
    if page.dtype is None or int(page.bitspersample) != 8 * page.dtype.itemsize:
        raise InputError(
            f"expected whole bytes per voxel in {path}, found {page.bitspersample} bits; export 8, 16 or 32 bits"
        )
    dtype = page.dtype.newbyteorder(byte_order)
    check_type(path, dtype)
    codec = int(page.compression)
    if codec not in LARGEST_RATIO:
        raise InputError(
            f"expected plain, LZW, deflate or PackBits pages in {path}, found "
            f"{getattr(page.compression, 'name', codec)}; export it uncompressed"
        )
    plain = codec == PLAIN and page.is_contiguous
    rows, columns = page.shape
    found = Page(
        (rows, columns), dtype, codec, int(page.dataoffsets[0]) if plain else None, sum(page.databytecounts)
    )
    _check_room(path, found, 1)
    return found


def _check_room(path: Path, page: Page, images: int) -> None:
    """Whether what the tags announce can be in the file, before any memory is asked for."""
    size = path.stat().st_size
    needed = images * page.needed
    there = (
        size - page.start if page.start is not None else min(page.packed, size) * LARGEST_RATIO[page.codec]
    )
    if there < needed or (images > 1 and page.start is None):
        raise InputError(
            f"expected {needed:,} bytes of voxels ({page.size[1]} x {page.size[0]} {page.dtype.name}) in "
            f"{path}, found "
            f"at most {max(there, 0):,}; the file is cut short or its tags are wrong, copy it again"
        )


def _check_alike(pages: Sequence[Page], names: Sequence[str]) -> None:
    first = pages[0]
    for page, name in zip(pages, names, strict=True):
        if (page.size, page.dtype) != (first.size, first.dtype):
            raise InputError(
                f"expected slices of {first.size[1]} x {first.size[0]} {first.dtype.name} as in {names[0]}, found "
                f"{page.size[1]} x {page.size[0]} {page.dtype.name} in {name}; keep only slices of one scan there"
            )


def _decode(path: Path, first: Page, start: int, stop: int) -> NDArray[Any]:
    """The pages from one number to before another; LZW by Pillow, for which tifffile would need another "
    "package."""
    if first.codec == LZW:
        from PIL import Image

        with quiet_stderr(), Image.open(path) as file:
            found = []
            for n in range(start, stop):
                file.seek(n)
                found.append(np.asarray(file).astype(first.dtype))
        return np.stack(found)
    import tifffile

    with tifffile.TiffFile(path, _multifile=False) as pages:
        return np.stack([np.asarray(pages.pages[n].asarray(maxworkers=1)) for n in range(start, stop)])


def _natural(file: Path) -> list[tuple[int, str]]:
    """Numbers in a name by their value: slice_9 before slice_10."""
    return [
        (int(word), "") if word.isdecimal() else (-1, word) for word in re.split(r"(\d+)", file.name) if word
    ]


def _check_numbers(files: Sequence[Path]) -> None:
    """Refuse a missing slice where names differ in one number alone."""
    names = [re.split(r"(\d+)", file.name) for file in files]
    if len({len(name) for name in names}) > 1:
        return
    varying = [k for k in range(len(names[0])) if len({name[k] for name in names}) > 1]
    if len(varying) != 1 or not all(name[varying[0]].isdecimal() for name in names):
        return
    numbers = [int(name[varying[0]]) for name in names]
    steps = np.diff(numbers)
    odd = np.flatnonzero(steps != np.median(steps))
    if odd.size:
        raise InputError(
            f"expected slices numbered evenly in {files[0].parent}, found {files[odd[0] + 1].name} after "
            f"{files[odd[0]].name}; copy the missing ones, or name those that belong together by a pattern"
        )
