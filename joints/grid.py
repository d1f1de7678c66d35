"""The one grid on which every joint is looked at.

Gaps lie across z, the board normal, so z is sampled finer. The box spans 1.5 pitches in the board plane (both
neighbours' flanks are inside, so a bridge is) and 1.3 ball diameters along z (both lands are inside).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError


@dataclass(frozen=True)
class Grid:
    """Voxels and box of a joint's sub-volume.

    Args:
        shape: voxels along (z, y, x); z runs from board to package.
        pitches: width of the box in x and y, in pitches.
        balls: height of the box in z, in ball diameters.
    """

    shape: tuple[int, int, int] = (48, 56, 56)
    pitches: float = 1.5
    balls: float = 1.3

    def __post_init__(self) -> None:
        if len(self.shape) != 3 or min(self.shape) < 8:
            raise InputError(f"grid.shape: expected three sizes (z, y, x) of at least 8, found {self.shape}")
        if self.pitches <= 0 or self.balls <= 0:
            raise InputError(
                f"grid.pitches and grid.balls: expected positive sizes, found {self.pitches} and {self.balls}"
            )

    def spacing_mm(self, pitch_mm: float, ball_mm: float) -> tuple[float, float, float]:
        """Distance of grid points along (x, y, z), mm."""
        nz, ny, nx = self.shape
        return self.pitches * pitch_mm / nx, self.pitches * pitch_mm / ny, self.balls * ball_mm / nz

    def offsets_mm(self, pitch_mm: float, ball_mm: float) -> tuple[NDArray[np.float64], ...]:
        """Positions of the grid points from the box's centre along x, y and z, mm."""
        return tuple(
            np.asarray((np.arange(n) - (n - 1) / 2) * step, dtype=np.float64)
            for n, step in zip(self.shape[::-1], self.spacing_mm(pitch_mm, ball_mm), strict=True)
        )

    def half_diagonal_mm(self, pitch_mm: float, ball_mm: float) -> float:
        """Radius of the ball around the centre that holds the whole box, mm."""
        wide, high = self.pitches * pitch_mm, self.balls * ball_mm
        return 0.5 * float(np.sqrt(2 * wide**2 + high**2))

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary, for manifests and cards."""
        return {"shape": list(self.shape), "pitches": self.pitches, "balls": self.balls}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Grid":
        """Inverse of :meth:`to_json`."""
        return cls(tuple(data["shape"]), float(data["pitches"]), float(data["balls"]))
