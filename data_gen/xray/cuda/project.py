"""Projections on a card: tiles of pixels, each with a list of the solids whose shadow meets it.

On a card, project.cu does the work (see `compiled`). Under numba's simulator the plain form below does: one thread per
pixel, events sorted along every ray, the chords and the rule of the roles being the CPU's own functions.
Lists are in the order of the scene and no ray depends on another: the bits are the same in every run.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import torch
from numba import cuda, float32, int8, int16, int32, int64, uint32

from jointwise.data_gen.shapes.chords import (
    WORK_EVENTS,
    add_events,
    approach,
    disjoint_length,
    metal_in_events,
    neck_length,
    sort_events,
)
from jointwise.data_gen.shapes.scene import COPPER as COPPER_BOX
from jointwise.data_gen.shapes.scene import LAMINATE as LAMINATE_BOX
from jointwise.data_gen.shapes.solids import BODY
from jointwise.data_gen.xray.cuda import compiled
from jointwise.data_gen.xray.cuda.card import FAST, SIMULATED, seen
from jointwise.data_gen.xray.cuda.load import (
    JOINT,
    MATERIALS,
    MOST_BOXES,
    MOST_ENERGIES,
    NECK,
    REST,
    SUNK,
    Sent,
)
from jointwise.data_gen.xray.footprints import Plate, footprint, outline, towards

TILE = 16
LISTED = 768
"""Solids that one tile may meet."""

NEAR = 96
"""Solids that one pixel may meet."""

BOXES, ENERGIES = MOST_BOXES, MOST_ENERGIES
"""Boxes and energies that a tile holds in shared memory."""

_THREADS = TILE * TILE
_WARPS = _THREADS // 32
_LINES = MATERIALS + 2
_ZERO, _ONE, _LARGE = np.float32(0), np.float32(1), np.float32(1e30)
_HALF = np.float32(0.5)
_NOBODY = np.uint32(0xFFFFFFFF)


def shadows(sent: Sent, device: torch.device) -> torch.Tensor:
    """Rows and columns (first, last + 1 of each) that each item may touch, int16 (view, item, 4)."""
    views, items = sent.frames.shape[0], sent.items.shape[0]
    out = torch.empty((views, items, 4), dtype=torch.int16, device=device)
    if not SIMULATED:
        compiled.shadows(sent, out)
        return out
    threads = 8
    _shadows[(-(-items // threads), views), threads](
        sent.packed, sent.balls, sent.corners, sent.items, sent.frames, *_pixels(sent, device),
        sent.pixel_mm, sent.distance_mm, sent.sub_rays, seen(out),
    )  # fmt: skip
    return out


def _pixels(sent: Sent, device: torch.device) -> tuple[Any, Any]:
    """Middles of the columns (view, column) and rows (view, row) of each view's detector, mm."""
    axes = (sent.u0_mm, sent.columns), (sent.v0_mm, sent.rows)
    out = []
    for first, count in axes:
        steps = torch.arange(count, device=device, dtype=torch.float32) * float(sent.pixel_mm)
        out.append(seen((torch.as_tensor(first, device=device)[:, None] + steps).contiguous()))
    return out[0], out[1]


