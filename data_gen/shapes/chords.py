"""Lengths of rays inside closed-form solids: scalar functions, one source for float32 and float64.

A ray is p = e + t d with |d| = 1, so lengths are millimetres. The precision is that of the arrays
and ray numbers handed in: no literal here promotes float32. The functions hold no Python objects
and allocate nothing; the caller passes two work arrays of `WORK_EVENTS` (times and marks), which
also keeps the source fit for a CUDA compiler.

Accuracy in float32 rests on `approach`: every joint moves the ray's origin next to itself first.
A source 100 mm away would otherwise leave a quadratic that has lost the joint.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes.solids import BODY, GAP, KEEP, MIX, PATCH, VOID, Solids

WORK_EVENTS = 64
"""Size of the work arrays: a ray may enter and leave 32 primitives of one joint."""

NECK = 6
"""Mark of the neck's own primitives in `neck_length` (roles end at MIX = 5)."""

_BITS, _ENTRY = np.int64(6), np.int64(1)
"""Of a count of primitives of one role that a point of a ray lies in (32 at most), the roles' counts side by side."""

_BODIES, _VOIDS, _GAPS, _MIXES = (np.int64(63 << 6 * role) for role in (BODY, VOID, GAP, MIX))
_FILLED = np.int64(63 << 6 * KEEP | 63 << 6 * PATCH)

# Inlined without exception: handing some sixty array fields down three levels of calls cost as much as the chord.
_scalar = njit(error_model="numpy", cache=True, nogil=True, forceinline=True)
_row = njit(error_model="numpy", cache=True, nogil=True)


def work_arrays(dtype: Any = np.float64) -> tuple[NDArray[Any], NDArray[np.int8]]:
    """Fresh work arrays (times, marks) for one thread."""
    return np.empty(WORK_EVENTS, dtype), np.empty(WORK_EVENTS, np.int8)


@_scalar
def approach(ex, ey, ez, dx, dy, dz, cx, cy, cz):  # type: ignore[no-untyped-def]
    """The ray's point closest to (cx, cy, cz) and its squared distance: (x, y, z, distance^2)."""
    wx, wy, wz = ex - cx, ey - cy, ez - cz
    t = -(wx * dx + wy * dy + wz * dz)
    wx, wy, wz = wx + t * dx, wy + t * dy, wz + t * dz
    return cx + wx, cy + wy, cz + wz, wx * wx + wy * wy + wz * wz


@_scalar
def segment_intervals(matrix, origin, profile, ends, k, ex, ey, ez, dx, dy, dz):  # type: ignore[no-untyped-def]
    """Ray parameters (t0, t1, t2, t3) inside primitive k: [t0, t1] and [t2, t3], empty where t0 >= t1.

    The second interval exists only for a waist (c > 0) met so steeply that the ray leaves through
    the flank and comes back.
    """
    px, py, pz = ex - origin[k, 0], ey - origin[k, 1], ez - origin[k, 2]
    qx = matrix[k, 0, 0] * px + matrix[k, 0, 1] * py + matrix[k, 0, 2] * pz
    qy = matrix[k, 1, 0] * px + matrix[k, 1, 1] * py + matrix[k, 1, 2] * pz
    qz = matrix[k, 2, 0] * px + matrix[k, 2, 1] * py + matrix[k, 2, 2] * pz
    vx = matrix[k, 0, 0] * dx + matrix[k, 0, 1] * dy + matrix[k, 0, 2] * dz
    vy = matrix[k, 1, 0] * dx + matrix[k, 1, 1] * dy + matrix[k, 1, 2] * dz
    vz = matrix[k, 2, 0] * dx + matrix[k, 2, 1] * dy + matrix[k, 2, 2] * dz
    zero = ex - ex
    # The flank first, because most rays miss it: lead t^2 + 2 half t + rest <= 0.
    a, b, c = profile[k, 0], profile[k, 1], profile[k, 2]
    lead = vx * vx + vy * vy - c * vz * vz
    half = qx * vx + qy * vy - c * qz * vz - matrix.dtype.type(0.5) * b * vz
    rest = qx * qx + qy * qy - a - b * qz - c * qz * qz
    square = half * half - lead * rest
    if square <= zero and (lead > zero or (lead == zero and rest > zero)):
        return zero, zero, zero, zero
    # The slab between the two end planes.
    if vz != zero:
        lower, upper = (ends[k, 0] - qz) / vz, (ends[k, 1] - qz) / vz
        if lower > upper:
            lower, upper = upper, lower
    elif ends[k, 0] <= qz and qz <= ends[k, 1]:
        upper = matrix.dtype.type(math.inf)
        lower = -upper
    else:
        return zero, zero, zero, zero
    if square <= zero:
        return lower, upper, zero, zero
    # The sum of like signs never cancels; the other root follows from the product of the roots.
    # As lead goes to zero that far root runs off to infinity, which is the straight flank's truth.
    sum_of_like = -(half + math.copysign(math.sqrt(square), half))
    near, far = rest / sum_of_like, sum_of_like / lead
    if near > far:
        near, far = far, near
    if lead < zero:
        return lower, min(upper, near), max(lower, far), upper
    if lead == zero:
        # One root only: `far` carries a sign of infinity that 1/0 cannot know.
        edge = -rest / (half + half)
        if half > zero:
            return lower, min(upper, edge), zero, zero
        return max(lower, edge), upper, zero, zero
    return max(lower, near), min(upper, far), zero, zero


