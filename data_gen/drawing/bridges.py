"""Drawing bridges and near-bridges between neighbours."""

from __future__ import annotations

import numpy as np

from jointwise.data_gen.drawing.numbers import log_uniform, uniform
from jointwise.data_gen.drawing.records import (
    BulgeRecord,
    NeckRecord,
)
from jointwise.data_gen.settings import (
    DefectSettings,
)

Site = tuple[int, int]


def bridged_pairs(rng: np.random.Generator, share: float, rows: int, cols: int) -> list[tuple[Site, Site]]:
    """Pairs of neighbours so that nearly the same share of joints is bridged at the edge as inside.

    Each site reaches for one neighbour with probability share / 2 and is reached for about as often.
    """
    pairs = set()
    for row in range(rows):
        for col in range(cols):
            reaches, choice = rng.random() < share / 2, rng.random()
            around = _neighbours(row, col, rows, cols)
            if reaches and around:
                other = around[int(choice * len(around))]
                pairs.add(((row, col), other) if (row, col) < other else (other, (row, col)))
    return sorted(pairs)


def _neighbours(row: int, col: int, rows: int, cols: int) -> list[Site]:
    around = [(row - 1, col), (row + 1, col), (row, col - 1), (row, col + 1)]
    return [(r, c) for r, c in around if 0 <= r < rows and 0 <= c < cols]


def draw_neck(
    rng: np.random.Generator, defects: DefectSettings, first: Site, second: Site, ball_mm: float
) -> NeckRecord:
    """A bridge: mostly thick, seldom slender, anywhere along the height, often low along the mask."""
    thick = uniform(rng, defects.neck_mm_per_ball) * ball_mm
    thin = log_uniform(rng, (defects.slender_um / 1000, max(defects.neck_mm_per_ball[0] * ball_mm, 0.021)))
    diameter = thin if rng.random() < defects.slender else thick
    low, anywhere = uniform(rng, (0.05, 0.3)), uniform(rng, (0.1, 0.9))
    level = low if rng.random() < 0.4 else anywhere
    return NeckRecord(first, second, diameter, level, uniform(rng, (0.6, 1.0)), uniform(rng, (1.1, 2.0)))


def draw_bulges(
    rng: np.random.Generator, rate: float, rows: int, cols: int
) -> dict[Site, tuple[BulgeRecord, ...]]:
    """Near-bridges: on some pairs one or both joints bulge towards the other, never touching."""
    bulges: dict[Site, tuple[BulgeRecord, ...]] = {}
    for row in range(rows):
        for col in range(cols):
            for drow, dcol in ((0, 1), (1, 0)):
                other = row + drow, col + dcol
                drawn = rng.random() < rate
                level, thickness = uniform(rng, (0.15, 0.8)), uniform(rng, (0.25, 0.6))
                reach, split = uniform(rng, (0.3, 0.85)), float(rng.choice([0.0, 1.0, rng.random()]))
                if not drawn or other[0] >= rows or other[1] >= cols:
                    continue
                for site, part, sign in (((row, col), split, 1), (other, 1.0 - split, -1)):
                    if part * reach > 0.05:
                        bulge = BulgeRecord(sign * drow, sign * dcol, part * reach, level, thickness)
                        bulges[site] = (*bulges.get(site, ()), bulge)
    return bulges
