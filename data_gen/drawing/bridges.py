"""Drawing bridges and near-bridges between neighbours."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.linalg import lsqr

from jointwise.data_gen.drawing.numbers import log_uniform, uniform
from jointwise.data_gen.drawing.records import (
    BulgeRecord,
    NeckRecord,
)
from jointwise.data_gen.settings import (
    DefectSettings,
)
from jointwise.data_gen.shapes.solids import Floats

Site = tuple[int, int]

STEPS = 300
"""Steps of the solution that keeps shares from going negative; ten times as many change no site's chance of a bridge
by 0.01 (50 depopulated boards)."""

FILM_WIDTH = 0.15, 0.5
"""Width of a film of solder along the lands over the ball's diameter."""


def bridged_pairs(
    rng: np.random.Generator, defects: DefectSettings, sites: list[Site]
) -> list[tuple[Site, Site]]:
    """Pairs of neighbours so that the same share of joints is bridged at an edge of the array as inside.

    Args:
        rng, defects: source of numbers, shares.
        sites: rows and columns with a land.
    """
    edges, weights = _even_edges(tuple(sites), defects.bridge_three / 2)
    here, pairs = set(sites), set()
    chances = -np.expm1(math.log1p(-defects.bridging) * weights)
    for (one, other), chance in zip(edges, chances, strict=True):
        joined, onwards = rng.random() < chance, rng.random()
        if not joined:
            continue
        pairs.add((one, other))
        if onwards < defects.bridge_three:
            start, end = (one, other) if onwards < defects.bridge_three / 2 else (other, one)
            beyond = 2 * end[0] - start[0], 2 * end[1] - start[1]
            if beyond in here:
                pairs.add((end, beyond) if end < beyond else (beyond, end))
    return sorted(pairs)


@lru_cache(maxsize=64)
def _even_edges(sites: tuple[Site, ...], onwards: float) -> tuple[list[tuple[Site, Site]], Floats]:
    """Pairs of neighbours and, for each, its share of the -ln(1 - p) that every site is to be bridged with.

    The least squares solution nearest to equal shares. Arrays of odd rows and columns have no exact one: there every
    other joint stays some 1/n below the rest of n joints. Where a share comes out negative (a site taken out of an
    even array), the least squares are solved again among shares that are not.

    Args:
        sites: rows and columns with a land.
        onwards: how likely a bridge goes on beyond either of its ends.
    """
    index = {site: i for i, site in enumerate(sites)}
    edges = [(s, t) for s in sites for t in ((s[0], s[1] + 1), (s[0] + 1, s[1])) if t in index]
    if not edges:
        return [], np.zeros(0)
    entries = [(index[end], e, 1.0) for e, edge in enumerate(edges) for end in edge]
    for e, (one, other) in enumerate(edges):
        for start, end in ((one, other), (other, one)):
            beyond = 2 * end[0] - start[0], 2 * end[1] - start[1]
            if beyond in index:
                entries.append((index[beyond], e, onwards))
    row, column, value = (np.array(part) for part in zip(*entries, strict=True))
    reached = coo_array((value, (row, column)), shape=(len(sites), len(edges))).tocsr()
    equal = np.full(len(edges), 0.25)
    solved = equal + lsqr(reached, 1.0 - reached @ equal, atol=1e-9, btol=1e-9)[0]
    return edges, solved if solved.min() >= 0.0 else _not_negative(reached, equal)


def _not_negative(reached: Any, start: Floats) -> Floats:
    """Least squares solution x >= 0 of `reached` x = 1 by multiplicative steps from `start`.

    M. E. Daube-Witherspoon, G. Muehllehner, IEEE Trans. Med. Imaging 5, 61 (1986).
    """
    x, wanted = start, reached.T @ np.ones(reached.shape[0])
    for _ in range(STEPS):
        x = x * wanted / (reached.T @ (reached @ x))
    return np.asarray(x)


def draw_neck(
    rng: np.random.Generator, defects: DefectSettings, first: Site, second: Site, ball_mm: float
) -> NeckRecord:
    """A bridge: thick ones, seldom slender ones, anywhere along the height; flat films along the lands."""
    thick = uniform(rng, defects.neck_mm_per_ball) * ball_mm
    thin = log_uniform(rng, (defects.slender_um / 1000, max(defects.neck_mm_per_ball[0] * ball_mm, 0.021)))
    diameter = thin if rng.random() < defects.slender else thick
    low, anywhere = uniform(rng, (0.05, 0.3)), uniform(rng, (0.1, 0.9))
    level = low if rng.random() < 0.4 else anywhere
    squash, flare = uniform(rng, (0.6, 1.0)), uniform(rng, (1.1, 2.0))
    high, wide = uniform(rng, defects.film_um) / 1000, uniform(rng, FILM_WIDTH) * ball_mm
    if rng.random() < defects.film:
        return NeckRecord(first, second, math.sqrt(high * wide), 0.02, min(high / wide, 1.0), min(flare, 1.3))
    return NeckRecord(first, second, diameter, level, squash, flare)


def draw_bulges(
    rng: np.random.Generator, defects: DefectSettings, rows: int, cols: int
) -> dict[Site, tuple[BulgeRecord, ...]]:
    """Near-bridges: on some pairs one or both joints reach out for the other, never touching.

    Blunt bulges, and necks that stop in the air: thin ones anywhere, flat ones along the lands.
    """
    bulges: dict[Site, tuple[BulgeRecord, ...]] = {}
    for row in range(rows):
        for col in range(cols):
            for drow, dcol in ((0, 1), (1, 0)):
                other = row + drow, col + dcol
                drawn = rng.random() < defects.near_bridge
                shape, reach, split = _draw_reach(rng, defects)
                if not drawn or other[0] >= rows or other[1] >= cols:
                    continue
                for site, part, sign in (((row, col), split, 1), (other, 1.0 - split, -1)):
                    if part * reach > 0.05:
                        bulge = BulgeRecord(sign * drow, sign * dcol, part * reach, *shape)
                        bulges[site] = (*bulges.get(site, ()), bulge)
    return bulges


def _draw_reach(
    rng: np.random.Generator, defects: DefectSettings
) -> tuple[tuple[float, float, float], float, float]:
    """Level, thickness and squash of a bulge, its reach over the air, and how a pair shares that reach."""
    split = float(rng.choice([0.0, 1.0, rng.random()]))
    stub, film = rng.random() < defects.near_bridge_neck, rng.random() < defects.film
    blunt = (uniform(rng, (0.15, 0.8)), uniform(rng, (0.25, 0.6)), 1.0)
    neck = (uniform(rng, (0.1, 0.85)), uniform(rng, (0.1, 0.3)), uniform(rng, (0.6, 1.0)))
    flat = (uniform(rng, (0.06, 0.12)), uniform(rng, (0.3, 0.6)), uniform(rng, (0.1, 0.3)))
    short, long = uniform(rng, (0.3, 0.85)), uniform(rng, (0.5, 0.93))
    if not stub:
        return blunt, short, split
    return (flat if film else neck), long, split
