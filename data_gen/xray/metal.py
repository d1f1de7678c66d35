"""Lengths of metal along one row of rays: solder, copper and second alloy.

All rays of a detector row lie side by side. Every primitive writes the pieces of the rays under its own shadow
at once, without a branch; only rays that meet more than a joint's disjoint bodies (a void, a gap, a bulge, a second
alloy) then sort their own few events. Numba functions of one source for float32 and float64.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes.chords import (
    NECK,
    WORK_EVENTS,
    interval_lengths,
    metal_in_events,
    neck_in_events,
    row_intervals,
    sort_events,
)
from jointwise.data_gen.shapes.solids import BODY, KEEP, PATCH, VOID
from jointwise.data_gen.xray.footprints import footprint, outline

SMALL_COPPER = 1.25
"""Copper no larger than this many radii of the largest joint (lands, barrels) gets sub-rays too."""

_HOLE, _MORE = 1, 2
"""Marks of a ray that meets something to take away (or a second alloy), or a body that may overlap others."""

_LANES = 8
"""Rays are done in whole bundles of so many, some beyond a shadow's end: a rest would be done one by one."""

_inner = njit(error_model="numpy", cache=True, nogil=True)
# What is called for every solid, row or ray: handing the scene's arrays down would cost as much as the work.
_within = njit(error_model="numpy", cache=True, nogil=True, forceinline=True)


class Shadows(NamedTuple):
    """Pixels a view's solids may cover, each (row, last row + 1, column, last column + 1).

    Attributes:
        joints, necks: (n, 4), whole joints and necks.
        rows: (k, 4), every primitive.
        near: (row, column), 1 where a pixel takes sub-rays.
        rays: most rays of one row under one joint, one neck or one copper solid.
    """

    joints: NDArray[np.int32]
    necks: NDArray[np.int32]
    rows: NDArray[np.int32]
    near: NDArray[np.uint8]
    rays: int


class Lines(NamedTuple):
    """Work space for one row of rays.

    Attributes:
        first: (columns + 1,) number of the first ray of each column, and of all.
        direction: (3, rays) unit vectors; inverse: room for one over them.
        paths: (4, rays) lengths of solder (both alloys), free copper, sunk copper and second alloy.
        pieces: (primitives, 4, rays) two intervals of each ray in each primitive of one joint or neck.
        spans: (primitives, 2) which of these rays the primitive may meet; roles: (primitives,) what it is.
        whole: (rays,) length in a joint's disjoint bodies; mark: (rays,) what else the ray meets.
        times, marks: events of one ray.
    """

    first: NDArray[np.int32]
    direction: NDArray[Any]
    inverse: NDArray[Any]
    paths: NDArray[Any]
    pieces: NDArray[Any]
    spans: NDArray[np.int32]
    roles: NDArray[np.int8]
    whole: NDArray[Any]
    mark: NDArray[np.int32]
    times: NDArray[Any]
    marks: NDArray[np.int8]


