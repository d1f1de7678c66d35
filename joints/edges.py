"""Edges of a scan: the rim of each ball with its cupping, the ends at the lands, and the MTF of all rims together.

An edge is fitted where it lies: every voxel enters by its distance to the fitted surface, so nothing is interpolated
and the voxels of a tilted or round edge sample it far finer than their own size (as ASTM E1695 does with the rim of
a round body).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from jointwise.joints.lattice import Lattice, Vector

WIDTH_OF_SIGMA = 2.5631031310892007
"""Distance from 10 to 90 % of an error-function edge over its standard deviation, 2 Φ⁻¹(0.9)."""

RIM_HALF_HEIGHT = 0.12
"""Voxels this near to the plane of the ball's centre, in balls, see its rim: a sphere recedes by 3 % there."""

BINS_PER_VOXEL = 5
MTF_LEVEL = 0.1
OUTLIER = 4.0  # robust standard deviations; voids, bridges and traces beyond are left out of the second fit
SIGMA_VOXELS = (0.15, 6.0)  # a fit at a bound saw no edge

Model = Callable[[float, Vector], tuple[Vector, Vector]]
"""Standard deviation and where the surface lies before each voxel, to the columns of the levels and the distances."""


@dataclass(frozen=True)
class Patch:
    """The voxels around one ball.

    Args:
        values: (n,) grey values.
        x, y, z: (n,) mm from the ball's centre along the board's axes, z from board to package.
        index: (n, 3) where they lie in the volume, (z, y, x).
        voxel_mm: their size.
    """

    values: Vector
    x: Vector
    y: Vector
    z: Vector
    index: NDArray[np.int64]
    voxel_mm: float

    def only(self, chosen: NDArray[np.bool_]) -> Patch:
        """Some of the voxels."""
        index = self.index[chosen]
        return Patch(
            self.values[chosen], self.x[chosen], self.y[chosen], self.z[chosen], index, self.voxel_mm
        )


@dataclass(frozen=True)
class Edge:
    """One fitted edge.

    Args:
        sigma_mm: standard deviation of the error function, mm.
        place_mm: radius of the rim, or height of the end above the ball's centre, mm.
        inner, outer: grey values that the fit gives just inside and outside.
        centre: grey value that the fit gives in the middle of the ball (rims alone; NaN else).
        distance_mm, residual: (n,) distance outwards and value over the fit of every voxel used.
    """

    sigma_mm: float
    place_mm: float
    inner: float
    outer: float
    centre: float
    distance_mm: Vector
    residual: Vector


def patch_around(
    volume: NDArray[Any], lattice: Lattice, centre_mm: Vector, axes: Vector, half_mm: tuple[float, float]
) -> Patch:
    """The voxels in an upright box around a place.

    Args:
        volume: (z, y, x).
        lattice: its voxels.
        centre_mm: (3,), file's frame.
        axes: (3, 3), columns are the board's directions in the file's frame.
        half_mm: half the box across and along the board's normal, mm.
    """
    reach = np.abs(axes) @ np.array([half_mm[0], half_mm[0], half_mm[1]])
    low = np.maximum(np.ceil(lattice.to_index(centre_mm - reach)).astype(int), 0)
    high = np.minimum(np.floor(lattice.to_index(centre_mm + reach)).astype(int) + 1, lattice.shape[::-1])
    grid = np.meshgrid(
        *(np.arange(a, max(a, b)) for a, b in zip(low[::-1], high[::-1], strict=True)), indexing="ij"
    )
    index = np.stack(grid, axis=-1).reshape(-1, 3)
    places = index[:, ::-1] * np.asarray(lattice.spacing_mm) + np.asarray(lattice.origin_mm)
    x, y, z = ((places - centre_mm) @ axes).T
    near = (np.abs(x) <= half_mm[0]) & (np.abs(y) <= half_mm[0]) & (np.abs(z) <= half_mm[1])
    values = volume[tuple(index[near].T)].astype(np.float64)
    return Patch(values, x[near], y[near], z[near], index[near], lattice.voxel_mm)


