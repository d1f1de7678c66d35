"""Cut one joint out of a scan: the only way a joint reaches the grid, for generated and real scans alike."""

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice, Vector
from jointwise.joints.levels import Levels, Reading, read_levels
from jointwise.joints.sampling import grid_samples, mean_samples, point_samples, samples_in_place

Volume = NDArray[np.generic]


def sample(volume: Volume, lattice: Lattice, points_mm: Vector) -> NDArray[np.float32]:
    """Trilinear values of a volume at points of the file's frame; beyond the edge the nearest voxel counts.

    Args:
        volume: (z, y, x), any numeric type.
        lattice: where its voxels lie.
        points_mm: (…, 3) as x, y, z in mm.

    Returns:
        float32 array of shape points_mm.shape[:-1].
    """
    index = lattice.to_index(np.asarray(points_mm, np.float64))
    if samples_in_place(volume) and volume.size:
        return point_samples(volume, index.reshape(-1, 3)).reshape(index.shape[:-1])
    coordinates = np.moveaxis(index[..., ::-1], -1, 0)
    return np.asarray(
        ndimage.map_coordinates(volume, coordinates, output=np.float32, order=1, mode="nearest"),
        dtype=np.float32,
    )


def sample_means(
    volume: Volume, lattice: Lattice, centres_mm: Vector, offsets_mm: Vector
) -> NDArray[np.float32]:
    """Means of trilinear values about several places, at the same offsets about each.

    Args:
        volume: (z, y, x), any numeric type.
        lattice: where its voxels lie.
        centres_mm: (n, 3) as x, y, z in mm, file's frame.
        offsets_mm: (…, k, 3) from each place; over each k the mean is taken.

    Returns:
        float32 (n, …).
    """
    shape = (len(centres_mm), *offsets_mm.shape[:-2])
    if samples_in_place(volume) and volume.size:
        steps = (offsets_mm / np.asarray(lattice.spacing_mm)).reshape(-1, *offsets_mm.shape[-2:])
        return mean_samples(volume, lattice.to_index(centres_mm), steps).reshape(shape)
    apart = centres_mm.reshape(-1, *[1] * (offsets_mm.ndim - 1), 3)
    return np.asarray(sample(volume, lattice, apart + offsets_mm).mean(axis=-1)).reshape(shape)


def inside(lattice: Lattice, points_mm: Vector) -> NDArray[np.bool_]:
    """Whether points (…, 3) lie within the volume's voxels (to half a voxel beyond the outer centres)."""
    index = lattice.to_index(points_mm)
    upper = np.asarray(lattice.shape[::-1]) - 0.5
    return np.asarray(np.all((index >= -0.5) & (index <= upper), axis=-1))


def resample(
    volume: Volume,
    lattice: Lattice,
    centre_mm: Vector,
    axes: Vector,
    grid: Grid,
    pitch_mm: float,
    ball_mm: float,
) -> NDArray[np.float32]:
    """Bring one joint's box onto the grid, in the grey values of the scan.

    Where the scan is finer than the grid, several samples are averaged per grid point, so that no noise is
    folded in and a thin gap keeps its area.

    Args:
        volume: (z, y, x) of the scan, or of a block of it.
        lattice: its voxels in the frame of the file.
        centre_mm: centre of the joint (x, y, z), mm, file's frame.
        axes: (3, 3), columns are the grid's x, y and z directions in the file's frame, z from board to package.
        grid: voxels and box.
        pitch_mm: pitch of the array, mm.
        ball_mm: nominal ball diameter, mm.

    Returns:
        float32 (z, y, x) of `grid.shape`.
    """
    x, y, z = refined_offsets(grid, pitch_mm, ball_mm, lattice.voxel_mm)
    if samples_in_place(volume):
        first = lattice.to_index(np.asarray(centre_mm, np.float64))
        values = grid_samples(volume, first, np.asarray(axes).T / np.asarray(lattice.spacing_mm), (x, y, z))
    else:
        zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")
        points = np.asarray(centre_mm) + np.stack([xx, yy, zz], axis=-1) @ np.asarray(axes).T
        values = sample(volume, lattice, points)
    nz, ny, nx = grid.shape
    kx, ky, kz = len(x) // nx, len(y) // ny, len(z) // nz
    if kx == ky == kz == 1:
        return values
    return np.asarray(values.reshape(nz, kz, ny, ky, nx, kx).mean(axis=(1, 3, 5)), dtype=np.float32)


def scale(box: NDArray[np.float32], levels: Levels) -> NDArray[np.float32]:
    """Grey values turned into 0 at the air level and 1 at the solder level."""
    return np.asarray((box - np.float32(levels.air)) / np.float32(levels.solder - levels.air))


def cut(
    volume: Volume,
    lattice: Lattice,
    centre_mm: Vector,
    axes: Vector,
    grid: Grid,
    pitch_mm: float,
    ball_mm: float,
    levels: Levels,
) -> NDArray[np.float32]:
    """One joint on the grid, scaled to 0 = air, 1 = solder: `scale` of `resample`."""
    return scale(resample(volume, lattice, centre_mm, axes, grid, pitch_mm, ball_mm), levels)


def level_reading(
    volume: Volume,
    lattice: Lattice,
    centre_mm: Vector,
    axes: Vector,
    grid: Grid,
    pitch_mm: float,
    ball_mm: float,
) -> Reading:
    """Air, solder and noise around one joint, read on the grid."""
    box = resample(volume, lattice, centre_mm, axes, grid, pitch_mm, ball_mm)
    return read_levels(box, grid.offsets_mm(pitch_mm, ball_mm), pitch_mm, ball_mm)


def refined_offsets(grid: Grid, pitch_mm: float, ball_mm: float, voxel_mm: float) -> tuple[Vector, ...]:
    """Places of the samples from the box's centre along x, y and z, mm: one or several per grid point."""
    spacing, offsets = grid.spacing_mm(pitch_mm, ball_mm), grid.offsets_mm(pitch_mm, ball_mm)
    return tuple(
        _refine(place, step, max(1, math.floor(step / voxel_mm + 0.25)))
        for place, step in zip(offsets, spacing, strict=True)
    )


def _refine(offsets: Vector, step: float, k: int) -> Vector:
    within = (np.arange(k) - (k - 1) / 2) * step / k
    return np.asarray((offsets[:, None] + within).ravel())