@_scalar
def _whole_intervals(a, half_b, c, low, high, qx, qy, qz, vx, vy, vz):  # type: ignore[no-untyped-def]
    """`segment_intervals` of a mapped ray without a branch; empty ones are zeros."""
    zero, tiny, unit = a - a, np.float32(1e-30), np.float32(1.0)
    lead = vx * vx + vy * vy - c * vz * vz
    # A ray along a straight flank has no roots; this one's lie far beyond the end planes.
    lead = tiny if lead == zero else lead
    slope = c * qz + half_b
    half = qx * vx + qy * vy - slope * vz
    rest = qx * qx + qy * qy - a - (slope + half_b) * qz
    square = half * half - lead * rest
    sum_of_like = -(half + math.copysign(math.sqrt(max(square, zero)), half))
    one, other = rest / sum_of_like, sum_of_like / lead
    near, far = min(one, other), max(one, other)
    over = unit / vz
    one, other = (low - qz) * over, (high - qz) * over
    lower, upper = min(one, other), max(one, other)
    closed, met = lead > zero, square > zero
    begin = max(lower, near) if closed else lower
    end = min(upper, far) if closed else (min(upper, near) if met else upper)
    some = (end > begin) & (met | (not closed))
    again = max(lower, far)
    more = (upper > again) & met & (not closed)
    return (
        begin if some else zero, end if some else zero, again if more else zero, upper if more else zero,
    )  # fmt: skip


@_row
def row_intervals(matrix, origin, profile, ends, k, source, centre, directions, first, n, out, at):  # type: ignore[no-untyped-def]
    """`segment_intervals` of n rays from one source into columns at… of out (4, …); empty ones are zeros.

    The same formulas in the same order, but without a branch, so that a compiler does eight rays at a time.
    Their directions are columns first… of (3, …); ray parameters count from the ray's point closest to `centre`,
    a point near the primitive.
    """
    m00, m01, m02 = matrix[k, 0, 0], matrix[k, 0, 1], matrix[k, 0, 2]
    m10, m11, m12 = matrix[k, 1, 0], matrix[k, 1, 1], matrix[k, 1, 2]
    m20, m21, m22 = matrix[k, 2, 0], matrix[k, 2, 1], matrix[k, 2, 2]
    a, half_b, c = profile[k, 0], matrix.dtype.type(0.5) * profile[k, 1], profile[k, 2]
    low, high = ends[k, 0], ends[k, 1]
    # From the primitive's origin to where the rays' parameters count from.
    ox, oy, oz = centre[0] - origin[k, 0], centre[1] - origin[k, 1], centre[2] - origin[k, 2]
    sx, sy, sz = source[0] - centre[0], source[1] - centre[1], source[2] - centre[2]
    # Slices of whole arrays: a slice of a slice has a stride that only the run knows, and nothing goes side by side.
    ray_x, ray_y = directions[0, first : first + n], directions[1, first : first + n]
    ray_z = directions[2, first : first + n]
    out0, out1, out2, out3 = (
        out[0, at : at + n],
        out[1, at : at + n],
        out[2, at : at + n],
        out[3, at : at + n],
    )
    # Most solids lean at most, so that x and y of their map come from z and one other number each.
    if m01 == 0 and m10 == 0 and m20 == 0 and m21 == 0:
        for i in range(n):
            dx, dy, dz = ray_x[i], ray_y[i], ray_z[i]
            t = -(sx * dx + sy * dy + sz * dz)
            px, py, pz = ox + (sx + t * dx), oy + (sy + t * dy), oz + (sz + t * dz)
            out0[i], out1[i], out2[i], out3[i] = _whole_intervals(
                a, half_b, c, low, high, m00 * px + m02 * pz, m11 * py + m12 * pz, m22 * pz,
                m00 * dx + m02 * dz, m11 * dy + m12 * dz, m22 * dz,
            )  # fmt: skip
        return
    for i in range(n):
        dx, dy, dz = ray_x[i], ray_y[i], ray_z[i]
        t = -(sx * dx + sy * dy + sz * dz)
        px, py, pz = ox + (sx + t * dx), oy + (sy + t * dy), oz + (sz + t * dz)
        out0[i], out1[i], out2[i], out3[i] = _whole_intervals(
            a, half_b, c, low, high, m00 * px + m01 * py + m02 * pz, m10 * px + m11 * py + m12 * pz,
            m20 * px + m21 * py + m22 * pz, m00 * dx + m01 * dy + m02 * dz, m10 * dx + m11 * dy + m12 * dz,
            m20 * dx + m21 * dy + m22 * dz,
        )  # fmt: skip


