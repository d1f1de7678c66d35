"""The joint's darkest complete surface between land and land.

A pillow's gap is thin, curved, and goes all the way through; a flat plane misses it. A sheet detector turns the
sub-volume into reward (how much darker than what lies above and below); a surface s(x, y) collects the reward of its
points. First the best surface of revolution, for every one of a set of tilts, is found exactly by dynamic programming
along the radius; then it may bend freely, row by row and column by column, each again an exact dynamic programme given
its neighbours. What it found is judged in patches: a void darkens some, a gap (nearly) all.
"""

from dataclasses import dataclass
from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.edges import Body, Vector, Volume
from jointwise.models.rules.filters import blurred, running_mean
from jointwise.models.rules.patches import patch_means, patch_numbers, reached
from jointwise.models.rules.ranks import quantile_where

SHEET: Final = 0.05
"""Darkness over the joint's usual one from which a complete surface counts as a gap when voids are measured."""
FALL: Final = (3, 4, 5)
"""Distances, in planes, at which the solder above and below is read; the brightest of each side counts."""
SLOPE: Final = 2
"""Largest rise of a surface of revolution per radial step, in planes: a dish of 0.8 diameters needs 1.3 at its rim."""
TILTS: Final = (-0.5, -0.25, 0.0, 0.25, 0.5)
"""Tilts tried in x and in y, planes per step in the plane: a dish whose centre lies off the axis looks tilted."""
CLEAR: Final = 0.29
"""Half of the height searched, in ball diameters: beyond it the lands' blurred edges begin."""
FORBIDDEN: Final = -2.0
"""Reward beyond the lands, per point: no gap pays for it."""
CORE: Final = 0.3
"""Radius of the joint's core, ball diameters."""
BESIDE: Final = 4
"""Grid steps that the blur in a plane reaches."""
BAND: Final = 3
"""How far, in planes, the free surface may leave the surface of revolution."""
AROUND: Final = 8
"""Planes around a point that are looked at when its missing solder is measured: farther than any FALL."""
STIFF: Final = 0.02
"""Reward given up per plane of rise between neighbours in the free search."""


@dataclass(frozen=True)
class Surface:
    """The darkest complete surface.

    Args:
        height: (y, x) of the surface in planes (index along z); -1 outside the joint.
        gap_um: (y, x) metal missing along z at the surface, µm; NaN where it cannot be judged.
        patches: how much darker than solder above and below the surface is, relative, per patch.
        usual: the same where nothing is, over the joint's core: cupping makes it positive.
    """

    height: NDArray[np.int64]
    gap_um: Vector
    patches: Vector
    usual: float

    def reached(self, rank: int) -> float:
        """The darkness that all but `rank` of the twelve patches reach."""
        return reached(self.patches, rank)

    @property
    def complete(self) -> bool:
        """Whether at least nine of the twelve patches are darker than solder's own unevenness."""
        return self.reached(3) > max(self.usual, 0.0) + SHEET

    @property
    def lost(self) -> NDArray[np.bool_]:
        """(y, x) where the surface is not bonded: the gap exceeds a third of its usual width."""
        known = np.isfinite(self.gap_um)
        usual = float(np.median(self.gap_um[known])) if known.any() else np.inf
        return np.asarray(np.nan_to_num(self.gap_um, nan=-np.inf) > 0.35 * usual)

    def gap(self) -> tuple[float, float]:
        """Mean gap over the unbonded area, µm, and the bonded share of the surface."""
        known, lost = np.isfinite(self.gap_um), self.lost
        if not known.any():
            return 0.0, 1.0
        return float(self.gap_um[lost].mean()) if lost.any() else 0.0, float(1 - lost[known].mean())


def darkest_surface(body: Body) -> Surface:
    """Search the joint, clear of its lands."""
    f = body.frame
    low, high = np.searchsorted(f.z, (-CLEAR * f.ball, CLEAR * f.ball))
    read = (max(int(low) - AROUND, 0), min(int(high) + AROUND, len(f.z)))
    reach = 0.95 * float(body.edge.max())
    box = _around(body, max(reach + f.dx, CORE * f.ball))
    ring, x, y = body.ring[box], f.x[box[1]] - body.axis[0], f.y[box[0]] - body.axis[1]
    values = blurred(body.raw[:, *box], (0.0, 1.0, 1.0), planes=read)
    reward = sheet_reward(values, int(low), int(high))
    usual = quantile_where(reward[low:high], ring < CORE * f.ball, 0.5)
    span = int(low), int(high)
    start = _revolved(reward, x, y, f.dx, reach, np.array(TILTS), span)
    height = np.full(body.ring.shape, -1, np.int64)
    height[box] = _bend(reward, start, ring <= reach)
    return _judge(body, (values, reward), box, height, usual, span)


