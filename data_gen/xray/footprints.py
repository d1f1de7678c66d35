"""Rays of a detector, and the few pixels whose rays can meet a solid.

Scalar numba functions of one source for float32 and float64, inlined into the projector. A view is given by its
frame (4, 3) in the board's frame: source, direction of columns, direction of rows, direction to the detector.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes.scene import Packed
from jointwise.data_gen.shapes.solids import Floats, Solids, bounding_spheres

_inner = njit(error_model="numpy", cache=True, nogil=True)


class Plate(NamedTuple):
    """What the kernel needs of the detector, in the kernel's precision."""

    u: NDArray[Any]
    v: NDArray[Any]
    pixel: Any
    distance: Any
    sub: int


def bounds(packed: Packed) -> tuple[NDArray[Any], NDArray[Any]]:
    """Bounding balls (k, 4), centre and radius, and box corners (k, 8, 3) of all primitives.

    Both a little large, so that rounding hides nothing.
    """
    matrix, origin, profile, ends = (np.asarray(a, np.float64) for a in packed[:4])
    rows = Solids(matrix, origin, profile, ends, packed.role)
    centres, radii = bounding_spheres(rows)
    balls = np.column_stack([centres, radii * (1.0 + 1e-5) + 1e-5])
    real = packed.matrix.dtype
    return balls.astype(real), np.ascontiguousarray(box_corners(rows), real)


def box_corners(solids: Solids) -> Floats:
    """Corners (k, 8, 3) in mm of the box around each primitive in its own coordinates."""
    a, b, c = solids.profile.T
    low, high = solids.ends.T
    with np.errstate(divide="ignore", invalid="ignore"):
        vertex = np.where(c < 0.0, -b / (2.0 * c), low)
    squares = [a + b * z + c * z * z for z in (low, high, np.clip(vertex, low, high))]
    radius = np.sqrt(np.maximum(np.max(squares, axis=0), 0.0)) * (1.0 + 1e-5)
    signs = np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (0, 1)], float)
    z = np.where(signs[None, :, 2] > 0, high[:, None], low[:, None])
    own = np.stack([signs[None, :, 0] * radius[:, None], signs[None, :, 1] * radius[:, None], z], axis=-1)
    back = np.linalg.inv(solids.matrix) if solids.size else solids.matrix
    return np.asarray(np.einsum("kij,knj->kni", back, own) + solids.origin[:, None, :])


@_inner
def depth_of(frame, centre):  # type: ignore[no-untyped-def]
    """Distance of a point from the source along the line to the detector."""
    wx, wy, wz = centre[0] - frame[0, 0], centre[1] - frame[0, 1], centre[2] - frame[0, 2]
    return wx * frame[3, 0] + wy * frame[3, 1] + wz * frame[3, 2]


@_inner
def footprint(centre, radius, frame, plate):  # type: ignore[no-untyped-def]
    """Rows and columns (first, last + 1 of each) that a ball may touch: tangent planes through the source."""
    wx, wy, wz = centre[0] - frame[0, 0], centre[1] - frame[0, 1], centre[2] - frame[0, 2]
    depth, zero = depth_of(frame, centre), radius - radius
    if depth <= radius or radius <= zero:
        return 0, 0, 0, 0
    a = wx * frame[1, 0] + wy * frame[1, 1] + wz * frame[1, 2]
    b = wx * frame[2, 0] + wy * frame[2, 1] + wz * frame[2, 2]
    r0, r1 = _shadow(b, depth, radius, plate.v, plate)
    c0, c1 = _shadow(a, depth, radius, plate.u, plate)
    return r0, r1, c0, c1


@_inner
def _shadow(side, depth, radius, positions, plate):  # type: ignore[no-untyped-def]
    """First and last + 1 pixel of a ball's shadow along one detector axis."""
    spread = radius * math.sqrt(side * side + depth * depth - radius * radius)
    scale = plate.distance / (depth * depth - radius * radius)
    return _span(scale * (side * depth - spread), scale * (side * depth + spread), positions, plate)


@_inner
def _span(low, high, positions, plate):  # type: ignore[no-untyped-def]
    """First and last + 1 pixel whose area may reach into low..high on one detector axis."""
    first = math.floor((low - positions[0]) / plate.pixel)
    last = math.ceil((high - positions[0]) / plate.pixel) + 1
    return max(0, first), min(positions.shape[0], last)


