"""Voids: what is missing from the solder inside the joint's outline, and the four measures of it.

Hardening darkens a ball's core, and does so differently along and across the rays; both patterns are smooth around the
joint's axis. So each slice of the joint is compared with its own smooth pattern: even powers of the radius, with
first, second and fourth harmonics of the direction, fitted so that dark spots count little. What is darker is cavity. A
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
from jointwise.models.rules.surface import Surface

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
    inside = solder_mask(body)
    dark = darkness(body.smooth, inside, f.x - body.axis[0], f.y - body.axis[1], 0.5 * f.ball)
    texture = _texture(dark, inside, body)
    low, high = (min(BULK * f.ball, land.solid_mm - END_PLANES * f.dz) for land in lands)
    inside[(f.z < -low) | (f.z > high)] = False
    if surface.complete:
        k = np.arange(len(f.z))[:, None, None]
        inside &= np.abs(k - surface.height) > SHEET_PLANES
    dark = np.where(inside, dark, 0).astype(np.float32)
    return _measure(body, (lands[0].z, lands[1].z), largest_mm2, dark, inside, texture)


def solder_mask(body: Body) -> NDArray[np.bool_]:
    """(z, y, x) points inside the joint's outline, holes filled, RIM steps from its edge; no neck, no neighbour."""
    f = body.frame
    heights = np.flatnonzero(np.abs(f.z) < HIGH * f.ball)
    core, far = body.ring < 0.3 * f.ball, (body.ring > 0.56 * f.ball) & (body.ring < 0.62 * f.pitch)
    mask = np.zeros(body.smooth.shape, np.bool_)
    slices = body.smooth[heights]
    high, low = np.percentile(slices[:, core], 70, axis=1), np.median(slices[:, far], axis=1)
    limit = (low + np.float32(0.5) * (high - low)).astype(np.float32)
    near = body.ring < 0.46 * f.pitch
    mask[heights] = _filled_cores(slices, limit, near, f.x, f.y, f.z[heights], np.array(body.axis), RIM)
    return mask


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
    ny, nx = solid.shape
    outside = np.zeros((ny, nx), np.bool_)
    stack = np.empty((ny * nx, 2), np.int64)
    top = 0
    for j in range(ny):
        for i in range(nx):
            border = j == 0 or i == 0 or j == ny - 1 or i == nx - 1
            if border and not solid[j, i]:
                outside[j, i] = True
                stack[top, 0], stack[top, 1] = j, i
                top += 1
    while top > 0:
        top -= 1
        j, i = stack[top, 0], stack[top, 1]
        for dj, di in ((-1, 0), (1, 0), (0, -1), (0, 1)):
            jj, ii = j + dj, i + di
            if 0 <= jj < ny and 0 <= ii < nx and not solid[jj, ii] and not outside[jj, ii]:
                outside[jj, ii] = True
                stack[top, 0], stack[top, 1] = jj, ii
                top += 1
    core = ~outside
    usual = _usual_radius(core, x, y)
    for j in range(ny):
        for i in range(nx):
            far = np.sqrt(x[i] ** 2 + y[j] ** 2)
            if far > NECK_OFF * usual:
                core[j, i] = False
            elif far < OPEN_TO * usual:
                core[j, i] = True
    for _ in range(rim):
        worn = core.copy()
        for j in range(ny):
            for i in range(nx):
                if core[j, i] and (
                    j == 0
                    or i == 0
                    or j == ny - 1
                    or i == nx - 1
                    or not (core[j - 1, i] and core[j + 1, i] and core[j, i - 1] and core[j, i + 1])
                ):
                    worn[j, i] = False
        core = worn
    return core


@numba.njit(cache=True, nogil=True)
def _usual_radius(core: NDArray[np.bool_], x: Vector, y: Vector) -> float:
    """Median over sixteen directions of the mask's radius: a neck fills a few of them."""
    points = np.zeros(16)
    for j in range(len(y)):
        for i in range(len(x)):
            if core[j, i]:
                points[int(8 * (np.arctan2(y[j], x[i]) / np.pi + 1)) % 16] += 1
    return float(np.sqrt(16 * np.median(points) / np.pi) * (x[1] - x[0]))


@numba.njit(cache=True, nogil=True)
def darkness(values: Volume, inside: NDArray[np.bool_], x: Vector, y: Vector, size: float) -> Volume:
    """Share by which each inside point is darker than its slice's smooth pattern, -0.5 … 1; 0 outside."""
    nz, ny, nx = values.shape
    dark = np.zeros((nz, ny, nx), np.float32)
    terms = 11
    for k in range(nz):
        n = np.count_nonzero(inside[k])
        if n < 40:
            continue
        design, grey = np.empty((n, terms)), np.empty(n)
        place = np.empty((n, 2), np.int64)
        m = 0
        for j in range(ny):
            for i in range(nx):
                if inside[k, j, i]:
                    _pattern(x[i] / size, y[j] / size, design[m])
                    grey[m] = values[k, j, i]
                    place[m, 0], place[m, 1] = j, i
                    m += 1
        model = _fit_pattern(design, grey)
        for m in range(n):
            share = 1 - grey[m] / max(model[m], 0.3)
            dark[k, place[m, 0], place[m, 1]] = min(max(share, -0.5), 1.0)
    return dark