def project(
    sent: Sent, spans: torch.Tensor, first: int, last: int, device: torch.device, lost: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    """Expected signal and variance of views first … last - 1, float32 (view, row, column); see `xray.projector`.

    Args:
        sent: the scan on the card.
        spans: from :func:`shadows`.
        first, last: views.
        device: the card.
        lost: int32 (1,); set to 1 if a ray meets more solids than there is room for.
    """
    rows, columns = sent.rows, sent.columns
    signal = torch.empty((last - first, rows, columns), dtype=torch.float32, device=device)
    variance = torch.empty_like(signal)
    if not SIMULATED:
        compiled.project(sent, spans, first, signal, variance, lost)
        return signal, variance
    blocks = (-(-columns // TILE), -(-rows // TILE), last - first)
    _project[blocks, (TILE, TILE)](
        sent.packed, sent.items, seen(spans), sent.frames, first, *_pixels(sent, device),
        sent.pixel_mm, sent.distance_mm, sent.sub_rays, sent.bins, seen(signal), seen(variance), seen(lost),
    )  # fmt: skip
    return signal, variance


@cuda.jit
def _shadows(  # type: ignore[no-untyped-def]
    packed, balls, corners, items, frames, us, vs, pixel, distance, most, out
):
    k, view = cuda.grid(1), cuda.blockIdx.y
    if k >= items.shape[0]:
        return
    plate = Plate(us[view], vs[view], pixel, distance, most)
    frame, kind, owner = frames[view], items[k, 0], items[k, 1]
    r0, r1, c0, c1 = 0, 0, 0, 0
    if kind == JOINT or k >= balls.shape[0]:
        r0, r1, c0, c1 = footprint(packed.joint_centre[owner], packed.joint_radius[owner], frame, plate)
        if kind == JOINT:
            b0, b1, d0, d1 = footprint(balls[k], balls[k, 3], frame, plate)
            r0, r1, c0, c1 = max(r0, b0), min(r1, b1), max(c0, d0), min(c1, d1)
    elif kind == NECK:
        rows = packed.neck_rows
        r0, r1, c0, c1 = outline(corners, rows[owner, 0], rows[owner, 1], frame, plate)
    elif kind != REST:
        r0, r1, c0, c1 = outline(corners, k, k + 1, frame, plate)
    out[view, k, 0], out[view, k, 1], out[view, k, 2], out[view, k, 3] = r0, r1, c0, c1


@cuda.jit(device=True)
def _meets(spans, k, row, column):  # type: ignore[no-untyped-def]
    return (
        spans[k, 0] < row + TILE
        and spans[k, 1] > row
        and spans[k, 2] < column + TILE
        and spans[k, 3] > column
    )


@cuda.jit(device=True)
def _list_items(spans, row, column, thread, listed, counts):  # type: ignore[no-untyped-def]
    """Numbers of the items that meet the tile at (row, column) into `listed`, in order; how many."""
    total = 0
    if SIMULATED:
        for k in range(spans.shape[0]):
            if _meets(spans, k, row, column):
                if thread == 0 and total < LISTED:
                    listed[total] = k
                total += 1
        return total
    lane, warp = thread & 31, thread >> 5
    for base in range(0, spans.shape[0], _THREADS):
        k = base + thread
        hit = k < spans.shape[0] and _meets(spans, k, row, column)
        votes = cuda.ballot_sync(0xFFFFFFFF, hit)
        if lane == 0:
            counts[warp] = cuda.popc(votes)
        cuda.syncthreads()
        place = total + cuda.popc(votes & ((1 << lane) - 1))
        for other in range(_WARPS):
            if other < warp:
                place += counts[other]
            total += counts[other]
        if hit and place < LISTED:
            listed[place] = k
        cuda.syncthreads()
    return total


@cuda.jit(device=True)
def _metal(times, marks, n):  # type: ignore[no-untyped-def]
    """Lengths of metal and of its part of the second alloy along n unsorted events."""
    if n == 2:
        # Most rays: one solid, nothing to sort. A lone solid that is no metal counts for nothing.
        return (times[1] - times[0] if marks[0] == BODY else _ZERO), _ZERO
    sort_events(times, marks, n)
    return metal_in_events(times, marks, n, _ZERO)


@cuda.jit(device=True)
def _inverse(component):  # type: ignore[no-untyped-def]
    return _LARGE if component == _ZERO else _ONE / component


@cuda.jit(device=True)
def _cover(first, last, start):  # type: ignore[no-untyped-def]
    """Rows (or columns) of the tile from `start` on that lie in first … last - 1, one bit each."""
    low, high = int64(max(first - start, 0)), int64(min(last - start, TILE))
    return uint32(((int64(1) << (high - low)) - int64(1)) << low)


@cuda.jit(device=True)
def _fill_boxes(packed, frame, thread, low, high, material):  # type: ignore[no-untyped-def]
    """Boxes seen from the source; bit 3 of the material tells that length and width are those of the box before."""
    for k in range(thread, packed.box_material.shape[0], _THREADS):
        alike = k > 0
        for axis in range(3):
            low[k, axis] = packed.box_low[k, axis] - frame[0, axis]
            high[k, axis] = packed.box_high[k, axis] - frame[0, axis]
            if axis < 2 and k > 0:
                alike = alike and packed.box_low[k, axis] == packed.box_low[k - 1, axis]
                alike = alike and packed.box_high[k, axis] == packed.box_high[k - 1, axis]
        material[k] = int32(packed.box_material[k]) | (8 if alike else 0)


@cuda.jit(fastmath=FAST)
def _project(  # type: ignore[no-untyped-def]
    packed, items, spans, frames, first, us, vs, pixel, distance, most, bins, signal, variance, lost
):
    # One line each: the simulator tells shared arrays apart by their lines.
    listed = cuda.shared.array(LISTED, int16)
    counts = cuda.shared.array(_WARPS, int32)
    covered_rows = cuda.shared.array(LISTED, uint32)
    covered_columns = cuda.shared.array(LISTED, uint32)
    facts = cuda.shared.array(LISTED, int32)
    low = cuda.shared.array((BOXES, 3), float32)
    high = cuda.shared.array((BOXES, 3), float32)
    material = cuda.shared.array(BOXES, int32)
    energies = cuda.shared.array((ENERGIES, 8), float32)
    times, marks = cuda.local.array(WORK_EVENTS, float32), cuda.local.array(WORK_EVENTS, int8)
    mine = cuda.local.array(NEAR, int16)
    view, row0, column0 = first + cuda.blockIdx.z, cuda.blockIdx.y * TILE, cuda.blockIdx.x * TILE
    thread = cuda.threadIdx.y * TILE + cuda.threadIdx.x
    frame = frames[view]
    plate = Plate(us[view], vs[view], pixel, distance, most)
    count = _list_items(spans[view], row0, column0, thread, listed, counts)
    if count > LISTED:
        count = LISTED
        if thread == 0:
            lost[0] = 1
    _fill_boxes(packed, frame, thread, low, high, material)
    boxes, several = packed.box_material.shape[0], bins.shape[1]
    for e in range(thread, several, _THREADS):
        for line in range(_LINES):
            energies[e, line] = bins[line, e]
    cuda.syncthreads()
    for i in range(thread, count, _THREADS):
        k = uint32(listed[i])
        covered_rows[i] = _cover(spans[view, k, 0], spans[view, k, 1], row0)
        covered_columns[i] = _cover(spans[view, k, 2], spans[view, k, 3], column0)
        facts[i] = items[k, 0] | items[k, 2] << 3 | items[k, 1] << 4
    cuda.syncthreads()
    row, column = row0 + cuda.threadIdx.y, column0 + cuda.threadIdx.x
    if row >= plate.v.shape[0] or column >= plate.u.shape[0]:
        return
    sub, chords = 1, 0
    bit, shift = uint32(row - row0), uint32(column - column0)
    for i in range(count):
        if (covered_rows[i] >> bit) & (covered_columns[i] >> shift) & uint32(1):
            fact = facts[i]
            if fact & 8:
                sub = plate.sub
            if fact & 7 != REST:
                if chords < NEAR:
                    mine[chords] = i
                    chords += 1
                else:
                    lost[0] = 1
    step = plate.pixel / float32(sub)
    start = -_HALF * step * float32(sub - 1)
    all_signal, all_variance = _ZERO, _ZERO
    across, down = -1, 0
    for _ in range(sub * sub):
        across += 1
        if across == sub:
            across, down = 0, down + 1
        u = plate.u[column] + start + step * float32(across)
        v = plate.v[row] + start + step * float32(down)
        dx, dy, dz = towards(frame, plate.distance, u, v)
        solder, second, copper, sunk = _ZERO, _ZERO, _ZERO, _ZERO
        x, y, z = _ZERO, _ZERO, _ZERO
        n, owner = 0, _NOBODY
        for q in range(chords):
            i = uint32(mine[q])
            fact, k = facts[i], uint32(listed[i])
            kind, whose = fact & 7, uint32(fact >> 4)
            if n > 0 and (kind != JOINT or whose != owner):
                metal, mixed = _metal(times, marks, n)
                solder += metal
                second += mixed
                n = 0
            if kind == JOINT:
                if whose != owner:
                    owner = whose
                    centre = packed.joint_centre[owner]
                    x, y, z, _ = approach(
                        frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, centre[0], centre[1], centre[2]
                    )
                n = add_events(
                    packed.matrix, packed.origin, packed.profile, packed.ends, k, packed.role[k],
                    x, y, z, dx, dy, dz, times, marks, n,
                )  # fmt: skip
                if n > WORK_EVENTS:
                    lost[0] = 1
                    n = 0
            elif kind == NECK:
                owner = whose
                a, b = packed.neck_joints[owner, 0], packed.neck_joints[owner, 1]
                centre = packed.neck_centre[owner]
                x, y, z, away = approach(
                    frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, centre[0], centre[1], centre[2]
                )
                if away < packed.neck_radius[owner] * packed.neck_radius[owner]:
                    length = neck_length(
                        packed.matrix, packed.origin, packed.profile, packed.ends, packed.role,
                        packed.neck_rows[owner, 0], packed.neck_rows[owner, 1],
                        packed.joint_rows[a, 0], packed.joint_rows[a, 1],
                        packed.joint_rows[b, 0], packed.joint_rows[b, 1],
                        x, y, z, dx, dy, dz, times, marks,
                    )  # fmt: skip
                    if not length >= _ZERO:
                        lost[0] = 1
                    else:
                        solder += length
                owner = _NOBODY
            elif kind != REST:
                place = k - packed.copper_rows[0, 0]
                centre = packed.copper_centre[place]
                x, y, z, away = approach(
                    frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, centre[0], centre[1], centre[2]
                )
                if away < packed.copper_radius[place] * packed.copper_radius[place]:
                    length = disjoint_length(
                        packed.matrix, packed.origin, packed.profile, packed.ends, packed.role, k, k + 1,
                        x, y, z, dx, dy, dz,
                    )  # fmt: skip
                    copper += length
                    if kind == SUNK:
                        sunk += length
        if n > 0:
            metal, mixed = _metal(times, marks, n)
            solder += metal
            second += mixed
        laminate, silicon = _ZERO, _ZERO
        ix, iy, iz = _inverse(dx), _inverse(dy), _inverse(dz)
        near, far = _ZERO, _ZERO
        for k in range(boxes):
            kind = material[k]
            if kind < 8:
                x0, x1 = low[k, 0] * ix, high[k, 0] * ix
                y0, y1 = low[k, 1] * iy, high[k, 1] * iy
                near = max(min(x0, x1), min(y0, y1))
                far = min(max(x0, x1), max(y0, y1))
            z0, z1 = low[k, 2] * iz, high[k, 2] * iz
            length = max(min(far, max(z0, z1)) - max(near, min(z0, z1)), _ZERO)
            kind &= 7
            if kind == LAMINATE_BOX:
                laminate += length
            elif kind == COPPER_BOX:
                copper += length
            else:
                silicon += length
        laminate = max(laminate - sunk, _ZERO)
        solder -= second
        for e in range(several):
            depth = (
                energies[e, 0] * solder
                + energies[e, 1] * copper
                + energies[e, 2] * laminate
                + energies[e, 3] * silicon
                + energies[e, 4] * second
            )
            passed = math.exp(-depth)
            all_signal += energies[e, 5] * passed
            all_variance += energies[e, 6] * passed
    share = _ONE / float32(sub * sub)
    signal[view - first, row, column] = all_signal * share
    variance[view - first, row, column] = all_variance * share
