"""Where one joint begins and ends: its own two levels, its axis, its edge at every height, all sub-voxel.

A scan's levels hold for the scan; hardening, scatter and neighbours shift them from joint to joint. So each joint is
scaled once more to its own air and solder before anything is measured on it.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.grid import Grid
from jointwise.models.rules.filters import blurred
from jointwise.models.rules.ranks import quantile, quantile_where

Volume = NDArray[np.float32]
Vector = NDArray[np.float64]

PRESENT: Final = 0.25
"""Contrast of the bulk over the lanes, in the scan's solder level, below which no ball stands there."""

OFF_CENTRE: Final = 0.2
"""Farthest that a joint's axis is looked for from the box's centre, in ball diameters."""


@dataclass(frozen=True)
class Frame:
    """Sizes of one joint's grid, mm.

    Args:
        pitch, ball: pitch and nominal ball diameter.
        x, y, z: positions of the grid points from the box's centre.
    """

    pitch: float
    ball: float
    x: Vector
    y: Vector
    z: Vector

    @classmethod
    def of(cls, grid: Grid, pitch_mm: float, ball_mm: float) -> "Frame":
        """Frame of a grid laid on a part; the same one for joint after joint, not to be changed."""
        return _frame(tuple(grid.shape), grid.pitches, grid.balls, pitch_mm, ball_mm)

    @cached_property
    def dx(self) -> float:
        """Step along x and y, mm (the box is square)."""
        return float(self.x[1] - self.x[0])

    @cached_property
    def dz(self) -> float:
        """Step along z, mm."""
        return float(self.z[1] - self.z[0])

    def heights(self, balls: float) -> tuple[int, int]:
        """The first plane, and the one after the last, less than so many ball diameters from the middle."""
        return _within(self.z, balls * self.ball)

    @cached_property
    def lane(self) -> NDArray[np.bool_]:
        """(y, x) places midway between four balls, where air is read."""
        ax, ay = np.abs(self.x)[None, :], np.abs(self.y)[:, None]
        return np.asarray(np.hypot(ax - self.pitch / 2, ay - self.pitch / 2) < 0.12 * self.pitch)

    @cached_property
    def bulk(self) -> NDArray[np.bool_]:
        """(y, x) places in the bulk, where solder is read."""
        return np.asarray(np.hypot(self.x[None, :], self.y[:, None]) < 0.3 * self.ball)


@lru_cache(maxsize=8)
def _frame(
    shape: tuple[int, int, int], pitches: float, balls: float, pitch_mm: float, ball_mm: float
) -> Frame:
    return Frame(pitch_mm, ball_mm, *Grid(shape, pitches, balls).offsets_mm(pitch_mm, ball_mm))


def _within(places: Vector, reach: float) -> tuple[int, int]:
    """The first of rising places, and the one after the last, less than so far from 0; at least one is."""
    inside = np.flatnonzero(np.abs(places) < reach)
    return int(inside[0]), int(inside[-1]) + 1


@dataclass(frozen=True)
class Body:
    """One joint scaled to its own levels, and its outline.

    Args:
        frame: sizes.
        raw: (z, y, x) scaled values: 0 = this joint's air, 1 = its solder.
        smooth: `raw` after a light blur, for thresholds that noise must not decide.
        contrast: solder minus air of this joint in the scan's scale.
        noise: standard deviation of `raw` inside solder.
        grain: the same of `smooth`.
        axis: (x0, y0, slope_x, slope_y): centre of the joint at height z is x0 + slope_x z, …, mm.
        ring: (y, x) distance from the axis at z = 0, mm.
        edge: (z,) radius at which solder ends, mm, 0 where there is none.
        blur: standard deviation of the flank's edge, mm: what the scan's voxels and optics blur.
    """

    frame: Frame
    raw: Volume
    smooth: Volume
    contrast: float
    noise: float
    grain: float
    axis: tuple[float, float, float, float]
    ring: Vector
    edge: Vector
    blur: float

    @property
    def present(self) -> bool:
        """Whether a ball stands there at all."""
        return self.contrast >= PRESENT and float(self.edge.max()) > 0.15 * self.frame.ball

    def mended(self, ends: tuple[float, float]) -> Vector:
        """(z,) the outline without the slits that gaps and open voids cut into it; 0 beyond the lands `ends` (mm)."""
        z = self.frame.z
        closed = ndimage.grey_closing(self.edge, 9, mode="nearest")
        return np.asarray(np.where((z > ends[0]) & (z < ends[1]), closed, 0.0))

    def distance(self) -> Vector:
        """(z, y, x) distance of every grid point from the joint's axis, mm."""
        x0, y0, sx, sy = self.axis
        f = self.frame
        dx = f.x[None, :] - x0 - sx * f.z[:, None]
        dy = f.y[None, :] - y0 - sy * f.z[:, None]
        return np.asarray(np.sqrt(dx[:, None, :] ** 2 + dy[:, :, None] ** 2))