def _around(body: Body, reach_mm: float) -> tuple[slice, slice]:
    """Rows and columns within so far from the axis, and what their blur reads beside them."""
    f, (x0, y0, _, _) = body.frame, body.axis
    rows, columns = (
        np.flatnonzero(np.abs(places - middle) <= reach_mm) for places, middle in ((f.y, y0), (f.x, x0))
    )
    low, left = (max(int(found[0]) - BESIDE, 0) for found in (rows, columns))
    return slice(low, int(rows[-1]) + 1 + BESIDE), slice(left, int(columns[-1]) + 1 + BESIDE)


def sheet_reward(values: Volume, low: int, high: int) -> Volume:
    """How much darker each point is than the darker of what lies above and below, relative to that.

    FORBIDDEN outside the planes low … high-1, so that the surface stays between the lands.
    """
    return _reward(values, running_mean(values, 3), low, high)


@numba.njit(cache=True, nogil=True)
def _reward(values: Volume, near: Volume, low: int, high: int) -> Volume:
    nz, ny, nx = values.shape
    reward = np.full((nz, ny, nx), np.float32(FORBIDDEN), np.float32)
    for k in range(low, high):
        for j in range(ny):
            for i in range(nx):
                above, below = np.float32(-np.inf), np.float32(-np.inf)
                for fall in FALL:
                    above = max(above, near[min(k + fall, nz - 1), j, i])
                    below = max(below, near[max(k - fall, 0), j, i])
                level = min(above, below)
                share = np.float32(level - values[k, j, i]) / max(level, np.float32(0.3))
                reward[k, j, i] = min(max(np.float32(share), np.float32(-0.2)), np.float32(1.0))
    return reward


@numba.njit(cache=True, nogil=True)
def _revolved(
    reward: Volume, x: Vector, y: Vector, step: float, reach: float, tilts: Vector, span: tuple[int, int]
) -> Vector:
    """Height (y, x), in planes, of the best surface of revolution over all tilts, between the planes `span`."""
    nz = reward.shape[0]
    rings = int(reach / step) + 1
    best, best_tx, best_ty = -1e30, 0.0, 0.0
    best_path = np.zeros(rings, np.int64)
    columns, place, ring = _disc(reward, x, y, step, rings)
    for tx in tilts:
        for ty in tilts:
            total = _ring_sums(columns, place, ring, step, rings, tx, ty, span)
            value, path = _radial_path(total)
            if value > best + 1e-9:
                best, best_tx, best_ty, best_path = value, tx, ty, path
    height = np.full((len(y), len(x)), np.nan)
    for j in range(len(y)):
        for i in range(len(x)):
            own = int(np.sqrt(x[i] ** 2 + y[j] ** 2) / step)
            if own < rings:
                s = best_path[own] + (best_tx * x[i] + best_ty * y[j]) / step
                height[j, i] = min(max(s, 1.0), nz - 2.0)
    return height


@numba.njit(cache=True, nogil=True)
def _disc(
    reward: Volume, x: Vector, y: Vector, step: float, rings: int
) -> tuple[Vector, Vector, NDArray[np.int64]]:
    """Columns (n, z) within the outermost ring, laid along z; where they stand (n, 2), and their rings."""
    nz, ny, nx = reward.shape
    columns, place = np.empty((ny * nx, nz)), np.empty((ny * nx, 2))
    ring, n = np.empty(ny * nx, np.int64), 0
    for j in range(ny):
        for i in range(nx):
            ring[n] = int(np.sqrt(x[i] ** 2 + y[j] ** 2) / step)
            if ring[n] < rings:
                place[n, 0], place[n, 1] = x[i], y[j]
                for k in range(nz):
                    columns[n, k] = reward[k, j, i]
                n += 1
    return columns[:n], place[:n], ring[:n]


@numba.njit(cache=True, nogil=True)
def _ring_sums(
    columns: Vector,
    place: Vector,
    ring: NDArray[np.int64],
    step: float,
    rings: int,
    tx: float,
    ty: float,
    span: tuple[int, int],
) -> NDArray[np.float64]:
    """Reward summed per ring and height above the tilted plane."""
    nz = columns.shape[1]
    total = np.zeros((rings, nz))
    low, high = span
    for n in range(len(columns)):
        shift = (tx * place[n, 0] + ty * place[n, 1]) / step
        whole = int(np.floor(shift))
        part = shift - whole
        # Beside these planes both neighbours are forbidden.
        first = min(max(low - 1 - whole, -whole, 0), nz)
        last = max(min(high - whole, nz - 1 - whole, nz), first)
        line, sums = columns[n], total[ring[n]]
        _forbid(sums[:first])
        _add_between(line[first + whole : last + whole + 1], part, sums[first:last])
        _forbid(sums[last:])
    return total


@numba.njit(cache=True, nogil=True)
def _forbid(sums: Vector) -> None:
    for k in range(len(sums)):
        sums[k] += FORBIDDEN


@numba.njit(cache=True, nogil=True)
def _add_between(line: Vector, part: float, sums: Vector) -> None:
    """Add what lies such a part of the way from each value of a line to the next."""
    here, after = line[: len(sums)], line[1 : len(sums) + 1]
    for k in range(len(sums)):
        sums[k] += (1 - part) * here[k] + part * after[k]


