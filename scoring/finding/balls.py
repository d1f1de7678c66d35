"""Places in a scan where a ball might be: metal about as large as a ball, with less of it around.

The scan is thinned to about ten voxels a ball, smoothed at the ball's scale, and what is wide in the board's plane
(copper planes, laminate, the package) is taken off; local maxima remain. Some are lands, vias or other parts: the
plane and the lattice sort them out.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.lattice import Lattice, Vector

VOXELS_PER_BALL = 10
# As shares of the ball's diameter or the pitch; wide enough to drown noise, narrow enough to keep bridged balls apart.
SMOOTH_BALLS, BACKGROUND_PITCHES, APART_BALLS = 0.2, 0.6, 0.4
WEAKEST = 0.35  # of the strong ones: copper lands reach about 0.2
MOST = 20_000


@dataclass(frozen=True)
class Candidates:
    """Places that may be balls.

    Args:
        points_mm: (n, 3) x, y, z, file's frame.
        strength: (n,) contrast to the surroundings, 1 = as strong as the strongest few.
    """

    points_mm: Vector
    strength: Vector

    def __len__(self) -> int:
        return len(self.strength)

    def take(self, which: NDArray[Any]) -> "Candidates":
        """Those of the given rows or mask."""
        return Candidates(self.points_mm[which], self.strength[which])


def find_candidates(volume: NDArray[Any], lattice: Lattice, pitch_mm: float, ball_mm: float) -> Candidates:
    """Local maxima of ball-sized metal, strongest first; none where the scan is flat."""
    thin, coarse = thinned(volume, lattice, ball_mm)
    step = np.asarray(coarse.spacing_mm[::-1])
    smooth = ndimage.gaussian_filter(thin, SMOOTH_BALLS * ball_mm / step, mode="nearest")
    wide = BACKGROUND_PITCHES * pitch_mm / step * [0, 1, 1]
    response = smooth - ndimage.gaussian_filter(smooth, wide, mode="nearest")
    window = tuple(2 * max(1, int(APART_BALLS * ball_mm / s)) + 1 for s in step)
    peak = (response == ndimage.maximum_filter(response, window, mode="nearest")) & (response > 0)
    index = np.argwhere(peak)
    strength = response[peak]
    order = np.argsort(-strength, kind="stable")[:MOST]
    if not len(order):
        return Candidates(np.zeros((0, 3)), np.zeros(0))
    strength = strength[order] / np.median(strength[order[:9]])
    points = np.asarray(coarse.origin_mm) + index[order][:, ::-1] * np.asarray(coarse.spacing_mm)
    strong = strength >= WEAKEST
    return Candidates(points[strong], np.minimum(strength[strong], 1.0).astype(np.float64))


def thinned(volume: NDArray[Any], lattice: Lattice, ball_mm: float) -> tuple[NDArray[np.float32], Lattice]:
    """Means over blocks of voxels so that a ball keeps about ten, float32 (z, y, x), and their lattice.

    A remainder at the far edges, less than a block wide, is dropped. Works a few slices at a time.
    """
    kx, ky, kz = (max(1, int(ball_mm / VOXELS_PER_BALL / s)) for s in lattice.spacing_mm)
    nz, ny, nx = (n // k for n, k in zip(volume.shape, (kz, ky, kx), strict=True))
    thin = np.empty((nz, ny, nx), np.float32)
    for z in range(nz):
        block = volume[z * kz : (z + 1) * kz, : ny * ky, : nx * kx]
        thin[z] = block.mean(axis=0, dtype=np.float32).reshape(ny, ky, nx, kx).mean(axis=(1, 3))
    factor = np.array([kx, ky, kz])
    spacing = np.asarray(lattice.spacing_mm)
    x, y, z0 = (float(v) for v in np.asarray(lattice.origin_mm) + (factor - 1) / 2 * spacing)
    sx, sy, sz = (float(v) for v in spacing * factor)
    return thin, Lattice((nz, ny, nx), (x, y, z0), (sx, sy, sz))
