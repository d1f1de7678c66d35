"""Closed-form solids: every body of the generator is an affine image of a segment of revolution.

One primitive is the set of points p with

    q = M (p - o),    s0 <= q_z <= s1,    q_x^2 + q_y^2 <= a + b q_z + c q_z^2

which holds spheres, ellipsoids, truncated spheres, cylinders, discs, cones, paraboloids and waists
(c > 0), about any axis, sheared or squashed. Lengths are millimetres; vectors are (x, y, z).
Everything else asks this module for inside or outside, volume and bounding sphere, and
`chords` for the piece of a ray inside.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

BODY, VOID, GAP, KEEP, PATCH, MIX = range(6)
"""Roles. Metal is BODY, less VOID, less the part of GAP that neither KEEP nor PATCH covers.

MIX takes no part in what is metal: metal inside it is of the board's second alloy (paste that differs from the balls).
"""


class Solids(NamedTuple):
    """k primitives as a struct of arrays.

    Attributes:
        matrix: (k, 3, 3) linear maps M from millimetres to the primitive's own coordinates.
        origin: (k, 3) points o in mm.
        profile: (k, 3) coefficients a, b, c of the squared radius.
        ends: (k, 2) lower and upper bound of q_z.
        role: (k,) one of BODY, VOID, GAP, KEEP, PATCH, MIX, as int8.
    """

    matrix: Floats
    origin: Floats
    profile: Floats
    ends: Floats
    role: NDArray[np.int8]

    @property
    def size(self) -> int:
        """Number of primitives."""
        return int(self.role.shape[0])


def empty() -> Solids:
    """No primitive at all, with arrays of the right shapes."""
    return Solids(
        np.zeros((0, 3, 3)), np.zeros((0, 3)), np.zeros((0, 3)), np.zeros((0, 2)), np.zeros(0, np.int8)
    )


def join(*parts: Solids) -> Solids:
    """The primitives of all parts in one struct, in the order given."""
    if not parts:
        return empty()
    return Solids(
        np.concatenate([p.matrix for p in parts]),
        np.concatenate([p.origin for p in parts]),
        np.concatenate([p.profile for p in parts]),
        np.concatenate([p.ends for p in parts]),
        np.concatenate([p.role for p in parts]),
    )


def select(solids: Solids, rows: NDArray[np.bool_] | NDArray[np.intp] | slice) -> Solids:
    """The chosen primitives, by mask, by index or by slice."""
    return Solids(
        solids.matrix[rows], solids.origin[rows], solids.profile[rows], solids.ends[rows], solids.role[rows]
    )


def of_role(solids: Solids, role: int) -> Solids:
    """The primitives that play the given role."""
    return select(solids, solids.role == role)


def segment(
    profile: ArrayLike,
    ends: ArrayLike,
    *,
    origin: ArrayLike = (0.0, 0.0, 0.0),
    matrix: ArrayLike | None = None,
    role: int = BODY,
) -> Solids:
    """One segment of revolution r^2 <= a + b z + c z^2 between two planes.

    Args:
        profile: a, b, c of the squared radius in the primitive's own coordinates.
        ends: s0, s1 with s0 <= s1.
        origin: point o in mm.
        matrix: 3x3 map M from mm to own coordinates; identity if left out (axis along z).
        role: BODY, VOID, GAP, KEEP, PATCH or MIX.
    """
    linear = np.eye(3) if matrix is None else np.asarray(matrix, float)
    return Solids(
        linear.reshape(1, 3, 3).copy(),
        np.asarray(origin, float).reshape(1, 3).copy(),
        np.asarray(profile, float).reshape(1, 3).copy(),
        np.asarray(ends, float).reshape(1, 2).copy(),
        np.array([role], np.int8),
    )


def sphere(centre: ArrayLike, radius: float, role: int = BODY) -> Solids:
    """A ball of the given radius in mm."""
    return segment((radius**2, 0.0, -1.0), (-radius, radius), origin=centre, role=role)


def ellipsoid(
    centre: ArrayLike, semi_axes: ArrayLike, rotation: ArrayLike | None = None, role: int = BODY
) -> Solids:
    """An ellipsoid with semi-axes in mm along the columns of `rotation` (x, y, z if left out)."""
    axes = np.eye(3) if rotation is None else np.asarray(rotation, float)
    matrix = np.diag(1.0 / np.asarray(semi_axes, float)) @ axes.T
    return segment((1.0, 0.0, -1.0), (-1.0, 1.0), origin=centre, matrix=matrix, role=role)


def cylinder(start: ArrayLike, end: ArrayLike, radius: float, role: int = BODY) -> Solids:
    """A right circular cylinder between two points in mm; a disc if they lie close together."""
    return cone(start, end, radius, radius, role)


def cone(
    start: ArrayLike, end: ArrayLike, radius_start: float, radius_end: float, role: int = BODY
) -> Solids:
    """A truncated cone with the given radii in mm at its two ends."""
    foot, tip = np.asarray(start, float), np.asarray(end, float)
    if radius_start == radius_end and tip[2] > foot[2] and foot[0] == tip[0] and foot[1] == tip[1]:
        profile = (radius_start**2, 0.0, 0.0)
        return segment(profile, (0.0, tip[2] - foot[2]), origin=foot, matrix=UPRIGHT, role=role)
    length = float(np.linalg.norm(tip - foot))
    slope = (radius_end - radius_start) / length
    profile = (radius_start**2, 2.0 * radius_start * slope, slope**2)
    return segment(profile, (0.0, length), origin=foot, matrix=axis_frame(tip - foot).T, role=role)


def cap(vertex: ArrayLike, radius: float, *, up: bool, depth: float | None = None, role: int = GAP) -> Solids:
    """A ball described from its lowest (`up`) or highest point, optionally cut `depth` mm from there.

    Written from the vertex, r^2 <= 2 R z - z^2, so that single precision keeps a surface of large
    radius to nanometres; from the centre the difference of two large squares would lose it.
    """
    reach = 2.0 * radius if depth is None else min(depth, 2.0 * radius)
    matrix = np.diag([1.0, 1.0, 1.0 if up else -1.0])
    return segment((0.0, 2.0 * radius, -1.0), (0.0, reach), origin=vertex, matrix=matrix, role=role)


def axis_frame(direction: ArrayLike) -> Floats:
    """A right-handed orthonormal frame, as columns, whose third axis is the given direction."""
    third = np.asarray(direction, float)
    third = third / np.linalg.norm(third)
    helper = np.zeros(3)
    helper[int(np.argmin(np.abs(third)))] = 1.0
    first = _cross(helper, third)
    first /= np.linalg.norm(first)
    return np.stack([first, _cross(third, first), third], axis=1)


def _cross(one: Floats, other: Floats) -> Floats:
    """The cross product of two vectors; numpy's costs twenty times as much."""
    (a, b, c), (u, v, w) = one.tolist(), other.tolist()
    return np.array([b * w - c * v, c * u - a * w, a * v - b * u])


