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
from scipy import ndimage

from jointwise.models.rules.edges import Body, Vector, Volume
from jointwise.models.rules.patches import patch_means, patch_numbers, reached

SHEET_UM: Final = 8.0
"""Deficit from which a complete surface counts as a gap when voids are measured."""
SLOPE: Final = 2
"""Largest rise of a surface of revolution per radial step, in planes: a dish of 0.8 diameters needs 1.3 at its rim."""
TILTS: Final = (-0.5, -0.25, 0.0, 0.25, 0.5)
"""Tilts tried in x and in y, planes per step in the plane: a dish whose centre lies off the axis looks tilted."""
FORBIDDEN: Final = -2.0
"""Reward beyond the lands, per point: no gap pays for it."""
BAND: Final = 3
"""How far, in planes, the free surface may leave the surface of revolution."""
STIFF: Final = 0.02
"""Reward given up per plane of rise between neighbours in the free search."""


@dataclass(frozen=True)
class Surface:
    """The darkest complete surface.

    Args:
        height: (y, x) of the surface in planes (fractional index along z); NaN outside the joint.
        deficit: (y, x) metal missing along z at the surface, µm.
        patches: deficit averaged over each of twelve patches of equal area, µm.
        spread: robust spread of such patches on parallel surfaces where nothing is, µm.
        mean_z: mean height, mm from the box's centre.
    """

    height: Vector
    deficit: Vector
    patches: Vector
    spread: float
    mean_z: float

    def reached(self, rank: int) -> float:
        """The deficit that all but `rank` of the twelve patches reach, µm."""
        return reached(self.patches, rank)

    @property
    def complete(self) -> bool:
        """Whether at least nine of the twelve patches are darker than solder's own unevenness."""
        return self.reached(3) > max(SHEET_UM, 3 * self.spread)

    def gap(self) -> tuple[float, float]:
        """Mean gap over the unbonded area, µm, and the bonded share of the surface."""
        known = self.deficit[np.isfinite(self.deficit)]
        if not len(known):
            return 0.0, 1.0
        lost = known > 0.35 * self.reached(6)
        return float(known[lost].mean()) if lost.any() else 0.0, float(1 - lost.mean())

    def sheet(self, body: Body) -> NDArray[np.bool_]:
        """(z, y, x) points of the surface's gap; none where it is not complete."""
        k = np.arange(len(body.frame.z))[:, None, None]
        near = np.abs(k - np.where(np.isfinite(self.height), self.height, -99)) <= 4
        return np.asarray(near & self.complete)


def darkest_surface(body: Body, board_mm: float, package_mm: float) -> Surface:
    """Search the joint between two heights (mm from the box's centre)."""
    f = body.frame
    values = ndimage.gaussian_filter(body.raw, (0.0, 0.8, 0.8))
    low, high = _allowed(body, board_mm, package_mm)
    reward = sheet_reward(values, 4, low, high)
    reach = 1.05 * float(body.edge.max())
    x0, y0, slope_x, slope_y = body.axis
    inside = body.ring <= reach
    start = _revolved(reward, f.x - x0, f.y - y0, f.dx, reach, np.array(TILTS))
    height = _bend(reward, start, inside)
    return _judge(body, values, height, inside, (board_mm, package_mm))


def _allowed(body: Body, board_mm: float, package_mm: float) -> tuple[int, int]:
    z = body.frame.z
    low = int(np.searchsorted(z, board_mm)) + 2
    high = int(np.searchsorted(z, package_mm)) - 2
    return low, max(high, low + 6)


def sheet_reward(values: Volume, reach: int, low: int, high: int) -> Volume:
    """How much darker each point is than the darker of what lies `reach` planes above and below.

    FORBIDDEN outside the planes low … high-1, so that the surface stays between the lands.
    """
    near = ndimage.uniform_filter1d(values, 3, axis=0, mode="nearest")
    n = len(values)
    planes = np.arange(low, high)
    above, below = near[np.minimum(planes + reach, n - 1)], near[np.maximum(planes - reach, 0)]
    reward = np.full_like(values, FORBIDDEN)
    reward[low:high] = np.clip(np.minimum(above, below) - values[low:high], -0.3, 1.0)
    return reward


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _revolved(reward: Volume, x: Vector, y: Vector, step: float, reach: float, tilts: Vector) -> Vector:
    """Height (y, x), in planes, of the best surface of revolution over all tilts."""
    nz = reward.shape[0]
    rings = int(reach / step) + 1
    best, best_tx, best_ty = -1e30, 0.0, 0.0
    best_path = np.zeros(rings, np.int64)
    for tx in tilts:
        for ty in tilts:
            total = _ring_sums(reward, x, y, step, rings, tx, ty)
            value, path = _radial_path(total)
            if value > best + 1e-9:
                best, best_tx, best_ty, best_path = value, tx, ty, path
    height = np.full((len(y), len(x)), np.nan)
    for j in range(len(y)):
        for i in range(len(x)):
            ring = int(np.sqrt(x[i] ** 2 + y[j] ** 2) / step)
            if ring < rings:
                s = best_path[ring] + (best_tx * x[i] + best_ty * y[j]) / step
                height[j, i] = min(max(s, 1.0), nz - 2.0)
    return height


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def _ring_sums(
    reward: Volume, x: Vector, y: Vector, step: float, rings: int, tx: float, ty: float
) -> NDArray[np.float64]:
    """Reward summed per ring and height above the tilted plane."""
    nz = reward.shape[0]
    total = np.zeros((rings, nz))
    for j in range(len(y)):
        for i in range(len(x)):
            ring = int(np.sqrt(x[i] ** 2 + y[j] ** 2) / step)
            if ring >= rings:
                continue
            shift = (tx * x[i] + ty * y[j]) / step
            whole = int(np.floor(shift))
            part = shift - whole
            for k in range(nz):
                at = k + whole
                if 0 <= at < nz - 1:
                    total[ring, k] += (1 - part) * reward[at, j, i] + part * reward[at + 1, j, i]
                else:
                    total[ring, k] += FORBIDDEN
    return total


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
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