def outline(volume: NDArray[np.floating], frame: Frame) -> Body:
    """Scale one sub-volume to its own levels and trace its outline."""
    values = volume.astype(np.float32, copy=False)
    calm = blurred(values, (1.0, 0.7, 0.7))
    air, solder = _levels(calm, frame)
    contrast = solder - air
    scale = max(contrast, PRESENT)  # without a ball there is nothing to scale to
    raw, smooth = _scaled(values, air, scale), _scaled(calm, air, scale)
    axis = _axis(smooth, frame)
    ring = np.hypot(frame.x[None, :] - axis[0], frame.y[:, None] - axis[1])
    noise, grain = _noise(raw, smooth, frame)
    step = 0.5 * frame.dx
    rings = int(0.5 * frame.pitch / step)
    mean = polar_mean(raw, frame.x, frame.y, frame.z, np.array(axis), step, rings)
    edge, blur = step * outer_crossing(mean, 0.5), _blur(mean, step, frame)
    return Body(frame, raw, smooth, contrast, noise, grain, axis, ring, edge, blur)


@numba.njit(cache=True, nogil=True)
def _scaled(values: Volume, air: float, scale: float) -> Volume:
    out, zero, one = np.empty(values.shape, np.float32), np.float32(air), np.float32(scale)
    for k in range(values.shape[0]):
        for j in range(values.shape[1]):
            for i in range(values.shape[2]):
                out[k, j, i] = (values[k, j, i] - zero) / one
    return out


def _levels(calm: Volume, frame: Frame) -> tuple[float, float]:
    """Air: median between four balls; solder: upper quartile of the bulk, because voids and gaps only darken."""
    first, last = frame.heights(0.2)
    box = calm[first:last]
    # Rounded as the volume is: what follows is scaled by them in float32.
    air, solder = quantile_where(box, frame.lane, 0.5), quantile_where(box, frame.bulk, 0.75)
    return float(np.float32(air)), float(np.float32(solder))


def _noise(raw: Volume, smooth: Volume, frame: Frame) -> tuple[float, float]:
    """Spread inside solder of the values and of the blurred values, from second differences in plane.

    Cupping bends slowly, and points three apart share no noise that interpolation has correlated. Only where all three
    points are solder, well above the edge of any void, is noise read; half of the magnitudes lie below 0.6745 standard
    deviations, and the factor 1.5 is 1 + 1/4 + 1/4.
    """
    side = np.flatnonzero(np.abs(frame.y) < 0.45 * frame.ball)
    return _spreads(raw, smooth, frame.heights(0.3), (int(side[0]), int(side[-1]) + 1))


@numba.njit(cache=True, nogil=True)
def _spreads(
    raw: Volume, smooth: Volume, heights: tuple[int, int], side: tuple[int, int]
) -> tuple[float, float]:
    """Spread of both volumes in a box of planes `heights` and of rows and columns `side`."""
    most = (heights[1] - heights[0]) * (side[1] - side[0]) ** 2
    bends, calm_bends, n = np.empty(most), np.empty(most), 0
    for k in range(heights[0], heights[1]):
        for j in range(side[0], side[1]):
            line, calm = raw[k, j], smooth[k, j]
            for i in range(side[0] + 3, side[1] - 3):
                if min(calm[i - 3], calm[i], calm[i + 3]) > np.float32(0.75):
                    bends[n] = abs(_bend(line, i))
                    calm_bends[n] = abs(_bend(calm, i))
                    n += 1
    if n <= 50:
        return 0.05, 0.05
    to_sigma = 1 / 0.6745 / np.sqrt(1.5)
    return quantile(bends, n, 0.5) * to_sigma, quantile(calm_bends, n, 0.5) * to_sigma


@numba.njit(cache=True, nogil=True)
def _bend(line: Volume, i: int) -> float:
    return np.float64(line[i]) - 0.5 * (np.float64(line[i - 3]) + np.float64(line[i + 3]))


def _axis(smooth: Volume, frame: Frame) -> tuple[float, float, float, float]:
    """Straight line through the middles of the slices, fitted where the ball is thick.

    A slice's middle is the median midpoint of its chords: voids do not move it, and a neck spoils a few chords only.
    """
    first, last = frame.heights(0.22)
    rows, near = _within(frame.x, 0.25 * frame.ball), _within(frame.x, 0.46 * frame.pitch)
    lines = []
    for slices in (smooth[first:last], smooth[first:last].transpose(0, 2, 1)):
        chords = np.ascontiguousarray(slices[:, slice(*rows), slice(*near)])
        middle = _middles(chords, frame.x[slice(*near)])
        lines.append(_line(frame.z[first:last], middle))
    (slope_x, x0), (slope_y, y0) = lines
    far = OFF_CENTRE * frame.ball
    return min(max(x0, -far), far), min(max(y0, -far), far), slope_x, slope_y


