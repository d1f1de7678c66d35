"""Cone-beam projections of a scene: closed-form chords, energies summed per ray, intensities averaged per pixel.

For each view only the pixels under a joint's, a neck's or a copper solid's bounding ball ask for its chords.
Where metal of a joint is near, a pixel averages the **intensities** of 2x2 rays: averaging lengths instead,
or one ray through the middle, is off by more than the photon noise at a silhouette. One source compiles for
float32 and float64; every view is computed on its own, so the bits do not depend on the number of threads.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes.chords import (
    WORK_EVENTS,
    add_events,
    approach,
    convex_lengths,
    disjoint_length,
    metal_in_events,
    neck_length,
    sort_events,
)
from jointwise.data_gen.shapes.scene import (
    COPPER,
    LAMINATE,
    SECOND,
    SILICON,
    SOLDER,
    Infeasible,
    Packed,
    Scene,
    pack,
)
from jointwise.data_gen.shapes.solids import BODY
from jointwise.data_gen.xray.decay import decay
from jointwise.data_gen.xray.energies import Energies
from jointwise.data_gen.xray.footprints import (
    Plate,
    bounds,
    depth_of,
    footprint,
    outline,
    ray_direction,
    row_directions,
    squared_distance,
)
from jointwise.data_gen.xray.geometry import (
    STEADY,
    STILL,
    ConeBeam,
    Pose,
    Wobble,
    detector_shifts,
    view_frames,
)
from jointwise.data_gen.xray.threads import each

SUB_RAYS = 2
"""Rays per pixel edge where a joint is near."""

_MATERIALS = 5
SMALL_COPPER = 1.25
"""Copper no larger than this many radii of the largest joint (lands, barrels) gets sub-rays too."""

_inner = njit(error_model="numpy", cache=True, nogil=True)


class _Bins(NamedTuple):
    """Fitted energies in the kernel's precision: attenuation (5, k), weights for signal and for variance."""

    mu: NDArray[Any]
    weight: NDArray[Any]
    noise: NDArray[Any]


class Projections(NamedTuple):
    """Projections of some views, arrays (view, row, column).

    Attributes:
        signal: expected signal over that of air, without scatter.
        variance: variance of that signal if one quantum were detected per pixel in air; divide by their number.
    """

    signal: NDArray[Any]
    variance: NDArray[Any]


def project(
    scene: Scene | Packed,
    beam: ConeBeam,
    energies: Energies,
    *,
    pose: Pose = STILL,
    views: slice = slice(None),
    wobble: Wobble = STEADY,
    sub_rays: int = SUB_RAYS,
    dtype: Any = np.float32,
) -> Projections:
    """Expected signal of an energy-integrating detector behind the scene, for a range of views.

    Args:
        scene: board frame; pack it once beforehand when projecting many ranges.
        beam: the scan.
        energies: fitted energies of its spectrum for the scene's alloy.
        pose: how the board lies in the file's frame.
        views: which views.
        wobble: departures from the nominal geometry that the reconstruction does not know.
        sub_rays: rays per pixel edge near joints; 1 draws one ray through each pixel's middle.
        dtype: np.float32, or np.float64 for the reference.

    Raises:
        Infeasible: a ray crosses more solids of one joint than the work arrays hold.
    """
    packed = scene if isinstance(scene, Packed) else pack(scene, dtype)
    frames = view_frames(beam, pose, views, wobble).astype(dtype)
    plates = _plates(beam, detector_shifts(beam, views, wobble), sub_rays, dtype)
    bins = _Bins(
        np.ascontiguousarray(energies.of_materials(_MATERIALS), dtype),
        energies.weight.astype(dtype),
        (energies.weight * energies.quantum).astype(dtype),
    )
    shape = (len(frames), beam.rows, beam.columns)
    signal, variance = np.empty(shape, dtype), np.empty(shape, dtype)
    balls, corners = bounds(packed)
    each(
        _project_view,
        (
            (packed, balls, corners, frames[i], plates[i], bins, signal[i], variance[i])
            for i in range(len(frames))
        ),
    )
    if np.isnan(signal).any():
        raise Infeasible(f"a ray crosses more than {WORK_EVENTS // 2} solids of one joint")
    return Projections(signal, variance)


