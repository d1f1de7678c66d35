"""What was already looked for in a scan: candidates by the part's size, packages found, metal dismissed."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from jointwise.joints.lattice import Vector
from jointwise.scoring.finding.balls import Candidates, find_candidates
from jointwise.scoring.finding.found import ArrayFound
from jointwise.scoring.reading.scan import Scan

FOOTPRINT_PITCHES = 0.75  # around a site everything belongs to its package,
FOOTPRINT_BALLS = 0.9  # up and down


@dataclass
class Search:
    """A scan that is searched, several times over.

    Args:
        scan: the scan.
        max_tilt_deg: largest tilt of a board's normal against the file's z, degrees.
        found: packages found so far; their metal is not looked at again.
        dismissed: places (n, 3) of metal that turned out to be no balls, mm.
    """

    scan: Scan
    max_tilt_deg: float
    found: list[ArrayFound] = field(default_factory=list)
    dismissed: list[Vector] = field(default_factory=list)
    _seen: dict[tuple[float, float], Candidates] = field(default_factory=dict)

    def candidates(self, pitch_mm: float, ball_mm: float) -> Candidates:
        """Places that may be balls of about this size and are not spoken for."""
        key = round(pitch_mm, 6), round(ball_mm, 6)
        if key not in self._seen:
            self._seen[key] = find_candidates(self.scan.volume, self.scan.lattice, pitch_mm, ball_mm)
        left = self._seen[key]
        for package in self.found:
            left = left.take(~_within(package, left.points_mm))
        for places in self.dismissed:
            if len(left):
                distance, _ = cKDTree(places).query(left.points_mm)
                left = left.take(distance > 0.3 * ball_mm)
        return left


def _within(package: ArrayFound, points: Vector) -> NDArray[np.bool_]:
    """Which points (n,) lie at the sites of a package."""
    sites = package.sites[["x_mm", "y_mm", "z_mm"]].to_numpy() @ package.axes
    local = points @ package.axes
    if not len(points):
        return np.zeros(0, bool)
    flat, nearest = cKDTree(sites[:, :2]).query(local[:, :2])
    off = np.abs(local[:, 2] - sites[nearest, 2])
    part = package.array
    return np.asarray((flat < FOOTPRINT_PITCHES * part.pitch_mm) & (off < FOOTPRINT_BALLS * part.ball_mm))
