"""Projections on a card: tiles of 16x16 pixels, each with a list of the solids whose shadow meets it.

The chords, the footprints and the rule of the roles are the CPU's own functions, compiled once more for the card.
In a tile, pixels under metal of a joint come first, one thread per sub-ray, then the others with one ray each, so
that no thread idles beside a busier one. Lists of solids are in the order of the scene, and no ray depends on
another: the bits are the same in every run.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import torch
from numba import cuda, float32, int8, int16, int32, uint32

from jointwise.data_gen.shapes.chords import approach, neck_length, segment_intervals, solder_length
from jointwise.data_gen.shapes.scene import COPPER as COPPER_BOX
from jointwise.data_gen.shapes.scene import LAMINATE as LAMINATE_BOX
from jointwise.data_gen.shapes.solids import BODY, GAP, KEEP, PATCH, VOID
from jointwise.data_gen.xray.cuda.card import FAST, SIMULATED, seen
from jointwise.data_gen.xray.cuda.load import (
    JOINT,
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

EVENTS = 40
"""Entries and exits of one joint along a ray that the card sorts."""

BOXES, ENERGIES = MOST_BOXES, MOST_ENERGIES
"""Boxes and energies that a tile holds in shared memory."""

_THREADS = 32 if SIMULATED else 128
_WARPS = _THREADS // 32
_AREA = TILE * TILE
_WORDS = LISTED // 32
_ZERO, _ONE, _LARGE = np.float32(0), np.float32(1), np.float32(1e30)
_HALF = np.float32(0.5)


def shadows(sent: Sent, device: torch.device) -> torch.Tensor:
    """Rows and columns (first, last + 1 of each) that each item may touch, int16 (view, item, 4)."""
    views, items = sent.frames.shape[0], sent.items.shape[0]
    out = torch.empty((views, items, 4), dtype=torch.int16, device=device)
    if not SIMULATED:
        from jointwise.data_gen.xray.cuda import compiled

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
        from jointwise.data_gen.xray.cuda import compiled

        compiled.project(sent, spans, first, signal, variance, lost)
        return signal, variance
    blocks = (-(-columns // TILE), -(-rows // TILE), last - first)
    _project[blocks, _THREADS](
        sent.packed, sent.balls, sent.items, seen(spans), sent.frames, first, sent.u0_mm, sent.v0_mm,
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
def _cover(first, last, start):  # type: ignore[no-untyped-def]
    """Rows (or columns) of the tile from `start` on that lie in first … last - 1, one bit each."""
    low, high = int32(max(first - start, 0)), int32(min(last - start, TILE))
    return uint32(((int32(1) << (high - low)) - int32(1)) << low) if high > low else uint32(0)


@cuda.jit(device=True)
def _turn(mine, lane, word, out):  # type: ignore[no-untyped-def]
    """Bits of the lanes' items per row (or column) of the tile, from bits of rows per item: out[word, row]."""
    if SIMULATED:
        for r in range(TILE):
            if (mine >> r) & 1:
                cuda.atomic.or_(out, (word, r), uint32(1 << lane))
        return
    for r in range(TILE):
        votes = cuda.ballot_sync(0xFFFFFFFF, (mine >> uint32(r)) & uint32(1) != 0)
        if lane == r:
            out[word, r] = votes


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


@cuda.jit(device=True)
def _inverse(component):  # type: ignore[no-untyped-def]
    return _LARGE if component == _ZERO else _ONE / component


@cuda.jit(device=True)
def _common(a0, a1, b0, b1):  # type: ignore[no-untyped-def]
    """Length that two intervals have in common."""
    return max(min(a1, b1) - max(a0, b0), _ZERO)


@cuda.jit(device=True)
def _covered(t0, t1, a0, a1, b0, b1):  # type: ignore[no-untyped-def]
    """Length of [t0, t1] within the union of two intervals."""
    both = _common(max(a0, t0), min(a1, t1), b0, b1)
    return _common(t0, t1, a0, a1) + _common(t0, t1, b0, b1) - both


@cuda.jit(device=True)
def _anyone(bits):  # type: ignore[no-untyped-def]
    """Bits that any lane of the warp holds."""
    if SIMULATED:
        return bits
    held = int32(bits)
    for step in (16, 8, 4, 2, 1):
        held |= cuda.shfl_xor_sync(0xFFFFFFFF, held, step)
    return uint32(held)