def lengths(
    scene: Scene | Packed,
    beam: ConeBeam,
    *,
    pose: Pose = STILL,
    views: slice = slice(None),
    dtype: Any = np.float64,
) -> NDArray[Any]:
    """Path length per material of one ray through each pixel's middle, mm, shape (view, row, column, 5)."""
    packed = scene if isinstance(scene, Packed) else pack(scene, dtype)
    frames = view_frames(beam, pose, views).astype(dtype)
    plate = _plates(beam, np.zeros((1, 2)), 1, dtype)[0]
    out = np.zeros((len(frames), beam.rows, beam.columns, _MATERIALS), dtype)
    balls, corners = bounds(packed)
    for i, frame in enumerate(frames):
        paths, _ = _metal_paths(packed, balls, corners, frame, plate)
        _all_lengths(packed, frame, plate, paths, out[i])
    return out


def _plates(beam: ConeBeam, shifts_mm: NDArray[np.float64], sub_rays: int, dtype: Any) -> list[Plate]:
    """The detector of each view, its pixels counted from the foot of the view's source."""
    real = np.dtype(dtype).type
    u, v = beam.u_mm(), beam.v_mm()
    return [
        Plate(
            (u + du).astype(dtype),
            (v + dv).astype(dtype),
            real(beam.pixel_mm),
            real(beam.source_detector_mm),
            sub_rays,
        )
        for du, dv in shifts_mm
    ]


@_inner
def _project_view(packed, balls, corners, frame, plate, bins, signal, variance):  # type: ignore[no-untyped-def]
    paths, near = _metal_paths(packed, balls, corners, frame, plate)
    for row in range(plate.v.shape[0]):
        _finish_row(packed, frame, plate, bins, paths, near, row, signal[row], variance[row])


@_inner
def _all_lengths(packed, frame, plate, paths, out):  # type: ignore[no-untyped-def]
    for row in range(plate.v.shape[0]):
        for column in range(plate.u.shape[0]):
            _ray_lengths(packed, frame, plate, paths, row, column, 0, 1, out[row, column])


@_inner
def _metal_paths(packed, balls, corners, frame, plate):  # type: ignore[no-untyped-def]
    """Lengths of solder, free copper, sunk copper and second alloy (row, column, sub-ray, 4); pixels with sub-rays.

    Solder is both alloys together. A pixel without sub-rays keeps its one ray in place 0.
    """
    rows, columns, rays = plate.v.shape[0], plate.u.shape[0], plate.sub * plate.sub
    paths = np.zeros((rows, columns, rays, 4), plate.u.dtype)
    near = np.zeros((rows, columns), np.uint8)
    times, marks = np.empty(WORK_EVENTS, plate.u.dtype), np.empty(WORK_EVENTS, np.int8)
    active = np.empty(packed.role.shape[0], np.int32)
    work = np.empty((4, columns * rays), plate.u.dtype)
    largest = plate.u[0] - plate.u[0]
    if rays > 1:
        for j in range(packed.joint_radius.shape[0]):
            largest = max(largest, packed.joint_radius[j])
            _mark(packed.joint_centre[j], packed.joint_radius[j], frame, plate, near)
        for k in range(packed.neck_radius.shape[0]):
            _mark_under(corners, packed.neck_rows[k, 0], packed.neck_rows[k, 1], frame, plate, near)
        for k in range(packed.copper_radius.shape[0]):
            if packed.copper_radius[k] < plate.u.dtype.type(SMALL_COPPER) * largest:
                row = packed.copper_rows[0, 0] + k
                _mark_under(corners, row, row + 1, frame, plate, near)
    for j in range(packed.joint_radius.shape[0]):
        _add_joint(packed, balls, j, frame, plate, near, paths, times, marks, active, work)
    for k in range(packed.neck_radius.shape[0]):
        _add_neck(packed, corners, k, frame, plate, near, paths, times, marks)
    for k in range(packed.copper_radius.shape[0]):
        _add_copper(packed, balls, corners, k, frame, plate, near, paths, work)
    return paths, near


