"""Rows of vertical rays: intervals of many rays at once in one primitive, and rows kept to the rays that meet it.

A ray alone waits for its root and its quotients; a row of them is worked out side by side, without a branch.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

BESIDE = 8
"""Rays worked out side by side: a row is filled up with rays that nobody asks for, since single ones cost as much."""

_inner = njit(error_model="numpy", cache=True, nogil=True)


@_inner
def rays_across(x0, step, n, middle, away, square):  # type: ignore[no-untyped-def]
    """First ray, and last + 1, of those at x = x0 + i step, 0 <= i < n, with (x - middle)^2 + away < square."""
    if not away < square:
        return 0, 0
    half = math.sqrt(square - away)
    first = min(max(int(math.floor((middle - half - x0) / step)) - 1, 0), n)  # noqa: RUF046
    last = max(min(int(math.ceil((middle + half - x0) / step)) + 2, n), first)  # noqa: RUF046
    while first < last and not (x0 + first * step - middle) ** 2 + away < square:
        first += 1
    while last > first and not (x0 + (last - 1) * step - middle) ** 2 + away < square:
        last -= 1
    return first, last


@_inner
def filled_up(first, last):  # type: ignore[no-untyped-def]
    """The last ray + 1 of the whole blocks of BESIDE rays that begin with the first one."""
    return first + (last - first + BESIDE - 1) // BESIDE * BESIDE


@_inner
def row_forms(matrix, origin, profile, k, x0, y, step, first, last, half, rest, height):  # type: ignore[no-untyped-def]
    """What `row_pieces` takes of the rays first..last-1 at x = x0 + i step and y; returns lead and rise.

    The flank is lead t^2 + 2 half t + rest <= 0, the height in own coordinates height + rise t. Products and sums
    are in the order of `chords.segment_intervals`, so that the intervals are the same to the bit.
    """
    m00, m10, m20 = matrix[k, 0, 0], matrix[k, 1, 0], matrix[k, 2, 0]
    vx, vy, vz = matrix[k, 0, 2], matrix[k, 1, 2], matrix[k, 2, 2]
    a, b, c = profile[k, 0], profile[k, 1], profile[k, 2]
    ox, py, pz = origin[k, 0], y - origin[k, 1], 0.0 - origin[k, 2]
    xy, yy, zy = matrix[k, 0, 1] * py, matrix[k, 1, 1] * py, matrix[k, 2, 1] * py
    xz, yz, zz = vx * pz, vy * pz, vz * pz
    n = filled_up(first, last) - first
    half, rest, height = half[first : first + n], rest[first : first + n], height[first : first + n]
    for i in range(n):
        px = (x0 + (first + i) * step) - ox
        qx, qy, qz = m00 * px + xy + xz, m10 * px + yy + yz, m20 * px + zy + zz
        half[i] = qx * vx + qy * vy - c * qz * vz - 0.5 * b * vz
        rest[i] = qx * qx + qy * qy - a - b * qz - c * qz * qz
        height[i] = qz
    return vx * vx + vy * vy - c * vz * vz, vz


@_inner
def row_pieces(lead, rise, low, high, half, rest, height, first, last, out):  # type: ignore[no-untyped-def]
    """Intervals (4, rays) of the rays first..last-1 between two end planes; whether any ray has a second interval.

    As `chords.segment_intervals`: [out0, out1] and [out2, out3], empty where they do not rise. Of out2 and out3
    nothing is written where there is no second interval.
    """
    n = filled_up(first, last) - first
    # Slices from the first ray on: an index that might be negative keeps a compiler from taking rays side by side.
    half, rest, height = half[first : first + n], rest[first : first + n], height[first : first + n]
    begin, end = out[0, first : first + n], out[1, first : first + n]
    if rise == 0.0 or lead == 0.0:
        for i in range(last - first):
            begin[i], end[i] = _level_or_straight(lead, rise, low, high, half[i], rest[i], height[i])
        return False
    bottom, top = (low, high) if rise > 0.0 else (high, low)
    if lead > 0.0:
        for i in range(n):
            square = half[i] * half[i] - lead * rest[i]
            like = -(half[i] + math.copysign(math.sqrt(max(square, 0.0)), half[i]))
            one, other = rest[i] / like, like / lead
            lower, upper = (bottom - height[i]) / rise, (top - height[i]) / rise
            met = square > 0.0
            begin[i] = max(lower, min(one, other)) if met else 0.0
            end[i] = min(upper, max(one, other)) if met else 0.0
        return False
    again, last_end = out[2, first : first + n], out[3, first : first + n]
    for i in range(n):
        square = half[i] * half[i] - lead * rest[i]
        like = -(half[i] + math.copysign(math.sqrt(max(square, 0.0)), half[i]))
        one, other = rest[i] / like, like / lead
        lower, upper = (bottom - height[i]) / rise, (top - height[i]) / rise
        met = square > 0.0
        begin[i], end[i] = lower, min(upper, min(one, other)) if met else upper
        again[i] = max(lower, max(one, other)) if met else 0.0
        last_end[i] = upper if met else 0.0
    return True


@_inner
def _level_or_straight(lead, rise, low, high, half, rest, height):  # type: ignore[no-untyped-def]
    """The interval of one ray that runs level in own coordinates, or along a straight flank."""
    square = half * half - lead * rest
    if square <= 0.0 and (lead > 0.0 or (lead == 0.0 and rest > 0.0)):
        return 0.0, 0.0
    if rise != 0.0:
        lower, upper = (low - height) / rise, (high - height) / rise
        if lower > upper:
            lower, upper = upper, lower
    elif low <= height <= high:
        lower, upper = -np.inf, np.inf
    else:
        return 0.0, 0.0
    if square <= 0.0:
        return lower, upper
    if lead == 0.0:
        edge = -rest / (half + half)
        return (lower, min(upper, edge)) if half > 0.0 else (max(lower, edge), upper)
    like = -(half + math.copysign(math.sqrt(square), half))
    near, far = rest / like, like / lead
    if near > far:
        near, far = far, near
    return max(lower, near), min(upper, far)


@_inner
def row_work(primitives, rays):  # type: ignore[no-untyped-def]
    """Work arrays of `row_met`: of each primitive number, first ray, last + 1, whether twice; intervals; forms."""
    return (
        np.empty((primitives, 4), np.int64),
        np.empty((primitives, 4, rays + BESIDE)),
        np.empty((3, rays + BESIDE)),
    )


@_inner
def row_met(solids, shade, first_k, last_k, x0, y, step, begin, end, work, count):  # type: ignore[no-untyped-def]
    """Write the intervals of a row's rays in some primitives behind those of the first `count` in work.

    Args:
        solids: matrix, origin, profile and ends; shade: their bounding circles seen along z.
        first_k, last_k: which primitives (last_k is the last + 1); those whose circle no ray meets are left out.
        x0, y, step: rays stand at x = x0 + i step.
        begin, end: first ray and last + 1 that are asked for.
        work, count: see `row_work`; how many primitives it holds already.

    Returns:
        How many there are now.
    """
    matrix, origin, profile, ends = solids
    numbers, pieces, forms = work
    for k in range(first_k, last_k):
        away = (y - shade[k, 1]) ** 2
        first, last = rays_across(x0, step, end, shade[k, 0], away, shade[k, 2])
        first = max(first, begin)
        if first >= last:
            continue
        lead, rise = row_forms(
            matrix, origin, profile, k, x0, y, step, first, last, forms[0], forms[1], forms[2]
        )
        twice = row_pieces(
            lead, rise, ends[k, 0], ends[k, 1], forms[0], forms[1], forms[2], first, last, pieces[count]
        )
        numbers[count, 0], numbers[count, 1], numbers[count, 2], numbers[count, 3] = k, first, last, twice
        count += 1
    return count


@_inner
def ray_events(work, count, i, marks_of, times, marks):  # type: ignore[no-untyped-def]
    """What ray i of a row enters (mark) and leaves (~mark), in the order of the primitives; how many events.

    More than the work arrays hold where they are full.
    """
    numbers, pieces = work[0], work[1]
    n = 0
    for r in range(count):
        if i < numbers[r, 1] or i >= numbers[r, 2]:
            continue
        mark = marks_of[numbers[r, 0]]
        for piece in range(1 + numbers[r, 3]):
            begin, end = pieces[r, 2 * piece, i], pieces[r, 2 * piece + 1, i]
            if end > begin:
                if n + 2 > times.shape[0]:
                    return times.shape[0] + 1
                times[n], marks[n] = begin, mark
                times[n + 1], marks[n + 1] = end, ~mark
                n += 2
    return n
