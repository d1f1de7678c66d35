"""From voxels in a file's own order to a scan: checked slab by slab, in memory, or read box by box if large."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice
from jointwise.scoring.reading.library import damage, library
from jointwise.scoring.reading.place import Place, Turn, placed
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.reading.stored import Box, Held, Mapped, Stored, pieces, room_for

KEPT = ("float32", "uint8", "int8", "uint16", "int16", "uint32", "int32")
NARROWED = ("float16", "float64")
"""Half precision is too little to interpolate in, double more than any scanner measures: both become float32."""

PLAUSIBLE_UM = (1.0, 200.0)
FEWEST_VOXELS = 16  # along x and y; along z a third of it is enough for a ball
LARGEST_BYTES = 1 << 42
GIB = 1 << 30


@dataclass(frozen=True)
class Found:
    """What a reader found in a file.

    Args:
        stored: the voxels.
        place: where they lie.
        facts: for the report, in words.
    """

    stored: Stored
    place: Place
    facts: Mapping[str, str]


class BoxVolume:
    """A volume (z, y, x) that stays in its file: slicing it gives the voxels of a box, in memory."""

    def __init__(self, path: Path, stored: Stored, turn: Turn) -> None:
        self.path, self.stored, self.turn = path, stored, turn
        self.shape: tuple[int, ...] = turn.shape(stored.shape)
        self.dtype = kept_type(stored.dtype)

    def __getitem__(self, box: tuple[slice, slice, slice], /) -> NDArray[Any]:
        """The voxels of a box given by three slices with step 1.

        Raises:
            InputError: the file has gone or changed since it was opened.
        """
        parts = [slice(*part.indices(n)) for part, n in zip(box, self.shape, strict=True)]
        if any(part.step != 1 for part in parts):
            raise IndexError("a volume in a file is read in boxes, with step 1")
        if any(part.stop <= part.start for part in parts):
            return np.empty([max(part.stop - part.start, 0) for part in parts], self.dtype)
        with damage(self.path, "voxels"):
            read = self.stored.read(self.turn.stored_box(parts, self.shape))
        return np.ascontiguousarray(self.turn.seen(read), self.dtype)


def kept_type(stored: np.dtype[Any]) -> np.dtype[Any]:
    """The type, in the machine's byte order, that a volume has in memory."""
    return np.dtype(np.float32) if stored.newbyteorder("=").name in NARROWED else stored.newbyteorder("=")


def check_type(path: Path, dtype: np.dtype[Any]) -> None:
    """Refuse voxels that are no plain grey values.

    Raises:
        InputError: names the type.
    """
    if dtype.newbyteorder("=").name not in KEPT + NARROWED:
        raise InputError(
            f"expected voxels of 8-, 16- or 32-bit integers or of floats in {path}, found {dtype.name}; "
            "convert the file"
        )


def check_size(path: Path, seen: tuple[int, int, int], dtype: np.dtype[Any]) -> None:
    """Refuse volumes too small to hold a ball, or larger than any scanner makes.

    Args:
        path: the scan, for messages.
        seen: voxels along z, y, x.
        dtype: of a voxel.
    """
    nz, ny, nx = seen
    if min(nx, ny) < FEWEST_VOXELS or nz < FEWEST_VOXELS // 3:
        raise InputError(
            f"expected at least {FEWEST_VOXELS} x {FEWEST_VOXELS} x {FEWEST_VOXELS // 3} voxels (x, y, z) in "
            f"{path}, "
            f"found {nx} x {ny} x {nz}; export the whole volume"
        )
    if math.prod(seen) * dtype.itemsize > LARGEST_BYTES:
        raise InputError(
            f"expected a volume of at most {LARGEST_BYTES / 2**40:g} TiB in {path}, found {nx} x {ny} x {nz} "
            "voxels; "
            "its header is damaged, or cut the array out of it"
        )


def load(path: Path, found: Found, settings: ReadSettings) -> Scan:
    """Turn the voxels into the frame of the file, check every one, and keep them in memory or in the file.

    Raises:
        InputError: voxels of a wrong type or size, not finite, without contrast; slanting axes; no voxel size.
    """
    check_type(path, found.stored.dtype)
    turn, lattice = placed(path, found.place, found.stored.shape, settings)
    check_size(path, lattice.shape, found.stored.dtype)
    _check_spacing(path, lattice, found.place, settings)
    small = math.prod(lattice.shape) * found.stored.dtype.itemsize <= settings.in_memory_gib * GIB
    volume, held = _in_memory(path, found.stored, turn) if small else _in_boxes(path, found.stored, turn)
    facts = {
        **found.facts,
        "voxel type": _type_words(found.stored.dtype),
        "stored axes": turn.words + (" (read.axes)" if settings.letters else ""),
        "voxel size from": "read.spacing_um" if settings.spacing_mm else found.place.source,
        "held": held,
    }
    return Scan(path, volume, lattice, facts)