UPRIGHT: Floats = axis_frame((0.0, 0.0, 1.0)).T
"""The map of an upright cylinder."""


def posts(places: ArrayLike, low: ArrayLike, high: ArrayLike, radii: ArrayLike, role: int = BODY) -> Solids:
    """Upright cylinders at places (k, 2), each between two heights and of its radius: `cylinder` of each of them."""
    xy = np.asarray(places, float).reshape(-1, 2)
    n = len(xy)
    origin, profile, ends = np.empty((n, 3)), np.zeros((n, 3)), np.zeros((n, 2))
    origin[:, :2], origin[:, 2] = xy, low
    profile[:, 0] = [radius**2 for radius in np.ravel(radii).tolist()]
    ends[:, 1] = np.asarray(high, float) - origin[:, 2]
    return Solids(np.tile(UPRIGHT, (n, 1, 1)), origin, profile, ends, np.full(n, role, np.int8))


def affine(solids: Solids, linear: ArrayLike, shift: ArrayLike = (0.0, 0.0, 0.0)) -> Solids:
    """The image of the solids under p -> linear @ p + shift (mm)."""
    image = np.asarray(linear, float)
    origin = solids.origin @ image.T + np.asarray(shift, float)
    return solids._replace(matrix=solids.matrix @ inverses(image[None])[0], origin=origin)