@_row
def interval_lengths(intervals, at, n, total):  # type: ignore[no-untyped-def]
    """Add the lengths of n rays' two intervals, columns at… of (4, …), to total (n,)."""
    t0, t1 = intervals[0, at : at + n], intervals[1, at : at + n]
    t2, t3 = intervals[2, at : at + n], intervals[3, at : at + n]
    for i in range(n):
        total[i] += (t1[i] - t0[i]) + (t3[i] - t2[i])


@_scalar
def add_events(matrix, origin, profile, ends, k, mark, ex, ey, ez, dx, dy, dz, times, marks, n):  # type: ignore[no-untyped-def]
    """Write the ray's entries (mark) and exits (~mark) of primitive k behind the first n events; new n.

    Returns a number above the size of the work arrays once they are full.
    """
    t0, t1, t2, t3 = segment_intervals(matrix, origin, profile, ends, k, ex, ey, ez, dx, dy, dz)
    for piece in range(2):
        begin, end = (t0, t1) if piece == 0 else (t2, t3)
        if end > begin:
            if n + 2 > times.shape[0]:
                return times.shape[0] + 1
            times[n], marks[n] = begin, mark
            times[n + 1], marks[n + 1] = end, ~mark
            n += 2
    return n


@_scalar
def sort_events(times, marks, n):  # type: ignore[no-untyped-def]
    """Sort the first n events by time, in place (insertion sort: n is small and half sorted)."""
    for i in range(1, n):
        t, m = times[i], marks[i]
        j = i - 1
        while j >= 0 and times[j] > t:
            times[j + 1], marks[j + 1] = times[j], marks[j]
            j -= 1
        times[j + 1], marks[j + 1] = t, m


@_scalar
def metal_in_events(times, marks, n, zero):  # type: ignore[no-untyped-def]
    """Length of metal along sorted events by the rule of the roles, and its part inside MIX; metal counts once."""
    total, second, inside = zero, zero, np.int64(0)
    for i in range(n):
        # All roles are counted in one number, for their order is a guess that a branch mostly gets wrong.
        cut = (inside & _GAPS) != 0 and (inside & _FILLED) == 0
        if (inside & _BODIES) != 0 and (inside & _VOIDS) == 0 and not cut:
            total += times[i] - times[i - 1]
            if (inside & _MIXES) != 0:
                second += times[i] - times[i - 1]
        mark = np.int64(marks[i])
        inside += _ENTRY << (_BITS * mark) if mark >= 0 else -(_ENTRY << (_BITS * ~mark))
    return total, second


@_scalar
def solder_length(matrix, origin, profile, ends, role, first, last, ex, ey, ez, dx, dy, dz, times, marks):  # type: ignore[no-untyped-def]
    """Length of metal of the joint held in rows first..last-1, and its part of the second alloy (inside MIX).

    NaN (both) if the ray crosses more primitives than the work arrays hold, so that it cannot pass unseen.
    Hand in a ray that `approach` has brought close; `joint_length` does both.
    """
    zero = ex - ex
    n = 0
    for k in range(first, last):
        n = add_events(matrix, origin, profile, ends, k, role[k], ex, ey, ez, dx, dy, dz, times, marks, n)
        if n > times.shape[0]:
            lost = matrix.dtype.type(math.nan)
            return lost, lost
    sort_events(times, marks, n)
    return metal_in_events(times, marks, n, zero)


@_scalar
def joint_length(  # type: ignore[no-untyped-def]
    matrix, origin, profile, ends, role, first, last, centre, radius, j,
    ex, ey, ez, dx, dy, dz, times, marks,
):  # fmt: skip
    """`solder_length` of joint j behind its bounding sphere centre[j], radius[j]: zeros if the ray misses it."""
    x, y, z, away = approach(ex, ey, ez, dx, dy, dz, centre[j, 0], centre[j, 1], centre[j, 2])
    if away >= radius[j] * radius[j]:
        return ex - ex, ex - ex
    return solder_length(matrix, origin, profile, ends, role, first, last, x, y, z, dx, dy, dz, times, marks)


@_scalar
def neck_in_events(times, marks, n, zero):  # type: ignore[no-untyped-def]
    """Length inside a neck and outside every BODY along sorted events."""
    neck, body = 0, 0
    total = zero
    for i in range(n):
        if neck > 0 and body == 0:
            total += times[i] - times[i - 1]
        step = 1
        mark = marks[i]
        if mark < 0:
            step, mark = -1, ~mark
        if mark == NECK:
            neck += step
        else:
            body += step
    return total