@cuda.jit(device=True)
def _wait_for_warp():  # type: ignore[no-untyped-def]
    if SIMULATED:
        cuda.syncthreads()  # a block is one warp there
    else:
        cuda.syncwarp()


@cuda.jit(device=True)
def _place(pixel, wanted, lane, counts, which, out):  # type: ignore[no-untyped-def]
    """Put the pixels that are wanted one behind the other into `out`."""
    if SIMULATED:
        if wanted:
            out[cuda.atomic.add(counts, which, 1)] = pixel
        return
    votes = cuda.ballot_sync(0xFFFFFFFF, wanted)
    base = int32(0)
    if lane == 0:
        base = cuda.atomic.add(counts, which, cuda.popc(votes))
    base = cuda.shfl_sync(0xFFFFFFFF, base, 0)
    if wanted:
        out[uint32(base + cuda.popc(votes & ((1 << lane) - 1)))] = pixel


@cuda.jit(device=True)
def _metal(
    packed, balls, frame, facts, listed, in_row, in_column, solid, words, r, c, dx, dy, dz, times, marks, lost
):  # type: ignore[no-untyped-def]
    """Lengths of both alloys, of the second, of copper and of sunk copper along one ray.

    All lanes of a warp go through the same items side by side. Most rays leave at most two intervals of BODY, voids
    apart from each other and one gap: those add up in registers, by inclusion and exclusion. The others sort events.
    """
    solder, second, copper, sunk = _ZERO, _ZERO, _ZERO, _ZERO
    x, y, z = _ZERO, _ZERO, _ZERO
    current = int32(-1)
    bodies, simple, patched, gap = int32(0), True, False, False
    a0, a1, b0, b1 = _ZERO, _ZERO, _ZERO, _ZERO
    h0, h1, g0, g1, k0, k1 = _LARGE, -_LARGE, _ZERO, _ZERO, _LARGE, _LARGE
    removed = _ZERO
    for w in range(words):
        word = uint32(w)
        mine = uint32(in_row[word, r] & in_column[word, c] & solid[word])
        bits = _anyone(mine)
        while bits != 0:
            place = uint32(cuda.ffs(bits) - 1)
            bits = uint32(bits & (bits - uint32(1)))
            item = uint32(word * uint32(32) + place)
            fact = facts[item]
            kind, owner = fact & 7, int32(fact >> 4)
            joint = owner if kind == JOINT else int32(-1)
            if joint != current:
                if bodies > 0:
                    if gap:
                        if patched:
                            simple = False
                        else:
                            for side in range(2):
                                t0 = g0 if side == 0 else max(g0, k1)
                                t1 = min(g1, k0) if side == 0 else g1
                                if t1 > t0:
                                    simple = simple and (t1 <= h0 or t0 >= h1)
                                    removed += _covered(t0, t1, a0, a1, b0, b1)
                    if simple:
                        solder += (a1 - a0) + (b1 - b0) - _common(a0, a1, b0, b1) - removed
                    else:
                        metal, mixed = solder_length(
                            packed.matrix, packed.origin, packed.profile, packed.ends, packed.role,
                            packed.joint_rows[uint32(current), 0], packed.joint_rows[uint32(current), 1],
                            x, y, z, dx, dy, dz, times, marks,
                        )  # fmt: skip
                        if metal >= _ZERO:
                            solder += metal
                            second += mixed
                        else:
                            lost[0] = 1
                current = joint
                bodies, simple, patched, gap = int32(0), True, False, False
                a0, a1, b0, b1, removed = _ZERO, _ZERO, _ZERO, _ZERO, _ZERO
                h0, h1, k0, k1 = _LARGE, -_LARGE, _LARGE, _LARGE
                if joint >= 0:
                    centre = packed.joint_centre[uint32(joint)]
                    x, y, z, _ = approach(
                        frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, centre[0], centre[1], centre[2]
                    )
            if kind == REST or (mine >> place) & uint32(1) == 0:
                continue
            k = uint32(listed[item])
            if kind == NECK:
                neck = uint32(owner)
                i, j = uint32(packed.neck_joints[neck, 0]), uint32(packed.neck_joints[neck, 1])
                centre = packed.neck_centre[neck]
                x, y, z, away = approach(
                    frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, centre[0], centre[1], centre[2]
                )
                if away < packed.neck_radius[neck] * packed.neck_radius[neck]:
                    length = neck_length(
                        packed.matrix, packed.origin, packed.profile, packed.ends, packed.role,
                        packed.neck_rows[neck, 0], packed.neck_rows[neck, 1],
                        packed.joint_rows[i, 0], packed.joint_rows[i, 1],
                        packed.joint_rows[j, 0], packed.joint_rows[j, 1],
                        x, y, z, dx, dy, dz, times, marks,
                    )  # fmt: skip
                    if length >= _ZERO:
                        solder += length
                    else:
                        lost[0] = 1
                continue
            if kind != JOINT:
                x, y, z, _ = approach(
                    frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, balls[k, 0], balls[k, 1], balls[k, 2]
                )
            t0, t1, t2, t3 = segment_intervals(
                packed.matrix, packed.origin, packed.profile, packed.ends, k, x, y, z, dx, dy, dz
            )
            role = packed.role[k]
            if kind != JOINT:
                length = max(t1 - t0, _ZERO) + max(t3 - t2, _ZERO)
                if role == VOID:
                    length = -length
                copper += length
                if kind == SUNK:
                    sunk += length
                continue
            if t3 > t2:
                simple = False
                bodies += 1 if role == BODY else 0
            if t1 > t0:
                if role == BODY:
                    # Voids were measured against the bodies before this one.
                    simple = simple and bodies < 2 and h1 < h0
                    if bodies == 0:
                        a0, a1 = t0, t1
                    else:
                        b0, b1 = t0, t1
                    bodies += 1
                elif role == VOID:
                    simple = simple and (t1 <= h0 or t0 >= h1)
                    h0, h1 = min(h0, t0), max(h1, t1)
                    removed += _covered(t0, t1, a0, a1, b0, b1)
                elif role == GAP:
                    simple = simple and not gap
                    gap, g0, g1 = True, t0, t1
                elif role == KEEP:
                    simple = simple and k0 == _LARGE
                    k0, k1 = t0, t1
                elif role == PATCH:
                    patched = True
                else:
                    simple = False
    return solder, second, copper, sunk