def _type_words(dtype: np.dtype[Any]) -> str:
    kept = kept_type(dtype)
    order = (
        "" if dtype.itemsize == 1 else f", {'little' if dtype.newbyteorder('<') == dtype else 'big'}-endian"
    )
    return dtype.name + order + (f", read as {kept.name}" if kept.name != dtype.name else "")


def _in_memory(path: Path, stored: Stored, turn: Turn) -> tuple[NDArray[Any], str]:
    """One copy, in the machine's byte order; none where the voxels are in memory and lie right."""
    check = _Values(path, turn, stored.shape)
    if isinstance(stored, Held) and turn.words == "zyx" and kept_type(stored.dtype) == stored.dtype:
        for box in pieces(stored):
            check.add(box, stored.values[box])
        check.end()
        return stored.values, "in memory"
    volume = np.empty(turn.shape(stored.shape), kept_type(stored.dtype))
    target = turn.as_stored(volume)
    for box in pieces(stored):
        with library(path, "voxels"):
            read = stored.read(box)
        check.add(box, read)
        target[box] = read
    check.end()
    return volume, "in memory"


def _in_boxes(path: Path, stored: Stored, turn: Turn) -> tuple[BoxVolume, str]:
    held = "read box by box"
    if not stored.in_boxes or (isinstance(stored, Mapped) and not isinstance(stored.file, Path)):
        held = "read box by box from an unpacked temporary copy"
    check = _Values(path, turn, stored.shape)
    copy = None if stored.in_boxes else room_for(stored, path)
    for box in pieces(stored):
        with library(path, "voxels"):
            read = stored.read(box)
        check.add(box, read)
        if copy:
            copy.write(box, read)
    check.end()
    return BoxVolume(path, copy or stored, turn), held


class _Values:
    """Whether all values are finite and not all the same, told piece by piece so that no second volume is "
    "needed."""

    def __init__(self, path: Path, turn: Turn, shape: tuple[int, int, int]) -> None:
        self.path, self.turn, self.shape = path, turn, shape
        self.low, self.high = np.inf, -np.inf

    def add(self, box: Box, values: NDArray[Any]) -> None:
        with np.errstate(invalid="ignore"):
            least, most = float(values.min()), float(values.max())  # NaN and infinity both show here
        limit = float(np.finfo(np.float32).max)
        if not (-limit <= least and most <= limit):
            raise InputError(
                f"expected finite values in {self.path}, found NaN or infinity in slice z = "
                f"{self._slice(box, values, limit)}; "
                "reconstruct or export it again"
            )
        self.low, self.high = min(self.low, least), max(self.high, most)

    def end(self) -> None:
        if self.low == self.high:
            raise InputError(
                f"expected a scan with contrast in {self.path}, found the value {self.low:g} everywhere; "
                "export it again"
            )

    def _slice(self, box: Box, values: NDArray[Any], limit: float) -> int:
        """The lowest z of the bad voxels of a piece."""
        axis, back = self.turn.order[0], self.turn.backwards[0]
        bad = np.unique(np.nonzero(~(np.abs(values) <= limit))[axis]) + box[axis].start
        return int(self.shape[axis] - 1 - bad.max() if back else bad.min())


def _check_spacing(path: Path, lattice: Lattice, place: Place, settings: ReadSettings) -> None:
    source = "read.spacing_um" if settings.spacing_mm else place.source
    for name, step in zip("xyz", lattice.spacing_mm, strict=True):
        if not PLAUSIBLE_UM[0] * (1 - 1e-6) <= 1000 * step <= PLAUSIBLE_UM[1] * (1 + 1e-6):
            raise InputError(
                f"expected a voxel size of {PLAUSIBLE_UM[0]:g} to {PLAUSIBLE_UM[1]:g} µm in {path}, found "
                f"{1000 * step:g} µm along {name} ({source} {step:g}, read as mm){_unit_hint(step)}, or set "
                "read.spacing_um"
            )
    if max(lattice.spacing_mm) > 4 * min(lattice.spacing_mm):
        sizes = " x ".join(f"{1000 * step:g}" for step in lattice.spacing_mm)
        raise InputError(
            f"expected voxels about as long as wide in {path}, found {sizes} µm; correct {source} or set "
            "read.spacing_um"
        )
    if not np.isfinite(lattice.origin_mm).all() or max(np.abs(lattice.origin_mm)) > 1e6:
        raise InputError(f"expected a finite origin in {path}, found {lattice.origin_mm}; correct the header")


def _unit_hint(step: float) -> str:
    if PLAUSIBLE_UM[0] <= step <= PLAUSIBLE_UM[1]:
        return "; the spacing seems to be in µm: divide it by 1000"
    if PLAUSIBLE_UM[0] <= 1e6 * step <= PLAUSIBLE_UM[1]:
        return "; the spacing seems to be in m: multiply it by 1000"
    return "; write the spacing in mm"
