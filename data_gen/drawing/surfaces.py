"""Drawing notches and failed surfaces, relative to the joint they sit in."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from jointwise.data_gen.drawing.numbers import disc_point, log_uniform, uniform
from jointwise.data_gen.drawing.records import GapRecord, MixRecord, WaistRecord
from jointwise.data_gen.settings import (
    DefectSettings,
)

FULL_TURN = 2 * math.pi


LEAST_TOUCHING_UM = 8.0
"""Least mean gap of a free end that touches its land at one edge."""

SLOPING_UM = 10.0
"""Least mean gap aimed at over a pillow whose face falls to one side, where there is room for it."""

SLOPING = 0.5
"""Share of rim_level, from below, in which the rims of pillows lie whose face falls to one side."""

NEAR_LAND = 1 / 6
"""Share of rim_level, from below, in which the rims of pillows by the board's land lie."""


def draw_waist(rng: np.random.Generator, defects: DefectSettings, height_mm: float) -> WaistRecord:
    """A notch at any level of a pillow's rim, no deeper than the settings allow a joint of this height."""
    deepest = min(defects.waist_um[1], 1000.0 * defects.waist_per_height * height_mm)
    depth = uniform(rng, (min(defects.waist_um[0], deepest), deepest))
    waist = WaistRecord(uniform(rng, defects.rim_level), depth, uniform(rng, defects.waist_split))
    if defects.groove == 0:
        return (
            waist  # nothing more is drawn, so that whatever comes after stays as it was before there were any
        )
    own = rng.spawn(1)[0]
    narrow, opening = own.random() < defects.groove, log_uniform(own, defects.groove_opening)
    return replace(waist, split=1.0, opening=opening) if narrow else waist


def draw_mix(rng: np.random.Generator) -> MixRecord:
    """How far a second alloy reaches, were there one: a plane in two of five joints, a dome else; drawn for all."""
    curvature = uniform(rng, (0.8, 3.0)) if rng.random() < 0.6 else 0.0
    x, y = disc_point(rng)
    return MixRecord(uniform(rng, (0.2, 1.0)), curvature, (0.15 * x, 0.15 * y))


def draw_gap(
    rng: np.random.Generator,
    defects: DefectSettings,
    place: str,
    height_mm: float,
    room_mm: float,
    notch: WaistRecord | None,
) -> GapRecord:
    """A failed surface: a pillow whose rim is the joint's notch, if it has one, or a bare land under a free end.

    Args:
        rng, defects: source of numbers, ranges.
        place: `interface`, `board` or `package`.
        height_mm: how high the joint stands.
        room_mm: the widest gap this height has room for.
        notch: the joint's notch.
    """
    pillow = place == "interface"
    low, high = defects.pillow_gap_um if pillow else defects.open_gap_um
    level = uniform(rng, defects.rim_level) if notch is None else notch.level
    lean = _draw_lean(rng, defects)
    # On small balls, on low pillows and under a leaning end the widest gaps would eat the joint.
    most = 700 * (level - 0.04) * height_mm if pillow else 350 * height_mm / (1.0 + math.hypot(*lean))
    widest = min(most, 1000 * room_mm)
    touching = not pillow and math.hypot(*lean) > 1.0
    # An end that touches at one edge is no open if half the rest is thinner than the eye of B6 (0.5 um).
    low = max(low, LEAST_TOUCHING_UM) if touching else low
    gap = log_uniform(rng, (low, max(min(high, widest), low)))
    contact = 0.0 if rng.random() < defects.bare else uniform(rng, defects.contact)
    patches = draw_patches(rng, contact, defects.rim_bond)
    if touching:
        contact, patches = lean_contact(math.hypot(*lean)), ()
    elif not pillow and gap > defects.wetted_um:
        contact, patches = 0.0, ()
    x, y = disc_point(rng)
    if pillow:
        form = "dish" if rng.random() < 0.6 else "dome"
        curvature = log_uniform(rng, defects.pillow_curvature)
        drawn = GapRecord(place, form, level, gap, curvature, (0.3 * x, 0.3 * y), contact, patches)
        return _parted(rng.spawn(1)[0], defects, drawn, height_mm, room_mm, notch is not None)
    curvature = uniform(rng, (0.05, 0.9))
    curvature = 0.3 * curvature if touching else curvature
    return GapRecord(place, "cap", 0.0, gap, curvature, lean, contact, patches)


def _parted(
    own: np.random.Generator,
    defects: DefectSettings,
    drawn: GapRecord,
    height_mm: float,
    room_mm: float,
    notched: bool,
) -> GapRecord:
    """The pillow with its head leaning in it, of another curvature than it, or by the board's land.

    From a stream of its own, so that other settings leave everything else that a seed draws as it was.
    """
    by_land, leans = own.random() < defects.near_land, own.random() < defects.pillow_wedge
    lowest = uniform(own, (defects.rim_level[0], _part(defects.rim_level, NEAR_LAND)))
    level = lowest if by_land and not notched else drawn.level
    size, angle = uniform(own, (0.3, 0.95)), uniform(own, (0.0, FULL_TURN))
    follow, contact = uniform(own, defects.pillow_follow), uniform(own, defects.contact)
    bonds = own.random() < 0.5 and contact > 0.0
    widest = 700 * (level - 0.04) * height_mm
    pillow = replace(drawn, level=level, follow=follow, gap_um=min(drawn.gap_um, widest))
    falls = _draw_slope(own, defects)
    if not leans:
        return pillow
    # The side on which a leaning head stands open climbs, and must find its place on the flank.
    wedge = size * math.cos(angle), size * math.sin(angle)
    if falls:
        # Its own face falls to that side: a mound drawn up where the head still holds it, a film where it left. So the
        # head need not climb, and the gap may be wide.
        slope, low = falls
        level, tilt = level if notched else low, (-slope * math.cos(angle), -slope * math.sin(angle))
        most = min(700 * (level - 0.04) * height_mm, 1000 * room_mm, defects.pillow_gap_um[1])
        gap = log_uniform(own, (min(SLOPING_UM, most), most))
        pillow = replace(pillow, form="dish", level=level, tilt=tilt, wedge=wedge, gap_um=gap)
    else:
        pillow = replace(pillow, wedge=wedge, gap_um=min(pillow.gap_um, widest / (1.0 + size)))
    return replace(pillow, contact=contact, patches=(_rim_patch(own, contact, angle),)) if bonds else pillow


