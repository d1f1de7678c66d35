"""A phantom: the scan of a small board, voxelised here by distance fields, with the truth of every joint.

It shares no code with the generator: truncated balls between copper lands, laminate and a copper plane below, a
package above, traces, a chip beside the array; cores darkened and air made negative as beam hardening does.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.lattice import Lattice, Vector, rotation

SOLDER, COPPER, LAMINATE = 3.4, 1.2, 0.15


@dataclass(frozen=True)
class Board:
    """What the phantom shows; lengths in mm, angles in degrees."""

    pitch: float = 0.8
    ball: float = 0.46
    rows: int = 5
    cols: int = 6
    voxel: float = 0.03
    tilt: tuple[float, float] = (1.2, -0.9)
    in_plane: float = 3.0
    missing: tuple[tuple[int, int], ...] = ()
    bridges: tuple[tuple[tuple[int, int], tuple[int, int]], ...] = ()
    neck: float = 0.06  # radius of a bridge
    voids: tuple[tuple[int, int], ...] = ()
    clutter: bool = True
    warp: float = 0.0  # height of the corners above the middle
    noise: float = 0.15
    margin: float = 0.9  # free field around the array, in pitches
    seed: int = 0
    flip: bool = False  # package at low z of the file
    origin: tuple[float, float, float] = (-1.0, 2.0, 0.5)
    spread: float = 0.01  # standard deviation of a ball's position in the plane


@dataclass(frozen=True)
class Phantom:
    """The scan and its truth: one row per site with row, col, x_mm, y_mm, z_mm, present, in the file's frame."""

    volume: NDArray[np.float32]
    lattice: Lattice
    truth: pd.DataFrame
    axes: Vector
    board: Board = field(repr=False)


def build(board: Board) -> Phantom:
    """Voxelise the board."""
    rng = np.random.default_rng(board.seed)
    axes = rotation(*board.tilt, board.in_plane)
    if board.flip:
        axes = np.diag([1.0, -1.0, -1.0]) @ axes
    standoff, reach = 0.72 * board.ball, 0.5 * np.array([board.cols - 1, board.rows - 1]) * board.pitch
    half = _field(board, axes, reach)
    shape = tuple(int(n) for n in np.ceil(2 * half[::-1] / board.voxel))
    lattice = Lattice(shape, board.origin, (board.voxel,) * 3)
    middle = np.asarray(board.origin) + (np.array(shape[::-1]) - 1) / 2 * board.voxel
    points = _points(lattice, middle) @ axes.astype(np.float32)
    points[..., 2] += standoff / 2
    truth = _truth(board, rng, standoff)
    solder = _solder(board, points, truth, standoff)
    volume = _metal_to_grey(solder, board) + _surroundings(board, points, truth, standoff) * (1 - solder)
    volume = ndimage.gaussian_filter(volume, 0.7)
    noise = ndimage.gaussian_filter(rng.standard_normal(shape, dtype=np.float32), 0.6)
    volume = volume + board.noise / max(float(noise.std()), 1e-9) * noise
    centre = truth[["x", "y", "z"]].to_numpy() - [0, 0, standoff / 2]
    truth[["x_mm", "y_mm", "z_mm"]] = centre @ axes.T + middle
    return Phantom(volume.astype(np.float32), lattice, _numbered(truth), axes, board)


def _field(board: Board, axes: Vector, reach: Vector) -> Vector:
    corners = np.array([[sx * reach[0], sy * reach[1], 0] for sx in (-1, 1) for sy in (-1, 1)]) @ axes.T
    wide = np.abs(corners).max(axis=0)
    free = np.array([board.margin * board.pitch, board.margin * board.pitch, 1.2 * board.ball])
    return np.asarray(wide + free)


def _points(lattice: Lattice, middle: Vector) -> Vector:
    z, y, x = (np.arange(n) * lattice.spacing_mm[0] for n in lattice.shape)
    zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")
    return (np.stack([xx, yy, zz], axis=-1) + np.asarray(lattice.origin_mm) - middle).astype(np.float32)


def _truth(board: Board, rng: np.random.Generator, standoff: float) -> pd.DataFrame:
    rows = []
    for row in range(board.rows):
        for col in range(board.cols):
            x, y = (np.array([col, row]) - (np.array([board.cols, board.rows]) - 1) / 2) * board.pitch
            far = max((board.cols - 1) ** 2 + (board.rows - 1) ** 2, 1) * board.pitch**2 / 4
            z = standoff / 2 + board.warp * (x * x + y * y) / far
            dx, dy = board.spread * rng.standard_normal(2)
            present = int((row, col) not in board.missing)
            rows.append((row, col, x + dx * present, y + dy * present, z, present))
    return pd.DataFrame(rows, columns=["row", "col", "x", "y", "z", "present"])


