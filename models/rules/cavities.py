"""Voids: what is missing from the solder inside the joint's outline, and the four measures of it.

Each slice of the joint is compared with its own smooth pattern (pattern.py). What is darker is cavity. A
complete surface (a pillow's gap) is no void and is left out; a void never reaches all the way through.
"""

from dataclasses import dataclass, field
from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.models.rules.edges import Body, Vector, Volume
from jointwise.models.rules.filters import blurred
from jointwise.models.rules.lands import Land
from jointwise.models.rules.pattern import darkness
from jointwise.models.rules.ranks import quantile
from jointwise.models.rules.surface import Surface

Box = tuple[slice, slice, slice]

HIGH: Final = 0.4
"""Half of the height looked at, in ball diameters: up to the lands."""
BULK: Final = 0.31
"""Half of the height that is solder through and through, in ball diameters."""
END_PLANES: Final = 2
"""Planes before the end of the solder in which the end's blur, not voids, makes slices dark."""
RIM: Final = 2
"""Grid steps left out along the outline, where blur and not voids make it dark."""
NECK_OFF: Final = 1.0
"""Radius beyond which a slice's solder belongs to a neck, in usual radii of the slice."""
OPEN_TO: Final = 0.75
"""Radius within which a slice is solder or void, in usual radii, even where a void opens to the flank."""
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
    inside, box = _boxed_mask(body)
    x, y, z = f.x[box[2]] - body.axis[0], f.y[box[1]] - body.axis[1], f.z[box[0]]
    dark = darkness(np.ascontiguousarray(body.smooth[box]), inside, x, y, 0.5 * f.ball)
    texture = _texture(dark, inside, z, body.ring[box[1:]], f.ball)
    low, high = (min(BULK * f.ball, land.solid_mm - END_PLANES * f.dz) for land in lands)
    # A surface far below all planes leaves nothing out.
    height = surface.height[box[1:]] - box[0].start if surface.complete else np.full(len(y), FAR)[:, None]
    _leave_out(dark, inside, (z < -low) | (z > high), np.broadcast_to(height, inside.shape[1:]))
    return _measure(body, (lands[0].z, lands[1].z), largest_mm2, dark, inside, box, texture)


def solder_mask(body: Body) -> NDArray[np.bool_]:
    """(z, y, x) points inside the joint's outline, holes filled, RIM steps from its edge; no neck, no neighbour."""
    masks, box = _boxed_mask(body)
    mask = np.zeros(body.smooth.shape, np.bool_)
    mask[box] = masks
    return mask


def _boxed_mask(body: Body) -> tuple[NDArray[np.bool_], Box]:
    """The same within the planes and columns beside which there is none, and these."""
    f = body.frame
    first, last = f.heights(HIGH)
    core, far = body.ring < 0.3 * f.ball, (body.ring > 0.56 * f.ball) & (body.ring < 0.62 * f.pitch)
    slices = body.smooth[first:last]
    limit, near = _limits(slices, core, far), body.ring < 0.46 * f.pitch
    box = _around(near)
    solid, axis = slices[:, *box], np.array(body.axis)
    masks = _filled_cores(solid, limit, near[box], f.x[box[1]], f.y[box[0]], f.z[first:last], axis, RIM)
    return masks, (slice(first, last), *box)


def _around(near: NDArray[np.bool_]) -> tuple[slice, slice]:
    """Rows and columns that hold all points, and one more: what lies beyond is outside of every core.

    An axis leans by at most a tenth of a ball, and what is made round about it by OPEN_TO of the usual radius, so that
    stays within the points too.
    """
    rows, columns = (np.flatnonzero(near.any(axis=axis)) for axis in (1, 0))
    if not len(rows):
        return slice(0, near.shape[0]), slice(0, near.shape[1])
    low, high = (max(int(found[0]) - 1, 0) for found in (rows, columns))
    return slice(low, int(rows[-1]) + 2), slice(high, int(columns[-1]) + 2)


@numba.njit(cache=True, nogil=True)
def _limits(slices: Volume, core: NDArray[np.bool_], far: NDArray[np.bool_]) -> Volume:
    """Per slice, half-way from what lies around the joint to what its core reads."""
    limit = np.empty(len(slices), np.float32)
    beyond, within = np.flatnonzero(far), np.flatnonzero(core)
    values = np.empty(far.size, slices.dtype)
    for k in range(len(slices)):
        plane = slices[k].ravel()
        low = _quantile_at(plane, beyond, values, 0.5)
        limit[k] = low + 0.5 * (_quantile_at(plane, within, values, 0.7) - low)
    return limit


@numba.njit(cache=True, nogil=True)
def _quantile_at(plane: Volume, places: NDArray[np.int64], values: Volume, share: float) -> float:
    for n in range(len(places)):
        values[n] = plane[places[n]]
    return quantile(values, len(places), share)


