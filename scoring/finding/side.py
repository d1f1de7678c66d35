"""Which side of the balls is the package, told by nothing but the scan.

A board goes on beyond the array and is denser farther in (copper planes, glass) than a package, bears traces and vias,
and its lands are usually the smaller ones, so that joints are narrower there. Each of these is measured alike above and
below the balls; their differences are weighed by a logistic rule without a constant, so that turning a scan upside
down turns the answer. The weights were fitted to 96 generated scans; bench/finding.py measures on others how often
the rule errs and how sure it says it is. Simulated packages have no copper planes of their own; real ones may.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.cutting import sample
from jointwise.joints.lattice import Vector
from jointwise.joints.levels import Levels
from jointwise.scoring.finding.groups import neighbours
from jointwise.scoring.finding.sites import Sites
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings

SURE_ENOUGH = 0.8
MOST_SURE = 0.97  # more than this the scans it was measured on do not bear out
MOST_SITES = 64
AT_ONCE = 16
HEIGHTS = np.linspace(-1.5, 1.5, 61)  # joint heights from the middle; a joint's ends are at ±0.5
CELL = (np.arange(9) - 4) / 9  # places over a site's cell, pitches
FLANK_BALLS = (0.35, 0.42, 0.5, 0.58)
TURNS = 2 * np.pi * np.arange(16) / 16
CLIP = 3.0

SCALE_AND_WEIGHT = {
    "flank": (0.053, 0.95),
    "lanes": (0.019, -0.97),
    "layers": (0.02, -0.68),
    "peak": (0.032, -0.81),
    "copper": (0.037, -0.75),
    "beyond_near": (0.0127, -1.91),
    "beyond_far": (0.021, -0.93),
    "under_lands": (0.011, -0.52),
}
"""Of each difference (high less low, in steps from air to solder): its usual size, and what it counts."""

WORDS = {
    "flank": "joints are wider",
    "lanes": "what lies between the lands is less dense",
    "layers": "the layers behind the lands are less dense",
    "peak": "no copper plane shows",
    "copper": "fewer traces and vias show",
    "beyond_near": "less goes on beyond the array",
    "beyond_far": "less lies deep beyond the array",
    "under_lands": "less metal lies behind the lands",
}
"""What each says of the package's side."""


@dataclass(frozen=True)
class Side:
    """Where the package lies.

    Args:
        side: `high` or `low` z of the file.
        sure: probability that this is right.
        words: what it rests on.
    """

    side: str
    sure: float
    words: str


def see_side(scan: Scan, array: ArraySettings, sites: Sites, levels: Levels) -> Side:
    """Weigh what lies above the balls against what lies below them."""
    return weigh(differences(scan, array, sites, levels))


def weigh(difference: dict[str, float]) -> Side:
    """The side, how sure, and the evidence for it, from `differences`."""
    votes = {
        name: weight * float(np.clip(difference[name] / scale, -CLIP, CLIP))
        for name, (scale, weight) in SCALE_AND_WEIGHT.items()
    }
    total = sum(votes.values())
    side, sign = ("high", 1.0) if total >= 0 else ("low", -1.0)
    speaking = sorted((name for name in votes if sign * votes[name] > 0.2), key=lambda n: -sign * votes[n])
    words = ", ".join(WORDS[name] for name in speaking[:3]) or "nothing differs"
    sure = min(1 / (1 + float(np.exp(-abs(total)))), MOST_SURE)
    return Side(side, sure, f"at {side} z {words}")


def differences(scan: Scan, array: ArraySettings, sites: Sites, levels: Levels) -> dict[str, float]:
    """Each piece of evidence at high z less the same at low z, as shares of the step from air to solder."""
    joints = sites.expected_mm[sites.present(array)]
    heights = sites.shapes.height_mm
    tall = (
        float(np.median(heights[np.isfinite(heights)]))
        if np.isfinite(heights).any()
        else 0.75 * array.ball_mm
    )
    some = joints[np.unique(np.linspace(0, len(joints) - 1, min(len(joints), MOST_SITES)).astype(int))]
    ring = _ring(sites)
    rim = np.stack([[r * np.cos(TURNS), r * np.sin(TURNS)] for r in FLANK_BALLS]).transpose(0, 2, 1)
    cell = array.pitch_mm * np.stack(np.meshgrid(CELL, CELL), axis=-1).reshape(-1, 2)
    flanks, cells, around = (
        _columns(scan, places, sites.frame.axes, offsets, tall, levels)
        for places, offsets in ((some, array.ball_mm * rim.reshape(-1, 2)), (some, cell), (ring, cell))
    )
    with np.errstate(invalid="ignore"):
        high, low = (_evidence(flanks, cells, around, sign) for sign in (1, -1))
    return {name: float(np.nan_to_num(high[name] - low[name])) for name in high}