def fit_rim(patch: Patch, pitch_mm: float, ball_mm: float, middle: float) -> Edge | None:
    """The rim of a ball in the plane of its centre: an error function between solder that cups and air that slopes.

    The rim may be off centre, oval and rounded upwards; solder is 1, ρ², ρ⁴ and an oval ρ² of the share ρ of the
    radius, air is a slope with two- and fourfold waves around the ball (dark bands lie towards the neighbours).

    Args:
        patch: voxels around the ball.
        pitch_mm, ball_mm: of the array, mm.
        middle: grey value half-way between air and solder, to begin with.

    Returns:
        The edge, or None where no rim stands out.
    """
    flat = np.abs(patch.z) <= max(RIM_HALF_HEIGHT * ball_mm, patch.voxel_mm)
    patch = patch.only(flat & (np.hypot(patch.x, patch.y) <= pitch_mm / 2))
    radius = np.hypot(patch.x, patch.y)
    start = _crossing(radius, patch.values, middle, patch.voxel_mm)
    if start is None or not 0.3 * ball_mm < start < 0.5 * pitch_mm - 1.5 * patch.voxel_mm:
        return None
    angle = np.arctan2(patch.y, patch.x)
    shape = np.stack(
        [np.ones_like(angle), *_waves(angle, 1), *_waves(angle, 2), patch.z / start, (patch.z / start) ** 2],
        1,
    )
    around = np.cos(2 * angle), np.cos(4 * angle)

    def model(sigma: float, rim: Vector) -> tuple[Vector, Vector]:
        distance = radius - rim
        inside = ndtr(-distance / sigma)
        rho2 = (radius / rim) ** 2
        solder = np.stack([np.ones_like(rho2), rho2, rho2**2, rho2 * around[0]], 1)
        air = np.stack([np.ones_like(rho2), distance / start, *around], 1)
        return np.hstack([solder * inside[:, None], air * (1 - inside)[:, None]]), distance

    first = np.array([patch.voxel_mm, start, 0, 0, 0, 0, 0, -start / 2])
    found = _fit(model, shape, patch.values, first, patch.voxel_mm)
    if found is None:
        return None
    p, levels, distance, residual = found
    return Edge(p[0], p[1], float(levels[:3].sum()), float(levels[4]), float(levels[0]), distance, residual)


def fit_end(patch: Patch, ball_mm: float, side: int, middle: float) -> Edge | None:
    """The end of a ball at a land, along the board's normal; it may be slanted.

    Copper of the land, thinner than the edge and of a grey between solder and laminate, lies within this edge and
    widens it: what comes out is an upper bound of the edge along z.

    Args:
        patch: voxels around the ball.
        ball_mm: nominal diameter, mm.
        side: +1 for the package, -1 for the board.
        middle: grey value half-way between air and solder, to begin with.
    """
    patch = patch.only((np.hypot(patch.x, patch.y) <= 0.22 * ball_mm) & (side * patch.z > 0))
    up = side * patch.z
    start = _crossing(up, patch.values, middle, patch.voxel_mm)
    if start is None or not 0.15 * ball_mm < start < 0.6 * ball_mm:
        return None
    patch = patch.only((up > start - 0.2 * ball_mm) & (up < start + 0.14 * ball_mm))
    shape = np.stack([np.ones_like(patch.x), patch.x / ball_mm, patch.y / ball_mm], 1)
    up = side * patch.z

    def model(sigma: float, end: Vector) -> tuple[Vector, Vector]:
        distance = up - end
        inside = ndtr(-distance / sigma)
        return np.stack([inside, inside * distance / ball_mm, 1 - inside], 1), distance

    found = _fit(model, shape, patch.values, np.array([patch.voxel_mm, start, 0, 0]), patch.voxel_mm)
    if found is None:
        return None
    p, levels, distance, residual = found
    return Edge(p[0], p[1], float(levels[0]), float(levels[2]), np.nan, distance, residual)


def mean_edge(edges: list[Edge], voxel_mm: float, reach_voxels: float) -> tuple[Vector, Vector, Vector]:
    """All voxels of all edges in bins of a fifth of a voxel by their distance.

    Args:
        edges: fitted edges.
        voxel_mm: voxel size, mm.
        reach_voxels: how far the profile goes to either side.

    Returns:
        Distance (m,) of the bins' middles in voxels, sum of shares (1 inside, 0 outside, slopes of both sides taken
        off) and number of voxels, (edges, m) each.
    """
    half = int(reach_voxels * BINS_PER_VOXEL)
    limits = (np.arange(2 * half + 1) - half) / BINS_PER_VOXEL
    middles = (limits[1:] + limits[:-1]) / 2
    sums = np.empty((len(edges), 2 * half))
    counts = np.empty_like(sums)
    for i, edge in enumerate(edges):
        distance = edge.distance_mm / voxel_mm
        counts[i], _ = np.histogram(distance, limits)
        over, _ = np.histogram(distance, limits, weights=edge.residual / (edge.inner - edge.outer))
        # The fit is taken at the bin's middle, so that where in the bin its voxels lie does not matter.
        sums[i] = over + counts[i] * ndtr(-middles * voxel_mm / edge.sigma_mm)
    return middles, sums, counts


def mtf_of(profile: Vector, frequency: Vector) -> Vector:
    """Modulation transfer from an edge profile, as ASTM E1695 goes: derivative, Fourier modulus, 1 at frequency 0.

    Args:
        profile: (m,) shares in bins of a fifth of a voxel, from inside to outside; NaN where a bin is empty.
        frequency: (k,) in cycles per voxel.

    Returns:
        (k,) modulus; binning and difference are divided out.
    """
    bins = np.arange(len(profile))
    there = np.isfinite(profile)
    spread = -np.diff(np.interp(bins, bins[there], profile[there]))
    place = (np.arange(len(spread)) - (len(spread) - 1) / 2) / BINS_PER_VOXEL
    # The outer fifths fade, so that a level still sloping there makes no ripple.
    outer = np.abs(place) / (place[-1] + 1 / BINS_PER_VOXEL) - 0.8
    spread = spread * np.where(outer > 0, 0.5 + 0.5 * np.cos(np.pi * outer / 0.2), 1.0)
    modulus = np.abs(np.exp(-2j * np.pi * np.multiply.outer(frequency, place)) @ spread)
    return np.asarray(modulus / abs(spread.sum()) / np.sinc(frequency / BINS_PER_VOXEL) ** 2)