@_inner
def _mark(centre, radius, frame, plate, near):  # type: ignore[no-untyped-def]
    r0, r1, c0, c1 = footprint(centre, radius, frame, plate)
    for row in range(r0, r1):
        for column in range(c0, c1):
            near[row, column] = 1


@_inner
def _mark_under(corners, begin, end, frame, plate, near):  # type: ignore[no-untyped-def]
    r0, r1, c0, c1 = outline(corners, begin, end, frame, plate)
    for row in range(r0, r1):
        for column in range(c0, c1):
            near[row, column] = 1


@_inner
def _candidates(packed, balls, j, frame, plate, row, column, spread, active):  # type: ignore[no-untyped-def]
    """Write the rows of joint j that any sub-ray of this pixel may meet into `active`; their number.

    Most rays miss most voids, and a distance to a bounding ball is far cheaper than an intersection.
    """
    first, last = packed.joint_rows[j, 0], packed.joint_rows[j, 1]
    dx, dy, dz = ray_direction(frame, plate, row, column, 0, 1)
    reach = packed.joint_radius[j] + spread
    n = 0
    if squared_distance(frame, dx, dy, dz, packed.joint_centre[j]) < reach * reach:
        for k in range(first, last):
            reach = balls[k, 3] + spread
            if n < active.shape[0] and squared_distance(frame, dx, dy, dz, balls[k]) < reach * reach:
                active[n] = k
                n += 1
    return n


@_inner
def _add_joint(packed, balls, j, frame, plate, near, paths, times, marks, active, work):  # type: ignore[no-untyped-def]
    centre = packed.joint_centre[j]
    r0, r1, c0, c1 = footprint(centre, packed.joint_radius[j], frame, plate)
    # No sub-ray strays farther than half a pixel diagonal from the middle ray, seen at the joint.
    depth = depth_of(frame, centre) + packed.joint_radius[j]
    spread = plate.u.dtype.type(0.75) * plate.pixel * depth / plate.distance
    zero = plate.u[0] - plate.u[0]
    lone = np.empty(max(c1 - c0, 0), np.int32)
    for row in range(r0, r1):
        for column in range(c0, c1):
            rows = _candidates(packed, balls, j, frame, plate, row, column, spread, active)
            # Most rays: nothing to sort. A lone primitive that is no metal counts for nothing.
            lone[column - c0] = -1
            if rows == 1 and packed.role[active[0]] != BODY:
                continue
            if rows == 1 and packed.profile[active[0], 2] <= zero:
                lone[column - c0] = active[0]
                continue
            rays = 0
            if rows > 0:
                rays = paths.shape[2] if near[row, column] else 1
            for ray in range(rays):
                dx, dy, dz = ray_direction(frame, plate, row, column, ray, rays)
                x, y, z, _ = approach(
                    frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, centre[0], centre[1], centre[2]
                )
                n = 0
                for i in range(rows):
                    k = active[i]
                    if n <= WORK_EVENTS:
                        n = add_events(
                            packed.matrix, packed.origin, packed.profile, packed.ends, k, packed.role[k],
                            x, y, z, dx, dy, dz, times, marks, n,
                        )  # fmt: skip
                if n > WORK_EVENTS:
                    paths[row, column, ray, 0] = plate.u.dtype.type(math.nan)
                elif n > 0:
                    sort_events(times, marks, n)
                    metal, second = metal_in_events(times, marks, n, zero)
                    paths[row, column, ray, 0] += metal
                    paths[row, column, ray, 3] += second
        begin = c0
        while begin < c1:
            end, k = begin + 1, lone[begin - c0]
            while end < c1 and lone[end - c0] == k:
                end += 1
            if k >= 0:
                _add_convex(packed, k, centre, frame, plate, near, row, begin, end, 0, paths, work)
            begin = end


