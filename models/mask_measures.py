"""Sizes of voids, gaps and necks as masks tell them: areas, volumes and thicknesses summed over shares of cells.

Definitions are those of the truth: a void's area is that of all voids seen along z over the joint's largest
cross-section, a gap its mean along z over what is not in contact, a neck the diameter of a circle of its least
cross-section. Sums of shares hold what is thinner than a cell.
"""

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.grid import Grid
from jointwise.joints.masks import MASKS, cell_mm

BY_MASKS: Final = (
    "void_projected_area_pct",
    "void_volume_pct",
    "void_largest_pct",
    "gap_um",
    "bridge_neck_um",
)
"""What masks tell, in the order of the columns of :func:`measured_by_masks`."""

FILLED: Final = 0.5
"""Share from which a cell counts as part of a connected void."""

LEAST_THICKNESS: Final = 0.15
"""Thickest gap, in cells, below which none is told: networks see a haze of about that at the lands of sound joints."""

OF_THICKEST: Final = 0.4
"""Columns whose gap is at least this part of its typical thickest count as not in contact."""

LEAST_LAYER: Final = 0.02
"""Layers with at least this part of the strongest one's gap belong to it: the other land has one of its own."""

LEAST_PARTED: Final = 0.3
"""Part of a layer's section that a gap takes at least; less is the dry edge of a sound joint."""

LEAST_NECK: Final = 1.0
"""Cross-section of a neck, in cells, below which there is none."""

MIDDLE: Final = 0.12
"""Half width, in pitches, of the zone about the middle between two balls where a neck's least section is taken."""

Floats = NDArray[np.float64]
Shares = NDArray[np.floating]


class Cells(NamedTuple):
    """Edges of one joint's cells in mm, and its pitch in cells.

    Args:
        x, y, z: edges, mm.
        pitch_x, pitch_y: the pitch, in cells.
    """

    x: float
    y: float
    z: float
    pitch_x: float
    pitch_y: float

    @classmethod
    def of(cls, grid: Grid, pitch_mm: float, ball_mm: float) -> "Cells":
        """Cells of a joint of that pitch and ball."""
        x, y, z = cell_mm(grid, pitch_mm, ball_mm)
        return cls(x, y, z, pitch_mm / x, pitch_mm / y)


def measured_by_masks(shares: Shares, grid: Grid, pitch_mm: Floats, ball_mm: Floats) -> Floats:
    """What masks tell of n joints, (n, 5), columns as `BY_MASKS`; gap and neck NaN where none shows.

    Args:
        shares: (n, mask, z, y, x), 0 to 1.
        grid: grid of the joints' sub-volumes.
        pitch_mm: (n,).
        ball_mm: (n,).
    """
    rows = [
        _measured(joint, Cells.of(grid, float(p), float(b)))
        for joint, p, b in zip(shares.astype(np.float32, copy=False), pitch_mm, ball_mm, strict=True)
    ]
    return np.asarray(rows, dtype=np.float64).reshape(len(shares), len(BY_MASKS))


def _measured(joint: Shares, cells: Cells) -> tuple[float, ...]:
    solder, void, gap, bridge = (joint[MASKS.index(name)] for name in ("solder", "void", "gap", "bridge"))
    return *_void_pct(solder, void), _gap_um(solder, gap, cells), _neck_um(bridge, cells)


def _void_pct(solder: Shares, void: Shares) -> tuple[float, float, float]:
    """Projected area of all voids and volume, and area of the largest, in percent of the joint's."""
    whole = solder + void
    section = float(whole.sum(axis=(1, 2)).max())
    if section <= 0:
        return np.nan, np.nan, np.nan
    area = float(_covered(void).sum()) / section
    largest = _largest_area(void) / section
    return 100 * area, 100 * float(void.sum() / whole.sum()), 100 * largest


def _covered(void: Shares) -> Shares:
    """Share of each column (y, x) covered seen along z.

    At least the largest share of its cells, if what fills them lies one above the other; more, if it lies at random in
    each. Round voids are halfway.
    """
    covered: Shares = (void.max(axis=0) + 1 - np.prod(1 - void, axis=0)) / 2
    return covered


def _largest_area(void: Shares) -> float:
    """Area seen along z, in cells, of the largest connected void, with the shares at its rim."""
    filled = void >= FILLED
    if not filled.any():
        return float(_covered(void).max())
    parts, n = ndimage.label(filled, ndimage.generate_binary_structure(3, 3))
    near = ndimage.maximum_filter(parts, 3)  # a rim belongs to one void; where two meet, to either
    return max(float(_covered(np.where(near == k, void, 0)).sum()) for k in range(1, n + 1))


def _gap_um(solder: Shares, gap: Shares, cells: Cells) -> float:
    """Mean thickness along z, um, over the columns that are not in contact; NaN without a gap."""
    layers = gap.sum(axis=(1, 2))
    strongest = int(layers.argmax())
    low, high = _run(layers > LEAST_LAYER * layers[strongest], strongest)
    thickness = gap[low:high].sum(axis=0)
    if float(thickness.max()) < LEAST_THICKNESS:
        return np.nan
    # Weighted by itself: typical of the gap, whatever thin haze lies about it.
    typical = float((thickness**2).sum() / thickness.sum())
    section = float((solder + gap)[max(0, low - 1) : high + 1].sum(axis=(1, 2)).max())
    share = float(np.minimum(1, thickness / typical).sum()) / section
    if share < LEAST_PARTED:
        return np.nan
    parted = thickness >= OF_THICKEST * typical
    return 1000 * cells.z * float(thickness[parted].mean())


def _run(chosen: NDArray[np.bool_], place: int) -> tuple[int, int]:
    """The unbroken run of chosen layers that holds one, from the first to behind the last."""
    others = np.flatnonzero(~chosen)
    below, above = others[others < place], others[others > place]
    return int(below[-1]) + 1 if len(below) else 0, int(above[0]) if len(above) else len(chosen)


def _neck_um(bridge: Shares, cells: Cells) -> float:
    """Diameter of a circle of the least cross-section of the strongest of four necks; NaN without one."""
    along_x = bridge.sum(axis=(0, 1)) * cells.y * cells.z
    along_y = bridge.sum(axis=(0, 2)) * cells.x * cells.z
    least = LEAST_NECK * cells.z * max(cells.x, cells.y)
    section = max(_least(along_x, cells.pitch_x), _least(along_y, cells.pitch_y))
    return 2000 * float(np.sqrt(section / np.pi)) if section >= least else np.nan


def _least(sections: Shares, pitch: float) -> float:
    """Least cross-section about the middle between two balls, of the side that has more."""
    from_centre = (np.arange(len(sections)) - (len(sections) - 1) / 2) / pitch
    sides = [np.abs(side * from_centre - 0.5) <= MIDDLE for side in (1, -1)]
    return max((float(sections[side].min()) for side in sides if side.any()), default=0.0)
