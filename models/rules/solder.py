"""Which points of a joint are inside its outline: solder, and the holes in it.

Slice by slice what is brighter than half-way to the joint's surroundings, made round: holes filled, voids that open to
the flank too, necks and neighbours cut off.
"""

from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.edges import Body, Vector, Volume
from jointwise.models.rules.ranks import quantile

Box = tuple[slice, slice, slice]

HIGH: Final = 0.4
"""Half of the height looked at, in ball diameters: up to the lands."""
RIM: Final = 2
"""Grid steps left out along the outline, where blur and not voids make it dark."""
NECK_OFF: Final = 1.0
"""Radius beyond which a slice's solder belongs to a neck, in usual radii of the slice."""
OPEN_TO: Final = 0.75
"""Radius within which a slice is solder or void, in usual radii, even where a void opens to the flank."""


def solder_mask(body: Body) -> NDArray[np.bool_]:
    """(z, y, x) points inside the joint's outline, holes filled, RIM steps from its edge; no neck, no neighbour."""
    masks, box = boxed_mask(body)
    mask = np.zeros(body.smooth.shape, np.bool_)
    mask[box] = masks
    return mask


def boxed_mask(body: Body) -> tuple[NDArray[np.bool_], Box]:
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
