"""Where to cut a joint so that a picture shows the evidence: three planes through one voxel.

The point is looked for in the volume itself (truth says that there is a gap, not always where), by the
simplest rule that finds the place; it decides what is drawn, never what is called.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.grid import Grid
from jointwise.models.rules.edges import Frame, outline
from jointwise.models.rules.pattern import darkness
from jointwise.models.rules.solder import solder_mask

Volume = NDArray[np.floating[Any]]
Voxel = tuple[int, int, int]

SPOT = (1.5, 1.0, 1.0)
"""Standard deviations of the spot over which darkness is averaged, grid steps along z, y, x."""

ENDS = 0.37
"""Distance from the middle, ball diameters, within which voids are looked for."""

FILLED = 0.7
"""Median level of a slice's inside, from which on it is solder and not the end of it."""


def evidence_voxel(volume: Volume, kind: str | None, grid: Grid, pitch_mm: float, ball_mm: float) -> Voxel:
    """The voxel through which to cut a joint to see the given kind, (z, y, x) indices.

    Args:
        volume: (z, y, x); 0 = air, 1 = solder.
        kind: a defect kind; None for a sound joint, which is cut through its middle.
        grid: the grid the volume lies on (says where the neighbours stand).
        pitch_mm: pitch of the array; ball_mm: nominal ball diameter.
    """
    if kind == "void":
        return darkest_enclosed(volume, grid, pitch_mm, ball_mm)
    if kind in ("non_wet", "head_in_pillow"):
        return deepest_dip(volume)
    if kind == "bridging":
        return brightest_between(volume, grid)
    return _middle(volume)


def darkest_enclosed(volume: Volume, grid: Grid, pitch_mm: float, ball_mm: float) -> Voxel:
    """The place inside the joint's outline that is darkest against the smooth pattern of its own slice.

    Outline and pattern are those of the rules: the rim's blur, cupping and streaks belong to the pattern, a neck or
    a neighbour not to the outline. The ends, where slices leave the solder, are left out. Without a place, the middle.
    """
    body = outline(volume, Frame.of(grid, pitch_mm, ball_mm))
    inside, frame = solder_mask(body), body.frame
    x, y = frame.x - body.axis[0], frame.y - body.axis[1]
    dark = darkness(body.smooth, inside, x, y, 0.5 * ball_mm)
    for k, height in enumerate(frame.z):
        if inside[k].any() and (
            abs(height) > ENDS * ball_mm or np.median(body.smooth[k][inside[k]]) < FILLED
        ):
            inside[k] = False
    if not inside.any():
        return _middle(volume)
    # Points outside do not count: the mean over a spot is taken over its inner part.
    spot = ndimage.gaussian_filter(np.where(inside, dark, np.float32(0)), SPOT, mode="constant")
    share = ndimage.gaussian_filter(inside.astype(np.float32), SPOT, mode="constant")
    return _voxel(np.argmax(np.where(inside, spot / np.maximum(share, 0.3), -np.inf)), volume.shape)


def deepest_dip(volume: Volume) -> Voxel:
    """On the joint's axis, at the height where a central disc is darkest between brighter metal on both sides.

    The dip is measured from the lower of the two maxima beside it, so that air or board beyond a land does
    not count as a gap.
    """
    nz, ny, nx = volume.shape
    y, x = np.ogrid[:ny, :nx]
    disc = np.hypot((y - (ny - 1) / 2) / ny, (x - (nx - 1) / 2) / nx) <= 0.15
    profile = volume[:, disc].astype(np.float64).mean(axis=1)
    below = np.maximum.accumulate(profile)
    above = np.maximum.accumulate(profile[::-1])[::-1]
    dip = np.minimum(below, above) - profile
    return (int(np.argmax(dip)) if dip.any() else nz // 2), ny // 2, nx // 2


def brightest_between(volume: Volume, grid: Grid) -> Voxel:
    """The brightest place half-way to one of the four neighbours, where the neck of a bridge must pass."""
    _, ny, nx = volume.shape
    smooth = ndimage.gaussian_filter(volume.astype(np.float32), 1.0)
    best: tuple[float, Voxel] = (-np.inf, _middle(volume))
    for axis, size in ((1, ny), (2, nx)):
        half_pitch = 0.5 * size / grid.pitches
        for side in (-1, 1):
            index = round((size - 1) / 2 + side * half_pitch)
            if not 0 <= index < size:
                continue
            plane = smooth.take(index, axis=axis)
            first, second = divmod(int(np.argmax(plane)), plane.shape[1])
            voxel = (first, index, second) if axis == 1 else (first, second, index)
            best = max(best, (float(plane.max()), voxel))
    return best[1]


def _middle(volume: Volume) -> Voxel:
    nz, ny, nx = volume.shape
    return nz // 2, ny // 2, nx // 2


def _voxel(flat: np.intp, shape: tuple[int, ...]) -> Voxel:
    z, y, x = np.unravel_index(flat, shape)
    return int(z), int(y), int(x)
