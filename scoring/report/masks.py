"""What a network with masks says of where a fault lies, as lines to draw over the slices of a joint.

The network says of every cell (2 x 2 x 2 grid points) how much of it void, gap and bridge fill; its scores are made
from that too. A line runs where a cell is filled half as much as the joint's strongest one: of what is larger than a
cell that is the outline, of what is thinner it tells the place and not the thickness.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray

from jointwise.joints.grid import Grid
from jointwise.joints.masks import COARSER, MASKS, POINTS_BY
from jointwise.models.bench import Bench
from jointwise.models.learned import LearnedDetector
from jointwise.scoring.report.evidence import Spot
from jointwise.scoring.report.outlines import Cut, Points, Stroke
from jointwise.scoring.report.signs import ORDER
from jointwise.scoring.scored import Package

OUTLINED: Final = ("void", "gap", "bridge")
"""Masks that are drawn; the solder's own is told better by the image."""

SEEN: Final = "seen-"
"""Begins the kind of a line that the network draws, before the mask's name."""

LEAST: Final = 0.2
"""Share of the strongest cell below which nothing is drawn: joints without a finding have a haze, of 0.02 at most
for gaps on a clean development board, of 0.18 on a noisy one."""


def with_masks(bench: Bench) -> LearnedDetector | None:
    """The network that decides, if it has a decoder; else None."""
    detector = bench.learned.detector if bench.learned else None
    return detector if isinstance(detector, LearnedDetector) and detector.card.network.masks else None


@dataclass(frozen=True)
class Seen:
    """What a network sees in one joint.

    Args:
        shares: (mask, z, y, x) as joints.masks has them.
        offsets_um: of the grid points along x, y and z, from the joint's middle.
        measures: what it measures from the masks, by column; what it does not tell is left out.
    """

    shares: NDArray[np.floating]
    offsets_um: tuple[Points, Points, Points]
    measures: dict[str, float]

    def strongest(self, mask: str) -> float:
        """Share of the cell that a mask fills most."""
        return float(self._of(mask).max())

    @property
    def outlined(self) -> list[str]:
        """Masks that show something."""
        return [mask for mask in OUTLINED if self.strongest(mask) >= LEAST]

    def strokes(self, cut: Cut) -> list[Stroke]:
        """All lines over one slice."""
        axis = "zyx".index(cut.across)
        k = int(np.abs(self.offsets_um["xyz".index(cut.across)] - cut.at_um).argmin()) // COARSER
        x, y = (self._cells("xyz".index(name)) for name in (cut.along, cut.up))
        return [
            Stroke(f"{SEEN}{mask}", np.asarray(line))
            for mask in self.outlined
            for line in contour_generator(x, y, np.take(self._of(mask), k, axis=axis)).lines(
                self.strongest(mask) / 2
            )
        ]

    def spot(self, findings: Sequence[str]) -> Spot | None:
        """The strongest cell of the mask that shows the gravest finding; None where that shows nothing."""
        kind = next((kind for kind in ORDER if kind in findings and kind in POINTS_BY), None)
        if kind is None or self.strongest(POINTS_BY[kind]) < LEAST:
            return None
        mask = self._of(POINTS_BY[kind])
        z, y, x = (COARSER * int(k) for k in np.unravel_index(int(mask.argmax()), mask.shape))
        return Spot((z, y, x), f"cell in which the network sees most of a {POINTS_BY[kind]}")

    def _of(self, mask: str) -> NDArray[np.float32]:
        return np.asarray(self.shares[MASKS.index(mask)], dtype=np.float32)

    def _cells(self, axis: int) -> Points:
        """Middles of the cells along an axis."""
        offsets = self.offsets_um[axis]
        return np.asarray(offsets[::COARSER] + (COARSER - 1) * (offsets[1] - offsets[0]) / 2)


def cell_um(grid: Grid, pitch_mm: float, ball_mm: float) -> tuple[float, float]:
    """Edge of a cell along the board and along its normal."""
    along, _, up = grid.spacing_mm(pitch_mm, ball_mm)
    return 1000 * COARSER * along, 1000 * COARSER * up


def look_at(network: LearnedDetector, package: Package, places: Sequence[int]) -> list[Seen]:
    """What a network sees in the joints at some sites of a package, all with a ball; it is asked again for these alone.

    Args:
        network: one with masks.
        package: the package.
        places: rows of its table.
    """
    cut, array = package.cut, package.array
    number = np.cumsum(package.table["present"].to_numpy() == 1) - 1  # which joint stands at a site
    joints = cut.joints.take(number[list(places)])
    _, measures, shares = network.score_measure_and_show(joints)
    x, y, z = (1000 * o for o in cut.joints.grid.offsets_mm(array.pitch_mm, array.ball_mm))
    rows = measures.to_dict("records")
    return [
        Seen(one, (x, y, z), {str(name): float(value) for name, value in row.items() if np.isfinite(value)})
        for one, row in zip(shares, rows, strict=True)
    ]
