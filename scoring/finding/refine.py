"""Where each joint is, to a fraction of a voxel: its outline at half height, its two ends along the board's normal.

The outline is followed from outside inwards along rays and a circle is fitted to it; rays that run into a bridge start
in metal and do not count. The ends are the outermost places where the joint's core turns from solder to copper.
"""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.cores import core_count
from jointwise.joints.cutting import sample_means
from jointwise.joints.lattice import Lattice, Vector
from jointwise.joints.levels import Levels
from jointwise.scoring.finding.groups import neighbours
from jointwise.scoring.reading.scan import Scan

RAYS = 48
SLAB_BALLS = 0.15  # half thickness of the layer in which the outline is followed
CORE_BALLS = 0.25  # radius of the core in which the ends are sought
REACH_BALLS = 0.75  # how far up and down they are sought
END_LEVEL = 0.62  # of the core's own level: midway between solder and a copper land of a third of it
AT_ONCE = 64  # joints sampled at once, to bound memory
MOST_THREADS = 4  # each holds AT_ONCE joints' samples


@dataclass(frozen=True)
class Shapes:
    """What was seen at each site; NaN where nothing was.

    Args:
        centre_mm: (n, 3) place of the outline's centre, at half height, file's frame.
        diameter_mm: (n,) of the outline.
        height_mm: (n,) from end to end; infinite where there is metal but an end does not show.
        metal_mm3: (n,) volume of solder around the site, between the lands of a usual joint.
    """

    centre_mm: Vector
    diameter_mm: Vector
    height_mm: Vector
    metal_mm3: Vector

    def take(self, which: NDArray[np.bool_]) -> "Shapes":
        """Those of the sites in a mask (n,)."""
        return Shapes(
            self.centre_mm[which], self.diameter_mm[which], self.height_mm[which], self.metal_mm3[which]
        )


def see_shapes(
    scan: Scan,
    centres_mm: Vector,
    axes: Vector,
    pitch_mm: float,
    ball_mm: float,
    levels: Levels,
) -> Shapes:
    """Outline, ends and metal at each place.

    Args:
        scan: the scan; a box around a few dozen sites is read at a time.
        centres_mm: (n, 3) where to look, right to about 0.15 pitch.
        axes: (3, 3), columns are the board's two directions and its normal in the file's frame.
        pitch_mm: pitch, mm.
        ball_mm: nominal ball diameter, mm.
        levels: air and solder level of the scan.
    """

    def seen(group: NDArray[np.int64]) -> tuple[Vector, ...]:
        some = centres_mm[group]
        volume, lattice = scan.around(some, 1.1 * pitch_mm + 1.6 * ball_mm)
        z, height = _ends(volume, lattice, some, axes, ball_mm, levels)
        level = some + np.where(np.isfinite(z), z, 0.0)[:, None] * axes[:, 2]
        shift, diameter = _outline(volume, lattice, level, axes, pitch_mm, ball_mm, levels)
        shift = np.clip(np.nan_to_num(shift), -0.5 * pitch_mm, 0.5 * pitch_mm)
        again = level + shift @ axes[:, :2].T
        more, diameter = _outline(volume, lattice, again, axes, pitch_mm, ball_mm, levels)
        z, height = _ends(volume, lattice, again, axes, ball_mm, levels)
        centre = again + more @ axes[:, :2].T + z[:, None] * axes[:, 2]
        return centre, diameter, height, _metal(volume, lattice, again, axes, ball_mm, levels)

    groups = neighbours(centres_mm, AT_ONCE)
    with ThreadPoolExecutor(min(core_count(), MOST_THREADS)) as pool:
        parts = list(pool.map(seen, groups))
    back = np.argsort(np.concatenate(groups))
    return Shapes(*(np.concatenate(column)[back] for column in zip(*parts, strict=True)))


def _outline(
    volume: NDArray[Any],
    lattice: Lattice,
    centres: Vector,
    axes: Vector,
    pitch: float,
    ball: float,
    levels: Levels,
) -> tuple[Vector, Vector]:
    """Shift of the outline's centre in the plane (n, 2) and its diameter (n,), mm."""
    radii = np.arange(min(0.55 * pitch, pitch - 0.55 * ball), 0.2 * ball, -0.5 * lattice.voxel_mm)
    angle = 2 * np.pi * np.arange(RAYS) / RAYS
    toward = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    heights = np.linspace(-SLAB_BALLS, SLAB_BALLS, 5) * ball
    flat = (radii[:, None, None] * toward) @ axes[:, :2].T
    grey = sample_means(volume, lattice, centres, flat[:, :, None] + heights[:, None] * axes[:, 2])
    radius = _first_rise(grey, (levels.air + levels.solder) / 2, radii)
    return _fit_circle(radius, toward, ball)


