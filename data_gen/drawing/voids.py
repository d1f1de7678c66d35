"""Drawing the voids of one joint, relative to the joint they sit in.

Families: macrovoids, clusters of touching and merged voids, planar layers of microvoids at a land, domes over
a microvia, shrinkage texture. The first three exclude each other; a dome is a bubble that sits on its via, and
texture comes on top of whatever else a joint has. None of it looks at what is wrong with the joint's surfaces.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from jointwise.data_gen.drawing.numbers import disc_point, log_uniform, uniform
from jointwise.data_gen.drawing.records import VoidRecord
from jointwise.data_gen.settings import (
    DefectSettings,
)
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes.solids import Floats
from jointwise.data_gen.shapes.voids import shadow_area, void_solids

FULL_TURN = 2 * math.pi
LARGEST = 0.6
"""Largest void over Dmax (domain document B1)."""

HIGHEST = 0.8
"""Height of a void over its joint's, at most."""

THROWS = 8
"""Places tried for each microvoid of a layer; the one farthest from the others is taken, as bubbles keep apart."""

LAYER_FITS = 0.055, 0.14
"""Root mean square of the sizes in a layer over Dmax that the number of microvoids is chosen for."""

HIGHEST_MICROVOID_MM = 0.045

NEAR_AREA = 0.03, 0.049
"""Area of voids just below a finding."""


class Stand(NamedTuple):
    """The sound joint that voids are drawn for, upright: its lands' wetted radii, height and metal, mm and mm^3."""

    a: float
    b: float
    height: float
    metal: float

    @property
    def outer(self) -> env.Envelope:
        """Its outer shape, one quadric."""
        return (env.piece_of(0.0, self.height, self.a, self.b, self.metal),)


def draw_voids(
    rng: np.random.Generator, defects: DefectSettings, stand: Stand, dmax_mm: float, via_in_pad: bool
) -> tuple[VoidRecord, ...]:
    """The voids of one joint: none, of the plain law, scaled near or above 5 % area, or a layer at a land.

    Args:
        rng: the scan's stream.
        defects: shares and sizes.
        stand: the joint itself. Areas are aimed at its own largest section: at the nominal joint's, a void just
            below 5 % would tip over on every joint that stands high, and the height would tell of voids.
        dmax_mm: nominal diameter.
        via_in_pad: whether the joint stands on a microvia.
    """
    # A dome is one of the joint's bubbles, moved before areas are aimed at: a via must not tell that there is a void.
    voids, area = _family(rng, defects, stand, dmax_mm)
    domed, dome = rng.random() < defects.via_void, _dome(rng)
    if via_in_pad and domed:
        voids = _over_the_via(voids, dome)
    if area is not None:
        voids = _aimed(voids, area, stand, dmax_mm)
    voids = [_flattened(void, stand.height) for void in voids]
    if rng.random() < defects.voids_shrinkage:
        voids = voids + _shrinkage(rng, defects)
    return tuple(voids)


def _flattened(void: VoidRecord, height: float) -> VoidRecord:
    """The void pressed flat where its joint is too low for it: between both lands there is solder above or below."""
    highest = HIGHEST * height / void.diameter_mm
    return void if void.flatness <= highest else replace(void, flatness=highest)


def _dome(rng: np.random.Generator) -> VoidRecord:
    """Form and place of a dome over a microvia, of no size yet."""
    flatness, radial, azimuth = (
        uniform(rng, (0.5, 1.1)),
        uniform(rng, (0.0, 0.4)),
        uniform(rng, (0.0, FULL_TURN)),
    )
    return VoidRecord(0.0, flatness, "via", 0.0, radial, azimuth)


def _over_the_via(voids: list[VoidRecord], dome: VoidRecord) -> list[VoidRecord]:
    """The largest bubble, if there is one, as a dome over the microvia."""
    bulk = [i for i, void in enumerate(voids) if void.place == "bulk"]
    if not bulk:
        return voids
    largest = max(bulk, key=lambda i: voids[i].diameter_mm)
    moved = replace(dome, diameter_mm=voids[largest].diameter_mm)
    return [moved if i == largest else void for i, void in enumerate(voids)]


def _family(
    rng: np.random.Generator, defects: DefectSettings, stand: Stand, dmax_mm: float
) -> tuple[list[VoidRecord], float | None]:
    """Voids of one family, and the area aimed at, if any."""
    kinds = ("finding", "near", "small", "free", "sheet")
    shares = np.cumsum([getattr(defects, f"voids_{kind}") for kind in kinds])
    kind = int(np.searchsorted(shares, rng.random(), side="right"))
    near_sheet = rng.random() < defects.near_sheet
    if kind == 0:
        return _bubbles(rng, defects, dmax_mm), log_uniform(rng, defects.void_area)
    if kind == 1:
        area = uniform(rng, NEAR_AREA)
        return _sheet(rng, defects, stand, dmax_mm, area) if near_sheet else _bubbles(
            rng, defects, dmax_mm
        ), area
    if kind == 2:
        return _bubbles(rng, defects, dmax_mm), log_uniform(rng, (0.003, 0.03))
    if kind == 3:
        return _bubbles(rng, defects, dmax_mm), None
    if kind == 4:
        area = log_uniform(rng, defects.sheet_area)
        voids = _sheet(rng, defects, stand, dmax_mm, area)
        return voids + (_macrovoids(rng, dmax_mm)[:1] if rng.random() < 0.2 else []), area
    return [], None


def _bubbles(rng: np.random.Generator, defects: DefectSettings, dmax_mm: float) -> list[VoidRecord]:
    return _cluster(rng, dmax_mm) if rng.random() < defects.void_merged else _macrovoids(rng, dmax_mm)


