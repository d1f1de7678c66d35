"""Places in a scan where a ball might be: metal about as large as a ball, with less of it around.

The scan is thinned to five to ten voxels a ball, smoothed at the ball's scale, and what is wide in the board's plane
(copper planes, laminate, the package) is taken off; local maxima remain. Some are lands, vias or other parts: the
plane and the lattice sort them out.
"""

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.lattice import Lattice, Vector
from jointwise.scoring.reading.scan import Voxels

VOXELS_PER_BALL = 5
# As shares of the ball's diameter or the pitch; wide enough to drown noise, narrow enough to keep bridged balls apart.
SMOOTH_BALLS, BACKGROUND_PITCHES, APART_BALLS = 0.2, 0.6, 0.4
WEAKEST = 0.35  # of the strong ones: copper lands reach about 0.2
MOST = 20_000
COARSER = 4  # voxels of a block on which the wide background is worked
MOST_AT_ONCE = 24_000_000  # voxels of a thinned tile; filters take some four times its 4 bytes a voxel

Tile = tuple[tuple[slice, slice], tuple[slice, slice]]
"""Along y and along x: what is read of the thinned scan, and the tile's own part of that."""


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


def find_candidates(volume: Voxels, lattice: Lattice, pitch_mm: float, ball_mm: float) -> Candidates:
    """Local maxima of ball-sized metal, strongest first; none where the scan is flat.

    A scan too large for memory is searched in tiles that overlap by the filters' reach, with the same result.
    """
    coarse = thinned_lattice(volume, lattice, ball_mm)
    parts = [_maxima(volume, lattice, pitch_mm, ball_mm, tile) for tile in _tiles(coarse, ball_mm, pitch_mm)]
    index = np.concatenate([part[0] for part in parts])
    strength = np.concatenate([part[1] for part in parts])
    order = np.argsort(-strength, kind="stable")[:MOST]
    if not len(order):
        return Candidates(np.zeros((0, 3)), np.zeros(0))
    strength = strength[order] / np.median(strength[order[:9]])
    points = np.asarray(coarse.origin_mm) + index[order][:, ::-1] * np.asarray(coarse.spacing_mm)
    strong = strength >= WEAKEST
    return Candidates(points[strong], np.minimum(strength[strong], 1.0).astype(np.float64))


def _tiles(coarse: Lattice, ball: float, pitch: float) -> list[Tile]:
    """Tiles of a thinned scan: what of y and x each reads, and where in it its own part lies; one where it fits."""
    depth, height, width = coarse.shape
    if depth * height * width <= MOST_AT_ONCE:
        return [((slice(0, height), slice(0, height)), (slice(0, width), slice(0, width)))]
    step = max(coarse.spacing_mm)
    margin = _whole(int((4.5 * BACKGROUND_PITCHES * pitch + 6 * SMOOTH_BALLS * ball) / step) + 3 * COARSER)
    side = _whole(max(int((MOST_AT_ONCE / depth) ** 0.5) - 2 * margin, 64))
    ways = [[_reach(first, side, margin, most) for first in range(0, most, side)] for most in (height, width)]
    return list(itertools.product(*ways))  # type: ignore[arg-type]


def _whole(size: int) -> int:
    """The next whole number of coarse blocks, so that tiles share the blocks of the whole."""
    return size + -size % COARSER


def _reach(first: int, side: int, margin: int, most: int) -> tuple[slice, slice]:
    """What to read along an axis, and the tile's own part of what was read."""
    low, high, end = max(first - margin, 0), min(first + side + margin, most), min(first + side, most)
    return slice(low, high), slice(first - low, end - low)