@_inner
def _add_convex(packed, k, centre, frame, plate, near, row, begin, end, place, paths, work):  # type: ignore[no-untyped-def]
    """Add the lengths of columns begin..end-1 of a row in one primitive without a waist; `work` is (4, rays)."""
    most, n = paths.shape[2], row_directions(frame, plate, near, row, begin, end, paths.shape[2], work)
    found = work[3]
    convex_lengths(
        packed.matrix, packed.origin, packed.profile, packed.ends, k, frame[0], centre, work, n, found
    )
    i = 0
    for column in range(begin, end):
        for ray in range(most if near[row, column] else 1):
            paths[row, column, ray, place] += found[i]
            i += 1


@_inner
def _add_neck(packed, corners, k, frame, plate, near, paths, times, marks):  # type: ignore[no-untyped-def]
    r0, r1, c0, c1 = outline(corners, packed.neck_rows[k, 0], packed.neck_rows[k, 1], frame, plate)
    centre, reach = packed.neck_centre[k], packed.neck_radius[k] * packed.neck_radius[k]
    i, j = packed.neck_joints[k, 0], packed.neck_joints[k, 1]
    for row in range(r0, r1):
        for column in range(c0, c1):
            rays = paths.shape[2] if near[row, column] else 1
            for ray in range(rays):
                dx, dy, dz = ray_direction(frame, plate, row, column, ray, rays)
                x, y, z, away = approach(
                    frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, centre[0], centre[1], centre[2]
                )
                if away < reach:
                    paths[row, column, ray, 0] += neck_length(
                        packed.matrix, packed.origin, packed.profile, packed.ends, packed.role,
                        packed.neck_rows[k, 0], packed.neck_rows[k, 1],
                        packed.joint_rows[i, 0], packed.joint_rows[i, 1],
                        packed.joint_rows[j, 0], packed.joint_rows[j, 1],
                        x, y, z, dx, dy, dz, times, marks,
                    )  # fmt: skip


@_inner
def _add_copper(packed, balls, corners, k, frame, plate, near, paths, work):  # type: ignore[no-untyped-def]
    row_of_solid = packed.copper_rows[0, 0] + k
    place = 1 if row_of_solid < packed.copper_rows[0, 1] else 2
    centre = balls[row_of_solid]
    r0, r1, c0, c1 = outline(corners, row_of_solid, row_of_solid + 1, frame, plate)
    if packed.role[row_of_solid] == BODY and packed.profile[row_of_solid, 2] <= centre[3] - centre[3]:
        for row in range(r0, r1):
            _add_convex(packed, row_of_solid, centre, frame, plate, near, row, c0, c1, place, paths, work)
        return
    for row in range(r0, r1):
        for column in range(c0, c1):
            rays = paths.shape[2] if near[row, column] else 1
            for ray in range(rays):
                dx, dy, dz = ray_direction(frame, plate, row, column, ray, rays)
                x, y, z, away = approach(
                    frame[0, 0], frame[0, 1], frame[0, 2], dx, dy, dz, centre[0], centre[1], centre[2]
                )
                if away < centre[3] * centre[3]:
                    paths[row, column, ray, place] += disjoint_length(
                        packed.matrix, packed.origin, packed.profile, packed.ends, packed.role,
                        row_of_solid, row_of_solid + 1, x, y, z, dx, dy, dz,
                    )  # fmt: skip


@_inner
def _inverse(component, one, large):  # type: ignore[no-untyped-def]
    """1 / component; where that is zero, a number so large that a slab is either never left or never met."""
    return large if component == 0 else one / component