def mtf_falls_to(level: float, frequency: Vector, modulus: Vector) -> float:
    """Lowest frequency at which the modulus falls to a level, by straight lines; NaN if it never does."""
    below = np.flatnonzero(modulus < level)
    if len(below) == 0 or below[0] == 0:
        return float("nan")
    i = below[0]
    share = (modulus[i - 1] - level) / (modulus[i - 1] - modulus[i])
    return float(frequency[i - 1] + share * (frequency[i] - frequency[i - 1]))


def _waves(angle: Vector, times: int) -> tuple[Vector, Vector]:
    return np.cos(times * angle), np.sin(times * angle)


def _crossing(place: Vector, values: Vector, middle: float, step: float) -> float | None:
    """First place, going out, where the median of shells a voxel thick falls through `middle`."""
    shell = (place / step).astype(int)
    levels = np.array(
        [np.median(values[shell == k]) for k in range(shell.max(initial=-1) + 1) if (shell == k).any()]
    )
    below = np.flatnonzero(levels < middle)
    if len(below) == 0 or below[0] == 0:
        return None
    i = below[0]
    return float((i - 0.5 + (levels[i - 1] - middle) / (levels[i - 1] - levels[i])) * step)


def _fit(
    model: Model, shape: Vector, values: Vector, first: Vector, voxel: float
) -> tuple[Vector, Vector, Vector, Vector] | None:
    """Least squares twice, the second time without outliers; the levels are linear and solved within.

    Args:
        model: the edge.
        shape: (n, k) columns whose sum, weighted by all parameters but the first, is where the surface lies.
        values: (n,) grey values.
        first: (1 + k,) standard deviation and weights to begin with.
        voxel: voxel size, mm.

    Returns:
        Parameters, levels, distance and residual of the voxels kept; None where the fit ran to a bound.
    """
    keep = np.ones(len(values), bool)
    p = first
    for _ in range(2):
        if keep.sum() < 3 * len(first):
            return None
        p = _least(_Problem(model, shape, values, keep, 1e-4 * voxel), p, [voxel * b for b in SIGMA_VOXELS])
        design, distance = model(p[0], shape @ p[1:])
        levels = _levels(design[keep], values[keep])
        residual = values - design @ levels
        keep = np.abs(residual) <= OUTLIER * 1.4826 * max(float(np.median(np.abs(residual[keep]))), 1e-12)
    if not SIGMA_VOXELS[0] * 1.01 < p[0] / voxel < SIGMA_VOXELS[1] * 0.99:
        return None
    return p, levels, distance[keep], residual[keep]


def _least(problem: _Problem, p: Vector, bounds: Sequence[float]) -> Vector:
    """Damped Gauss-Newton steps (Levenberg-Marquardt) until a ten-thousandth of a voxel no longer matters.

    On normal equations of eight unknowns: library solvers factor the whole tall matrix, which costs fifty times more.
    """
    off, damping = problem.off(p), 1e-3
    for _ in range(40):
        slopes = problem.slopes(p)
        square = slopes.T @ slopes
        trial = (
            p - np.linalg.lstsq(square + damping * np.diag(np.diag(square)), slopes.T @ off, rcond=1e-12)[0]
        )
        trial[0] = min(max(float(trial[0]), bounds[0]), bounds[1])
        there = problem.off(trial)
        if there @ there > off @ off:
            damping = min(10 * damping, 1e6)
            continue
        moved = float(np.abs(trial - p).max())
        p, off, damping = trial, there, damping / 5
        if moved < problem.step:
            break
    return p


@dataclass(frozen=True)
class _Problem:
    """Residuals and their slopes after the levels are solved (variable projection in Kaufman's form, 1975)."""

    model: Model
    shape: Vector
    values: Vector
    keep: NDArray[np.bool_]
    step: float

    def off(self, p: Vector) -> Vector:
        design = self.model(p[0], self.shape @ p[1:])[0][self.keep]
        values = self.values[self.keep]
        return np.asarray(values - design @ _levels(design, values))

    def slopes(self, p: Vector) -> Vector:
        surface = self.shape @ p[1:]
        design = self.model(p[0], surface)[0][self.keep]
        levels = _levels(design, self.values[self.keep])
        here = design @ levels
        wider = self.model(p[0] + self.step, surface)[0][self.keep] @ levels - here
        moved = self.model(p[0], surface + self.step)[0][self.keep] @ levels - here
        slopes = -np.column_stack([wider, moved[:, None] * self.shape[self.keep]]) / self.step
        return np.asarray(slopes - design @ _levels(design, slopes))


def _levels(design: Vector, values: Vector) -> Vector:
    # By the normal equations: the columns are few and of like size, and this runs thousands of times.
    return np.asarray(np.linalg.lstsq(design.T @ design, design.T @ values, rcond=1e-12)[0])