def _maxima(
    volume: Voxels, lattice: Lattice, pitch: float, ball: float, tile: Tile
) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Index (n, 3) in the thinned scan and strength (n,) of the maxima of one tile."""
    (read_y, own_y), (read_x, own_x) = tile
    thin, coarse = thinned(volume, lattice, ball, (read_y, read_x))
    step = np.asarray(coarse.spacing_mm[::-1])
    smooth = ndimage.gaussian_filter(thin, SMOOTH_BALLS * ball / step, mode="nearest")
    response = smooth - _background(smooth, BACKGROUND_PITCHES * pitch / step[1:])
    window = tuple(2 * max(1, int(APART_BALLS * ball / s)) + 1 for s in step)
    peak = (response == ndimage.maximum_filter(response, window, mode="nearest")) & (response > 0)
    index = np.argwhere(peak[:, own_y, own_x])
    strength = response[:, own_y, own_x][peak[:, own_y, own_x]]
    first = np.array([0, read_y.start + own_y.start, read_x.start + own_x.start])
    return index + first, strength


def _background(smooth: NDArray[np.float32], sigma: NDArray[np.float64]) -> NDArray[np.float32]:
    """What is wide in the plane: a Gaussian of the given sigma (y, x) in voxels, worked on coarser voxels."""
    k = COARSER if sigma.min() >= 2 * COARSER else 1
    if k == 1:
        return np.asarray(ndimage.gaussian_filter(smooth, [0, *sigma], mode="nearest"))
    height, width = smooth.shape[1:]
    padded = np.pad(smooth, ((0, 0), (0, -height % k), (0, -width % k)), mode="edge")
    depth, rows, cols = padded.shape
    blocks = padded.reshape(depth, rows // k, k, cols // k, k).mean(axis=(2, 4))
    wide = ndimage.gaussian_filter(blocks, [0, *(sigma / k)], mode="nearest")
    for axis, size in ((1, height), (2, width)):
        wide = _between(wide, axis, size, k)
    return np.asarray(wide)


def _between(blocks: NDArray[np.float32], axis: int, size: int, k: int) -> NDArray[np.float32]:
    """Linear interpolation of block means back onto their voxels along an axis."""
    place = np.clip((np.arange(size) - (k - 1) / 2) / k, 0, blocks.shape[axis] - 1)
    low = np.minimum(place.astype(np.int64), max(blocks.shape[axis] - 2, 0))
    high = np.minimum(low + 1, blocks.shape[axis] - 1)
    shape = [1, 1, 1]
    shape[axis] = size
    share = (place - low).astype(np.float32).reshape(shape)
    return np.asarray(np.take(blocks, low, axis) * (1 - share) + np.take(blocks, high, axis) * share)


def thinned(
    volume: Voxels, lattice: Lattice, ball_mm: float, part: tuple[slice, slice] | None = None
) -> tuple[NDArray[np.float32], Lattice]:
    """Means over blocks of voxels so that a ball keeps some five to ten, float32 (z, y, x), and their lattice.

    A remainder at the far edges, less than a block wide, is dropped. Works a few slices at a time.

    Args:
        volume: (z, y, x).
        lattice: its voxels.
        ball_mm: ball, mm.
        part: only these blocks along y and x; the lattice is that of the whole all the same.
    """
    coarse = thinned_lattice(volume, lattice, ball_mm)
    kx, ky, kz = _factors(lattice, ball_mm)
    nz = coarse.shape[0]
    rows, cols = part or (slice(0, coarse.shape[1]), slice(0, coarse.shape[2]))
    ny, nx = rows.stop - rows.start, cols.stop - cols.start
    thin = np.empty((nz, ny, nx), np.float32)
    for z in range(nz):
        block = volume[
            z * kz : (z + 1) * kz, rows.start * ky : rows.stop * ky, cols.start * kx : cols.stop * kx
        ]
        thin[z] = block.mean(axis=0, dtype=np.float32).reshape(ny, ky, nx, kx).mean(axis=(1, 3))
    return thin, coarse


def thinned_lattice(volume: Voxels, lattice: Lattice, ball_mm: float) -> Lattice:
    """Where the blocks of a thinned scan lie."""
    factor = np.array(_factors(lattice, ball_mm))
    nz, ny, nx = (n // k for n, k in zip(volume.shape, factor[::-1].tolist(), strict=True))
    spacing = np.asarray(lattice.spacing_mm)
    x, y, z = (float(v) for v in np.asarray(lattice.origin_mm) + (factor - 1) / 2 * spacing)
    sx, sy, sz = (float(v) for v in spacing * factor)
    return Lattice((nz, ny, nx), (x, y, z), (sx, sy, sz))


def _factors(lattice: Lattice, ball: float) -> tuple[int, ...]:
    """Voxels a block along (x, y, z)."""
    return tuple(max(1, int(ball / VOXELS_PER_BALL / s)) for s in lattice.spacing_mm)
