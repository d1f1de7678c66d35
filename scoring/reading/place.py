"""How stored axes lie in the frame of the file: order and direction, honoured by turning the view of the voxels.

The frame is DICOM's and ITK's (x to the left, y to the back, z up for a patient; a board has no left, but every program
that writes several formats keeps to it). NIfTI's frame, and NRRD's where it says so, has x and y the other way round
and is brought to it. A volume without directions is taken as slices along z, rows along y, columns along x.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice, Vector
from jointwise.scoring.reading.settings import ReadSettings

LETTERS = "xyz"
AS_STORED: Vector = np.eye(3)[::-1]
SLANT = 1e-4  # of a direction's components: what text and single precision lose


@dataclass(frozen=True)
class Place:
    """Where the voxels lie, by the file.

    Args:
        steps_mm: voxel size along the stored axes, slowest first, mm; None where the file is silent.
        source: what of the file says so, for messages, such as `ElementSpacing`.
        directions: (3, 3), row k is the direction of stored axis k as x, y, z.
        origin_mm: centre of the first stored voxel as x, y, z, mm.
    """

    steps_mm: tuple[float, float, float] | None = None
    source: str = ""
    directions: NDArray[np.float64] | None = None
    origin_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Turn:
    """Stored axes against (z, y, x).

    Args:
        order: stored axis that becomes axis z, y, x.
        backwards: whether z, y, x run against the stored axis.
    """

    order: tuple[int, int, int]
    backwards: tuple[bool, bool, bool]

    @property
    def words(self) -> str:
        """The stored axes, slowest first, as in `read.axes`."""
        names = {
            axis: ("-" if back else "") + "zyx"[k]
            for k, (axis, back) in enumerate(zip(self.order, self.backwards, strict=True))
        }
        return "".join(names[k] for k in range(3))

    def seen(self, stored: NDArray[Any]) -> NDArray[Any]:
        """A view of stored voxels as (z, y, x)."""
        flip = tuple(slice(None, None, -1 if back else 1) for back in self.backwards)
        return stored.transpose(self.order)[flip]

    def as_stored(self, seen: NDArray[Any]) -> NDArray[Any]:
        """A view of (z, y, x) as stored; the inverse of :meth:`seen`."""
        flip = tuple(slice(None, None, -1 if back else 1) for back in self.backwards)
        return seen[flip].transpose(np.argsort(self.order))

    def shape(self, stored: Sequence[int]) -> tuple[int, int, int]:
        """Voxels along z, y, x."""
        z, y, x = (stored[k] for k in self.order)
        return z, y, x

    def stored_box(self, box: Sequence[slice], shape: Sequence[int]) -> tuple[slice, slice, slice]:
        """The stored box that a box of (z, y, x) is cut from.

        Args:
            box: slices with start and stop.
            shape: voxels along z, y, x.
        """
        found: dict[int, slice] = {}
        for k, (part, n, back) in enumerate(zip(box, shape, self.backwards, strict=True)):
            found[self.order[k]] = slice(n - part.stop, n - part.start) if back else part
        return found[0], found[1], found[2]


def directions_of(letters: Sequence[str]) -> Vector:
    """The directions of stored axes that are named by letters, such as ("z", "-y", "x")."""
    return np.stack([np.eye(3)[LETTERS.index(w[-1])] * (-1 if w[0] == "-" else 1) for w in letters])


def placed(path: Path, place: Place, shape: Sequence[int], settings: ReadSettings) -> tuple[Turn, Lattice]:
    """How the voxels must be turned, and their lattice then; the user's words stand above the file's.

    Raises:
        InputError: slanting axes, or no voxel size.
    """
    directions = AS_STORED if place.directions is None else place.directions
    if settings.letters:
        directions = directions_of(settings.letters)
    along = np.argmax(np.abs(directions), axis=1)
    straight = np.zeros((3, 3))
    straight[range(3), along] = np.sign(directions[range(3), along])
    if sorted(along) != [0, 1, 2] or not np.allclose(directions, straight, atol=SLANT):
        raise InputError(
            f"expected axes along the frame's x, y and z in {path}, found directions "
            f"{' '.join(f'{v:.3g}' for v in np.ravel(directions[::-1]))}; resample it, or set read.axes=zyx to "
            "take "
            "the file's own axes for them"
        )
    order = [int(np.flatnonzero(along == axis)[0]) for axis in (2, 1, 0)]
    turn = Turn((order[0], order[1], order[2]), tuple(bool(straight[k].sum() < 0) for k in order))  # type: ignore[arg-type]
    if settings.spacing_mm is None and place.steps_mm is None:
        raise InputError(
            f"expected a voxel size in {path}, found {place.source or 'none'}; set read.spacing_um, such as "
            "read.spacing_um=20 or read.spacing_um=20,20,25 (x,y,z)"
        )
    spacing = settings.spacing_mm or tuple(float(place.steps_mm[k]) for k in order[::-1])  # type: ignore[index]
    seen = turn.shape(shape)
    far = [
        (n - 1) * step * back for n, step, back in zip(seen[::-1], spacing, turn.backwards[::-1], strict=True)
    ]
    x, y, z = (float(o) - f for o, f in zip(place.origin_mm, far, strict=True))
    return turn, Lattice(seen, (x, y, z), spacing)  # type: ignore[arg-type]