@numba.njit(cache=True, nogil=True)
def _filled_cores(
    slices: Volume,
    limit: Volume,
    near: NDArray[np.bool_],
    x: Vector,
    y: Vector,
    z: Vector,
    axis: Vector,
    rim: int,
) -> NDArray[np.bool_]:
    """`_filled_core` of every slice's points above its limit that are near the axis."""
    masks = np.empty(slices.shape, np.bool_)
    for k in range(len(slices)):
        solid = near & (slices[k] > limit[k])
        masks[k] = _filled_core(solid, x - axis[0] - axis[2] * z[k], y - axis[1] - axis[3] * z[k], rim)
    return masks


@numba.njit(cache=True, nogil=True)
def _filled_core(solid: NDArray[np.bool_], x: Vector, y: Vector, rim: int) -> NDArray[np.bool_]:
    """The mask made round: holes filled, voids that open to the flank too, necks cut off; then worn by `rim` steps."""
    core = _without_outside(solid)
    ny, nx = solid.shape
    usual = _usual_radius(core, x, y)
    off, within = (NECK_OFF * usual) ** 2, (OPEN_TO * usual) ** 2
    for j in range(ny):
        for i in range(nx):
            far = x[i] ** 2 + y[j] ** 2
            if far > off:
                core[j, i] = False
            elif far < within:
                core[j, i] = True
    for _ in range(rim):
        worn = np.zeros((ny, nx), np.bool_)
        for j in range(1, ny - 1):
            for i in range(1, nx - 1):
                beside = core[j - 1, i] & core[j + 1, i] & core[j, i - 1] & core[j, i + 1]
                worn[j, i] = core[j, i] & beside
        core = worn
    return core


@numba.njit(cache=True, nogil=True)
def _without_outside(solid: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The mask with its holes filled: all but what the border reaches through points that are not solid."""
    ny, nx = solid.shape
    wide = nx + 2
    closed = np.ones((ny + 2) * wide, np.uint8)  # a closed frame around it spares asking for the border
    for j in range(ny):
        for i in range(nx):
            closed[(j + 1) * wide + i + 1] = solid[j, i]
    core = np.ones((ny, nx), np.bool_)
    stack, top = np.empty(ny * nx, np.int64), 0
    for j in range(ny):
        for i in range(nx):
            at = (j + 1) * wide + i + 1
            if (j == 0 or i == 0 or j == ny - 1 or i == nx - 1) and not closed[at]:
                closed[at], stack[top] = 1, at
                top += 1
    while top > 0:
        top -= 1
        at = stack[top]
        core[at // wide - 1, at % wide - 1] = False
        for step in (-wide, -1, 1, wide):
            if not closed[at + step]:
                closed[at + step], stack[top] = 1, at + step
                top += 1
    return core


@numba.njit(cache=True, nogil=True)
def _usual_radius(core: NDArray[np.bool_], x: Vector, y: Vector) -> float:
    """Median over sixteen directions of the mask's radius: a neck fills a few of them."""
    points = np.zeros(16)
    for j in range(len(y)):
        for i in range(len(x)):
            if core[j, i]:
                points[_sector(-x[i], -y[j])] += 1
    return float(np.sqrt(16 * np.median(points) / np.pi) * (x[1] - x[0]))


@numba.njit(cache=True, nogil=True)
def _sector(x: float, y: float) -> int:
    """Which of sixteen equal sectors, counted from the x axis, a direction points into."""
    if x > 0 and y >= 0:
        quarter, along, up = 0, x, y
    elif x <= 0 and y > 0:
        quarter, along, up = 1, y, -x
    elif x < 0:
        quarter, along, up = 2, -x, -y
    else:
        quarter, along, up = 3, -y, x
    eighth = np.sqrt(2.0) - 1  # the tangent of an eighth of a right angle's double
    return int(4 * quarter + (up >= eighth * along) + (up >= along) + (eighth * up >= along))


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
    box = ndimage.find_objects(inside.view(np.uint8), 1)[0]
    if box is None:
        nowhere = np.zeros(body.smooth.shape, np.bool_)
        return Cavities(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, texture, nowhere)
    # All that follows is 0 outside the solder.
    dark, inside = np.ascontiguousarray(dark[box]), np.ascontiguousarray(inside[box])
    void = _cut_out(dark, max(CLEAR, NOISES * body.grain))
    whole = np.zeros(body.smooth.shape, np.bool_)
    if void.any():
        whole[place][box] = void > 0
    interface = max(_interface(body, whole, ends[0], +1), _interface(body, whole, ends[1], -1))
    ground = max(GROUND - 0.01, 0.5 * body.grain)
    points, missing, clearly, column = _missing(dark, inside, np.float32(ground))
    column *= f.dz
    cell = point * f.dz / (largest * f.ball)
    return Cavities(
        area_pct=100 * float((void > 0).any(axis=0).sum()) * point / largest,
        volume_pct=100 * _volume(void, f.dx, f.dz) / (FULLNESS * largest * (ends[1] - ends[0])),
        largest_pct=100 * _largest_shadow(void) * point / largest,
        interface_pct=interface,
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
