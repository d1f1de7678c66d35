"""The board as it lies in the scan: its axes, the lattice in its plane, and how it is bent."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.lattice import Vector
from jointwise.scoring.finding.ball_lattice import BallLattice, fit_lattice
from jointwise.scoring.finding.plane import Plane

FEWEST_TO_BEND = 16


@dataclass(frozen=True)
class Frame:
    """Where site (row, col) lies.

    Args:
        axes: (3, 3), columns are the directions of columns, of rows and of the normal (z up) in the file's frame.
        lattice: the sites in the plane of the first two.
        bend: (6,) height along the normal as a + b u + c v + d u² + e v² + f u v, u and v in pitches from site (0, 0).
    """

    axes: Vector
    lattice: BallLattice
    bend: Vector

    def place(self, row: NDArray[np.number], col: NDArray[np.number]) -> Vector:
        """Positions (n, 3) of sites in the file's frame, mm."""
        flat = self.lattice.place(row, col)
        height = _powers(np.asarray(row), np.asarray(col)) @ self.bend
        return np.asarray(np.column_stack([flat, height]) @ self.axes.T)

    def bent_mm(self, row: NDArray[np.number], col: NDArray[np.number]) -> float:
        """How far the highest of the sites lies above the lowest, their best plane taken off, mm."""
        powers = _powers(np.asarray(row), np.asarray(col))
        height = powers @ self.bend
        plane, *_ = np.linalg.lstsq(powers[:, :3], height, rcond=1e-9)
        return float(np.ptp(height - powers[:, :3] @ plane))

    @property
    def tilt_deg(self) -> float:
        """Angle between the normal and the file's z, degrees."""
        return float(np.degrees(np.arccos(np.clip(self.axes[2, 2], -1, 1))))

    @property
    def turn_deg(self) -> float:
        """Angle of the direction of columns against the file's x, seen along z, degrees."""
        return float(np.degrees(np.arctan2(self.axes[1, 0], self.axes[0, 0])))


def first_frame(plane: Plane, lattice: BallLattice) -> Frame:
    """The frame of a flat board whose lattice was found in the axes of its plane."""
    axes = plane.axes
    height = plane.height_mm * axes[2, 2]
    return _turned(axes, lattice, np.array([height, 0, 0, 0, 0, 0]))


def fit_frame(
    centres_mm: Vector, weight: Vector, row: NDArray[np.number], col: NDArray[np.number], start: Frame
) -> Frame:
    """Frame through seen centres (n, 3), outliers set aside; `weight` 0 marks what was not seen."""
    seen = weight > 0
    points, weight, row, col = centres_mm[seen], weight[seen], row[seen], col[seen]
    if len(points) < 3:
        return start
    held, hold = _hold(points, start)
    along = np.concatenate([points, held])
    plane = _robust(
        np.column_stack([np.ones(len(along)), along[:, :2]]),
        along[:, 2],
        np.concatenate([weight, hold]),
        0.05,
    )
    axes = Plane(float(plane[0]), (float(plane[1]), float(plane[2]))).axes
    local = points @ axes
    guess = BallLattice(0j, start.lattice.step)
    lattice = fit_lattice(local[:, :2], weight, row, col, guess)
    off = np.hypot(*(local[:, :2] - lattice.place(row, col)).T)
    near = off < max(4 * float(np.median(off)), 1e-6)
    lattice = fit_lattice(local[near, :2], weight[near], row[near], col[near], lattice)
    return _turned(axes, lattice, _bend(local[:, 2], weight, row, col))


def _hold(points: Vector, start: Frame) -> tuple[Vector, Vector]:
    """Four faint points a pitch around the middle, on the plane known so far, and their weight.

    They decide nothing in an array but keep a single row from tilting about itself.
    """
    sides = np.array([[1, 0], [-1, 0], [0, 1], [0, -1]]) * start.lattice.pitch_mm
    held = points.mean(axis=0) + sides @ start.axes[:, :2].T
    return held, np.full(4, 0.01)


def _turned(axes: Vector, lattice: BallLattice, bend: Vector) -> Frame:
    """Turn the axes in their plane until the first runs along the columns."""
    turn = np.angle(lattice.step)
    c, s = np.cos(turn), np.sin(turn)
    turned = axes @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    back = np.exp(-1j * turn)
    return Frame(turned, BallLattice(lattice.origin * back, complex(abs(lattice.step))), bend)


def _bend(height: Vector, weight: Vector, row: NDArray[np.number], col: NDArray[np.number]) -> Vector:
    """Quadratic surface where the sites determine one, else a plane."""
    bend = np.zeros(6)
    curved = len(height) >= FEWEST_TO_BEND and min(np.ptp(row), np.ptp(col)) >= 3
    terms = slice(0, 6) if curved else slice(0, 3)
    bend[terms] = _robust(_powers(row, col)[:, terms], height, weight, 0.02)
    return bend


def _powers(row: NDArray[np.number], col: NDArray[np.number]) -> Vector:
    u, v = np.asarray(col, np.float64), np.asarray(row, np.float64)
    return np.stack([np.ones_like(u), u, v, u * u, v * v, u * v], axis=-1)


def _robust(design: Vector, value: Vector, weight: Vector, least: float) -> Vector:
    """Reweighted least squares (Tukey); residuals under `least` mm never count as outliers.

    Columns are centred and scaled, and directions the data do not determine stay at zero (minimum norm).
    """
    middle, scale = design.mean(axis=0), design.std(axis=0)
    middle[0], scale[0] = 0.0, 1.0
    scale[scale < 1e-12] = 1.0
    scaled = (design - middle) / scale
    robust = weight.copy()
    for _ in range(10):
        root = np.sqrt(robust)
        fit, *_ = np.linalg.lstsq(scaled * root[:, None], value * root, rcond=1e-6)
        off = np.abs(value - scaled @ fit)
        limit = max(6 * float(np.median(off)), least)
        robust = weight * np.clip(1 - (off / limit) ** 2, 0, None) ** 2
    slope = fit / scale
    slope[0] = fit[0] - middle[1:] @ slope[1:]
    return np.asarray(slope)
