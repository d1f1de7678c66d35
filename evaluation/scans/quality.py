"""Image quality of a scan, measured at its own balls: noise, contrast, edges, cupping, dark lanes, MTF.

Everything is measured on the scan's own voxels, none is interpolated. A value is the median over the joints (voids,
bridges and gaps in some of them do not move it); its interval is the 95 % bootstrap over joints. Usual ranges are
common practice for CT of electronics (domain document E), not limits.

Noise in solder holds what a quadratic trend leaves of cupping and streaks, some tenths of a percent of the contrast;
between scans with little noise compare the noise in air. Streaks and rings are left out: every measure of them that
we know depends on the object as much as on the scan.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.evaluation.scans.noise import trend_and_noise
from jointwise.joints.edges import (
    MTF_LEVEL,
    WIDTH_OF_SIGMA,
    Edge,
    Patch,
    fit_end,
    fit_rim,
    mean_edge,
    mtf_falls_to,
    mtf_of,
    patch_around,
)
from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice, Vector
from jointwise.joints.levels import Levels

MOST_JOINTS = 64
"""Spread evenly over the array; more would narrow intervals that are narrow already."""

FEWEST = 3
"""Joints (edges, lanes) below which there is no value: a median of two says nothing of outliers."""

CORE_BALLS = (
    0.28,
    0.18,
)  # half axes across and along of the uniform solder and air, in balls; as in joints/levels.py
ROUNDING = 12**-0.5  # standard deviation of the rounding of a file to whole numbers, in grey steps
DRAWS, COVERAGE = 1000, 95.0
FREQUENCY = np.linspace(0.0, 1.0, 101)  # cycles per voxel

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Subject:
    """A scan and where its balls are.

    Args:
        volume: (z, y, x), any numeric type.
        lattice: its voxels.
        centres_mm: (n, 3) centres of the joints that are there, file's frame, mm.
        axes: (3, 3), columns are the board's directions in the file's frame, z from board to package.
        pitch_mm, ball_mm: of the array, mm; the ball is the nominal one.
        levels: air and solder, to begin with.
    """

    volume: NDArray[Any]
    lattice: Lattice
    centres_mm: Vector
    axes: Vector
    pitch_mm: float
    ball_mm: float
    levels: Levels


@dataclass(frozen=True)
class Measured:
    """One figure of a scan.

    Args:
        measure: its key, as in `TITLES`.
        value: NaN where it cannot be measured.
        low, high: 95 % bootstrap interval over joints; NaN where there is one value for the scan.
        n: joints, edges or lanes that entered.
        unit: of value and interval.
        reason: why there is no value; empty else.
    """

    measure: str
    value: float
    low: float
    high: float
    n: int
    unit: str
    reason: str = ""


@dataclass(frozen=True)
class Profiles:
    """What the picture shows: shares (0 air, 1 solder) by distance.

    Args:
        rim, end: distance outwards in voxels, mean share, and standard deviation in voxels of the typical fit.
        mtf: frequency in cycles per voxel and modulus.
        lanes: for neighbours along the board's x (columns) and y (rows), distance from the middle of the lane in
            voxels and median share.
    """

    rim: tuple[Vector, Vector, float] | None = None
    end: tuple[Vector, Vector, float] | None = None
    mtf: tuple[Vector, Vector] | None = None
    lanes: dict[str, tuple[Vector, Vector]] = field(default_factory=dict)


@dataclass(frozen=True)
class Title:
    """What a measure is called, its unit and what is usual (common practice; None where nothing is)."""

    name: str
    unit: str
    usual: tuple[float, float] | None = None


TITLES = {
    "voxel": Title("voxel", "um", (2.0, 20.0)),
    "voxels_per_ball": Title("voxels per ball", "voxels"),
    "solder_level": Title("solder level", "grey"),
    "air_level": Title("air level", "grey"),
    "grey_steps": Title("steps air to solder", "steps"),
    "noise_solder": Title("noise in solder", "% contrast"),
    "noise_air": Title("noise in air", "% contrast"),
    "noise_3x3": Title("noise of 3 x 3 means", "% contrast"),
    "cnr": Title("CNR solder / air", "1", (8.0, 30.0)),
    "edge_in_plane": Title("edge in plane", "voxels", (1.5, 3.0)),
    "edge_in_plane_um": Title("the same", "um"),
    "edge_along_z": Title("edge along z, at most", "voxels", (1.5, 3.0)),
    "edge_along_z_um": Title("the same", "um"),
    "cupping": Title("cupping", "% of rim"),
    "lane_along_x": Title("dark lane along x", "% contrast"),
    "lane_along_y": Title("dark lane along y", "% contrast"),
    "mtf10": Title("MTF 10 %", "lp/mm"),
    "mtf10_voxels": Title("the same", "1/voxel"),
}


def measure_quality(subject: Subject, progress: Progress | None = None) -> tuple[list[Measured], Profiles]:
    """Every measure of a scan, in the order of `TITLES`, and the profiles behind them.

    Args:
        subject: the scan and its balls.
        progress: told joints done and joints in all.

    Raises:
        InputError: no joint lies in the scan.
    """
    if len(subject.centres_mm) == 0:
        raise InputError("expected at least one joint to measure the scan at, found none; check array=")
    chosen = _spread(len(subject.centres_mm), MOST_JOINTS)
    cores: list[tuple[float, ...]] = []
    rims: list[Edge] = []
    ends: list[Edge] = []
    for done, centre in enumerate(subject.centres_mm[chosen]):
        half = (subject.pitch_mm / 2, 0.65 * subject.ball_mm)
        patch = patch_around(subject.volume, subject.lattice, centre, subject.axes, half)
        middle = (subject.levels.air + subject.levels.solder) / 2
        cores.append(_core(subject, centre, patch))
        rims += _seen(fit_rim(patch, subject.pitch_mm, subject.ball_mm, middle))
        ends += _seen(*(fit_end(patch, subject.ball_mm, side, middle) for side in (-1, 1)))
        if progress:
            progress(done + 1, len(chosen))
    core = np.array(cores)
    lanes = {name: lane_profiles(subject, axis) for axis, name in enumerate(("x", "y"))}
    measured = [*_scan_facts(subject, core), *_noise(core), *_edges(subject, rims, ends)]
    measured += [_lane(name, *profiles) for name, profiles in lanes.items()]
    curves, mtf10 = _mtf(subject, rims)
    return [*measured, *mtf10], _profiles(subject, rims, ends, lanes, curves)


def median_over(measure: str, values: Vector | Sequence[float], reason: str) -> Measured:
    """Median over joints with its 95 % bootstrap interval (1000 resamples of joints, percentiles).

    Args:
        measure: key in `TITLES`.
        values: one per joint; NaN where a joint gave none.
        reason: said where fewer than three joints gave one.
    """
    unit = TITLES[measure].unit
    values = np.asarray(values, np.float64)
    values = values[np.isfinite(values)]
    if len(values) < FEWEST:
        return Measured(measure, np.nan, np.nan, np.nan, len(values), unit, reason)
    draws = np.random.default_rng(0).integers(0, len(values), (DRAWS, len(values)))
    low, high = _interval(np.median(values[draws], axis=1))
    return Measured(measure, float(np.median(values)), low, high, len(values), unit)


def lane_profiles(subject: Subject, axis: int) -> tuple[Vector, Vector]:
    """Shares from ball to neighbouring ball, along the straight line between their centres.

    Args:
        subject: the scan and its balls.
        axis: 0 for neighbours along the columns' direction (file's x), 1 along the rows'.

    Returns:
        Distance (m,) from the lane's middle in voxels and mean share (pairs, m; 0 at the given air level, 1 at the
        solder level), NaN where no voxel lies.
    """
    voxel, pitch = subject.lattice.voxel_mm, subject.pitch_mm
    half = pitch / 2 / voxel
    limits = np.linspace(-half, half, 2 * int(half) + 2)  # about a voxel each, one of them in the middle
    middles = (limits[1:] + limits[:-1]) / 2
    profiles = []
    for a, b in _neighbours(subject, axis):
        centre = (subject.centres_mm[a] + subject.centres_mm[b]) / 2
        box = patch_around(
            subject.volume, subject.lattice, centre, subject.axes, (pitch / 2, 0.15 * subject.ball_mm)
        )
        along, across = (box.x, box.y) if axis == 0 else (box.y, box.x)
        near = np.abs(across) <= 0.1 * pitch
        sums, _ = np.histogram(along[near] / voxel, limits, weights=box.values[near])
        counts, _ = np.histogram(along[near] / voxel, limits)
        profiles.append(np.where(counts > 0, sums / np.maximum(counts, 1), np.nan))
    air, solder = subject.levels.air, subject.levels.solder
    return middles, (np.array(profiles).reshape(-1, len(middles)) - air) / (solder - air)


def _seen(*edges: Edge | None) -> list[Edge]:
    return [edge for edge in edges if edge is not None]


def _spread(n: int, most: int) -> NDArray[np.int64]:
    """Numbers spread evenly over 0 … n - 1, at most so many."""
    return np.unique(np.linspace(0, n - 1, min(n, most)).round().astype(np.int64))


def _interval(draws: Vector) -> tuple[float, float]:
    tail = (100 - COVERAGE) / 2
    low, high = np.nanpercentile(draws, (tail, 100 - tail))
    return float(low), float(high)


def _core(subject: Subject, centre: Vector, patch: Patch) -> tuple[float, ...]:
    """Level, noise and coarse noise of the solder of one joint and of the air diagonally beside it."""
    half = (CORE_BALLS[0] * subject.ball_mm, CORE_BALLS[1] * subject.ball_mm)
    lane = (0.13 * subject.pitch_mm, half[1])
    beside = centre + subject.axes[:, :2] @ np.full(2, subject.pitch_mm / 2)
    air = patch_around(subject.volume, subject.lattice, beside, subject.axes, lane)
    level, *noise = trend_and_noise(patch, half)
    air_level, *air_noise = trend_and_noise(air, lane)
    # Noise well under a grey step may leave one value everywhere; no less than the rounding itself is known then.
    least = ROUNDING if np.issubdtype(subject.volume.dtype, np.integer) else 0.0
    return level, max(noise[0], least), noise[1], air_level, max(air_noise[0], least), air_noise[1]


def _neighbours(subject: Subject, axis: int) -> list[tuple[int, int]]:
    """Pairs of joints a pitch apart along one direction of the board, at most 64, spread evenly."""
    flat = subject.centres_mm @ subject.axes[:, :2]
    step = np.zeros(2)
    step[axis] = subject.pitch_mm
    apart = np.linalg.norm(flat[None] - flat[:, None] - step, axis=2)
    pairs = [(int(a), int(b)) for a, b in np.argwhere(apart < 0.25 * subject.pitch_mm)]
    return [pairs[i] for i in _spread(len(pairs), MOST_JOINTS)] if pairs else []


def _scan_facts(subject: Subject, core: Vector) -> list[Measured]:
    """Sizes, levels, and how many grey steps lie between the levels."""
    few = f"fewer than {FEWEST} joints have enough voxels in their core"
    voxel = subject.lattice.voxel_mm
    facts = [
        Measured("voxel", 1000 * voxel, np.nan, np.nan, 1, "um"),
        Measured("voxels_per_ball", subject.ball_mm / voxel, np.nan, np.nan, 1, "voxels"),
        median_over("solder_level", core[:, 0], few),
        median_over("air_level", core[:, 3], few),
    ]
    if np.issubdtype(subject.volume.dtype, np.integer):
        return [*facts, median_over("grey_steps", core[:, 0] - core[:, 3], few)]
    reason = "the file holds real numbers"
    return [*facts, Measured("grey_steps", np.nan, np.nan, np.nan, 0, "steps", reason)]


def _noise(core: Vector) -> list[Measured]:
    solder, noise, coarse, air, air_noise, _ = core.T
    contrast = solder - air
    few = f"fewer than {FEWEST} joints have enough voxels in their core and in the air beside it"
    with np.errstate(divide="ignore"):
        cnr = contrast / noise
    return [
        median_over("noise_solder", 100 * noise / contrast, few),
        median_over("noise_air", 100 * air_noise / contrast, few),
        median_over("noise_3x3", 100 * coarse / contrast, few),
        median_over("cnr", cnr, f"no noise, or {few}"),
    ]


def _edges(subject: Subject, rims: list[Edge], ends: list[Edge]) -> list[Measured]:
    voxel = subject.lattice.voxel_mm
    measured = []
    for name, edges, what in (("edge_in_plane", rims, "rims"), ("edge_along_z", ends, "ends at lands")):
        width = np.array([WIDTH_OF_SIGMA * e.sigma_mm for e in edges])
        few = f"fewer than {FEWEST} {what} could be fitted"
        measured += [median_over(name, width / voxel, few), median_over(f"{name}_um", 1000 * width, few)]
    cupping = [100 * (e.inner - e.centre) / (e.inner - e.outer) for e in rims]
    return [*measured, median_over("cupping", cupping, f"fewer than {FEWEST} rims could be fitted")]


def _lane(name: str, place: Vector, shares: Vector) -> Measured:
    """How far the middle quarter of the gap between neighbours lies below the air between four balls."""
    middle = np.abs(place) <= max(0.06 * (place[-1] - place[0]), 1.0)
    depth = -100 * np.nanmean(shares[:, middle], axis=1) if len(shares) else np.empty(0)
    return median_over(f"lane_along_{name}", depth, f"fewer than {FEWEST} pairs of neighbours")


def _mtf(subject: Subject, rims: list[Edge]) -> tuple[tuple[Vector, Vector] | None, list[Measured]]:
    """The MTF of all rims together, and where it falls to a tenth, with its bootstrap over joints."""
    voxel = subject.lattice.voxel_mm
    keys = ("mtf10", "mtf10_voxels")
    if len(rims) < FEWEST:
        reason = f"fewer than {FEWEST} rims could be fitted"
        return None, [Measured(k, np.nan, np.nan, np.nan, len(rims), TITLES[k].unit, reason) for k in keys]
    _, sums, counts = mean_edge(rims, voxel, _reach(subject, rims))

    def curve(chosen: NDArray[np.int64] | slice) -> Vector:
        total = counts[chosen].sum(axis=0)
        return mtf_of(np.where(total > 0, sums[chosen].sum(axis=0) / np.maximum(total, 1), np.nan), FREQUENCY)

    modulus = curve(slice(None))
    value = mtf_falls_to(MTF_LEVEL, FREQUENCY, modulus)
    draws = np.random.default_rng(0).integers(0, len(rims), (DRAWS // 5, len(rims)))
    low, high = _interval(np.array([mtf_falls_to(MTF_LEVEL, FREQUENCY, curve(d)) for d in draws]))
    reason = "" if np.isfinite(value) else "the MTF does not fall to 10 % below one cycle per voxel"
    scales = (1 / voxel, 1.0)
    figures = [
        Measured(k, value * s, low * s, high * s, len(rims), TITLES[k].unit, reason)
        for k, s in zip(keys, scales, strict=True)
    ]
    return (FREQUENCY, modulus), figures


def _reach(subject: Subject, rims: list[Edge]) -> float:
    """Voxels from the rim to the middle of the lane, where fits end."""
    radius = float(np.median([e.place_mm for e in rims]))
    return (subject.pitch_mm / 2 - radius) / subject.lattice.voxel_mm


def _profiles(
    subject: Subject,
    rims: list[Edge],
    ends: list[Edge],
    lanes: dict[str, tuple[Vector, Vector]],
    mtf: tuple[Vector, Vector] | None,
) -> Profiles:
    voxel = subject.lattice.voxel_mm
    means: list[tuple[Vector, Vector, float] | None] = []
    for edges, reach in (
        (rims, _reach(subject, rims) if rims else 0.0),
        (ends, 0.14 * subject.ball_mm / voxel),
    ):
        if len(edges) < FEWEST:
            means.append(None)
            continue
        place, sums, counts = mean_edge(edges, voxel, reach)
        there = counts.sum(axis=0) > 0
        share = sums.sum(axis=0)[there] / counts.sum(axis=0)[there]
        means.append((place[there], share, float(np.median([e.sigma_mm for e in edges])) / voxel))
    shown = {
        n: (place, np.nanmedian(shares, axis=0))
        for n, (place, shares) in lanes.items()
        if len(shares) >= FEWEST
    }
    return Profiles(means[0], means[1], mtf, shown)