def _size(rng: np.random.Generator, dmax_mm: float) -> float:
    """A macrovoid's diameter: lognormal, median 0.15 Dmax (domain document B1)."""
    return min(float(np.exp(rng.normal(math.log(0.15), 0.5))), LARGEST) * dmax_mm


def _macrovoids(rng: np.random.Generator, dmax_mm: float) -> list[VoidRecord]:
    """One to five nearly round voids, more of them in the upper half."""
    voids: list[VoidRecord] = []
    for _ in range(int(rng.integers(1, 6))):
        size = _size(rng, dmax_mm)
        place = str(rng.choice(["bulk", "board", "package"], p=[0.8, 0.08, 0.12]))
        level, radial = float(rng.beta(2.0, 1.5)), math.sqrt(rng.random())
        azimuth, flatness = uniform(rng, (0.0, FULL_TURN)), uniform(rng, (0.8, 1.1))
        voids.append(VoidRecord(size, flatness, place, level, radial, azimuth))
    return voids


def _cluster(rng: np.random.Generator, dmax_mm: float) -> list[VoidRecord]:
    """One void and one to four more, each touching the one before or grown into it."""
    voids = _macrovoids(rng, dmax_mm)[:1]
    for _ in range(int(rng.integers(1, 5))):
        size, flatness = _size(rng, dmax_mm), uniform(rng, (0.8, 1.1))
        apart, azimuth = uniform(rng, (0.45, 1.0)), uniform(rng, (0.0, FULL_TURN))
        voids.append(VoidRecord(size, flatness, "beside", uniform(rng, (0.2, 0.8)), apart, azimuth))
    return voids


def _sheet(
    rng: np.random.Generator, defects: DefectSettings, stand: Stand, dmax_mm: float, area: float
) -> list[VoidRecord]:
    """6-40 microvoids in one flat layer at a land, so many that sizes of the trade make up `area`."""
    place = "board" if rng.random() < 0.5 else "package"
    land = stand.a if place == "board" else stand.b
    fewest, most = (int(np.clip(area / size**2, 6, 40)) for size in reversed(LAYER_FITS))
    count = int(rng.integers(fewest, most + 1))
    sizes = np.clip(np.exp(rng.normal(0.0, 0.3, count)), 0.5, 2.0)
    sizes *= dmax_mm * math.sqrt(area / float(np.sum(sizes**2)))
    low, high = defects.sheet_size
    sizes = np.clip(sizes, max(low * dmax_mm, 0.015), high * dmax_mm)
    layer, flat = uniform(rng, (0.0, 1.0)), uniform(rng, (0.2, 1.0))
    places = _spread(rng, sizes / 2, land)
    voids = []
    for size, (x, y) in zip(sizes.tolist(), places.tolist(), strict=True):
        flatness = min(flat * uniform(rng, (0.8, 1.2)), 1.0, HIGHEST_MICROVOID_MM / size)
        level = min(layer + uniform(rng, (0.0, 0.08)), 1.0)
        radial = min(math.hypot(x, y) / max(land - size / 2, 1e-6), 1.0)
        voids.append(VoidRecord(size, flatness, place, level, radial, math.atan2(y, x)))
    return voids


def _spread(rng: np.random.Generator, radii: Floats, land: float) -> Floats:
    """Centres (n, 2) on a land: of THROWS places for each the one with most air to the voids before."""
    centres = np.zeros((len(radii), 2))
    for i, radius in enumerate(radii):
        throws = (land - radius) * np.array([disc_point(rng) for _ in range(THROWS)])
        away = np.linalg.norm(throws[:, None] - centres[None, :i], axis=2) - radii[:i]
        centres[i] = throws[int(np.argmax(away.min(axis=1)))] if i else throws[0]
    return centres


def _aimed(voids: list[VoidRecord], area: float, stand: Stand, dmax_mm: float) -> list[VoidRecord]:
    """The voids at sizes whose shadows' union is `area` of the joint's largest section.

    Layers and crowded joints may have room for less; sizes never pass LARGEST.
    """
    outer = stand.outer
    section = math.pi * env.largest_radius(outer) ** 2
    for _ in range(4):
        found = shadow_area(void_solids(tuple(voids), outer, stand.height, None)) / section
        if abs(found - area) < 0.01 * area:
            break
        factor = math.sqrt(area / found)
        voids = [_sized(void, min(factor * void.diameter_mm, LARGEST * dmax_mm)) for void in voids]
    return voids


def _sized(void: VoidRecord, diameter_mm: float) -> VoidRecord:
    """The void at another size; `replace` takes four times as long."""
    return VoidRecord(**{**vars(void), "diameter_mm": diameter_mm})


def _shrinkage(rng: np.random.Generator, defects: DefectSettings) -> list[VoidRecord]:
    """A few thin, jagged cavities in all directions under the surface of the zone that froze last."""
    level, azimuth = uniform(rng, (0.1, 0.9)), uniform(rng, (0.0, FULL_TURN))
    low, high = defects.shrinkage_um
    voids = []
    for _ in range(int(rng.integers(4, 13))):
        length = log_uniform(rng, (low, high)) / 1000
        spin, lean, around_z = rng.uniform(0.0, 1.0, 3)
        turn = float(FULL_TURN * spin), math.acos(1.0 - 2.0 * lean), float(FULL_TURN * around_z)
        place = float(np.clip(level + rng.normal(0.0, 0.08), 0.0, 1.0)), uniform(rng, (0.8, 1.0))
        around = azimuth + float(rng.normal(0.0, 0.4))
        flatness, breadth = uniform(rng, (0.08, 0.25)), uniform(rng, (0.3, 0.9))
        voids.append(VoidRecord(length, flatness, "bulk", *place, around, breadth, turn))
    return voids
