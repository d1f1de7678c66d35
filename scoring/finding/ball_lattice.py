"""The square lattice of the balls in their plane: turn, pitch and offset, from points some of which do not belong.

A lattice of pitch p answers with a strong phasor sum |Σ w exp(2πi q·g)| at |g| = 1/p in two directions at right angles.
It is sought in small patches, where neither a slightly wrong pitch nor a second part in the field matters, and then
grown outwards by least squares.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from jointwise.joints.lattice import Vector

PATCH_PITCHES = 5.0
PATCHES = 12
PITCH_RANGE = 0.05  # how far the scan's pitch may be off the given one (scale of the voxels included)
ON_SITE = 0.2  # of a pitch
# Rayleigh statistic n(|P1|² + |P2|²): about 2 by chance, at most some 20 over all turns tried, 2n for n true sites.
LEAST_RESPONSE = 6.0


@dataclass(frozen=True)
class BallLattice:
    """Site (row, col) lies at origin + step · (col + i row), as complex numbers of the plane's two axes, mm.

    Args:
        origin: position of site (0, 0).
        step: from one column to the next; its modulus is the pitch, its argument the turn.
    """

    origin: complex
    step: complex

    @property
    def pitch_mm(self) -> float:
        """Pitch found, mm."""
        return abs(self.step)

    @property
    def turn_deg(self) -> float:
        """Turn in the plane against the plane's first axis, degrees, within ±45."""
        return float(np.degrees(np.angle(self.step)))

    def place(self, row: NDArray[np.number], col: NDArray[np.number]) -> Vector:
        """Positions (…, 2) of sites in the plane, mm."""
        z = self.origin + self.step * (np.asarray(col) + 1j * np.asarray(row))
        return np.stack([z.real, z.imag], axis=-1)

    def sites(self, places_mm: Vector) -> tuple[NDArray[np.int64], NDArray[np.int64], Vector]:
        """Nearest (row, col) of places (n, 2), and how far off they lie, in pitches."""
        z = (places_mm[:, 0] + 1j * places_mm[:, 1] - self.origin) / self.step
        col, row = np.rint(z.real).astype(np.int64), np.rint(z.imag).astype(np.int64)
        return row, col, np.asarray(np.abs(z - (col + 1j * row)))

    def moved(self, rows: float, cols: float) -> "BallLattice":
        """The same lattice with its site (rows, cols) as the new (0, 0)."""
        return BallLattice(self.origin + self.step * (cols + 1j * rows), self.step)


def find_lattice(places_mm: Vector, weight: Vector, pitch_mm: float) -> tuple[BallLattice, float] | None:
    """The lattice of about the given pitch that answers best, and its response per point (2 = perfect).

    Args:
        places_mm: (n, 2) in the plane.
        weight: (n,) how much each counts.
        pitch_mm: pitch, to within a few per cent.

    Returns:
        None where no patch answers more than chance would.
    """
    best: tuple[float, complex, complex] | None = None
    share = 0.0
    for patch in _patches(places_mm, pitch_mm):
        response, origin, step = _phasor(places_mm[patch], weight[patch], pitch_mm)
        if best is None or response > best[0]:
            best, share = (response, origin, step), response / len(patch)
            middle = places_mm[patch].mean(axis=0)
    if best is None or best[0] < LEAST_RESPONSE:
        return None
    return _grow(places_mm, weight, BallLattice(best[1], best[2]), middle, pitch_mm), share


def fit_lattice(
    places_mm: Vector, weight: Vector, row: NDArray[np.number], col: NDArray[np.number], start: BallLattice
) -> BallLattice:
    """Least squares of a square lattice to places whose sites are known; `start` when they do not determine it."""
    z, index = places_mm[:, 0] + 1j * places_mm[:, 1], col + 1j * row
    total = weight.sum()
    if total <= 0:
        return start
    z0, i0 = (weight @ z) / total, (weight @ index) / total
    spread = float(weight @ np.abs(index - i0) ** 2)
    if spread < 1e-9:
        return start
    step = complex(weight @ (np.conj(index - i0) * (z - z0))) / spread
    return BallLattice(complex(z0 - step * i0), step)


def _patches(places: Vector, pitch: float) -> list[NDArray[np.int64]]:
    """The most populated patches, apart from each other."""
    if not len(places):
        return []
    members = cKDTree(places).query_ball_point(places, PATCH_PITCHES * pitch)
    order = np.argsort([-len(m) for m in members], kind="stable")
    free = np.ones(len(places), bool)
    patches: list[NDArray[np.int64]] = []
    for first in order:
        if free[first] and len(patches) < PATCHES:
            patch = np.asarray(members[first], dtype=np.int64)
            patches.append(patch)
            free[patch] = False
    return patches


def _phasor(places: Vector, weight: Vector, pitch: float) -> tuple[float, complex, complex]:
    """Best response over turns and pitches; origin and step of the lattice that gives it."""
    middle = places.mean(axis=0)
    z = places[:, 0] + 1j * places[:, 1] - (middle[0] + 1j * middle[1])
    turns = np.radians(np.arange(-45.0, 45.0, 0.75))
    pitches = pitch * np.linspace(1 - PITCH_RANGE, 1 + PITCH_RANGE, 11)
    wave = (np.exp(1j * turns)[:, None] / pitches).ravel()
    along = np.real(np.conj(wave)[:, None] * z)
    across = np.real(np.conj(1j * wave)[:, None] * z)
    share = weight / weight.sum()
    p1, p2 = np.exp(2j * np.pi * along) @ share, np.exp(2j * np.pi * across) @ share
    response = len(z) * (np.abs(p1) ** 2 + np.abs(p2) ** 2)
    best = int(np.argmax(response))
    step = 1 / np.conj(wave[best])
    offset = (np.angle(p1[best]) + 1j * np.angle(p2[best])) / (2 * np.pi)
    return float(response[best]), complex(middle[0] + 1j * middle[1] + step * offset), complex(step)


def _grow(places: Vector, weight: Vector, lattice: BallLattice, middle: Vector, pitch: float) -> BallLattice:
    """Refit while the circle of points that count widens from the patch to the whole field."""
    distance = np.hypot(*(places - middle).T)
    reach = 2 * pitch
    while True:
        for _ in range(3):
            row, col, off = lattice.sites(places)
            lattice = fit_lattice(places, weight * (off < ON_SITE) * (distance < reach), row, col, lattice)
        if reach >= distance.max():
            return lattice
        reach *= 1.5