def moved(solids: Solids, shift: ArrayLike) -> Solids:
    """The solids displaced by `shift` mm."""
    return solids._replace(origin=solids.origin + np.asarray(shift, float))


def sheared(solids: Solids, slope_x: float, slope_y: float) -> Solids:
    """The solids with every layer z moved sideways by (slope_x, slope_y) z; volumes are kept."""
    if slope_x == 0.0 and slope_y == 0.0:
        return solids
    return affine(solids, [[1.0, 0.0, slope_x], [0.0, 1.0, slope_y], [0.0, 0.0, 1.0]])


def profile_volume(profile: ArrayLike, low: float, high: float) -> float:
    """pi times the integral of max(0, a + b z + c z^2) from low to high."""
    a, b, c = (float(v) for v in np.asarray(profile, float))
    cuts: list[float] = []
    if not _positive(a, b, c, low, high):
        roots = np.roots([c, b, a]) if (c or b) else np.zeros(0)
        cuts = [float(r.real) for r in roots if abs(r.imag) == 0.0 and low < r.real < high]
    knots = [low, *sorted(cuts), high]
    total = 0.0
    for z0, z1 in pairwise(knots):
        middle = 0.5 * (z0 + z1)
        if a + b * middle + c * middle**2 > 0.0:
            total += a * (z1 - z0) + b * (z1**2 - z0**2) / 2 + c * (z1**3 - z0**3) / 3
    return float(np.pi * total)


def _positive(a: float, b: float, c: float, low: float, high: float) -> bool:
    """Whether a + b z + c z^2 has no root from low to high, and is clear of zero there."""
    ends = [low, high]
    if c > 0.0 and low < -b / (2 * c) < high:
        ends.append(-b / (2 * c))
    scale = abs(a) + abs(b) * max(abs(low), abs(high)) + abs(c) * max(abs(low), abs(high)) ** 2
    return min(a + b * z + c * z**2 for z in ends) > 1e-9 * scale


def volumes(solids: Solids) -> Floats:
    """Volume of each primitive alone in mm^3, shape (k,), in closed form."""
    own = [profile_volume(p, e[0], e[1]) for p, e in zip(solids.profile, solids.ends, strict=True)]
    scale: Floats = np.abs(np.linalg.det(solids.matrix)).reshape(-1)
    return np.asarray(own, float) / scale


def inside(solids: Solids, points: ArrayLike) -> NDArray[np.bool_]:
    """Which points lie in which primitive, shape (k, n), for points (n, 3) in mm."""
    away = np.asarray(points, float)[None, :, :] - solids.origin[:, None, :]
    own = np.einsum("kij,knj->kni", solids.matrix, away)
    height = own[:, :, 2]
    a, b, c = (solids.profile[:, i : i + 1] for i in range(3))
    in_slab = (height >= solids.ends[:, :1]) & (height <= solids.ends[:, 1:])
    hits: NDArray[np.bool_] = in_slab & (
        own[:, :, 0] ** 2 + own[:, :, 1] ** 2 <= a + b * height + c * height**2
    )
    return hits


def metal_inside(solids: Solids, points: ArrayLike) -> NDArray[np.bool_]:
    """Which points are metal by the rule of the roles, shape (n,), for points (n, 3) in mm."""
    hits = inside(solids, points)
    body, void, gap, keep, patch = (hits[solids.role == r].any(axis=0) for r in range(5))
    metal: NDArray[np.bool_] = body & ~void & ~(gap & ~keep & ~patch)
    return metal