@cuda.jit(device=True)
def _through(solder, second, copper, sunk, dx, dy, dz, low, high, material, boxes, bins):  # type: ignore[no-untyped-def]
    """Signal and variance of one ray."""
    laminate, silicon = _ZERO, _ZERO
    ix, iy, iz = _inverse(dx), _inverse(dy), _inverse(dz)
    near, far = _ZERO, _ZERO
    for n in range(boxes):
        k = uint32(n)
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
    signal, variance = _ZERO, _ZERO
    for n in range(bins.shape[1]):
        e = uint32(n)
        depth = bins[0, e] * solder + bins[1, e] * copper + bins[2, e] * laminate + bins[3, e] * silicon
        passed = math.exp(-(depth + bins[4, e] * second))
        signal += bins[5, e] * passed
        variance += bins[6, e] * passed
    return signal, variance


@cuda.jit(fastmath=FAST)
def _project(  # type: ignore[no-untyped-def]
    packed, balls, items, spans, frames, first, us, vs, pixel_mm, distance, most, bins, signal, variance, lost
):
    # One line each: the simulator tells shared arrays apart by their lines.
    listed = cuda.shared.array(LISTED, int16)
    counts = cuda.shared.array(8, int32)
    facts = cuda.shared.array(LISTED, int32)
    in_row = cuda.shared.array((_WORDS, TILE), uint32)
    in_column = cuda.shared.array((_WORDS, TILE), uint32)
    solid = cuda.shared.array(_WORDS, uint32)
    several = cuda.shared.array(_WORDS, uint32)
    low = cuda.shared.array((BOXES, 3), float32)
    high = cuda.shared.array((BOXES, 3), float32)
    material = cuda.shared.array(BOXES, int32)
    pixels = cuda.shared.array((2, _AREA), int16)
    results = cuda.shared.array((2, _THREADS), float32)
    all_times = cuda.shared.array((EVENTS, _THREADS), float32)
    all_marks = cuda.shared.array((EVENTS, _THREADS), int8)
    thread = cuda.threadIdx.x
    lane, warp = thread & 31, thread >> 5
    view, row0, column0 = first + cuda.blockIdx.z, cuda.blockIdx.y * TILE, cuda.blockIdx.x * TILE
    frame = frames[view]
    rows, columns = signal.shape[1], signal.shape[2]
    count = _list_items(spans[view], row0, column0, thread, listed, counts)
    if count > LISTED - 1:
        count = LISTED - 1
        if thread == 0:
            lost[0] = 1
    _fill_boxes(packed, frame, thread, low, high, material)
    # One item more than there are: it meets every pixel and closes the last joint.
    words = (count >> 5) + 1
    cuda.syncthreads()
    if thread < 2:
        counts[thread] = 0
    if SIMULATED:
        for w in range(words):
            for r in range(TILE):
                in_row[w, r], in_column[w, r] = 0, 0
            solid[w], several[w] = 0, 0
        cuda.syncthreads()
    for w in range(warp, words, _WARPS):
        i = w * 32 + lane
        high_rows, high_columns, fact = uint32(0), uint32(0), int32(REST)
        if i < count:
            k = uint32(listed[i])
            high_rows = _cover(spans[view, k, 0], spans[view, k, 1], row0)
            high_columns = _cover(spans[view, k, 2], spans[view, k, 3], column0)
            fact = int32(items[k, 0] | items[k, 2] << 3 | items[k, 1] << 4)
        elif i == count:
            high_rows, high_columns = uint32(0xFFFF), uint32(0xFFFF)
        if i < LISTED:
            facts[i] = fact
        _turn(high_rows, lane, w, in_row)
        _turn(high_columns, lane, w, in_column)
        if SIMULATED:
            if i == count or fact & 7 != REST:
                cuda.atomic.or_(solid, w, uint32(1 << lane))
            if fact & 8:
                cuda.atomic.or_(several, w, uint32(1 << lane))
        else:
            votes = cuda.ballot_sync(0xFFFFFFFF, i == count or fact & 7 != REST)
            others = cuda.ballot_sync(0xFFFFFFFF, fact & 8 != 0)
            if lane == 0:
                solid[w], several[w] = votes, others
    cuda.syncthreads()
    for base in range(0, _AREA, _THREADS):
        pixel = base + thread
        r, c = uint32(pixel // TILE), uint32(pixel % TILE)
        near = uint32(0)
        for w in range(words):
            near |= in_row[w, r] & in_column[w, c] & several[w]
        inside = row0 + r < rows and column0 + c < columns
        _place(pixel, inside and near != 0, lane, counts, 0, pixels[0])
        _place(pixel, inside and near == 0, lane, counts, 1, pixels[1])
    cuda.syncthreads()
    edge = int32(most)
    rays = int32(edge * edge)
    each = int32(32) // rays
    group, ray = int32(lane) // rays, int32(lane) % rays
    step = pixel_mm / float32(edge)
    across = (float32(ray % edge) - _HALF * float32(edge - 1)) * step
    down = (float32(ray // edge) - _HALF * float32(edge - 1)) * step
    near_turns = (counts[0] + each - 1) // each
    turns = near_turns + ((counts[1] + 31) >> 5)
    times, marks = all_times[:, thread], all_marks[:, thread]
    boxes = packed.box_material.shape[0]
    for turn in range(warp, turns, _WARPS):
        near = turn < near_turns
        if near:
            which = int32(turn * each + group)
            known = group < each and which < counts[0]
            mine = int32(pixels[0, uint32(which if known else 0)])
        else:
            which = int32((turn - near_turns) * 32 + lane)
            known = which < counts[1]
            mine = int32(pixels[1, uint32(which if known else 0)])
        r, c = uint32(mine // TILE), uint32(mine % TILE)
        u = us[view] + float32(column0 + c) * pixel_mm + (across if near else _ZERO)
        v = vs[view] + float32(row0 + r) * pixel_mm + (down if near else _ZERO)
        dx, dy, dz = towards(frame, distance, u, v)
        solder, second, copper, sunk = _metal(
            packed,
            balls,
            frame,
            facts,
            listed,
            in_row,
            in_column,
            solid,
            words,
            r,
            c,
            dx,
            dy,
            dz,
            times,
            marks,
            lost,
        )
        passed, spread = _through(solder, second, copper, sunk, dx, dy, dz, low, high, material, boxes, bins)
        if near:
            results[0, thread], results[1, thread] = passed, spread
        _wait_for_warp()
        if not known or (near and ray > 0):
            known = False
        elif near:
            share = _ONE / float32(rays)
            for other in range(1, rays):
                passed += results[0, thread + other]
                spread += results[1, thread + other]
            passed, spread = passed * share, spread * share
        _wait_for_warp()
        if known:
            place = uint32(view - first), uint32(row0 + r), uint32(column0 + c)
            signal[place], variance[place] = passed, spread
