"""Voids: what is missing from the solder inside the joint's outline, and the four measures of it.

Each slice of the joint is compared with its own smooth pattern (pattern.py). What is darker is cavity. A
complete surface (a pillow's gap) is no void and is left out; a void never reaches all the way through.
"""

from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.models.rules.edges import Body, Vector, Volume
from jointwise.models.rules.filters import blurred
from jointwise.models.rules.lands import Land
from jointwise.models.rules.pattern import darkness
from jointwise.models.rules.ranks import quantile
from jointwise.models.rules.solder import Box, boxed_mask
from jointwise.models.rules.surface import Surface

BULK: Final = 0.31
"""Half of the height that is solder through and through, in ball diameters."""
END_PLANES: Final = 2
"""Planes before the end of the solder in which the end's blur, not voids, makes slices dark."""
GROUND: Final = 0.03
"""Darkness (share of the local grey) that the smooth pattern may be off by."""
CLEAR: Final = 0.2
"""Darkness of a cavity's darkest point, at least; noisier joints need NOISES standard deviations."""
NOISES: Final = 5.0
SKIRT: Final = 0.35
"""Share of its darkest point down to which a cavity reaches: below a half, because small ones are blurred away."""
LEAST: Final = 10
"""Grid points of the smallest cavity."""
DARK: Final = 0.1
"""Darkness that no smooth pattern is off by."""
SHEET_PLANES: Final = 5
"""Planes on either side of a complete surface that belong to its gap."""
INTERFACE_MM: Final = 0.025
"""Depth of the layer at a land whose voids count as interface voids (measure 4)."""
LAND_DISC: Final = 0.38
"""Radius of a land's disc, ball diameters."""
FULLNESS: Final = 0.8
"""Volume of a joint over largest cross-section × height."""
SPOT: Final = (4.5, 3.0, 3.0)
"""Standard deviations of the spot whose mean darkness is a blob's, grid steps along z, y, x."""
FAR: Final = -1000
"""A height, in planes, beyond all that is."""
DEEP: Final = 0.08
SHALLOW: Final = 0.03
"""Missing thickness, in ball diameters, of a column that lies under a large, or any, void."""


@dataclass(frozen=True)
class Cavities:
    """The joint's voids: the four measures, and the numbers a score is made from.

    Args:
        area_pct: union of the voids seen along z over the largest cross-section (measure 1).
        volume_pct: their volume over the joint's (measure 2).
        largest_pct: the largest connected void seen along z over the largest cross-section (measure 3).
        interface_pct: voids within 25 µm of a land over that land's disc, the worse land (measure 4).
        missing: all missing solder over largest cross-section × ball diameter.
        clearly_missing: the same of points darker than DARK alone.
        deep, shallow: share of the largest cross-section under that much missing solder.
        darkest: mean darkness of the darkest hundredth of all points.
        blob: largest darkness averaged over a spot of 3 grid steps.
        texture: unevenness of the slices at the worse land: microvoids too small to be seen one by one.
        mask: (z, y, x) points counted as void.
    """

    area_pct: float
    volume_pct: float
    largest_pct: float
    interface_pct: float
    missing: float
    clearly_missing: float
    deep: float
    shallow: float
    darkest: float
    blob: float
    texture: float
    mask: NDArray[np.bool_] = field(repr=False, compare=False)


def cavities(body: Body, lands: tuple[Land, Land], largest_mm2: float, surface: Surface) -> Cavities:
    """Find and measure the voids.

    Args:
        body: the joint.
        lands: the board's and the package's; slices that solder does not fill are no place for voids.
        largest_mm2: largest cross-section.
        surface: the darkest complete surface; where it is a gap, its planes are left out.
    """
    f = body.frame
    inside, box = boxed_mask(body)
    x, y, z = f.x[box[2]] - body.axis[0], f.y[box[1]] - body.axis[1], f.z[box[0]]
    dark = darkness(np.ascontiguousarray(body.smooth[box]), inside, x, y, 0.5 * f.ball)
    texture = _texture(dark, inside, z, body.ring[box[1:]], f.ball)
    low, high = (min(BULK * f.ball, land.solid_mm - END_PLANES * f.dz) for land in lands)
    # A surface far below all planes leaves nothing out.
    height = surface.height[box[1:]] - box[0].start if surface.complete else np.full(len(y), FAR)[:, None]
    _leave_out(dark, inside, (z < -low) | (z > high), np.broadcast_to(height, inside.shape[1:]))
    return _measure(body, (lands[0].z, lands[1].z), largest_mm2, dark, inside, box, texture)