def inverses(matrix: Floats) -> Floats:
    """The inverse of each map (k, 3, 3), to the bit as `np.linalg.inv`, which the simple ones do not need."""
    back = np.zeros(matrix.shape)
    hard = _simple_inverses(np.ascontiguousarray(matrix), back)
    if hard.any():
        back[hard] = np.linalg.inv(matrix[hard])
    return back


@njit(error_model="numpy", cache=True, nogil=True)
def _simple_inverses(matrix, back):  # type: ignore[no-untyped-def]
    """Inverses of maps that stretch, shear along z and at most swap x and y; which ones (k,) are of another kind."""
    hard = np.zeros(matrix.shape[0], np.bool_)
    for k in range(matrix.shape[0]):
        m = matrix[k]
        straight = m[0, 1] == 0.0 and m[1, 0] == 0.0 and m[0, 0] != 0.0 and m[1, 1] != 0.0
        swapped = m[0, 0] == 0.0 and m[1, 1] == 0.0 and m[0, 1] != 0.0 and m[1, 0] != 0.0
        if m[2, 0] != 0.0 or m[2, 1] != 0.0 or m[2, 2] == 0.0 or not (straight or swapped):
            hard[k] = True
            continue
        up = 1.0 / m[2, 2]
        back[k, 2, 2] = up
        # Column of the first and of the second row's own number.
        one, other = (0, 1) if straight else (1, 0)
        first, second = 1.0 / m[0, one], 1.0 / m[1, other]
        back[k, one, 0], back[k, one, 2] = first, -(m[0, 2] * up) * first
        back[k, other, 1], back[k, other, 2] = second, -(m[1, 2] * up) * second
    return hard


def bounding_spheres(solids: Solids) -> tuple[Floats, Floats]:
    """A ball around each primitive: centres (k, 3) and radii (k,) in mm.

    Exact for spheres and right solids; the radius is an upper bound for sheared or squashed ones.
    """
    back = inverses(solids.matrix)
    middle, radius = _own_balls(solids.profile, solids.ends)
    return solids.origin + back[:, :, 2] * middle[:, None], _stretches(back) * radius


def _stretches(back: Floats) -> Floats:
    """Greatest stretch of each map."""
    # Where every row and column holds one number, the stretch is the largest of them.
    stretch: Floats = np.abs(back).max(axis=(1, 2), initial=0.0)
    alone = (back != 0.0).sum(axis=(1, 2)) == 3
    mixed = ~alone | (back[:, 2, 2] == 0.0)
    if mixed.any():
        stretch[mixed] = np.linalg.norm(back[mixed], ord=2, axis=(1, 2))
    return stretch


def shadow_circles(solids: Solids, back: Floats | None = None) -> tuple[Floats, Floats]:
    """A circle around each primitive's shadow along z: centres (k, 2) and radii (k,) in mm, as tight as the balls.

    `back` are the inverses of the solids' maps, where they are known already.
    """
    centres, radii = np.empty((solids.size, 2)), np.empty(solids.size)
    back = inverses(solids.matrix) if back is None else back
    _shadow_circles(back, solids.origin, solids.profile, solids.ends, centres, radii)
    return centres, radii


@njit(error_model="numpy", cache=True, nogil=True)
def _shadow_circles(back, origin, profile, ends, centres, radii):  # type: ignore[no-untyped-def]
    middle, radius = _own_balls(profile, ends)
    for k in range(back.shape[0]):
        p, q = back[k, 0], back[k, 1]
        xx = p[0] * p[0] + p[1] * p[1] + p[2] * p[2]
        yy = q[0] * q[0] + q[1] * q[1] + q[2] * q[2]
        xy = p[0] * q[0] + p[1] * q[1] + p[2] * q[2]
        # The larger eigenvalue of the map's 2x2 Gram matrix is its greatest stretch squared.
        stretch = math.sqrt(0.5 * (xx + yy) + math.hypot(0.5 * (xx - yy), xy))
        centres[k, 0] = origin[k, 0] + p[2] * middle[k]
        centres[k, 1] = origin[k, 1] + q[2] * middle[k]
        radii[k] = stretch * radius[k]