@numba.njit(cache=True, nogil=True)
def _radial_path(total: NDArray[np.float64]) -> tuple[float, NDArray[np.int64]]:
    """Best path from the axis to the rim that rises at most SLOPE planes per ring, exactly."""
    rings, nz = total.shape
    value = total[0].copy()
    origin = np.zeros((rings, nz), np.int64)
    for r in range(1, rings):
        before = value.copy()
        for k in range(nz):
            best, place = -1e30, k
            for m in range(max(0, k - SLOPE), min(nz, k + SLOPE + 1)):
                if before[m] > best:
                    best, place = before[m], m
            value[k] = best + total[r, k]
            origin[r, k] = place
    path = np.zeros(rings, np.int64)
    path[rings - 1] = np.argmax(value)
    for r in range(rings - 1, 0, -1):
        path[r - 1] = origin[r, path[r]]
    return value.max(), path


def _bend(reward: Volume, start: Vector, inside: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Let the surface bend freely within BAND planes of where it starts; -1 outside."""
    base = np.where(inside, np.rint(np.nan_to_num(start)), -1).astype(np.int64)
    height = base.copy()
    across = np.ascontiguousarray(reward.transpose(0, 2, 1))
    for _ in range(2):
        _relax_rows(reward, base, height)
        turned, turned_base = np.ascontiguousarray(height.T), np.ascontiguousarray(base.T)
        _relax_rows(across, turned_base, turned)
        height = np.ascontiguousarray(turned.T)
    return height


@numba.njit(cache=True, nogil=True)
def _relax_rows(reward: Volume, base: NDArray[np.int64], height: NDArray[np.int64]) -> None:
    """Move each row in turn to its best heights given the rows beside it; changes `height`."""
    nz, ny, nx = reward.shape
    states = 2 * BAND + 1
    value = np.zeros((nx, states))
    origin = np.zeros((nx, states), np.int64)
    for j in range(ny):
        first, last = -1, -1
        for i in range(nx):
            if base[j, i] >= 0:
                last = i
                if first < 0:
                    first = i
        if first < 0:
            continue
        for i in range(first, last + 1):
            for s in range(states):
                k = base[j, i] - BAND + s
                if base[j, i] < 0 or k < 0 or k >= nz:
                    own = -1e6
                else:
                    own = reward[k, j, i]
                    for beside in (j - 1, j + 1):
                        if 0 <= beside < ny and height[beside, i] >= 0:
                            own -= STIFF * abs(k - height[beside, i])
                best, place = 0.0, 0
                if i > first:
                    best = -1e30
                    for m in range(states):
                        rise = abs(k - (base[j, i - 1] - BAND + m))
                        gain = value[i - 1, m] - STIFF * rise - (1e3 if rise > SLOPE else 0.0)
                        if gain > best:
                            best, place = gain, m
                value[i, s] = best + own
                origin[i, s] = place
        s = int(np.argmax(value[last]))
        for i in range(last, first - 1, -1):
            height[j, i] = base[j, i] - BAND + s
            s = origin[i, s]


def _judge(
    body: Body,
    seen: tuple[Volume, Volume],
    box: tuple[slice, slice],
    height: NDArray[np.int64],
    usual: float,
    span: tuple[int, int],
) -> Surface:
    """Judge a surface by the values and the reward seen in a box of columns."""
    f, (values, reward) = body.frame, seen
    land = 0.36 * f.ball
    rim = body.mended((-land, land)) - body.blur
    s = np.maximum(height, 0)
    valid = (height >= span[0]) & (height < span[1]) & (body.ring < rim[s])
    j, i = np.nonzero(valid)
    places = s[j, i], j - box[0].start, i - box[1].start
    dark = np.zeros(valid.shape)
    dark[j, i] = reward[places]
    patch = patch_numbers(body, valid, float(np.sqrt(valid.sum() * f.dx**2 / np.pi)))
    gap = np.full(valid.shape, np.nan)
    gap[j, i] = 1000 * f.dz * missing_planes(values, *places)
    return Surface(height, gap, patch_means(dark, patch), usual)


@numba.njit(cache=True)
def missing_planes(
    values: Volume, k: NDArray[np.int64], j: NDArray[np.int64], i: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Solder missing along z around the points (k, j, i), in planes.

    What a column should read is drawn straight between the brightest points up to eight planes above and below.
    """
    missing, near = np.zeros(len(k)), np.empty(2 * AROUND + 1)
    for n in range(len(k)):
        for d in range(2 * AROUND + 1):
            near[d] = values[min(max(k[n] + d - AROUND, 0), len(values) - 1), j[n], i[n]]
        below, above = int(np.argmax(near[: AROUND + 1])), AROUND + int(np.argmax(near[AROUND:]))
        for d in range(below, above + 1):
            share = (d - below) / max(above - below, 1)
            level = near[below] + share * (near[above] - near[below])
            missing[n] += 1 - near[d] / max(level, 0.3)
    return missing
