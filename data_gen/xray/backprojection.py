"""Adding filtered views to runs of voxels: numba kernels of the reconstruction."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_DRIFT = np.float32(0.1)
"""Voxels may be this much longer or shorter than rows for `spread_line`'s quick way to pay."""


@njit(error_model="numpy", cache=True, nogil=True)
def upright(filtered, sines, cosines, distance, step, share, runs, origin, spacing, volume):  # type: ignore[no-untyped-def]
    """The axis in the board's plane: runs of voxels lie along it."""
    line = np.empty(filtered.shape[2] + 1, np.float32)
    for n in range(runs.shape[0]):
        z, x, first, last = runs[n, 0], runs[n, 1], runs[n, 2], runs[n, 3]
        _backproject_run(
            filtered, sines, cosines, distance, step, share,
            origin[0] + x * spacing[0], origin[1] + first * spacing[1], origin[2] + z * spacing[2], spacing[1],
            volume[z, x, first:last], line,
        )  # fmt: skip


@njit(error_model="numpy", cache=True, nogil=True)
def _backproject_run(filtered, sines, cosines, distance, step, share, px, py, pz, spacing, out, line):  # type: ignore[no-untyped-def]
    """One run of voxels along the axis: a view's column and weight are the same for all of it, rows are linear."""
    columns, rows = filtered.shape[1], filtered.shape[2]
    middle_column, middle_row = 0.5 * (columns - 1), 0.5 * (rows - 1)
    for view in range(filtered.shape[0]):
        depth = (distance - (px * sines[view] + pz * cosines[view])) / distance
        column = (px * cosines[view] - pz * sines[view]) / (depth * step) + middle_column
        if not 0.0 <= column <= columns - 1.0:
            continue
        slope = spacing / (depth * step)
        start = py / (depth * step) + middle_row
        # Voxels whose row lies on the detector, and the detector rows they touch.
        begin = max(0, math.ceil(-start / slope))
        end = min(out.shape[0], math.floor((rows - 1.0 - start) / slope) + 1)
        if end <= begin:
            continue
        low = min(max(int(start + begin * slope), 0), rows - 1)
        high = min(int(start + (end - 1) * slope) + 2, rows)
        c0 = min(int(column), columns - 2)
        right = np.float32((column - c0) * share / (depth * depth))
        left = np.float32(share / (depth * depth)) - right
        one, other = filtered[view, c0, low:high], filtered[view, c0 + 1, low:high]
        size = np.uint32(high - low)
        for k in range(size):
            line[k] = left * one[k] + right * other[k]
        line[size] = line[size - np.uint32(1)]
        spread_line(
            line, np.float32(start + begin * slope - low), np.float32(slope), out[begin:end], high - low
        )


@njit(error_model="numpy", cache=True, nogil=True)
def spread_line(line, start, slope, out, size):  # type: ignore[no-untyped-def]
    """out[j] += line at start + j·slope, linear.

    Voxels are about as long as detector rows, so for many of them in turn the row steps by one: they read `line`
    one place after the other, a third of the work of looking each place up. Unsigned indices let loops vectorise.
    """
    drift, j = slope - np.float32(1), 0
    if abs(drift) > _DRIFT:
        look_up_line(line, start, slope, out, size)
        return
    while j < out.shape[0]:
        row = start + np.float32(j) * slope
        k = min(max(int(row), 0), size - 1)
        f = row - np.float32(k)
        # How many voxels stay between the rows they would reach by whole steps.
        count = min(out.shape[0] - j, size - k)
        if drift > 0:
            count = min(count, int((np.float32(1) - f) / drift) + 1)
        elif drift < 0:
            count = min(count, int(f / -drift) + 1)
        count = max(count, 1)
        at, to = np.uint64(k), np.uint64(j)
        for m in range(np.uint64(count)):
            g = f + np.float32(np.int32(m)) * drift
            out[to + m] += line[at + m] + g * (line[at + m + np.uint64(1)] - line[at + m])
        j += count


@njit(error_model="numpy", cache=True, nogil=True)
def look_up_line(line, start, slope, out, size):  # type: ignore[no-untyped-def]
    """`spread_line` for any slope."""
    last = np.float32(size)
    for j in range(np.uint32(out.shape[0])):
        row = min(max(start + np.float32(j) * slope, np.float32(0)), last - np.float32(1))
        k = np.uint32(row)
        f = row - np.float32(k)
        out[j] += line[k] + f * (line[k + np.uint32(1)] - line[k])


@njit(error_model="numpy", cache=True, nogil=True)
def any_mount(filtered, frames, distance, step, share, runs, origin, spacing, volume):  # type: ignore[no-untyped-def]
    """Any mount: column, row and weight of each voxel by themselves, bilinear on the detector."""
    columns, rows = filtered.shape[1], filtered.shape[2]
    place, start, slope = np.empty(3), np.empty(3, np.float32), np.empty(3, np.float32)
    for n in range(runs.shape[0]):
        z, x, first, last = runs[n, 0], runs[n, 1], runs[n, 2], runs[n, 3]
        out = volume[z, x, first:last]
        place[0] = origin[0] + x * spacing[0]
        place[1] = origin[1] + first * spacing[1]
        place[2] = origin[2] + z * spacing[2]
        for view in range(filtered.shape[0]):
            # Along the run u, v and depth (all over the source's distance from the axis) are linear in the index.
            for axis in range(3):
                total = 0.0
                for k in range(3):
                    total += (place[k] - frames[view, 0, k]) * frames[view, axis + 1, k]
                scale = 1.0 / distance if axis == 2 else 1.0 / step
                start[axis] = np.float32(total * scale)
                slope[axis] = np.float32(spacing[1] * frames[view, axis + 1, 1] * scale)
            _spread_run(
                filtered[view], start, slope, np.float32(0.5 * (columns - 1)), np.float32(0.5 * (rows - 1)),
                np.float32(share), out,
            )  # fmt: skip


@njit(error_model="numpy", cache=True, nogil=True)
def _spread_run(view, start, slope, middle_column, middle_row, share, out):  # type: ignore[no-untyped-def]
    """Add one view to one run of voxels; voxels whose ray misses the detector get nothing."""
    zero, one = np.float32(0), np.float32(1)
    columns, rows = view.shape[0], view.shape[1]
    for j in range(out.shape[0]):
        at = np.float32(j)
        inverse = one / (start[2] + at * slope[2])
        column = (start[0] + at * slope[0]) * inverse + middle_column
        row = (start[1] + at * slope[1]) * inverse + middle_row
        if zero <= column <= middle_column + middle_column and zero <= row <= middle_row + middle_row:
            c = min(np.uint32(column), np.uint32(columns - 2))
            r = min(np.uint32(row), np.uint32(rows - 2))
            f, g = column - np.float32(c), row - np.float32(r)
            left = view[c, r] + g * (view[c, r + np.uint32(1)] - view[c, r])
            right = view[c + np.uint32(1), r] + g * (
                view[c + np.uint32(1), r + np.uint32(1)] - view[c + np.uint32(1), r]
            )
            out[j] += share * inverse * inverse * (left + f * (right - left))