@_inner
def cast_shadows(packed, balls, corners, frame, plate):  # type: ignore[no-untyped-def]
    """The shadows of one view, and which of its pixels take sub-rays."""
    joints = np.zeros((packed.joint_radius.shape[0], 4), np.int32)
    necks = np.zeros((packed.neck_radius.shape[0], 4), np.int32)
    rows = np.zeros((packed.role.shape[0], 4), np.int32)
    near = np.zeros((plate.v.shape[0], plate.u.shape[0]), np.uint8)
    widest, largest = 1, plate.u[0] - plate.u[0]
    for j in range(joints.shape[0]):
        shadow = footprint(packed.joint_centre[j], packed.joint_radius[j], frame, plate)
        joints[j] = shadow
        widest, largest = max(widest, joints[j, 3] - joints[j, 2]), max(largest, packed.joint_radius[j])
        if plate.sub > 1:
            _mark(shadow, near)
        for k in range(packed.joint_rows[j, 0], packed.joint_rows[j, 1]):
            ball = footprint(balls[k], balls[k, 3], frame, plate)
            box = outline(corners, k, k + 1, frame, plate)
            rows[k, 0], rows[k, 1] = max(ball[0], box[0], shadow[0]), min(ball[1], box[1], shadow[1])
            rows[k, 2], rows[k, 3] = max(ball[2], box[2], shadow[2]), min(ball[3], box[3], shadow[3])
    for i in range(necks.shape[0]):
        shadow = outline(corners, packed.neck_rows[i, 0], packed.neck_rows[i, 1], frame, plate)
        necks[i] = shadow
        widest = max(widest, necks[i, 3] - necks[i, 2])
        if plate.sub > 1:
            _mark(shadow, near)
    for k in range(packed.copper_rows[0, 0], packed.copper_rows[1, 1]):
        shadow = outline(corners, k, k + 1, frame, plate)
        rows[k] = shadow
        widest = max(widest, rows[k, 3] - rows[k, 2])
        small = plate.u.dtype.type(SMALL_COPPER) * largest
        if plate.sub > 1 and packed.copper_radius[k - packed.copper_rows[0, 0]] < small:
            _mark(shadow, near)
    return Shadows(joints, necks, rows, near, widest * plate.sub * plate.sub)


@_inner
def rows_with_metal(packed, shadows):  # type: ignore[no-untyped-def]
    """Which detector rows any shadow falls on, (rows,)."""
    busy = np.zeros(shadows.near.shape[0], np.uint8)
    for j in range(shadows.joints.shape[0]):
        busy[shadows.joints[j, 0] : max(shadows.joints[j, 0], shadows.joints[j, 1])] = 1
    for i in range(shadows.necks.shape[0]):
        busy[shadows.necks[i, 0] : max(shadows.necks[i, 0], shadows.necks[i, 1])] = 1
    for k in range(packed.copper_rows[0, 0], packed.copper_rows[1, 1]):
        busy[shadows.rows[k, 0] : max(shadows.rows[k, 0], shadows.rows[k, 1])] = 1
    return busy


@_inner
def _mark(shadow, near):  # type: ignore[no-untyped-def]
    for row in range(shadow[0], shadow[1]):
        for column in range(shadow[2], shadow[3]):
            near[row, column] = 1


@_inner
def work_lines(packed, plate, shadows):  # type: ignore[no-untyped-def]
    """Work space for the rows of one view."""
    real, columns, most = plate.u.dtype, plate.u.shape[0], plate.u.shape[0] * plate.sub * plate.sub
    primitives = 1
    for j in range(packed.joint_rows.shape[0]):
        primitives = max(primitives, _size(packed.joint_rows[j]))
    for i in range(packed.neck_rows.shape[0]):
        one, other = packed.joint_rows[packed.neck_joints[i, 0]], packed.joint_rows[packed.neck_joints[i, 1]]
        primitives = max(primitives, _size(packed.neck_rows[i]) + _size(one) + _size(other))
    return Lines(
        np.zeros(columns + 1, np.int32),
        np.zeros((3, most + _LANES), real),
        np.empty((3, most), real),
        np.empty((4, most), real),
        np.empty((primitives, 4, shadows.rays + _LANES), real),
        np.empty((primitives, 2), np.int32),
        np.empty(primitives, np.int8),
        np.empty(shadows.rays, real),
        np.empty(shadows.rays, np.int32),
        np.empty(WORK_EVENTS, real),
        np.empty(WORK_EVENTS, np.int8),
    )


@_inner
def _size(rows):  # type: ignore[no-untyped-def]
    return rows[1] - rows[0]