@_inner
def outline(corners, begin, end, frame, plate):  # type: ignore[no-untyped-def]
    """Rows and columns (first, last + 1 of each) under the boxes of primitives begin..end-1.

    Tight for thin discs and long traces, whose bounding balls are mostly empty.
    """
    big = plate.u.dtype.type(1e30)
    low_u, high_u, low_v, high_v = big, -big, big, -big
    for n in range(8 * begin, 8 * end):
        corner = corners[n // 8, n % 8]
        depth = depth_of(frame, corner)
        if depth <= depth - depth:
            return 0, plate.v.shape[0], 0, plate.u.shape[0]
        wx, wy, wz = corner[0] - frame[0, 0], corner[1] - frame[0, 1], corner[2] - frame[0, 2]
        scale = plate.distance / depth
        u = scale * (wx * frame[1, 0] + wy * frame[1, 1] + wz * frame[1, 2])
        v = scale * (wx * frame[2, 0] + wy * frame[2, 1] + wz * frame[2, 2])
        low_u, high_u = min(low_u, u), max(high_u, u)
        low_v, high_v = min(low_v, v), max(high_v, v)
    r0, r1 = _span(low_v, high_v, plate.v, plate)
    c0, c1 = _span(low_u, high_u, plate.u, plate)
    return r0, r1, c0, c1


@_inner
def ray_direction(frame, plate, row, column, ray, rays):  # type: ignore[no-untyped-def]
    """Unit direction of sub-ray `ray` out of `rays` of a pixel."""
    u, v = plate.u[column], plate.v[row]
    if rays > 1:
        half = plate.u.dtype.type(0.5)
        step = plate.pixel / plate.u.dtype.type(plate.sub)
        middle = plate.u.dtype.type(plate.sub - 1) * half
        u += (plate.u.dtype.type(ray % plate.sub) - middle) * step
        v += (plate.u.dtype.type(ray // plate.sub) - middle) * step
    return towards(frame, plate.distance, u, v)


@_inner
def towards(frame, distance, u, v):  # type: ignore[no-untyped-def]
    """Unit direction from the source to the point (u, v) of the detector."""
    x = distance * frame[3, 0] + u * frame[1, 0] + v * frame[2, 0]
    y = distance * frame[3, 1] + u * frame[1, 1] + v * frame[2, 1]
    z = distance * frame[3, 2] + u * frame[1, 2] + v * frame[2, 2]
    inverse = frame.dtype.type(1.0) / math.sqrt(x * x + y * y + z * z)
    return x * inverse, y * inverse, z * inverse


@_inner
def row_directions(frame, plate, near, row, first, out):  # type: ignore[no-untyped-def]
    """Unit directions (3, …) of all rays of a row, one after the other, and the first ray of each column.

    A pixel has its sub-rays where `near` marks it, else one. The same numbers as `ray_direction`, several at a time.
    """
    one, half = plate.u.dtype.type(1.0), plate.u.dtype.type(0.5)
    step, middle = plate.pixel / plate.u.dtype.type(plate.sub), plate.u.dtype.type(plate.sub - 1) * half
    n = 0
    if plate.sub == 1:
        n = plate.u.shape[0]
        for column in range(n):
            first[column] = column
            out[0, column], out[1, column] = plate.u[column], plate.v[row]
    for column in range(n, plate.u.shape[0]):
        first[column] = n
        u, v = plate.u[column], plate.v[row]
        if near[row, column]:
            for ray in range(plate.sub * plate.sub):
                out[0, n] = u + (plate.u.dtype.type(ray % plate.sub) - middle) * step
                out[1, n] = v + (plate.u.dtype.type(ray // plate.sub) - middle) * step
                n += 1
        else:
            out[0, n], out[1, n] = u, v
            n += 1
    first[plate.u.shape[0]] = n
    x0, y0, z0 = plate.distance * frame[3, 0], plate.distance * frame[3, 1], plate.distance * frame[3, 2]
    ux, uy, uz = frame[1, 0], frame[1, 1], frame[1, 2]
    vx, vy, vz = frame[2, 0], frame[2, 1], frame[2, 2]
    out_x, out_y, out_z = out[0], out[1], out[2]
    for i in range(n):
        u, v = out_x[i], out_y[i]
        x, y, z = x0 + u * ux + v * vx, y0 + u * uy + v * vy, z0 + u * uz + v * vz
        inverse = one / math.sqrt(x * x + y * y + z * z)
        out_x[i], out_y[i], out_z[i] = x * inverse, y * inverse, z * inverse