@numba.njit(cache=True, nogil=True)
def _leave_out(
    dark: Volume, inside: NDArray[np.bool_], ends: NDArray[np.bool_], height: NDArray[np.int64]
) -> None:
    """Make nothing of the planes `ends` and of what lies about the surface `height`; dark is 0 where nothing is."""
    nz, ny, nx = inside.shape
    for k in range(nz):
        for j in range(ny):
            for i in range(nx):
                if ends[k] or abs(k - height[j, i]) <= SHEET_PLANES:
                    inside[k, j, i] = False
                if not inside[k, j, i]:
                    dark[k, j, i] = 0


def _texture(dark: Volume, inside: NDArray[np.bool_], z: Vector, ring: Vector, ball: float) -> float:
    """Standard deviation over the disc of a land's slices, worst slice of either land."""
    planes = np.flatnonzero((np.abs(z) > 0.28 * ball) & (np.abs(z) < 0.4 * ball))
    return float(_worst_spread(dark, inside, ring < 0.3 * ball, planes))


@numba.njit(cache=True, nogil=True)
def _worst_spread(
    dark: Volume, inside: NDArray[np.bool_], disc: NDArray[np.bool_], planes: NDArray[np.int64]
) -> float:
    """Largest standard deviation of a plane's points that are inside and in the disc, of more than 40."""
    points, worst = np.empty(disc.size), 0.0
    for k in planes:
        n = 0
        for j in range(disc.shape[0]):
            for i in range(disc.shape[1]):
                if disc[j, i] and inside[k, j, i]:
                    points[n] = dark[k, j, i]
                    n += 1
        if n > 40:
            worst = max(worst, float(np.std(points[:n])))
    return worst


class Seen(NamedTuple):
    """Grid points under all voids and under the largest, all voids' volume, and the worse land's measure."""

    every: float
    largest: float
    volume_mm3: float
    interface_pct: float


def _measure(
    body: Body,
    ends: tuple[float, float],
    largest_mm2: float,
    dark: Volume,
    inside: NDArray[np.bool_],
    place: Box,
    texture: float,
) -> Cavities:
    """The measures of what is dark inside; both within the box `place` of the sub-volume."""
    f = body.frame
    point, largest = f.dx**2, max(largest_mm2, f.dx**2)
    low, high = _bounds(inside)
    if high[0] == 0:
        nowhere = np.zeros(body.smooth.shape, np.bool_)
        return Cavities(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, texture, nowhere)
    box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
    # All that follows is 0 outside the solder.
    dark, inside = np.ascontiguousarray(dark[box]), np.ascontiguousarray(inside[box])
    void = _cut_out(dark, max(CLEAR, NOISES * body.grain))
    whole = np.zeros(body.smooth.shape, np.bool_)
    seen = Seen(0.0, 0.0, 0.0, 0.0)
    if void.any():
        whole[place][box] = void > 0
        interface = max(_interface(body, whole, ends[0], +1), _interface(body, whole, ends[1], -1))
        every = float((void > 0).any(axis=0).sum())
        seen = Seen(every, float(_largest_shadow(void)), _volume(void, f.dx, f.dz), interface)
    ground = max(GROUND - 0.01, 0.5 * body.grain)
    points, missing, clearly, column = _missing(dark, inside, np.float32(ground))
    column *= f.dz
    cell = point * f.dz / (largest * f.ball)
    return Cavities(
        area_pct=100 * seen.every * point / largest,
        volume_pct=100 * seen.volume_mm3 / (FULLNESS * largest * (ends[1] - ends[0])),
        largest_pct=100 * seen.largest * point / largest,
        interface_pct=seen.interface_pct,
        missing=missing * cell,
        clearly_missing=clearly * cell,
        deep=float((column > DEEP * f.ball).sum()) * point / largest,
        shallow=float((column > SHALLOW * f.ball).sum()) * point / largest,
        darkest=quantile(points, len(points), 0.99),
        blob=_blob(dark, inside),
        texture=texture,
        mask=whole,
    )


