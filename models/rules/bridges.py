"""Does metal join the joint to a neighbour?

Between the joint and each of its four neighbours lies a lane of air. The best path across a lane is the one whose
darkest step is brightest (widest path, exact by dynamic programming across the lane); what that step reads tells how
well joined the two are, at two widths of blur: a thin neck shows in the narrow one, the wide one calms noise. A bulge
towards the neighbour that stops short has a dark step; a neck has none.
"""

from bisect import bisect_left
from dataclasses import dataclass
from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.models.rules.edges import Body, Vector, Volume
from jointwise.models.rules.filters import blurred
from jointwise.models.rules.ranks import quantile

Box = tuple[slice, slice, slice]

WIDE: Final = 1.6
"""Blur of the calmer look, grid steps."""
SIDE: Final = 0.2
"""Half width of the strip in which a path may run, in ball diameters: necks lie between the balls' axes."""
AROUND: Final = 0.32
"""Half width of the lane whose air is the ground a neck stands out from, in pitches."""
GROUND: Final = (0.10, 0.25)
"""Quantiles of the lane, height by height, that tell its darkest air and that air's spread: rays along a row of balls
darken the air between them, and lands and laminate glow into it from above and below."""
NECK: Final = 0.3
"""Reading of the weakest step from which a neck is measured."""


@dataclass(frozen=True)
class Bridge:
    """The strongest of the four connections.

    Args:
        narrow, wide: weakest step of the best path over the lane's air, scaled, for the two blurs.
        narrow_sigmas, wide_sigmas: the same in spreads of that air.
        neck_um: diameter of a circle with the neck's least area, µm; 0 without a neck.
        place_mm: (x, y, z) of that area from the box's centre, mm; None without a neck.
    """

    narrow: float
    wide: float
    narrow_sigmas: float
    wide_sigmas: float
    neck_um: float
    place_mm: tuple[float, float, float] | None = None


def strongest_bridge(body: Body, board_mm: float, package_mm: float) -> Bridge:
    """Look at the lanes to the neighbours in +x, -x, +y and -y between two heights (mm from the box's centre)."""
    height = _range(body.frame.z, board_mm + 0.5 * body.frame.dz, package_mm - 0.5 * body.frame.dz)
    wide = blurred(body.raw, WIDE, planes=(height.start, height.stop))
    radius = float(np.median(np.sort(body.edge)[-7:]))
    found = [_lane(body, wide, axis, side, height, radius) for axis in (2, 1) for side in (1, -1)]
    return max(found, key=lambda b: b.narrow + b.wide)


def _lane(body: Body, wide: Volume, axis: int, side: int, height: slice, radius: float) -> Bridge:
    strip, around, air = _box(body, axis, side, height, radius)
    shift = strip[2].start - around[2].start
    inner = slice(shift, shift + strip[2].stop - strip[2].start)
    readings = []
    for volume in (body.smooth, wide):
        lane = _across(volume, axis, side)
        readings.append(_reading(lane[around], lane[strip], max(body.grain, 0.01)))
    (narrow, narrow_sigmas, _), (broad, broad_sigmas, low) = readings
    neck, place = 0.0, None
    if broad > NECK:
        _, path = _widest_path(lane[strip] - low[None, :, None])  # of the wide blur, which came last
        raw = _across(body.raw, axis, side)[around]
        path[:, 1] += inner.start
        air_level = (
            _ground(raw)[1] + 0.67 * body.noise
        )  # noise alone puts the quarter that far below the mean
        neck, step = _neck(body, raw - air_level[None, :, None], path[air])
        place = _place(body, axis, side, around, (step, *path[air][step]))
    return Bridge(narrow, broad, narrow_sigmas, broad_sigmas, neck, place)


def _place(
    body: Body, axis: int, side: int, around: Box, point: tuple[int, int, int]
) -> tuple[float, float, float]:
    """Where a point (step, z, width) of the air around lies in the sub-volume, mm."""
    f = body.frame
    along = side * float(f.x[around[0].start + point[0]])
    height, across = float(f.z[around[1].start + point[1]]), float(f.x[around[2].start + point[2]])
    return (along, across, height) if axis == 2 else (across, along, height)


@numba.njit(cache=True, nogil=True)
def _reading(around: Volume, strip: Volume, least: float) -> tuple[float, float, Volume]:
    """Weakest step of the best path over the air, the same in spreads of that air (`least` at least), and that air."""
    low, lower_quarter = _ground(around)
    contrast = _weakest_step(strip, low)
    return contrast, contrast / max(quantile(lower_quarter - low, len(low), 0.5), least), low


@numba.njit(cache=True, nogil=True)
def _ground(lane: Volume) -> tuple[Volume, Volume]:
    """Quantiles GROUND of the air around, per height, smoothed along z."""
    first, second = _lowest(lane)
    return _smoothed(first), _smoothed(second)


@numba.njit(cache=True, nogil=True)
def _smoothed(values: Vector) -> Volume:
    """`ndimage.uniform_filter1d(values, 3)`, summed as there."""
    n = len(values)
    out, total = np.empty(n, np.float32), values[0] + values[0] + values[min(1, n - 1)]
    out[0] = np.float32(total / 3)
    for k in range(1, n):
        total += values[min(k + 1, n - 1)] - values[max(k - 2, 0)]
        out[k] = np.float32(total / 3)
    return out