def _first_rise(grey: NDArray[np.floating], level: float, places: Vector) -> Vector:
    """Where profiles (n, places, …) first rise through a level; NaN where they start above it or never reach it."""
    above = grey >= level
    rises = ~above[:, :-1] & above[:, 1:]
    first = np.argmax(rises, axis=1)[:, None]
    low = np.take_along_axis(grey, first, 1).astype(np.float64)
    high = np.take_along_axis(grey, first + 1, 1).astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (level - low) / (high - low)
    at = places[first] + share * (places[first + 1] - places[first])
    sound = np.any(rises, axis=1, keepdims=True) & ~above[:, :1]
    return np.asarray(np.where(sound, at, np.nan)[:, 0])


def _fit_circle(radius: Vector, toward: Vector, ball: float) -> tuple[Vector, Vector]:
    """Circles through outlines (n, rays) by reweighted least squares; NaN where too little of the outline is seen.

    To first order a circle shifted by (a, b) has the radius r + a cos + b sin in each direction; iterating from the
    shifted centre is not needed for shifts of a few voxels, and the caller looks twice.
    """
    seen = np.isfinite(radius)
    design = np.column_stack([np.ones(len(toward)), toward])
    weight = seen.astype(np.float64)
    value = np.where(seen, radius, 0.0)
    fit = np.full((len(radius), 3), np.nan)
    enough = seen.sum(axis=1) >= RAYS // 3
    for _ in range(5):
        normal = np.einsum("nk,ki,kj->nij", weight, design, design) + 1e-9 * np.eye(3)
        right = np.einsum("nk,ki->ni", weight * value, design)
        fit = np.linalg.solve(normal, right[..., None])[..., 0]
        off = np.abs(value - fit @ design.T)
        # A ray through a neck or a dent is not a matter of noise: its weight falls to zero (Tukey).
        limit = np.maximum(6 * _median_seen(off, seen), 0.02 * ball)[:, None]
        weight = np.where(seen, np.clip(1 - (off / limit) ** 2, 0, None) ** 2, 0.0)
    fit[~enough] = np.nan
    return np.asarray(fit[:, 1:]), np.asarray(2 * fit[:, 0])


def _median_seen(off: Vector, seen: NDArray[np.bool_]) -> Vector:
    """Median of each row over what was seen; 0 where nothing was."""
    count = seen.sum(axis=1)
    rising = np.sort(np.where(seen, off, np.inf), axis=1)
    rows, last = np.arange(len(off)), np.maximum(count, 1)
    median = (rising[rows, (last - 1) // 2] + rising[rows, last // 2]) / 2
    return np.asarray(np.where(count > 0, median, 0.0))


def _ends(
    volume: NDArray[Any], lattice: Lattice, centres: Vector, axes: Vector, ball: float, levels: Levels
) -> tuple[Vector, Vector]:
    """Height of the middle above the given centre (n,) and distance of the two ends (n,), mm, along the normal."""
    angle = 2 * np.pi * np.arange(12) / 12
    rings = np.concatenate(
        [r * np.stack([np.cos(angle), np.sin(angle)], axis=1) for r in (0.1, 0.18, CORE_BALLS)]
    )
    z = np.arange(-REACH_BALLS * ball, REACH_BALLS * ball, 0.5 * lattice.voxel_mm)
    flat = ball * rings @ axes[:, :2].T
    profile = sample_means(volume, lattice, centres, flat[None] + (z[:, None] * axes[:, 2])[:, None])
    inner = np.abs(z) < 0.2 * ball
    core = np.median(profile[:, inner], axis=1) - levels.air
    # Between two bare lands there is a little metal too, by blur: less than in the lands themselves.
    solid = core > np.maximum(0.3 * (levels.solder - levels.air), 0.5 * (profile.max(axis=1) - levels.air))
    relative = (profile - levels.air) / np.where(solid, core, 1.0)[:, None]
    upper = _first_rise(relative[:, ::-1], END_LEVEL, z[::-1])
    lower = _first_rise(relative, END_LEVEL, z)
    height = np.where(np.isfinite(upper - lower), upper - lower, np.inf)
    return np.where(solid, (upper + lower) / 2, np.nan), np.where(solid, height, np.nan)


def _metal(
    volume: NDArray[Any], lattice: Lattice, centres: Vector, axes: Vector, ball: float, levels: Levels
) -> Vector:
    """Volume of solder (n,), mm³, in a barrel of 1.2 balls across and half a ball high, so that lands stay outside."""
    step = max(lattice.voxel_mm, ball / 12)
    x = np.arange(-0.6 * ball, 0.6 * ball + step / 2, step)
    z = np.arange(-0.25 * ball, 0.25 * ball + step / 2, step)
    zz, yy, xx = np.meshgrid(z, x, x, indexing="ij")
    inside = np.hypot(xx, yy) <= 0.6 * ball
    offsets = np.stack([xx[inside], yy[inside], zz[inside]], axis=1) @ axes.T
    grey = sample_means(volume, lattice, centres, offsets[:, None])
    share = np.clip((grey - levels.air) / (levels.solder - levels.air), 0, 1)
    return np.asarray(np.where(share > 0.4, share, 0).sum(axis=1) * step**3, dtype=np.float64)
