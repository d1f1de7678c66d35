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
    WORK_EVENTS,
    approach,
    interval_lengths,
    metal_in_events,
    neck_length,
    row_intervals,
    sort_events,
)
from jointwise.data_gen.shapes.solids import BODY, KEEP, PATCH, VOID
from jointwise.data_gen.xray.footprints import footprint, outline

SMALL_COPPER = 1.25
"""Copper no larger than this many radii of the largest joint (lands, barrels) gets sub-rays too."""

_HOLE, _MORE = 1, 2
"""Marks of a ray that meets something to take away (or a second alloy), or a body that may overlap others."""

_inner = njit(error_model="numpy", cache=True, nogil=True)


class Shadows(NamedTuple):
    """Pixels a view's solids may cover, each (row, last row + 1, column, last column + 1).

    Attributes:
        joints, necks: (n, 4), whole joints and necks.
        rows: (k, 4), every primitive.
        near: (row, column), 1 where a pixel takes sub-rays.
        rays: most rays of one row under one joint, or under one copper solid.
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
        pieces: (primitives, 4, rays) two intervals of each ray in each primitive of one joint.
        spans: (primitives, 2) which rays of the joint the primitive may meet.
        whole: (rays,) length in a joint's disjoint bodies; mark: (rays,) what else the ray meets.
        times, marks: events of one ray.
    """

    first: NDArray[np.int32]
    direction: NDArray[Any]
    inverse: NDArray[Any]
    paths: NDArray[Any]
    pieces: NDArray[Any]
    spans: NDArray[np.int32]
    whole: NDArray[Any]
    mark: NDArray[np.uint8]
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
        primitives = max(primitives, packed.joint_rows[j, 1] - packed.joint_rows[j, 0])
    return Lines(
        np.zeros(columns + 1, np.int32),
        np.empty((3, most), real),
        np.empty((3, most), real),
        np.empty((4, most), real),
        np.empty((primitives, 4, shadows.rays), real),
        np.empty((primitives, 2), np.int32),
        np.empty(shadows.rays, real),
        np.empty(shadows.rays, np.uint8),
        np.empty(WORK_EVENTS, real),
        np.empty(WORK_EVENTS, np.int8),
    )


@_inner
def metal_row(packed, balls, shadows, frame, row, lines):  # type: ignore[no-untyped-def]
    """Fill `lines.paths` for the rays that `row_directions` has laid into `lines`."""
    lines.paths[:, : lines.first[-1]] = 0
    for j in range(shadows.joints.shape[0]):
        if shadows.joints[j, 0] <= row < shadows.joints[j, 1]:
            _joint_row(packed, shadows, j, frame, row, lines)
    for i in range(shadows.necks.shape[0]):
        if shadows.necks[i, 0] <= row < shadows.necks[i, 1]:
            _neck_row(packed, shadows, i, frame, lines)
    for k in range(packed.copper_rows[0, 0], packed.copper_rows[1, 1]):
        if shadows.rows[k, 0] <= row < shadows.rows[k, 1]:
            _copper_row(packed, balls, shadows, k, frame, lines)


@_inner
def _joint_row(packed, shadows, j, frame, row, lines):  # type: ignore[no-untyped-def]
    begin, end = lines.first[shadows.joints[j, 2]], lines.first[shadows.joints[j, 3]]
    whole, mark = lines.whole[: end - begin], lines.mark[: end - begin]
    whole[:] = 0
    mark[:] = 0
    top, last = packed.joint_rows[j, 0], packed.joint_rows[j, 1]
    crossed = False
    for k in range(top, last):
        span = lines.spans[k - top]
        span[0] = span[1] = 0
        shadow = shadows.rows[k]
        if not shadow[0] <= row < shadow[1] or shadow[3] <= shadow[2]:
            continue
        low, high = lines.first[shadow[2]], lines.first[shadow[3]]
        span[0], span[1] = low - begin, high - begin
        row_intervals(
            packed.matrix, packed.origin, packed.profile, packed.ends, k, frame[0], packed.joint_centre[j],
            lines.direction, low, high - low, lines.pieces[k - top], low - begin,
        )  # fmt: skip
        if k < top + packed.joint_disjoint[j]:
            interval_lengths(lines.pieces[k - top], span[0], high - low, lines.whole[span[0] : span[1]])
        elif packed.role[k] != KEEP and packed.role[k] != PATCH:
            crossed = True
            kind = np.uint8(_MORE if packed.role[k] == BODY else _HOLE)
            _mark_met(lines.pieces[k - top], span[0], high - low, kind, lines.mark[span[0] : span[1]])
    if crossed:
        for i in range(end - begin):
            if mark[i] >= _MORE or (mark[i] > 0 and whole[i] > 0):
                lines.paths[0, begin + i] += _sorted_metal(packed, top, last, i, begin + i, lines)
                whole[i] = 0
    solder = lines.paths[0, begin:end]
    for i in range(end - begin):
        solder[i] += whole[i]


