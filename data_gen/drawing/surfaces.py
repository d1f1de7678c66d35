"""Drawing notches and failed surfaces, relative to the joint they sit in."""

from __future__ import annotations

import math

import numpy as np

from jointwise.data_gen.drawing.numbers import disc_point, log_uniform, uniform
from jointwise.data_gen.drawing.records import (
    GapRecord,
    WaistRecord,
)
from jointwise.data_gen.settings import (
    DefectSettings,
)

FULL_TURN = 2 * math.pi


def draw_waist(rng: np.random.Generator, defects: DefectSettings, height_mm: float) -> WaistRecord:
    """A notch at 0.25-0.62 of the height; no deeper than a tenth of the joint's height."""
    deepest = min(defects.waist_um[1], 100.0 * height_mm)
    depth = uniform(rng, (min(defects.waist_um[0], deepest), deepest))
    return WaistRecord(uniform(rng, (0.25, 0.62)), depth, uniform(rng, (0.97, 1.03)))


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
