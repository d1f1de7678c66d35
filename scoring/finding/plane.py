"""The plane in which the balls lie: many candidates in one thin, nearly level layer."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.lattice import Vector
from jointwise.scoring.finding.balls import Candidates

TRIALS = 1500
THICKNESS_BALLS = (
    0.35  # half the layer: warpage and sideways maxima stay inside, lands and package bumps outside
)


@dataclass(frozen=True)
class Plane:
    """z = height + slope · (x, y) in the file's frame.

    Args:
        height_mm: z at x = y = 0, mm.
        slope: dz/dx and dz/dy.
    """

    height_mm: float
    slope: tuple[float, float]

    def z_at(self, xy_mm: Vector) -> Vector:
        """Heights (…) at places (…, 2), mm."""
        return np.asarray(self.height_mm + xy_mm @ np.asarray(self.slope))

    @property
    def axes(self) -> Vector:
        """(3, 3): columns are the file's x direction laid into the plane, the one across it, and the normal (z up)."""
        normal = np.array([-self.slope[0], -self.slope[1], 1.0])
        normal /= np.linalg.norm(normal)
        along = np.array([1.0, 0.0, self.slope[0]])
        along /= np.linalg.norm(along)
        return np.stack([along, np.cross(normal, along), normal], axis=1)

    @property
    def tilt_deg(self) -> float:
        """Angle between the normal and the file's z, degrees."""
        return float(np.degrees(np.arctan(np.hypot(*self.slope))))


def find_plane(
    candidates: Candidates, ball_mm: float, max_tilt_deg: float
) -> tuple[Plane, NDArray[np.bool_]] | None:
    """The layer that holds most candidates and which of them it holds; None without candidates.

    Planes through random triples and level planes through each candidate compete (the triples come from a fixed
    seed, so that a scan is always found alike); the winner is fitted by least squares.
    """
    if not len(candidates):
        return None
    points, weight = candidates.points_mm, candidates.strength
    tolerance = THICKNESS_BALLS * ball_mm
    trials = np.concatenate([_level(points), _through_triples(points, np.tan(np.radians(max_tilt_deg)))])
    support = np.array([weight[np.abs(_off(points, t)) < tolerance].sum() for t in trials])
    best = trials[int(np.argmax(support))]
    for _ in range(4):
        best = _fit(points, weight * (np.abs(_off(points, best)) < tolerance), ball_mm)
    plane = Plane(float(best[0]), (float(best[1]), float(best[2])))
    return plane, np.asarray(np.abs(_off(points, best)) < tolerance)


def _level(points: Vector) -> Vector:
    heights = points[:200, 2]
    return np.stack([heights, np.zeros_like(heights), np.zeros_like(heights)], axis=1)


def _through_triples(points: Vector, steepest: float) -> Vector:
    if len(points) < 3:
        return np.zeros((0, 3))
    rng = np.random.default_rng(20)
    three = points[rng.integers(0, len(points), (TRIALS, 3))]
    design = np.concatenate([np.ones((TRIALS, 3, 1)), three[..., :2]], axis=2)
    sound = np.abs(np.linalg.det(design)) > 1e-6 * np.ptp(points[:, :2], axis=0).max() ** 2
    planes = np.linalg.solve(design[sound], three[sound][..., 2:])[..., 0]
    return np.asarray(planes[np.hypot(planes[:, 1], planes[:, 2]) <= steepest])


def _off(points: Vector, plane: Vector) -> Vector:
    return np.asarray(points[:, 2] - plane[0] - points[:, :2] @ plane[1:])


def _fit(points: Vector, weight: Vector, ball_mm: float) -> Vector:
    """Weighted least squares, with a faint pull towards level that decides only where the balls form a line."""
    middle = np.average(points, axis=0, weights=weight)
    local = points - middle
    normal = (local[:, :2] * weight[:, None]).T @ local[:, :2] + 0.2 * ball_mm**2 * np.eye(2)
    slope = np.linalg.solve(normal, (local[:, :2] * weight[:, None]).T @ local[:, 2])
    return np.array([middle[2] - middle[:2] @ slope, *slope])
