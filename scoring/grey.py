"""Grey values of a scan: the levels its joints are scaled by, and what they mean in 1/mm."""

from dataclasses import dataclass

import numpy as np

from jointwise.joints.cutting import level_reading
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Vector
from jointwise.joints.levels import Levels, Reading, combine
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings, ScoreSettings

MOST_READINGS = 64  # medians over more joints hardly move


def array_levels(scan: Scan, centres_mm: Vector, axes: Vector, array: ArraySettings, grid: Grid) -> Levels:
    """Levels of a scan, read around joints (n, 3) that are evenly chosen if there are many.

    Raises:
        InputError: no joints, or no contrast at them.
    """
    some = np.unique(np.linspace(0, len(centres_mm) - 1, min(len(centres_mm), MOST_READINGS)).astype(int))

    def read(i: int) -> Reading:
        reach = grid.half_diagonal_mm(array.pitch_mm, array.ball_mm)
        volume, lattice = scan.around(centres_mm[i], reach)
        return level_reading(volume, lattice, centres_mm[i], axes, grid, array.pitch_mm, array.ball_mm)

    return combine([read(i) for i in some])


@dataclass(frozen=True)
class GreyScale:
    """What a value of the file means: slope · value + intercept, in the unit.

    Args:
        unit: how it is written, `1/mm` or `grey value`.
        slope: per unit of the file's values.
        intercept: at value 0.
    """

    unit: str
    slope: float
    intercept: float

    @property
    def name(self) -> str:
        """What the numbers are."""
        return "attenuation" if self.unit == "1/mm" else "as stored"

    def of(self, value: float) -> float:
        """A value of the file in the unit."""
        return self.slope * value + self.intercept


def grey_scale(scan: Scan, settings: ScoreSettings) -> GreyScale:
    """The scale the user gave; else floats are taken as 1/mm, integers as plain grey values."""
    if settings.grey_slope is not None:
        return GreyScale("1/mm", settings.grey_slope, settings.grey_intercept)
    return GreyScale("1/mm" if scan.volume.dtype.kind == "f" else "grey value", 1.0, 0.0)