@numba.njit(cache=True)
def _middles(chords: Volume, x: Vector) -> Vector:
    """Median midpoint of the chords (slice, row, x) of every slice; NaN where fewer than four rows hold solder."""
    slices, rows, n = chords.shape
    step = x[1] - x[0]
    result = np.full(slices, np.nan)
    middle = np.empty(rows)
    for k in range(slices):
        found = 0
        for j in range(rows):
            first, last = -1, -1
            for i in range(n):
                if chords[k, j, i] > 0.5:
                    last = i
                    if first < 0:
                        first = i
            if first < 0:
                continue
            left, right = x[first], x[last]
            if first > 0:
                low, high = chords[k, j, first - 1], chords[k, j, first]
                left -= step * (high - 0.5) / (high - low)
            if last + 1 < n:
                low, high = chords[k, j, last + 1], chords[k, j, last]
                right += step * (high - 0.5) / (high - low)
            middle[found] = 0.5 * (left + right)
            found += 1
        if found >= 4:
            result[k] = np.median(middle[:found])
    return result


@numba.njit(cache=True)
def _line(z: Vector, middle: Vector) -> tuple[float, float]:
    """Slope and value at 0, from medians: slices spoilt by a gap must not tilt the line; 0 where few are known."""
    known = np.isfinite(middle)
    z, middle = z[known], middle[known]
    if len(z) <= 4:
        return 0.0, 0.0
    half = len(z) // 2
    rise = (middle[-half:] - middle[:half]) / (z[-half:] - z[:half])
    slope = min(max(np.median(rise), -0.25), 0.25)
    return slope, np.median(middle - slope * z)


def _blur(mean: NDArray[np.float64], step: float, frame: Frame) -> float:
    """Standard deviation of the flank's edge from its quartiles, at the heights where the flank is steep.

    A gap or a void widens the edge of some slices, so the lower quartile of the slices counts.
    """
    middle = mean[slice(*frame.heights(0.12))]
    width = step * (outer_crossing(middle, 0.25) - outer_crossing(middle, 0.75))
    return min(max(quantile(width, len(width), 0.25) / 1.349, 0.25 * frame.dx), 0.15 * frame.ball)


@numba.njit(cache=True, nogil=True)
def polar_mean(
    values: Volume, x: Vector, y: Vector, z: Vector, axis: Vector, step: float, rings: int
) -> NDArray[np.float64]:
    """Mean over direction in rings around the axis, (z, ring); a ring without points repeats the one within.

    Each point is shared between the two rings next to it, so the mean is smooth in the radius.
    """
    nz, place = len(z), np.empty(len(x))
    total, weight = np.zeros((nz, rings)), np.zeros((nz, rings))
    # What lies beyond the last ring counts nowhere; a little more is left to it.
    far, reach = (rings * step) ** 2 * 1.001, rings * 1.001
    for k in range(nz):
        x0, y0 = axis[0] + axis[2] * z[k], axis[1] + axis[3] * z[k]
        for j in range(len(y)):
            if (y[j] - y0) ** 2 > far:
                continue
            for i in range(len(x)):
                place[i] = np.sqrt((x[i] - x0) ** 2 + (y[j] - y0) ** 2) / step
            for i in range(len(x)):
                if place[i] > reach:
                    continue
                inner = int(place[i])
                share = place[i] - inner
                if inner < rings:
                    total[k, inner] += (1 - share) * values[k, j, i]
                    weight[k, inner] += 1 - share
                if inner + 1 < rings:
                    total[k, inner + 1] += share * values[k, j, i]
                    weight[k, inner + 1] += share
        for r in range(rings):
            if weight[k, r] > 1e-9:
                total[k, r] /= weight[k, r]
            elif r > 0:
                total[k, r] = total[k, r - 1]
        if weight[k, 0] <= 1e-9:
            total[k, 0] = total[k, 1]
    return total


@numba.njit(cache=True)
def outer_crossing(mean: NDArray[np.float64], level: float) -> NDArray[np.float64]:
    """Per row, the largest fractional column index at which the values fall through the level; 0 if never above."""
    rows, columns = mean.shape
    found = np.zeros(rows)
    for k in range(rows):
        for r in range(columns - 1, -1, -1):
            if mean[k, r] >= level:
                after = mean[k, r + 1] if r + 1 < columns else level
                drop = mean[k, r] - after
                found[k] = r + ((mean[k, r] - level) / drop if drop > 0 else 0.0)
                break
    return found
