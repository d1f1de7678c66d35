"""Cone-beam projections of a scene: closed-form chords, energies summed per ray, intensities averaged per pixel.

For each view only the pixels under a joint's, a neck's or a copper solid's bounding ball ask for its chords.
Where metal of a joint is near, a pixel averages the **intensities** of 2x2 rays: averaging lengths instead,
or one ray through the middle, is off by more than the photon noise at a silhouette. One source compiles for
float32 and float64; every view is computed on its own, so the bits do not depend on the number of threads.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes.chords import WORK_EVENTS
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
from jointwise.data_gen.xray.decay import decay
from jointwise.data_gen.xray.energies import Energies
from jointwise.data_gen.xray.footprints import Plate, bounds, row_directions
from jointwise.data_gen.xray.geometry import (
    STEADY,
    STILL,
    ConeBeam,
    Pose,
    Wobble,
    detector_shifts,
    view_frames,
)
from jointwise.data_gen.xray.metal import cast_shadows, metal_row, rows_with_metal, work_lines
from jointwise.data_gen.xray.threads import each

SUB_RAYS = 2
"""Rays per pixel edge where a joint is near."""

_MATERIALS = 5

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
    materials: tuple[int, ...] = (SOLDER, COPPER, LAMINATE, SILICON, SECOND),
    dtype: Any = np.float64,
) -> NDArray[Any]:
    """Path length per material of one ray through each pixel's middle, mm, shape (view, row, column, materials)."""
    packed = scene if isinstance(scene, Packed) else pack(scene, dtype)
    frames = view_frames(beam, pose, views).astype(dtype)
    plate = _plates(beam, np.zeros((1, 2)), 1, dtype)[0]
    out = np.empty((len(frames), len(materials), beam.rows, beam.columns), dtype)
    balls, corners = bounds(packed)
    wanted = np.array(materials)
    each(
        _lengths_of_view,
        ((packed, balls, corners, frame, plate, wanted, out[i]) for i, frame in enumerate(frames)),
    )
    return out.transpose(0, 2, 3, 1)


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
    shadows = cast_shadows(packed, balls, corners, frame, plate)
    lines = work_lines(packed, plate, shadows)
    through = np.empty((_MATERIALS, lines.direction.shape[1]), plate.u.dtype)
    for row in range(plate.v.shape[0]):
        row_directions(frame, plate, shadows.near, row, lines.first, lines.direction)
        metal_row(packed, balls, shadows, frame, row, lines)
        _materials(packed, frame, lines, through)
        first, second = _through_energies(through, lines.first[-1], bins)
        _average(first, second, lines.first, signal[row], variance[row])


@_inner
def _lengths_of_view(packed, balls, corners, frame, plate, wanted, out):  # type: ignore[no-untyped-def]
    shadows = cast_shadows(packed, balls, corners, frame, plate)
    lines = work_lines(packed, plate, shadows)
    through = np.empty((_MATERIALS, lines.direction.shape[1]), plate.u.dtype)
    busy, boxes = rows_with_metal(packed, shadows), packed.box_material.shape[0] > 0
    for row in range(plate.v.shape[0]):
        if not boxes and not busy[row]:
            out[:, row] = 0
            continue
        row_directions(frame, plate, shadows.near, row, lines.first, lines.direction)
        metal_row(packed, balls, shadows, frame, row, lines)
        _materials(packed, frame, lines, through)
        for i in range(wanted.shape[0]):
            out[i, row] = through[wanted[i], : plate.u.shape[0]]


@_inner
def _materials(packed, frame, lines, through):  # type: ignore[no-untyped-def]
    """Lengths (5, rays or more) of the materials along one row of rays: boxes, then the metal that `lines` holds."""
    n = lines.first[-1]
    through[:, :n] = 0
    if packed.box_material.shape[0]:
        _invert(lines.direction, n, lines.inverse)
    for k in range(packed.box_material.shape[0]):
        path = through[packed.box_material[k], :n]
        _add_box(packed.box_low[k], packed.box_high[k], frame[0], lines.inverse, path)
    solder, copper, sunk, second = lines.paths[0], lines.paths[1], lines.paths[2], lines.paths[3]
    in_solder, in_copper, in_laminate = through[SOLDER], through[COPPER], through[LAMINATE]
    in_second, zero = through[SECOND], through.dtype.type(0)
    for i in range(n):
        in_solder[i] += solder[i] - second[i]
        in_second[i] += second[i]
        in_copper[i] += copper[i] + sunk[i]
        in_laminate[i] = max(in_laminate[i] - sunk[i], zero)


@_inner
def _invert(direction, n, out):  # type: ignore[no-untyped-def]
    """1 / component; where that is zero, a number so large that a slab is either never left or never met."""
    one, large = out.dtype.type(1), out.dtype.type(1e30)
    for axis in range(3):
        component, inverse = direction[axis], out[axis]
        for i in range(n):
            inverse[i] = large if component[i] == 0 else one / component[i]


@_inner
def _add_box(low, high, source, inverse, path):  # type: ignore[no-untyped-def]
    """Add the lengths of a row of rays in one axis-aligned box."""
    x0, y0, z0 = low[0] - source[0], low[1] - source[1], low[2] - source[2]
    x1, y1, z1 = high[0] - source[0], high[1] - source[1], high[2] - source[2]
    ix, iy, iz = inverse[0], inverse[1], inverse[2]
    zero = path.dtype.type(0)
    for i in range(path.shape[0]):
        ax, bx, ay, by, az, bz = x0 * ix[i], x1 * ix[i], y0 * iy[i], y1 * iy[i], z0 * iz[i], z1 * iz[i]
        begin = max(max(min(ax, bx), min(ay, by)), min(az, bz))
        end = min(min(max(ax, bx), max(ay, by)), max(az, bz))
        path[i] += max(end - begin, zero)


@_inner
def _average(first, second, rays, signal, variance):  # type: ignore[no-untyped-def]
    """Each pixel's mean over its rays, of signal and of variance."""
    for column in range(signal.shape[0]):
        begin, end = rays[column], rays[column + 1]
        s, v = first[begin], second[begin]
        for i in range(begin + 1, end):
            s += first[i]
            v += second[i]
        share = signal.dtype.type(1.0) / signal.dtype.type(end - begin)
        signal[column], variance[column] = s * share, v * share


@_inner
def _through_energies(through, rays, bins):  # type: ignore[no-untyped-def]
    """Signal and variance of each ray, summed over the energies."""
    solder, copper, laminate = through[SOLDER], through[COPPER], through[LAMINATE]
    silicon, other = through[SILICON], through[SECOND]
    mixed = False
    for i in range(rays):
        mixed |= other[i] != 0
    depth = np.empty(rays, through.dtype)
    signal, variance = np.zeros(rays, through.dtype), np.zeros(rays, through.dtype)
    for k in range(bins.weight.shape[0]):
        m0, m1 = bins.mu[SOLDER, k], bins.mu[COPPER, k]
        m2, m3, m4 = bins.mu[LAMINATE, k], bins.mu[SILICON, k], bins.mu[SECOND, k]
        for i in range(rays):
            depth[i] = m0 * solder[i] + m1 * copper[i] + m2 * laminate[i] + m3 * silicon[i]
        if mixed:
            for i in range(rays):
                depth[i] += m4 * other[i]
        decay(depth)
        weight, noise = bins.weight[k], bins.noise[k]
        for i in range(rays):
            signal[i] += weight * depth[i]
            variance[i] += noise * depth[i]
    return signal, variance
