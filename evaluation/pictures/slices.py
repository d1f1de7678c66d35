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

Volume = NDArray[np.floating[Any]]
Voxel = tuple[int, int, int]

SOLDER_LEVEL = 0.5
"""Half-way between air (0) and solder (1): the two-level edge of one body."""

OWN_REACH = 0.34
"""Pitches from a joint's axis within which solder is surely its own."""


def evidence_voxel(volume: Volume, kind: str | None, grid: Grid) -> Voxel:
    """The voxel through which to cut a joint to see the given kind, (z, y, x) indices.

    Args:
        volume: (z, y, x); 0 = air, 1 = solder.
        kind: a defect kind; None for a sound joint, which is cut through its middle.
        grid: the grid the volume lies on (says where the neighbours stand).
    """
    if kind == "void":
        return darkest_enclosed(volume, grid)
    if kind in ("non_wet", "head_in_pillow"):
        return deepest_dip(volume)
    if kind == "bridging":
        return brightest_between(volume, grid)
    return _middle(volume)


def darkest_enclosed(volume: Volume, grid: Grid) -> Voxel:
    """The place that most wants filling, with the joint's own solder on both sides along x, y and z.

    Wanting is what a grey closing over a quarter of the box adds: a blurred rim is as dark as a small void,
    but closing fills only the void. The corner between a joint and a bulge of its neighbour wants filling too,
    so only places within a third of a pitch of the axis count. Without enclosed places, the middle.
    """
    smooth = ndimage.gaussian_filter(volume.astype(np.float32), 1.0)
    body = _own_body(smooth > SOLDER_LEVEL)
    enclosed = np.ones(volume.shape, dtype=bool)
    for axis in range(3):
        before = np.logical_or.accumulate(body, axis=axis)
        after = np.flip(np.logical_or.accumulate(np.flip(body, axis), axis=axis), axis)
        enclosed &= before & after
    _, ny, nx = volume.shape
    y, x = np.ogrid[:ny, :nx]
    enclosed &= np.hypot((y - (ny - 1) / 2) / ny, (x - (nx - 1) / 2) / nx) * grid.pitches < OWN_REACH
    if not enclosed.any():
        return _middle(volume)
    filled = ndimage.grey_closing(smooth, size=tuple(size // 4 for size in volume.shape))
    wanting = ndimage.gaussian_filter(filled - smooth, 1.0)
    return _voxel(np.argmax(np.where(enclosed, wanting, -np.inf)), volume.shape)


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


def _own_body(solder: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The connected solder that reaches the box's axis most; neighbours not joined to it drop out."""
    labels, _ = ndimage.label(solder)
    ny, nx = solder.shape[1:]
    core = labels[:, ny // 3 : ny - ny // 3, nx // 3 : nx - nx // 3]
    sizes = np.bincount(core[core > 0], minlength=1)
    # Head and pillow are two bodies of one joint: whatever has a fair share of the core belongs to it.
    own: NDArray[np.bool_] = np.isin(labels, np.flatnonzero(sizes > 0.1 * max(int(sizes.sum()), 1)))
    return own & solder


def _middle(volume: Volume) -> Voxel:
    nz, ny, nx = volume.shape
    return nz // 2, ny // 2, nx // 2


def _voxel(flat: np.intp, shape: tuple[int, ...]) -> Voxel:
    z, y, x = np.unravel_index(flat, shape)
    return int(z), int(y), int(x)