@_inner
def metal_row(packed, balls, shadows, frame, row, lines):  # type: ignore[no-untyped-def]
    """Fill `lines.paths` for the rays that `row_directions` has laid into `lines`."""
    lines.paths[:, : lines.first[-1]] = 0
    for j in range(shadows.joints.shape[0]):
        if shadows.joints[j, 0] <= row < shadows.joints[j, 1]:
            _joint_row(packed, shadows, j, frame, row, lines)
    for i in range(shadows.necks.shape[0]):
        if shadows.necks[i, 0] <= row < shadows.necks[i, 1]:
            _neck_row(packed, shadows, i, frame, row, lines)
    for k in range(packed.copper_rows[0, 0], packed.copper_rows[1, 1]):
        if shadows.rows[k, 0] <= row < shadows.rows[k, 1]:
            _copper_row(packed, balls, shadows, k, frame, lines)


@_within
def _joint_row(packed, shadows, j, frame, row, lines):  # type: ignore[no-untyped-def]
    begin, end = lines.first[shadows.joints[j, 2]], lines.first[shadows.joints[j, 3]]
    whole, mark = lines.whole[: end - begin], lines.mark[: end - begin]
    whole[:] = 0
    mark[:] = 0
    top, last = packed.joint_rows[j, 0], packed.joint_rows[j, 1]
    crossed = False
    for k in range(top, last):
        low, n = _lay(packed, k, packed.role[k], shadows.rows[k], packed.joint_centre[j], frame, row, begin, end,
                      lines, k - top)  # fmt: skip
        if n == 0:
            continue
        if k < top + packed.joint_disjoint[j]:
            interval_lengths(lines.pieces[k - top], low, n, lines.whole[low : low + n])
        elif packed.role[k] != KEEP and packed.role[k] != PATCH:
            crossed = True
            kind = np.int32(_MORE if packed.role[k] == BODY else _HOLE)
            _mark_met(lines.pieces[k - top], low, n, kind, lines.mark[low : low + n])
    if crossed:
        _sorted_rays(last - top, lines.pieces, lines.spans, lines.roles, mark, whole, lines.times, lines.marks,
                     lines.paths[0, begin:end], lines.paths[3, begin:end])  # fmt: skip
    solder = lines.paths[0, begin:end]
    for i in range(end - begin):
        solder[i] += whole[i]


@_within
def _lay(packed, k, role, shadow, centre, frame, row, begin, end, lines, at):  # type: ignore[no-untyped-def]
    """Pieces `at` of primitive k for those of the rays begin..end-1 under its shadow: first of them and how many."""
    span = lines.spans[at]
    span[0] = span[1] = 0
    lines.roles[at] = role
    if not shadow[0] <= row < shadow[1] or shadow[3] <= shadow[2]:
        return 0, 0
    low, high = max(lines.first[shadow[2]], begin), min(lines.first[shadow[3]], end)
    if high <= low:
        return 0, 0
    span[0], span[1] = low - begin, high - begin
    row_intervals(
        packed.matrix, packed.origin, packed.profile, packed.ends, k, frame[0], centre, lines.direction, low,
        _bundles(high - low), lines.pieces[at], low - begin,
    )  # fmt: skip
    return low - begin, high - low


@_within
def _bundles(n):  # type: ignore[no-untyped-def]
    """n rays rounded up to whole bundles; what they write beyond n nobody reads."""
    return (n + (_LANES - 1)) // _LANES * _LANES


@_within
def _mark_met(piece, at, n, kind, mark):  # type: ignore[no-untyped-def]
    t0, t1, t2, t3 = (
        piece[0, at : at + n],
        piece[1, at : at + n],
        piece[2, at : at + n],
        piece[3, at : at + n],
    )
    for i in range(n):
        mark[i] |= kind if (t1[i] > t0[i]) | (t3[i] > t2[i]) else np.int32(0)


@_inner
def _sorted_rays(count, pieces, spans, roles, mark, whole, times, marks, solder, second):  # type: ignore[no-untyped-def]
    """Metal of the rays that meet more than disjoint bodies, from their pieces in order. NaN: too many of them.

    A loop of its own over bare arrays: taking them out of a tuple ray by ray counts references, which costs more.
    """
    zero, lost = times.dtype.type(0), times.dtype.type(math.nan)
    for i in range(whole.shape[0]):
        if mark[i] >= _MORE or (mark[i] > 0 and whole[i] > 0):
            n = _events(count, i, pieces, spans, roles, times, marks)
            metal, part = metal_in_events(times, marks, min(n, WORK_EVENTS), zero)
            solder[i] += lost if n > WORK_EVENTS else metal
            second[i] += part
            whole[i] = 0