@numba.njit(cache=True, nogil=True)
def _bounds(inside: NDArray[np.bool_]) -> tuple[tuple[int, int, int], tuple[int, int, int]]:
    """First plane, row and column that hold a point, and those after the last; 0 where none does."""
    nz, ny, nx = inside.shape
    z0, y0, x0, z1, y1, x1 = nz, ny, nx, 0, 0, 0
    for k in range(nz):
        for j in range(ny):
            first, last = nx, -1
            for i in range(nx):
                if inside[k, j, i]:
                    first, last = min(first, i), i
            if last >= 0:
                z0, y0, x0 = min(z0, k), min(y0, j), min(x0, first)
                z1, y1, x1 = k + 1, max(y1, j + 1), max(x1, last + 1)
    return (z0, y0, x0), (z1, y1, x1)


@numba.njit(cache=True, nogil=True)
def _missing(
    dark: Volume, inside: NDArray[np.bool_], ground: np.float32
) -> tuple[Volume, float, float, Vector]:
    """Darkness of the points inside, its sums over GROUND and over DARK, and its sum over `ground` per column."""
    nz, ny, nx = dark.shape
    points, n, column = np.empty(dark.size, np.float32), 0, np.zeros((ny, nx))
    missing, clearly = 0.0, 0.0
    for k in range(nz):
        for j in range(ny):
            for i in range(nx):
                value = dark[k, j, i]
                if inside[k, j, i]:
                    points[n] = value
                    n += 1
                missing += max(value - np.float32(GROUND), np.float32(0))
                clearly += max(value - np.float32(DARK), np.float32(0))
                column[j, i] += max(value - ground, np.float32(0))
    return points[:n], missing, clearly, column


def _blob(dark: Volume, inside: NDArray[np.bool_]) -> float:
    """Largest darkness averaged over a spot; points outside the solder do not count."""
    spot = blurred(dark, SPOT, reflect=False)
    share = blurred(inside.astype(np.float32), SPOT, reflect=False)
    return float(np.where(inside, spot / np.maximum(share, 0.3), 0).max())


def _cut_out(dark: Volume, limit: float) -> NDArray[np.int32]:
    """Labels of the cavities that are large and dark enough, each cut at SKIRT of its own darkest point."""
    if dark.max() < np.float32(limit):  # as in most joints: no cavity is dark enough
        return np.zeros(dark.shape, np.int32)
    label, found = ndimage.label(dark > 0.25 * limit)
    return _kept(label, dark, found, limit)


@numba.njit(cache=True, nogil=True)
def _kept(label: NDArray[np.int32], dark: Volume, found: int, limit: float) -> NDArray[np.int32]:
    """The labels where they are dark enough; 0 elsewhere."""
    peak, size = np.zeros(found + 1, np.float32), np.zeros(found + 1, np.int64)
    labels, values = label.ravel(), dark.ravel()
    for n in range(len(labels)):
        size[labels[n]] += 1
        peak[labels[n]] = max(peak[labels[n]], values[n])
    kept = np.zeros_like(labels)
    for n in range(len(labels)):
        one = labels[n]
        clear = size[one] >= LEAST and peak[one] >= np.float32(limit)
        if one and clear and values[n] > np.float32(SKIRT) * peak[one]:
            kept[n] = one
    return kept.reshape(label.shape)


def _volume(void: NDArray[np.int32], dx: float, dz: float) -> float:
    """Volume of the voids, mm³, each an ellipsoid under its shadow: blur takes darkness rather than width."""
    total = 0.0
    for i, box in enumerate(ndimage.find_objects(void)):
        if box is not None:
            points = void[box] == i + 1
            shadow = float(points.any(axis=0).sum()) * dx**2
            height = float(points.any(axis=(1, 2)).sum()) * dz
            total += 2 / 3 * shadow * min(height, 2 * np.sqrt(shadow / np.pi))
    return total


def _largest_shadow(void: NDArray[np.int32]) -> int:
    """Grid points under the largest connected void."""
    boxes = ndimage.find_objects(void)
    return max(
        (int((void[b] == i + 1).any(axis=0).sum()) for i, b in enumerate(boxes) if b is not None), default=0
    )


def _interface(body: Body, inside: NDArray[np.bool_], land_mm: float, inward: int) -> float:
    """Share (%) of the land's disc under voids within 25 µm of it, or within what the grid resolves."""
    f = body.frame
    depth = inward * (f.z - land_mm)
    layer = (depth > -1.5 * f.dz) & (depth < INTERFACE_MM + f.dz)
    disc = body.ring < LAND_DISC * f.ball
    # The joint bulges beyond the disc: voids out there cover nothing of the land.
    over: NDArray[np.bool_] = np.asarray(inside[layer].any(axis=0))
    return float(100 * over[disc].mean())
