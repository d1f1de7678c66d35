"""The scan's own voxels in the frame of its file, and how the board lies in that frame."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Lattice:
    """Where the voxels of a volume lie.

    Args:
        shape: voxels along (z, y, x), the order of the array.
        origin_mm: centre of voxel (0, 0, 0) as (x, y, z), mm, in the frame of the file.
        spacing_mm: voxel size along (x, y, z), mm.
    """

    shape: tuple[int, int, int]
    origin_mm: tuple[float, float, float]
    spacing_mm: tuple[float, float, float]

    @property
    def voxel_mm(self) -> float:
        """Geometric mean of the voxel sizes, mm."""
        return float(np.prod(self.spacing_mm) ** (1 / 3))

    def to_index(self, points_mm: Vector) -> Vector:
        """Fractional indices (x, y, z) of points (…, 3) in mm."""
        return np.asarray((np.asarray(points_mm) - self.origin_mm) / np.asarray(self.spacing_mm))

    def block(self, centre_mm: Vector, radius_mm: Vector | float) -> "Lattice":
        """The part of this lattice around a point, not clipped to its shape.

        Args:
            centre_mm: (x, y, z), mm.
            radius_mm: half size of the block along (x, y, z), or one number, mm.
        """
        low = np.floor(self.to_index(np.asarray(centre_mm) - radius_mm)).astype(int)
        high = np.ceil(self.to_index(np.asarray(centre_mm) + radius_mm)).astype(int)
        nx, ny, nz = (int(n) for n in high - low + 1)
        x, y, z = (float(v) for v in np.asarray(self.origin_mm) + low * np.asarray(self.spacing_mm))
        return Lattice((nz, ny, nx), (x, y, z), self.spacing_mm)


def rotation(tilt_x_deg: float, tilt_y_deg: float, in_plane_deg: float) -> Vector:
    """Rotation (3, 3) from the board's frame to the file's: first in plane about z, then about y, then about x.

    Its columns are the board's x, y and z directions seen in the file's frame.
    """
    a, b, c = np.radians([tilt_x_deg, tilt_y_deg, in_plane_deg])
    rx = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    ry = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    rz = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return np.asarray(rx @ ry @ rz, dtype=np.float64)