@njit(error_model="numpy", cache=True, nogil=True)
def _own_balls(profile, ends):  # type: ignore[no-untyped-def]
    """In each primitive's own coordinates: the middle of its axis, and the farthest it reaches from there."""
    middle, radius = np.empty(ends.shape[0]), np.empty(ends.shape[0])
    for k in range(ends.shape[0]):
        low, high = ends[k, 0], ends[k, 1]
        a, b, c = profile[k, 0], profile[k, 1], profile[k, 2]
        centre = 0.5 * (low + high)
        # Farthest rim point from the mid-point of the axis: a quadratic in z, largest at an end or its vertex.
        vertex = (2.0 * centre - b) / (2.0 * (c + 1.0)) if c + 1.0 < 0.0 else low
        farthest = 0.0
        for z in (low, high, min(max(vertex, low), high)):
            farthest = max(farthest, max(a + b * z + c * (z * z), 0.0) + (z - centre) * (z - centre))
        middle[k], radius[k] = centre, math.sqrt(farthest)
    return middle, radius


def bounding_boxes(solids: Solids, back: Floats | None = None) -> tuple[Floats, Floats]:
    """Axis-aligned boxes around each primitive: low and high corners, (k, 3) in mm; `back` as for `shadow_circles`."""
    lows, highs = np.empty((solids.size, 3)), np.empty((solids.size, 3))
    back = inverses(solids.matrix) if back is None else back
    _bounding_boxes(back, solids.origin, solids.profile, solids.ends, lows, highs)
    return lows, highs


@njit(error_model="numpy", cache=True, nogil=True)
def _bounding_boxes(back, origin, profile, ends, lows, highs):  # type: ignore[no-untyped-def]
    for k in range(back.shape[0]):
        low, high = ends[k, 0], ends[k, 1]
        a, b, c = profile[k, 0], profile[k, 1], profile[k, 2]
        vertex = -b / (2.0 * c) if c < 0.0 else low
        square = 0.0
        for z in (low, high, min(max(vertex, low), high)):
            square = max(square, a + b * z + c * (z * z))
        widest = math.sqrt(square)
        for i in range(3):
            centre = origin[k, i] + back[k, i, 2] * (0.5 * (low + high))
            reach = math.hypot(back[k, i, 0], back[k, i, 1]) * widest
            reach += abs(back[k, i, 2]) * (0.5 * (high - low))
            lows[k, i], highs[k, i] = centre - reach, centre + reach


def enclosing_sphere(solids: Solids) -> tuple[Floats, float]:
    """One ball (centre (3,), radius, mm) around all primitives; radius 0 if there are none."""
    return enclosing_spheres([solids])[0]


def enclosing_spheres(several: list[Solids]) -> list[tuple[Floats, float]]:
    """`enclosing_sphere` of each of several."""
    centres, radii = bounding_spheres(join(*several))
    ends = np.cumsum([0, *(solids.size for solids in several)]).tolist()
    return [_around(centres[i:j], radii[i:j]) for i, j in pairwise(ends)]


def _around(centres: Floats, radii: Floats) -> tuple[Floats, float]:
    """One ball around balls."""
    if len(radii) == 0:
        return np.zeros(3), 0.0
    low, high = (centres - radii[:, None]).min(axis=0), (centres + radii[:, None]).max(axis=0)
    middle = 0.5 * (low + high)
    return middle, float((np.linalg.norm(centres - middle, axis=1) + radii).max())
