"""Drawing voids, notches, failed surfaces, bridges and their look-alikes, relative to the joint they sit in."""

from __future__ import annotations

import math

import numpy as np

from jointwise.data_gen.drawing import disc_point, log_uniform, uniform
from jointwise.data_gen.records import BulgeRecord, GapRecord, NeckRecord, VoidRecord, WaistRecord
from jointwise.data_gen.settings import DefectSettings

Site = tuple[int, int]
FULL_TURN = 2 * math.pi


def draw_waist(rng: np.random.Generator, defects: DefectSettings, height_mm: float) -> WaistRecord:
    """A notch at 0.25-0.62 of the height; no deeper than a tenth of the joint's height."""
    deepest = min(defects.waist_um[1], 100.0 * height_mm)
    depth = uniform(rng, (min(defects.waist_um[0], deepest), deepest))
    return WaistRecord(uniform(rng, (0.25, 0.62)), depth, uniform(rng, (0.97, 1.03)))


def draw_voids(
    rng: np.random.Generator, defects: DefectSettings, dmax_mm: float, via_in_pad: bool
) -> tuple[VoidRecord, ...]:
    """The voids of one joint: none, of the plain law, scaled near or above 5 % area, or a layer at a land."""
    kind = rng.random()
    shares = np.cumsum(
        [
            defects.voids_finding,
            defects.voids_near,
            defects.voids_small,
            defects.voids_free,
            defects.voids_sheet,
        ]
    )
    voids: list[VoidRecord] = []
    if kind < shares[0]:
        voids = _scaled(_macrovoids(rng, dmax_mm), log_uniform(rng, defects.void_area), dmax_mm)
    elif kind < shares[1]:
        voids = _scaled(_macrovoids(rng, dmax_mm), uniform(rng, (0.03, 0.049)), dmax_mm)
    elif kind < shares[2]:
        voids = _scaled(_macrovoids(rng, dmax_mm), log_uniform(rng, (0.003, 0.03)), dmax_mm)
    elif kind < shares[3]:
        voids = _macrovoids(rng, dmax_mm)
    elif kind < shares[4]:
        voids = _sheet(rng, dmax_mm)
    if via_in_pad and rng.random() < 0.6:
        diameter = uniform(rng, (0.08, 0.25)) * dmax_mm
        radial, azimuth = uniform(rng, (0.0, 0.4)), uniform(rng, (0.0, FULL_TURN))
        voids.append(VoidRecord(diameter, uniform(rng, (0.7, 1.1)), "via", 0.0, radial, azimuth))
    return tuple(voids)


def _macrovoids(rng: np.random.Generator, dmax_mm: float) -> list[VoidRecord]:
    """One to five nearly round voids; one in four of them touches the one before."""
    voids: list[VoidRecord] = []
    for _ in range(int(rng.integers(1, 6))):
        size = min(float(np.exp(rng.normal(math.log(0.15), 0.5))), 0.6) * dmax_mm
        place = str(rng.choice(["bulk", "board", "package"], p=[0.8, 0.08, 0.12]))
        level, radial = float(rng.beta(2.0, 1.5)), math.sqrt(rng.random())
        azimuth, flatness = uniform(rng, (0.0, FULL_TURN)), uniform(rng, (0.8, 1.1))
        touching = rng.random() < 0.25
        if touching and voids:
            last = voids[-1]
            place, level, radial = last.place, last.level, last.radial
            azimuth = last.azimuth_rad + uniform(rng, (0.3, 0.9))
        voids.append(VoidRecord(size, flatness, place, level, radial, azimuth))
    return voids


def _scaled(voids: list[VoidRecord], area: float, dmax_mm: float) -> list[VoidRecord]:
    """The voids at sizes whose shadows sum to `area` of the joint's largest section."""
    total = sum(v.diameter_mm**2 for v in voids)
    factor = dmax_mm * math.sqrt(area / total)
    return [
        VoidRecord(min(v.diameter_mm * factor, 0.6 * dmax_mm), v.flatness, v.place, v.level, v.radial, v.azimuth_rad)
        for v in voids
    ]  # fmt: skip


def _sheet(rng: np.random.Generator, dmax_mm: float) -> list[VoidRecord]:
    """6-40 flat microvoids in one layer at a land, and sometimes a large void elsewhere."""
    place = "board" if rng.random() < 0.5 else "package"
    median = uniform(rng, (0.035, 0.07))
    voids = []
    for _ in range(int(rng.integers(6, 41))):
        size = float(np.clip(median * np.exp(rng.normal(0.0, 0.3)), 0.02, 0.1)) * dmax_mm
        x, y = disc_point(rng)
        flatness, level = uniform(rng, (0.3, 0.7)), uniform(rng, (0.0, 1.0))
        voids.append(VoidRecord(size, flatness, place, level, math.hypot(x, y), math.atan2(y, x)))
    if rng.random() < 0.2:
        voids.append(_macrovoids(rng, dmax_mm)[0])
    return voids


def draw_gap(
    rng: np.random.Generator, defects: DefectSettings, place: str, ball_mm: float, *, edge: bool = False
) -> GapRecord:
    """A failed surface: pillow at the interface, bare land under a rounded cap, or one edge not wetted."""
    pillow = place == "interface"
    low, high = defects.pillow_gap_um if pillow else defects.open_gap_um
    # On small balls the widest gaps would eat the joint.
    gap = log_uniform(rng, (low, max(min(high, (100 if pillow else 140) * ball_mm), low)))
    curvature = log_uniform(rng, (0.8, 3.0)) if pillow else uniform(rng, (0.2, 0.9))
    form = ("dish" if rng.random() < 0.6 else "dome") if pillow else "cap"
    x, y = disc_point(rng)
    contact = 0.0 if rng.random() < defects.bare else uniform(rng, defects.contact)
    patches = draw_patches(rng, contact)
    if edge:
        contact, angle = uniform(rng, (0.84, 0.95)), uniform(rng, (0.0, FULL_TURN))
        tilt = math.cos(angle), math.sin(angle)
        return GapRecord(place, "edge", min(gap, 40.0), 0.0, tilt, contact, ())
    return GapRecord(place, form, gap, curvature, (0.1 * x, 0.1 * y), contact, patches)


def draw_patches(rng: np.random.Generator, contact: float) -> tuple[tuple[float, float, float], ...]:
    """Discs (x, y, radius) inside the unit disc whose areas sum to `contact`; apart if 40 throws find a place."""
    if contact <= 0.0:
        return ()
    weights = rng.dirichlet(np.full(int(rng.integers(1, 7)), 1.5))
    patches: list[tuple[float, float, float]] = []
    for radius in np.sqrt(contact * weights):
        r = min(max(float(radius), 0.02), 0.6)
        for _ in range(40):
            x, y = (0.97 - r) * np.asarray(disc_point(rng))
            if all(math.hypot(x - u, y - v) > r + s for u, v, s in patches):
                break
        patches.append((float(x), float(y), r))
    return tuple(patches)


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
