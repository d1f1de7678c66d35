"""Drawing the voids of one joint, relative to the joint they sit in."""

from __future__ import annotations

import math

import numpy as np

from jointwise.data_gen.drawing.numbers import disc_point, log_uniform, uniform
from jointwise.data_gen.drawing.records import (
    VoidRecord,
)
from jointwise.data_gen.settings import (
    DefectSettings,
)

FULL_TURN = 2 * math.pi


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
