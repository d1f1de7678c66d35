"""Volumes of solids that meet or overlap, by parallel rays exact along z and regular across.

The sum over a lattice of vertical rays is exact in z, so only the lateral step matters: at 1/100 of the
joint's diameter the volume is good to about 1e-4.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.chords import (
    NECK,
    metal_in_events,
    neck_in_events,
    sort_events,
    work_arrays,
)
from jointwise.data_gen.shapes.rows import ray_events, rays_across, row_met, row_work
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.data_gen.shapes.solids import BODY, Floats, Solids

Plane = tuple[float, float, float]
Grid = tuple[float, float, int, int]

CROWDED = "a vertical ray crosses more primitives of one joint than the work arrays hold"

EVERYWHERE: Plane = (0.0, 0.0, np.inf)
"""The half-plane 0 x + 0 y <= inf that holds every point."""


def shadow(solids: Solids, back: Floats | None = None) -> NDArray[np.float64]:
    """Bounding circle of each primitive seen along z: (k, 3) centre x, y and radius squared; `back`: inverse maps."""
    centres, radii = sd.shadow_circles(solids, back)
    return np.column_stack([centres, (radii * (1 + 1e-9) + 1e-12) ** 2])


def lattice(solids: Solids, step: float, back: Floats | None = None) -> Grid:
    """First x, y and number of columns in x and y of a lattice over the shadow of the BODY primitives."""
    x0, y0, x1, y1 = _plane_box(*sd.bounding_boxes(solids, back), solids.role)
    nx, ny = math.ceil((x1 - x0) / step), math.ceil((y1 - y0) / step)
    return x0 + 0.5 * ((x1 - x0) - (nx - 1) * step), y0 + 0.5 * ((y1 - y0) - (ny - 1) * step), nx, ny


@njit(error_model="numpy", cache=True, nogil=True)
def _column_sum(solids, role, shade, grid, step, times, marks):  # type: ignore[no-untyped-def]
    """Metal of one joint, summed over rays."""
    x0, y0, nx, ny = grid
    work, total = row_work(role.shape[0], nx), 0.0
    for iy in range(ny):
        y = y0 + iy * step
        count = row_met(solids, shade, 0, role.shape[0], x0, y, step, 0, nx, work, 0)
        for ix in range(nx):
            n = ray_events(work, count, ix, role, times, marks)
            if n > times.shape[0]:
                return np.nan
            sort_events(times, marks, n)
            total += metal_in_events(times, marks, n, 0.0)[0]
    return total * step * step


@njit(error_model="numpy", cache=True, nogil=True)
def _neck_sums(solids, marks_of, shade, necks, plane, grid, step, times, marks):  # type: ignore[no-untyped-def]
    """Neck outside all BODY, summed over rays: all of it, and its part on one side of a plane.

    The first `necks` primitives are the neck.
    """
    x0, y0, nx, ny = grid
    work, whole, part = row_work(marks_of.shape[0], nx), 0.0, 0.0
    for iy in range(ny):
        y = y0 + iy * step
        count = row_met(solids, shade, 0, necks, x0, y, step, 0, nx, work, 0)
        first, last = nx, 0
        for r in range(count):
            first, last = min(first, work[0][r, 1]), max(last, work[0][r, 2])
        if first >= last:
            continue
        count = row_met(solids, shade, necks, marks_of.shape[0], x0, y, step, first, last, work, count)
        for ix in range(first, last):
            n = ray_events(work, count, ix, marks_of, times, marks)
            if n > times.shape[0]:
                return np.nan, np.nan
            sort_events(times, marks, n)
            metal = neck_in_events(times, marks, n, 0.0)
            # A cell on the plane's edge counts by its part inside, exact for a plane along the lattice.
            x = x0 + ix * step
            share = min(max((plane[2] - plane[0] * x - plane[1] * y) / step + 0.5, 0.0), 1.0)
            whole += metal
            part += share * metal
    return whole * step * step, part * step * step


@njit(error_model="numpy", cache=True, nogil=True)
def _column_change(solids, role, shade, smooth, grid, step, times, marks):  # type: ignore[no-untyped-def]
    """Metal less the chord of the first `smooth` primitives, summed over rays; rays that meet no others add 0."""
    x0, y0, nx, ny = grid
    size = role.shape[0]
    work, total, met = row_work(size, nx), 0.0, np.empty(nx, np.bool_)
    numbers, pieces = work[0], work[1]
    for iy in range(ny):
        y = y0 + iy * step
        begin, end = nx, 0
        met[:] = False
        for k in range(smooth, size):
            away = (y - shade[k, 1]) ** 2
            first, last = rays_across(x0, step, nx, shade[k, 0], away, shade[k, 2])
            if first < last:
                met[first:last] = True
                begin, end = min(begin, first), max(end, last)
        if begin >= end:
            continue
        bodies = row_met(solids, shade, 0, smooth, x0, y, step, begin, end, work, 0)
        count = row_met(solids, shade, smooth, size, x0, y, step, begin, end, work, bodies)
        for ix in range(begin, end):
            if not met[ix]:
                continue
            n = ray_events(work, count, ix, role, times, marks)
            if n > times.shape[0]:
                return np.nan
            chord = 0.0
            for r in range(bodies):
                if numbers[r, 1] <= ix < numbers[r, 2]:
                    for piece in range(1 + numbers[r, 3]):
                        low, high = pieces[r, 2 * piece, ix], pieces[r, 2 * piece + 1, ix]
                        if high > low:
                            chord += high - low
            sort_events(times, marks, n)
            total += metal_in_events(times, marks, n, 0.0)[0] - chord
    return total * step * step


@njit(error_model="numpy", cache=True, nogil=True)
def _plane_box(lows, highs, role):  # type: ignore[no-untyped-def]
    """Least and greatest x and y of the boxes around BODY."""
    x0, y0, x1, y1 = np.inf, np.inf, -np.inf, -np.inf
    for k in range(role.shape[0]):
        if role[k] == BODY:
            x0, y0 = min(x0, lows[k, 0]), min(y0, lows[k, 1])
            x1, y1 = max(x1, highs[k, 0]), max(y1, highs[k, 1])
    return x0, y0, x1, y1


def metal_change(solids: Solids, smooth: int, step: float, grid: Grid | None = None) -> float:
    """Metal in mm^3 less that of the first `smooth` primitives (disjoint BODY) alone, by rays `step` mm apart.

    Both are taken along the same rays, so the error is only that of what gas, gaps and bulges change.

    Args:
        solids: one joint.
        smooth: how many primitives are its outer shape.
        step: distance of the rays.
        grid: where they stand, see :func:`lattice`; None lays them over the joint.
    """
    back = sd.inverses(solids.matrix)
    grid = lattice(solids, step, back) if grid is None else grid
    shade = shadow(solids, back)
    change = float(_column_change(solids[:4], solids.role, shade, smooth, grid, step, *work_arrays()))
    if np.isnan(change):
        raise Infeasible(CROWDED)
    return change


def metal_volume(solids: Solids, step: float) -> float:
    """Metal of one joint in mm^3 by vertical rays `step` mm apart."""
    if solids.size == 0:
        return 0.0
    grid = lattice(solids, step)
    volume = float(_column_sum(solids[:4], solids.role, shadow(solids), grid, step, *work_arrays()))
    if np.isnan(volume):
        raise Infeasible(CROWDED)
    return volume


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
    return neck_volumes(neck, first, second, step, plane)[1]


def neck_volumes(
    neck: Solids, first: Solids, second: Solids, step: float, plane: Plane
) -> tuple[float, float]:
    """All metal of a neck, and `neck_volume` of its part on one side of a plane, by the same rays."""
    bodies = sd.join(sd.of_role(first, BODY), sd.of_role(second, BODY))
    marks_of = np.concatenate([np.full(neck.size, NECK, np.int8), bodies.role])
    both = sd.join(neck, bodies)
    whole, part = _neck_sums(
        both[:4], marks_of, shadow(both), neck.size, plane, lattice(neck, step), step, *work_arrays()
    )
    if np.isnan(whole):
        raise Infeasible(CROWDED)
    return float(whole), float(part)