@_scalar
def neck_length(  # type: ignore[no-untyped-def]
    matrix, origin, profile, ends, role, first, last, i_first, i_last, j_first, j_last,
    ex, ey, ez, dx, dy, dz, times, marks,
):  # fmt: skip
    """Length in the neck of rows first..last-1 outside the BODY of its two joints' rows.

    What a neck has in common with its balls belongs to the balls, so their lengths add up to the union.
    """
    zero = ex - ex
    n = 0
    for k in range(first, last):
        n = add_events(matrix, origin, profile, ends, k, NECK, ex, ey, ez, dx, dy, dz, times, marks, n)
    if n == 0:
        return zero
    for side in range(2):
        begin, end = (i_first, i_last) if side == 0 else (j_first, j_last)
        for k in range(begin, end):
            if role[k] == BODY and n <= times.shape[0]:
                n = add_events(
                    matrix, origin, profile, ends, k, BODY, ex, ey, ez, dx, dy, dz, times, marks, n
                )
    if n > times.shape[0]:
        return matrix.dtype.type(math.nan)
    sort_events(times, marks, n)
    return neck_in_events(times, marks, n, zero)


@_scalar
def disjoint_length(matrix, origin, profile, ends, role, first, last, ex, ey, ez, dx, dy, dz):  # type: ignore[no-untyped-def]
    """Length in solids that never overlap (copper), a VOID lying wholly inside its own BODY: no sorting."""
    total = ex - ex
    for k in range(first, last):
        t0, t1, t2, t3 = segment_intervals(matrix, origin, profile, ends, k, ex, ey, ez, dx, dy, dz)
        length = ex - ex
        if t1 > t0:
            length += t1 - t0
        if t3 > t2:
            length += t3 - t2
        if role[k] == VOID:
            total -= length
        else:
            total += length
    return total


@_scalar
def box_length(low, high, k, ex, ey, ez, dx, dy, dz):  # type: ignore[no-untyped-def]
    """Length in the axis-aligned box low[k]..high[k] (arrays (m, 3), mm)."""
    zero = ex - ex
    end = low.dtype.type(math.inf)
    begin = -end
    for axis in range(3):
        e, d = (ex, dx) if axis == 0 else ((ey, dy) if axis == 1 else (ez, dz))
        if d == zero:
            if e <= low[k, axis] or e >= high[k, axis]:
                return zero
        else:
            one, other = (low[k, axis] - e) / d, (high[k, axis] - e) / d
            begin = max(begin, min(one, other))
            end = min(end, max(one, other))
    return end - begin if end > begin else zero


@_scalar
def _lengths(matrix, origin, profile, ends, role, starts, directions, times, marks, out):  # type: ignore[no-untyped-def]
    for i in range(starts.shape[0]):
        out[i, 0], out[i, 1] = solder_length(
            matrix, origin, profile, ends, role, 0, role.shape[0],
            starts[i, 0], starts[i, 1], starts[i, 2],
            directions[i, 0], directions[i, 1], directions[i, 2], times, marks,
        )  # fmt: skip


def metal_lengths(
    solids: Solids, starts: NDArray[Any], directions: NDArray[Any], dtype: Any = np.float64
) -> NDArray[Any]:
    """Metal length of each ray in one joint's solids, shape (n,), computed in the given precision.

    Both alloys together; :func:`alloy_lengths` tells them apart.

    Args:
        solids: one joint.
        starts: (n, 3) points on the rays in mm, best near the joint (see `approach`).
        directions: (n, 3) unit vectors.
        dtype: np.float32 or np.float64.

    Raises:
        ValueError: if a ray crosses more primitives than the work arrays hold.
    """
    return np.ascontiguousarray(alloy_lengths(solids, starts, directions, dtype)[:, 0])


def alloy_lengths(
    solids: Solids, starts: NDArray[Any], directions: NDArray[Any], dtype: Any = np.float64
) -> NDArray[Any]:
    """Metal length of each ray and its part of the second alloy, shape (n, 2); see :func:`metal_lengths`."""
    matrix, origin, profile, ends = (np.ascontiguousarray(array, dtype) for array in solids[:4])
    rays = np.ascontiguousarray(starts, dtype), np.ascontiguousarray(directions, dtype)
    times, marks = work_arrays(dtype)
    out = np.empty((len(starts), 2), dtype)
    _lengths(matrix, origin, profile, ends, solids.role, rays[0], rays[1], times, marks, out)
    if np.isnan(out).any():
        raise ValueError(f"a ray crosses more than {WORK_EVENTS // 2} primitives of one joint")
    return out
