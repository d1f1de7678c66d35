"""Volumes of solids that meet or overlap, by parallel rays exact along z and regular across.

The sum over a lattice of vertical rays is exact in z, so only the lateral step matters: at 1/100 of the
joint's diameter the volume is good to about 1e-4.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.chords import (
    NECK,
    add_events,
    metal_in_events,
    neck_in_events,
    sort_events,
    work_arrays,
)
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.data_gen.shapes.solids import BODY, Floats, Solids

Marks = NDArray[np.int8]
Plane = tuple[float, float, float]
Grid = tuple[float, float, int, int]

EVERYWHERE: Plane = (0.0, 0.0, np.inf)
"""The half-plane 0 x + 0 y <= inf that holds every point."""


def shadow(solids: Solids) -> NDArray[np.float64]:
    """Bounding circle of each primitive seen along z: (k, 3) centre x, y and radius squared."""
    centres, radii = sd.shadow_circles(solids)
    return np.column_stack([centres, (radii * (1 + 1e-9) + 1e-12) ** 2])


def lattice(solids: Solids, step: float) -> Grid:
    """First x, y and number of columns in x and y of a lattice over the shadow of the BODY primitives."""
    lows, highs = sd.bounding_boxes(sd.of_role(solids, BODY))
    low = lows.min(axis=0)[:2]
    size = highs.max(axis=0)[:2] - low
    nx, ny = (int(n) for n in np.ceil(size / step))
    start = low + 0.5 * (size - np.array([nx - 1, ny - 1]) * step)
    return float(start[0]), float(start[1]), nx, ny


@njit(error_model="numpy", cache=True, nogil=True)
def _column_sum(matrix, origin, profile, ends, marks_of, shade, joined, plane, grid, step, times, marks):  # type: ignore[no-untyped-def]
    x0, y0, nx, ny = grid
    total = 0.0
    for iy in range(ny):
        y = y0 + iy * step
        for ix in range(nx):
            x = x0 + ix * step
            # A cell on the plane's edge counts by its part inside, exact for a plane along the lattice.
            share = min(max((plane[2] - plane[0] * x - plane[1] * y) / step + 0.5, 0.0), 1.0)
            if share == 0.0:
                continue
            n = 0
            for k in range(marks_of.shape[0]):
                if (x - shade[k, 0]) ** 2 + (y - shade[k, 1]) ** 2 < shade[k, 2] and n <= times.shape[0]:
                    n = add_events(
                        matrix,
                        origin,
                        profile,
                        ends,
                        k,
                        marks_of[k],
                        x,
                        y,
                        0.0,
                        0.0,
                        0.0,
                        1.0,
                        times,
                        marks,
                        n,
                    )
            if n > times.shape[0]:
                return np.nan
            sort_events(times, marks, n)
            total += share * (
                neck_in_events(times, marks, n, 0.0) if joined else metal_in_events(times, marks, n, 0.0)[0]
            )
    return total * step * step


@njit(error_model="numpy", cache=True, nogil=True)
def _column_change(matrix, origin, profile, ends, role, shade, smooth, grid, step, times, marks):  # type: ignore[no-untyped-def]
    """Metal less the chord of the first `smooth` primitives, summed over rays; rays that meet no others add 0."""
    x0, y0, nx, ny = grid
    rows = np.empty(role.shape[0], np.int64)
    total = 0.0
    for iy in range(ny):
        y = y0 + iy * step
        count, others = 0, 0
        for k in range(role.shape[0]):
            if (y - shade[k, 1]) ** 2 < shade[k, 2]:
                rows[count] = k
                count += 1
                others += k >= smooth
        if others == 0:
            continue
        for ix in range(nx):
            x = x0 + ix * step
            met = 0
            for r in range(count - 1, count - 1 - others, -1):
                met += (x - shade[rows[r], 0]) ** 2 + (y - shade[rows[r], 1]) ** 2 < shade[rows[r], 2]
            if met == 0:
                continue
            n, chord = 0, 0.0
            for r in range(count):
                k = rows[r]
                if (x - shade[k, 0]) ** 2 + (y - shade[k, 1]) ** 2 >= shade[k, 2]:
                    continue
                before = n
                n = add_events(
                    matrix, origin, profile, ends, k, role[k], x, y, 0.0, 0.0, 0.0, 1.0, times, marks, n
                )
                if n > times.shape[0]:
                    return np.nan
                if k < smooth:
                    for i in range(before, n, 2):
                        chord += times[i + 1] - times[i]
            sort_events(times, marks, n)
            total += metal_in_events(times, marks, n, 0.0)[0] - chord
    return total * step * step


def metal_change(solids: Solids, smooth: int, step: float, grid: Grid | None = None) -> float:
    """Metal in mm^3 less that of the first `smooth` primitives (disjoint BODY) alone, by rays `step` mm apart.

    Both are taken along the same rays, so the error is only that of what gas, gaps and bulges change.

    Args:
        solids: one joint.
        smooth: how many primitives are its outer shape.
        step: distance of the rays.
        grid: where they stand, see :func:`lattice`; None lays them over the joint.
    """
    times, marks = work_arrays()
    change = float(
        _column_change(
            solids.matrix, solids.origin, solids.profile, solids.ends, solids.role, shadow(solids), smooth,
            lattice(solids, step) if grid is None else grid, step, times, marks,
        )
    )  # fmt: skip
    if np.isnan(change):
        raise Infeasible("a vertical ray crosses more primitives of one joint than the work arrays hold")
    return change


def _quadrature(
    solids: Solids, marks_of: Marks, over: Solids, step: float, joined: bool, plane: Plane = EVERYWHERE
) -> float:
    times, marks = work_arrays()
    volume = float(
        _column_sum(
            solids.matrix, solids.origin, solids.profile, solids.ends, marks_of, shadow(solids), joined, plane,
            lattice(over, step), step, times, marks,
        )
    )  # fmt: skip
    if np.isnan(volume):
        raise Infeasible("a vertical ray crosses more primitives of one joint than the work arrays hold")
    return volume


def metal_volume(solids: Solids, step: float) -> float:
    """Metal of one joint in mm^3 by vertical rays `step` mm apart."""
    if solids.size == 0:
        return 0.0
    return _quadrature(solids, solids.role, solids, step, False)


def mid_plane(first: Floats, second: Floats) -> Plane:
    """The half-plane (nx, ny, c), nx x + ny y <= c, of all points nearer to the first of two points (x, y)."""
    normal = (second - first) / np.linalg.norm(second - first)
    return float(normal[0]), float(normal[1]), float(normal @ (first + second) / 2)


def neck_volume(neck: Solids, first: Solids, second: Solids, step: float, plane: Plane = EVERYWHERE) -> float:
    """Metal of a neck in mm^3 outside the BODY of both its joints, by vertical rays `step` mm apart.

    Args:
        neck, first, second: primitives of the neck and of its two joints.
        step: distance of the rays.
        plane: count only where nx x + ny y <= c (a joint's own side of the neck).
    """
    bodies = sd.join(sd.of_role(first, BODY), sd.of_role(second, BODY))
    marks_of = np.concatenate([np.full(neck.size, NECK, np.int8), bodies.role])
    return _quadrature(sd.join(neck, bodies), marks_of, neck, step, True, plane)