@numba.njit(cache=True, nogil=True)
def _pattern(u: float, v: float, row: Vector) -> None:
    """Terms of the smooth pattern at (u, v): 1, r², r⁴, r⁶, and harmonics 1, 2 and 4 of the direction."""
    r2 = u * u + v * v
    twice_c, twice_s = u * u - v * v, 2 * u * v  # r² times cosine and sine of twice the direction
    row[0], row[1], row[2], row[3] = 1.0, r2, r2 * r2, r2 * r2 * r2
    row[4], row[5] = u, v
    row[6], row[7] = twice_c, twice_s
    row[8], row[9] = r2 * twice_c, r2 * twice_s
    row[10] = twice_c * twice_c - twice_s * twice_s


@numba.njit(cache=True, nogil=True)
def _fit_pattern(design: NDArray[np.float64], grey: Vector) -> Vector:
    """The pattern's values; five rounds of least squares in which points well below it count a twentieth."""
    weight = np.ones(len(grey))
    model = grey.copy()
    for _ in range(5):
        weighted = design * weight.reshape(-1, 1)
        system = weighted.T @ design
        for i in range(system.shape[0]):
            system[i, i] += 1e-4
        model = design @ np.linalg.solve(system, weighted.T @ grey)
        off = grey - model
        spread = max(1.4826 * np.median(np.abs(off)), 0.004)
        same = True
        for m in range(len(grey)):
            new = 0.05 if off[m] < -1.5 * spread else (0.3 if off[m] > 3 * spread else 1.0)
            same &= new == weight[m]
            weight[m] = new
        if same:  # another round would give the same
            break
    return model


def _texture(dark: Volume, inside: NDArray[np.bool_], body: Body) -> float:
    """Standard deviation over the disc of a land's slices, worst slice of either land."""
    f = body.frame
    disc = body.ring < 0.3 * f.ball
    worst = 0.0
    for k in np.flatnonzero((np.abs(f.z) > 0.28 * f.ball) & (np.abs(f.z) < 0.4 * f.ball)):
        points = dark[k][inside[k] & disc]
        if len(points) > 40:
            worst = max(worst, float(points.std()))
    return worst


def _measure(
    body: Body,
    ends: tuple[float, float],
    largest_mm2: float,
    dark: Volume,
    inside: NDArray[np.bool_],
    texture: float,
) -> Cavities:
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
    whole[box] = void > 0
    interface = max(_interface(body, whole, ends[0], +1), _interface(body, whole, ends[1], -1))
    column = np.clip(dark - max(GROUND - 0.01, 0.5 * body.grain), 0, None).sum(axis=0) * f.dz
    cell = point * f.dz / (largest * f.ball)
    return Cavities(
        area_pct=100 * float((void > 0).any(axis=0).sum()) * point / largest,
        volume_pct=100 * _volume(void, f.dx, f.dz) / (FULLNESS * largest * (ends[1] - ends[0])),
        largest_pct=100 * _largest_shadow(void) * point / largest,
        interface_pct=interface,
        missing=float(np.clip(dark - GROUND, 0, None).sum()) * cell,
        clearly_missing=float(np.clip(dark - DARK, 0, None).sum()) * cell,
        deep=float((column > DEEP * f.ball).sum()) * point / largest,
        shallow=float((column > SHALLOW * f.ball).sum()) * point / largest,
        darkest=float(np.percentile(dark[inside], 99)),
        blob=_blob(dark, inside),
        texture=texture,
        mask=whole,
    )


def _blob(dark: Volume, inside: NDArray[np.bool_]) -> float:
    """Largest darkness averaged over a spot; points outside the solder do not count."""
    spot = blurred(dark, SPOT, reflect=False)
    share = blurred(inside.astype(np.float32), SPOT, reflect=False)
    return float(np.where(inside, spot / np.maximum(share, 0.3), 0).max())


def _cut_out(dark: Volume, limit: float) -> NDArray[np.int32]:
    """Labels of the cavities that are large and dark enough, each cut at SKIRT of its own darkest point."""
    label, found = ndimage.label(dark > 0.25 * limit)
    if not found:
        return np.asarray(label)
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
    return float(100 * inside[layer][:, disc].any(axis=0).mean()) if layer.any() else 0.0
