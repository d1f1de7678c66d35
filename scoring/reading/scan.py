"""A scan: its voxels, read at once or box by box, and where they lie."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.lattice import Lattice, Vector


class Voxels(Protocol):
    """What can be cut into boxes: a numpy array, or a file that is read box by box."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Voxels along (z, y, x)."""

    @property
    def dtype(self) -> np.dtype[Any]:
        """Type of a voxel."""

    def __getitem__(self, box: tuple[slice, slice, slice], /) -> NDArray[Any]:
        """The voxels of a box given by three slices with step 1, in memory."""


@dataclass(frozen=True)
class Scan:
    """A scan.

    Args:
        path: its file or folder.
        volume: (z, y, x), in the file's own unit; never written to.
        lattice: where its voxels lie, mm.
        facts: what the reader can tell of the file, in words, such as `format` and `axes`; for the report.
    """

    path: Path
    volume: Voxels
    lattice: Lattice
    facts: Mapping[str, str] = field(default_factory=dict)

    def around(self, points_mm: Vector, reach_mm: float) -> tuple[NDArray[Any], Lattice]:
        """The voxels about points, in memory, and their own lattice; a view where the scan is in memory already.

        Sampling the box gives the same bits as sampling the whole scan, as long as it stays within reach.

        Args:
            points_mm: (n, 3), file's frame; what lies beyond the scan's edge is clipped.
            reach_mm: how far from the points voxels are wanted, along every axis.
        """
        index = self.lattice.to_index(np.atleast_2d(points_mm))
        reach = reach_mm / np.asarray(self.lattice.spacing_mm) + 1
        most = np.asarray(self.volume.shape[::-1])
        low = np.clip(np.floor(index.min(axis=0) - reach).astype(int), 0, most - 1)
        high = np.clip(np.ceil(index.max(axis=0) + reach).astype(int) + 1, low + 1, most)
        (x0, y0, z0), (x1, y1, z1) = low.tolist(), high.tolist()
        box = self.volume[z0:z1, y0:y1, x0:x1]
        origin = np.asarray(self.lattice.origin_mm) + low * np.asarray(self.lattice.spacing_mm)
        return box, Lattice(box.shape, tuple(origin.tolist()), self.lattice.spacing_mm)