def _draw_slope(own: np.random.Generator, defects: DefectSettings) -> tuple[float, float] | None:
    """How far a pillow's face falls to one side, and the level of its rim; None where it does not fall.

    Nothing is drawn where no face falls: what comes after stays as it was before there were any.
    """
    if defects.pillow_slope == 0:
        return None
    falls, slope = own.random() < defects.pillow_slope, uniform(own, (0.3, 1.2))
    low = uniform(own, (defects.rim_level[0], _part(defects.rim_level, SLOPING)))
    return (slope, low) if falls else None


def _part(pair: tuple[float, float], share: float) -> float:
    return pair[0] + share * (pair[1] - pair[0])


def _draw_lean(rng: np.random.Generator, defects: DefectSettings) -> tuple[float, float]:
    """How a free end leans: nearly level, leaning clear of the land, or touching it at one edge."""
    leans, touches = rng.random() < defects.leaning, rng.random() < 0.5
    size = (
        uniform(rng, (1.1, 2.2)) if leans and touches else uniform(rng, (0.3, 1.0) if leans else (0.0, 0.3))
    )
    angle = uniform(rng, (0.0, FULL_TURN))
    return size * math.cos(angle), size * math.sin(angle)


def lean_contact(lean: float) -> float:
    """Share of a round land that a flat end touches: where 1 - lean x < 0 on the unit disc."""
    d = min(1.0 / lean, 1.0)
    return (math.acos(d) - d * math.sqrt(1.0 - d**2)) / math.pi


def draw_edge(rng: np.random.Generator, defects: DefectSettings, ball_mm: float) -> GapRecord:
    """One side of a land that stayed dry; which land is for the caller to say."""
    # A dry edge is thin whatever the opens are.
    gap = min(log_uniform(rng, defects.open_gap_um), 80 * ball_mm)
    contact, angle = uniform(rng, (0.84, 0.95)), uniform(rng, (0.0, FULL_TURN))
    return GapRecord("board", "edge", 0.0, gap, 0.0, (math.cos(angle), math.sin(angle)), contact, ())


def draw_patches(
    rng: np.random.Generator, contact: float, rim_bond: float = 0.0
) -> tuple[tuple[float, float, float], ...]:
    """Discs (x, y, radius) that cover `contact` of the unit disc, the share `rim_bond` of draws one disc at its rim.

    Discs inside lie apart if 40 throws find a place.
    """
    if contact <= 0.0:
        return ()
    own = np.random.default_rng(int(contact * 2**53))  # so that surfaces bonded inside stay as they were
    at_rim = own.random() < rim_bond
    weights = rng.dirichlet(np.full(int(rng.integers(1, 7)), 1.5))
    patches: list[tuple[float, float, float]] = []
    for radius in np.sqrt(contact * weights):
        r = min(max(float(radius), 0.02), 0.6)
        for _ in range(40):
            x, y = (0.97 - r) * np.asarray(disc_point(rng))
            if all(math.hypot(x - u, y - v) > r + s for u, v, s in patches):
                break
        patches.append((float(x), float(y), r))
    return (_rim_patch(own, contact),) if at_rim else tuple(patches)


def _rim_patch(
    rng: np.random.Generator, contact: float, side: float | None = None
) -> tuple[float, float, float]:
    """A disc across the rim of the unit disc that covers `contact` of it, in the direction `side` (rad) if given."""
    radius, angle = uniform(rng, (max(0.4, 1.1 * math.sqrt(contact)), 1.0)), uniform(rng, (0.0, FULL_TURN))
    angle = angle if side is None else side
    away = brentq(lambda d: covered(d, radius) - contact, 1.0 - radius + 1e-9, 1.0 + radius)
    return away * math.cos(angle), away * math.sin(angle), radius


def covered(away: float, radius: float) -> float:
    """Share of the unit disc under a disc of `radius` (at most 1) whose centre lies `away`: the lens of two circles."""
    if away <= 1.0 - radius:
        return radius**2
    if away >= 1.0 + radius:
        return 0.0
    # Where the chord through both crossings cuts the line of centres.
    x = (away**2 + 1.0 - radius**2) / (2.0 * away)
    half = math.sqrt(max(1.0 - x**2, 0.0))
    mine = math.acos(min(max(x, -1.0), 1.0)) - x * half
    other = (away - x) / radius
    theirs = radius**2 * (math.acos(min(max(other, -1.0), 1.0)) - other * half / radius)
    return (mine + theirs) / math.pi