@_inner
def _mark_met(piece, at, n, kind, mark):  # type: ignore[no-untyped-def]
    t0, t1, t2, t3 = (
        piece[0, at : at + n],
        piece[1, at : at + n],
        piece[2, at : at + n],
        piece[3, at : at + n],
    )
    for i in range(n):
        mark[i] |= kind if (t1[i] > t0[i]) | (t3[i] > t2[i]) else np.uint8(0)


@_inner
def _sorted_metal(packed, top, last, i, ray, lines):  # type: ignore[no-untyped-def]
    """Metal of one ray from the pieces of its primitives in order; notes the second alloy's part. NaN: too many."""
    times, marks = lines.times, lines.marks
    n = 0
    for k in range(last - top):
        if lines.spans[k, 0] <= i < lines.spans[k, 1]:
            for side in range(0, 4, 2):
                start, stop = lines.pieces[k, side, i], lines.pieces[k, side + 1, i]
                if stop > start:
                    if n + 2 > WORK_EVENTS:
                        return times.dtype.type(math.nan)
                    times[n], marks[n] = start, packed.role[top + k]
                    times[n + 1], marks[n + 1] = stop, ~packed.role[top + k]
                    n += 2
    sort_events(times, marks, n)
    metal, second = metal_in_events(times, marks, n, times.dtype.type(0))
    lines.paths[3, ray] += second
    return metal


@_inner
def _neck_row(packed, shadows, k, frame, lines):  # type: ignore[no-untyped-def]
    centre, reach = packed.neck_centre[k], packed.neck_radius[k] * packed.neck_radius[k]
    i, j = packed.neck_joints[k, 0], packed.neck_joints[k, 1]
    for ray in range(lines.first[shadows.necks[k, 2]], lines.first[shadows.necks[k, 3]]):
        dx, dy, dz = lines.direction[0, ray], lines.direction[1, ray], lines.direction[2, ray]
        x, y, z, away = approach(
            frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, centre[0], centre[1], centre[2]
        )
        if away < reach:
            lines.paths[0, ray] += neck_length(
                packed.matrix, packed.origin, packed.profile, packed.ends, packed.role,
                packed.neck_rows[k, 0], packed.neck_rows[k, 1],
                packed.joint_rows[i, 0], packed.joint_rows[i, 1],
                packed.joint_rows[j, 0], packed.joint_rows[j, 1],
                x, y, z, dx, dy, dz, lines.times, lines.marks,
            )  # fmt: skip


@_inner
def _copper_row(packed, balls, shadows, k, frame, lines):  # type: ignore[no-untyped-def]
    """One solid of copper: its length, or less that of a VOID, which lies wholly inside its own BODY."""
    begin, end = lines.first[shadows.rows[k, 2]], lines.first[shadows.rows[k, 3]]
    if end <= begin:
        return
    n, length = end - begin, lines.whole[: end - begin]
    row_intervals(
        packed.matrix, packed.origin, packed.profile, packed.ends, k, frame[0], balls[k], lines.direction, begin, n,
        lines.pieces[0], 0,
    )  # fmt: skip
    length[:] = 0
    interval_lengths(lines.pieces[0], 0, n, length)
    path = lines.paths[1 if k < packed.copper_rows[0, 1] else 2, begin:end]
    sign = lines.whole.dtype.type(-1 if packed.role[k] == VOID else 1)
    for i in range(end - begin):
        path[i] += sign * length[i]