@_within
def _events(count, i, pieces, spans, roles, times, marks):  # type: ignore[no-untyped-def]
    """Entries and exits of ray i in order, from the first `count` pieces: how many; above WORK_EVENTS: too many."""
    n = 0
    for k in range(count):
        if spans[k, 0] <= i < spans[k, 1]:
            for side in range(0, 4, 2):
                start, stop = pieces[k, side, i], pieces[k, side + 1, i]
                if stop > start:
                    if n + 2 <= WORK_EVENTS:
                        times[n], marks[n] = start, roles[k]
                        times[n + 1], marks[n + 1] = stop, ~roles[k]
                    n += 2
    sort_events(times, marks, min(n, WORK_EVENTS))
    return n


@_within
def _neck_row(packed, shadows, k, frame, row, lines):  # type: ignore[no-untyped-def]
    """A neck's length outside both its joints' bodies: `neck_length` of all rays under it."""
    shadow, centre = shadows.necks[k], packed.neck_centre[k]
    begin, end = lines.first[shadow[2]], lines.first[shadow[3]]
    count = 0
    for p in range(packed.neck_rows[k, 0], packed.neck_rows[k, 1]):
        _lay(packed, p, np.int8(NECK), shadow, centre, frame, row, begin, end, lines, count)
        count += 1
    own = count
    for side in range(2):
        rows = packed.joint_rows[packed.neck_joints[k, side]]
        for p in range(rows[0], rows[1]):
            if packed.role[p] == BODY:
                _lay(packed, p, np.int8(BODY), shadows.rows[p], centre, frame, row, begin, end, lines, count)
                count += 1
    _neck_rays(own, count, lines.pieces, lines.spans, lines.roles, lines.times, lines.marks,
               lines.paths[0, begin:end])  # fmt: skip


@_inner
def _neck_rays(own, count, pieces, spans, roles, times, marks, solder):  # type: ignore[no-untyped-def]
    """Add the length of each ray in the neck (the first `own` pieces) and outside the bodies (the rest)."""
    zero, lost = times.dtype.type(0), times.dtype.type(math.nan)
    for i in range(solder.shape[0]):
        met = False
        for k in range(own):
            some = (pieces[k, 1, i] > pieces[k, 0, i]) | (pieces[k, 3, i] > pieces[k, 2, i])
            met |= some and spans[k, 0] <= i < spans[k, 1]
        if met:
            n = _events(count, i, pieces, spans, roles, times, marks)
            length = neck_in_events(times, marks, min(n, WORK_EVENTS), zero)
            solder[i] += lost if n > WORK_EVENTS else length


@_within
def _copper_row(packed, balls, shadows, k, frame, lines):  # type: ignore[no-untyped-def]
    """One solid of copper: its length, or less that of a VOID, which lies wholly inside its own BODY."""
    begin, end = lines.first[shadows.rows[k, 2]], lines.first[shadows.rows[k, 3]]
    if end <= begin:
        return
    n, length = end - begin, lines.whole[: end - begin]
    row_intervals(
        packed.matrix, packed.origin, packed.profile, packed.ends, k, frame[0], balls[k], lines.direction, begin,
        _bundles(n), lines.pieces[0], 0,
    )  # fmt: skip
    length[:] = 0
    interval_lengths(lines.pieces[0], 0, n, length)
    path = lines.paths[1 if k < packed.copper_rows[0, 1] else 2, begin:end]
    sign = lines.whole.dtype.type(-1 if packed.role[k] == VOID else 1)
    for i in range(end - begin):
        path[i] += sign * length[i]