def _solder(board: Board, points: Vector, truth: pd.DataFrame, standoff: float) -> Vector:
    solder = np.zeros(points.shape[:-1], np.float32)
    place = {(r.row, r.col): np.array([r.x, r.y, r.z]) for r in truth.itertuples()}
    for site, centre in place.items():
        if site in board.missing:
            continue
        near = _near(points, centre, board.pitch)
        local = points[near] - centre
        occupied = _soft(0.54 * board.ball - np.linalg.norm(local, axis=-1), board)
        occupied *= _soft(standoff / 2 - np.abs(local[..., 2]), board)
        if site in board.voids:
            hole = _soft(0.12 * board.ball - np.linalg.norm(local - [0.1 * board.ball, 0, 0], axis=-1), board)
            occupied *= 1 - hole
        solder[near] = np.maximum(solder[near], occupied)
    for one, two in board.bridges:
        _join(solder, board, points, place[one], place[two])
    return solder


def _join(solder: Vector, board: Board, points: Vector, a: Vector, b: Vector) -> None:
    near = _near(points, (a + b) / 2, board.pitch)
    local, along = points[near] - a, b - a
    t = np.clip(local @ along / (along @ along), 0, 1)
    neck = _soft(board.neck - np.linalg.norm(local - t[..., None] * along, axis=-1), board)
    solder[near] = np.maximum(solder[near], neck)


def _near(points: Vector, centre: Vector, reach: float) -> tuple[slice, ...]:
    """The block of voxels around a place of the board's frame; `points` is affine in the indices."""
    first = points[0, 0, 0]
    steps = np.stack([points[1, 0, 0] - first, points[0, 1, 0] - first, points[0, 0, 1] - first], axis=1)
    at = np.linalg.solve(steps, centre - first)
    around = reach / float(np.linalg.norm(steps[:, 0]))
    return tuple(slice(max(int(i - around), 0), max(int(i + around) + 2, 0)) for i in at)


def _soft(distance: Vector, board: Board) -> Vector:
    """Share of a voxel inside, from the signed distance to the surface."""
    return np.asarray(np.clip(0.5 + distance / board.voxel, 0, 1))


def _metal_to_grey(solder: Vector, board: Board) -> Vector:
    """Cores read up to a quarter too dark, air beside the balls negative."""
    per_ball, per_pitch = 0.25 * board.ball / board.voxel, 0.6 * board.pitch / board.voxel
    core = ndimage.gaussian_filter(solder, per_ball)
    around = ndimage.gaussian_filter(solder, [0.3 * per_pitch, per_pitch, per_pitch])
    return np.asarray(SOLDER * solder * (1 - 0.3 * core) - 0.8 * around)


def _surroundings(board: Board, points: Vector, truth: pd.DataFrame, standoff: float) -> Vector:
    x, y, z = np.moveaxis(points, -1, 0)

    def slab(low: float, high: float) -> Vector:
        return np.asarray(_soft(z - low, board) * _soft(high - z, board))

    grey = LAMINATE * slab(-1.1 * board.ball, -0.03) + LAMINATE * slab(standoff + 0.03, standoff + board.ball)
    if not board.clutter:
        return grey
    grey += (COPPER - LAMINATE) * slab(-0.6 * board.ball, -0.6 * board.ball + 0.05) * _soft(0.4 + y, board)
    for site in truth.itertuples():
        near = _near(points, np.array([site.x, site.y, site.z]), 0.9 * board.pitch)
        disc = _soft(0.42 * board.ball - np.hypot(x[near] - site.x, y[near] - site.y), board)
        for low in (site.z - standoff / 2 - 0.03, site.z + standoff / 2):
            flat = _soft(z[near] - low, board) * _soft(low + 0.03 - z[near], board)
            grey[near] = np.maximum(grey[near], COPPER * disc * flat)
    edge = 0.5 * (board.cols - 1) * board.pitch
    trace = slab(-0.03, 0.0) * _soft(0.06 - np.abs(y - 0.5 * board.pitch), board)
    block = slab(0.0, 1.1 * board.ball) * _soft(0.5 * board.pitch - np.abs(y), board)
    block *= _soft(0.35 * board.ball - np.abs(x - edge - 0.75 * board.pitch), board)
    return np.asarray(np.maximum(grey, COPPER * trace) + 0.9 * SOLDER * block)


def _numbered(truth: pd.DataFrame) -> pd.DataFrame:
    """Row 0 and col 0 are where the file's y and x are lowest, which a flip about x reverses for rows."""
    if truth.groupby("row")["y_mm"].mean().is_monotonic_decreasing and truth["row"].nunique() > 1:
        truth["row"] = truth["row"].max() - truth["row"]
    return truth[["row", "col", "x_mm", "y_mm", "z_mm", "present"]].sort_values(
        ["row", "col"], ignore_index=True
    )


@pytest.fixture(scope="session")
def phantom() -> Callable[..., Phantom]:
    """Make a phantom from the fields of `Board`; the same fields give the same, already made one."""
    made: dict[Board, Phantom] = {}

    def make(**fields: object) -> Phantom:
        board = Board(**fields)  # type: ignore[arg-type]
        if board not in made:
            made[board] = build(board)
        return made[board]

    return make