def _ring(sites: Sites) -> Vector:
    """Places (n, 3) a pitch beyond the array's outer rows and columns, mm."""
    row, col = np.asarray(sites.row), np.asarray(sites.col)
    rows = np.arange(np.floor(row.min()) - 1, np.ceil(row.max()) + 2)
    cols = np.arange(np.floor(col.min()) - 1, np.ceil(col.max()) + 2)
    r, c = (v.ravel() for v in np.meshgrid(rows, cols, indexing="ij"))
    outer = (r == rows[0]) | (r == rows[-1]) | (c == cols[0]) | (c == cols[-1])
    places = np.flatnonzero(outer)
    some = places[np.unique(np.linspace(0, len(places) - 1, min(len(places), MOST_SITES)).astype(int))]
    return sites.frame.place(r[some], c[some])


def _columns(
    scan: Scan, places: Vector, axes: Vector, offsets: Vector, tall: float, levels: Levels
) -> NDArray[np.float32]:
    """Grey values (n, heights, offsets) around places, 0 = air and 1 = solder; NaN beyond the scan."""
    local = (offsets @ axes[:, :2].T)[None] + (tall * HEIGHTS[:, None] * axes[:, 2])[:, None]
    reach = float(np.abs(local).max())
    grey = np.full((len(places), *local.shape[:2]), np.nan, np.float32)
    upper = np.asarray(scan.lattice.shape[::-1]) - 0.5
    for group in neighbours(places, AT_ONCE):
        points = places[group][:, None, None] + local
        volume, lattice = scan.around(places[group], reach)
        index = scan.lattice.to_index(points)
        within = np.all((index >= -0.5) & (index <= upper), axis=-1)
        value = (sample(volume, lattice, points) - levels.air) / (levels.solder - levels.air)
        grey[group] = np.where(within, value, np.nan)
    return grey


def _evidence(
    flanks: NDArray[np.float32], cells: NDArray[np.float32], around: NDArray[np.float32], sign: int
) -> dict[str, float]:
    """What is seen on one side of the balls (sign 1: high z)."""

    def between(low: float, high: float) -> NDArray[np.bool_]:
        return np.asarray((sign * HEIGHTS >= low - 1e-9) & (sign * HEIGHTS <= high + 1e-9))

    x, y = (v.ravel() for v in np.meshgrid(CELL, CELL))
    lane = np.maximum(np.abs(x), np.abs(y)) > 0.4
    off_land = np.hypot(x, y) > 0.36
    middle = np.hypot(x, y) < 0.15
    mean_cell = _mean(cells, (0, 2))
    surface = _mean(cells[:, between(0.5, 0.75)], 1)[:, off_land]
    unlike = surface - np.nanmedian(surface, axis=0)
    beyond = _mean(around, (0, 2))
    layers = mean_cell[between(0.7, 1.5)]
    return {
        "flank": float(np.nanmedian(_mean(flanks[:, between(0.2, 0.42)], (1, 2)))),
        "lanes": float(_mean(cells[:, between(0.6, 1.3)][:, :, lane], (0, 1, 2))),
        "layers": float(_mean(mean_cell[between(0.95, 1.4)], 0)),
        "peak": float(np.nanmax(layers)) if np.isfinite(layers).any() else float("nan"),
        "copper": float(np.nanpercentile(unlike, 97)) if np.isfinite(unlike).any() else float("nan"),
        "beyond_near": float(_mean(beyond[between(0.6, 0.9)], 0)),
        "beyond_far": float(_mean(beyond[between(0.9, 1.3)], 0)),
        "under_lands": float(np.nanmedian(_mean(cells[:, between(0.65, 0.9)][:, :, middle], (1, 2)))),
    }


def _mean(values: NDArray[np.floating], axes: int | tuple[int, ...]) -> NDArray[np.float64]:
    """Mean over axes of what is known, NaN where nothing is."""
    known = np.isfinite(values)
    count = known.sum(axis=axes)
    total = np.where(known, values, 0.0).sum(axis=axes, dtype=np.float64)
    return np.asarray(total / np.where(count > 0, count, np.nan))