def _bend(reward: Volume, start: Vector, inside: NDArray[np.bool_]) -> Vector:
    """Let the surface bend freely within BAND planes of where it starts."""
    height = np.where(inside, np.rint(start), -1).astype(np.int64)
    base = height.copy()
    across = np.ascontiguousarray(reward.transpose(0, 2, 1))
    for _ in range(2):
        _relax_rows(reward, base, height)
        turned, turned_base = np.ascontiguousarray(height.T), np.ascontiguousarray(base.T)
        _relax_rows(across, turned_base, turned)
        height = np.ascontiguousarray(turned.T)
    return np.where(inside, height, np.nan).astype(np.float64)


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
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
        s = np.argmax(value[last])
        for i in range(last, first - 1, -1):
            height[j, i] = base[j, i] - BAND + s
            s = origin[i, s]


def _judge(
    body: Body, values: Volume, height: Vector, inside: NDArray[np.bool_], ends: tuple[float, float]
) -> Surface:
    f = body.frame
    dz_um = 1000 * f.dz
    span = _allowed(body, *ends)
    rim = body.mended(ends) - body.blur
    s = np.where(inside, np.rint(np.nan_to_num(height)), 0).astype(np.int64)
    deficit, valid = missing_metal(values, s, inside & (body.ring < rim[s]), span)
    patch = patch_numbers(body, valid, float(np.sqrt(valid.sum() * f.dx**2 / np.pi)))
    means = patch_means(dz_um * deficit, patch)
    others = []
    for offset in (-15, -12, -9, 9, 12, 15):
        moved = np.clip(s + offset, 0, len(f.z) - 1)
        other, fine = missing_metal(values, moved, inside & (body.ring < rim[moved]), span)
        if fine.sum() > 0.5 * valid.sum():
            others.append(patch_means(dz_um * other, np.where(fine, patch, -1)))
    rest = np.concatenate(others) if others else np.zeros(0)
    rest = rest[np.isfinite(rest)]
    spread = float(1.4826 * np.median(np.abs(rest - np.median(rest)))) if len(rest) > 8 else SHEET_UM / 3
    mean_z = float(np.mean(f.z[s[valid]])) if valid.any() else 0.0
    return Surface(height, np.where(valid, dz_um * deficit, np.nan), means, spread, mean_z)


def missing_metal(
    values: Volume, s: NDArray[np.int64], inside: NDArray[np.bool_], span: tuple[int, int]
) -> tuple[Vector, NDArray[np.bool_]]:
    """Metal missing around a surface, in planes, and where it can be judged: between the planes of `span`, in solder.

    The level a column should have is read five and six planes off, on the brighter side.
    """
    n = len(values)
    j, i = np.nonzero(inside & (s >= span[0]) & (s < span[1]))
    k = s[j, i]

    def at(offset: int) -> Vector:
        return np.asarray(values[np.clip(k + offset, 0, n - 1), j, i], dtype=np.float64)

    above, below = (at(5) + at(6)) / 2, (at(-5) + at(-6)) / 2
    level = np.where(np.minimum(above, below) > 0.75, (above + below) / 2, np.maximum(above, below))
    missing = np.zeros(len(k))
    for offset in range(-4, 5):
        # Near a land the window ends where copper begins.
        counts = (k + offset >= span[0] - 1) & (k + offset <= span[1])
        missing += np.where(counts, 1 - at(offset) / np.maximum(level, 0.5), 0.0)
    deficit, valid = np.zeros(inside.shape), np.zeros(inside.shape, bool)
    deficit[j, i] = missing
    valid[j, i] = level > 0.7
    return deficit, valid