@_inner
def _ray_lengths(packed, frame, plate, paths, row, column, ray, rays, out):  # type: ignore[no-untyped-def]
    """Lengths of the five materials along one ray, into out (5,)."""
    zero = plate.u[0] - plate.u[0]
    for material in range(_MATERIALS):
        out[material] = zero
    dx, dy, dz = ray_direction(frame, plate, row, column, ray, rays)
    one, large = plate.u.dtype.type(1), plate.u.dtype.type(1e30)
    ix, iy, iz = _inverse(dx, one, large), _inverse(dy, one, large), _inverse(dz, one, large)
    low, high = packed.box_low, packed.box_high
    for k in range(packed.box_material.shape[0]):
        x0, x1 = (low[k, 0] - frame[0, 0]) * ix, (high[k, 0] - frame[0, 0]) * ix
        y0, y1 = (low[k, 1] - frame[0, 1]) * iy, (high[k, 1] - frame[0, 1]) * iy
        z0, z1 = (low[k, 2] - frame[0, 2]) * iz, (high[k, 2] - frame[0, 2]) * iz
        begin = max(max(min(x0, x1), min(y0, y1)), min(z0, z1))
        end = min(min(max(x0, x1), max(y0, y1)), max(z0, z1))
        out[packed.box_material[k]] += max(end - begin, zero)
    sunk = paths[row, column, ray, 2]
    second = paths[row, column, ray, 3]
    out[SOLDER] += paths[row, column, ray, 0] - second
    out[SECOND] += second
    out[COPPER] += paths[row, column, ray, 1] + sunk
    out[LAMINATE] = max(out[LAMINATE] - sunk, zero)


@_inner
def _finish_row(packed, frame, plate, bins, paths, near, row, signal, variance):  # type: ignore[no-untyped-def]
    """Signal and variance of one row of pixels: all its rays side by side through every energy."""
    columns, most = plate.u.shape[0], paths.shape[2]
    rays = 0
    for column in range(columns):
        rays += most if near[row, column] else 1
    through = np.empty((_MATERIALS, rays), plate.u.dtype)
    i = 0
    for column in range(columns):
        count = most if near[row, column] else 1
        for ray in range(count):
            _ray_lengths(packed, frame, plate, paths, row, column, ray, count, through[:, i])
            i += 1
    first, second = _through_energies(through, bins)
    i = 0
    for column in range(columns):
        count = most if near[row, column] else 1
        s, v = first[i], second[i]
        for ray in range(1, count):
            s += first[i + ray]
            v += second[i + ray]
        share = plate.u.dtype.type(1.0) / plate.u.dtype.type(count)
        signal[column], variance[column] = s * share, v * share
        i += count


@_inner
def _through_energies(through, bins):  # type: ignore[no-untyped-def]
    """Signal and variance of each ray, summed over the energies."""
    rays = through.shape[1]
    mixed = False
    for i in range(rays):
        mixed |= through[SECOND, i] != 0
    depth = np.empty(rays, through.dtype)
    signal, variance = np.zeros(rays, through.dtype), np.zeros(rays, through.dtype)
    for k in range(bins.weight.shape[0]):
        m0, m1 = bins.mu[SOLDER, k], bins.mu[COPPER, k]
        m2, m3, m4 = bins.mu[LAMINATE, k], bins.mu[SILICON, k], bins.mu[SECOND, k]
        for i in range(rays):
            depth[i] = m0 * through[0, i] + m1 * through[1, i] + m2 * through[2, i] + m3 * through[3, i]
        if mixed:
            for i in range(rays):
                depth[i] += m4 * through[4, i]
        decay(depth)
        weight, noise = bins.weight[k], bins.noise[k]
        for i in range(rays):
            signal[i] += weight * depth[i]
            variance[i] += noise * depth[i]
    return signal, variance