@numba.njit(cache=True, nogil=True)
def _lowest(lane: Volume) -> tuple[Vector, Vector]:
    """Both quantiles of a lane (step, z, width), per height."""
    steps, nz, nw = lane.shape
    first, second, values = np.empty(nz), np.empty(nz), np.empty(steps * nw, np.float32)
    for k in range(nz):
        for t in range(steps):
            for w in range(nw):
                values[t * nw + w] = lane[t, k, w]
        second[k] = quantile(values, len(values), GROUND[1])
        # The lowest are now in front, and with them all that the lower quantile asks for.
        first[k] = quantile(values, len(values), GROUND[0])
    return first, second


def _across(values: Volume, axis: int, side: int) -> Volume:
    """Turn the volume so that the lane runs along the first axis, outward, then z, then the width."""
    turned = values.transpose(2, 0, 1) if axis == 2 else values.transpose(1, 0, 2)
    return np.asarray(turned[::side])


def _box(body: Body, axis: int, side: int, height: slice, radius: float) -> tuple[Box, Box, slice]:
    """The strip from inside this joint into the neighbour's flank, the air around it, and its steps in air.

    A bulge may leave air right at the other's flank, so the path runs from metal to metal. The neighbour is taken to
    be this joint's mirror image.
    """
    f = body.frame
    centre = side * body.axis[0 if axis == 2 else 1]
    other = body.axis[1 if axis == 2 else 0]
    along = _range(f.x, centre + 0.6 * radius, float(f.x[-1]) + f.dx)
    first = bisect_left(f.x, centre + radius + body.blur)
    last = bisect_left(f.x, centre + f.pitch - radius - body.blur)
    start = min(max(first - along.start, 0), along.stop - along.start - 3)
    air = slice(start, max(last - along.start, start + 3))
    strip = _range(f.x, other - SIDE * f.ball, other + SIDE * f.ball)
    lane = _range(f.x, other - AROUND * f.pitch, other + AROUND * f.pitch)
    between = slice(along.start + air.start, along.start + air.stop)
    return (along, height, strip), (between, height, lane), air


def _range(points: Vector, low: float, high: float) -> slice:
    start = min(bisect_left(points, low), len(points) - 3)
    return slice(start, max(bisect_left(points, high), start + 3))


@numba.njit(cache=True, nogil=True)
def _weakest_step(lane: Volume, low: Volume) -> float:
    """Least value over the ground `low` of the path that `_widest_path` finds, without the path."""
    steps, nz, nw = lane.shape
    value, beside = np.empty((nz, nw), np.float32), np.empty((nz, nw), np.float32)
    for k in range(nz):
        for w in range(nw):
            value[k, w] = lane[0, k, w] - low[k]
    for t in range(1, steps):
        for k in range(nz):
            for w in range(nw):
                beside[k, w] = max(value[k, max(w - 1, 0)], value[k, w], value[k, min(w + 1, nw - 1)])
        for k in range(nz):
            above, below = beside[min(k + 1, nz - 1)], beside[max(k - 1, 0)]
            for w in range(nw):
                best = max(below[w], beside[k, w], above[w])
                value[k, w] = min(best, lane[t, k, w] - low[k])
    return float(value.max())


@numba.njit(cache=True, nogil=True)
def _widest_path(lane: Volume) -> tuple[float, NDArray[np.int64]]:
    """Path through (step, z, width), one point per step, moving by at most one, whose least value is greatest."""
    steps, nz, nw = lane.shape
    value = lane[0].astype(np.float64)
    origin = np.zeros((steps, nz, nw), np.int64)
    for t in range(1, steps):
        before = value.copy()
        for k in range(nz):
            for w in range(nw):
                best, place = -1e30, k * nw + w
                for kk in range(max(0, k - 1), min(nz, k + 2)):
                    for ww in range(max(0, w - 1), min(nw, w + 2)):
                        if before[kk, ww] > best:
                            best, place = before[kk, ww], kk * nw + ww
                value[k, w] = min(best, lane[t, k, w])
                origin[t, k, w] = place
    path = np.zeros((steps, 2), np.int64)
    flat = np.argmax(value)
    for t in range(steps - 1, -1, -1):
        path[t, 0], path[t, 1] = flat // nw, flat % nw
        flat = origin[t, path[t, 0], path[t, 1]]
    return value.max(), path


def _neck(body: Body, lane: Volume, path: NDArray[np.int64]) -> tuple[float, int]:
    """Diameter, µm, of the circle with the least cross-section of metal along the path, and its step."""
    f = body.frame
    z, w = np.arange(lane.shape[1]) * f.dz, np.arange(lane.shape[2]) * f.dx
    reach = 0.4 * f.ball
    areas = []
    for metal, (k, m) in zip(lane, path, strict=True):
        near = np.hypot((z - z[k])[:, None], (w - w[m])[None, :]) < reach
        areas.append(float(np.clip(metal[near], -0.5, 1.2).sum()) * f.dz * f.dx)
    smooth = ndimage.uniform_filter1d(np.array(areas), 3, mode="nearest")
    least = int(smooth.argmin())
    return float(2000 * np.sqrt(max(smooth[least], 0.0) / np.pi)), least
