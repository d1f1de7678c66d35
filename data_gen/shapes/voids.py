"""Gas voids, placed from their relative record into whatever joint they sit in (its own frame).

A void stays under the joint's surface and, as far as there is room, clear of a failed surface: gas that
opens to a gap is no void any more.
"""

from __future__ import annotations

import math

import numpy as np

from jointwise.data_gen.drawing.records import VoidRecord
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.envelope import Envelope
from jointwise.data_gen.shapes.gaps import Surface
from jointwise.data_gen.shapes.solids import VOID, Floats, Solids

SKIN = 0.004
"""Least metal between a void and the joint's side, mm."""

LAND_LAYER = 0.015
"""Height above a land over which the layer of microvoids spreads, mm."""


def void_solids(
    voids: tuple[VoidRecord, ...], envelope: Envelope, h: float, surface: Surface | None
) -> Solids:
    """All voids of a joint as ellipsoids of role VOID."""
    return sd.join(*(_placed(v, envelope, h, surface) for v in voids))


def _placed(void: VoidRecord, envelope: Envelope, h: float, surface: Surface | None) -> Solids:
    wide, high = void.diameter_mm / 2, void.diameter_mm * void.flatness / 2
    # A void wider than the joint at its level shrinks until it fits.
    for _ in range(40):
        level = _level(void, h, high)
        if surface is not None:
            level = _clear_of(surface, void, level, envelope, h, wide, high)
        side = _room(envelope, h, level, wide, high)
        if side >= 0.0:
            break
        wide, high = 0.9 * wide, 0.9 * high
    reach = void.radial * max(side, 0.0)
    centre = reach * math.cos(void.azimuth_rad), reach * math.sin(void.azimuth_rad), level
    return sd.ellipsoid(centre, (wide, wide, high), role=VOID)


def _level(void: VoidRecord, h: float, high: float) -> float:
    """Height of the void's centre."""
    if void.place == "board":
        return high + void.level * LAND_LAYER
    if void.place == "package":
        return h - high - void.level * LAND_LAYER
    if void.place == "via":
        return 0.2 * high  # a dome: most of the lower half lies under the land and is cut off there
    lowest = min(high + SKIN, h / 2)
    return lowest + void.level * (h - 2 * lowest)


def _room(envelope: Envelope, h: float, level: float, wide: float, high: float) -> float:
    """How far the void's axis may stand from the joint's, over all its layers; negative if it does not fit."""
    rooms = []
    for u in np.linspace(-0.95, 0.95, 9):
        z = level + float(u) * high
        if 0.0 <= z <= h:
            rooms.append(env.radius_at(envelope, z) - SKIN - wide * math.sqrt(1 - float(u) ** 2))
    return min(rooms)


def _clear_of(
    surface: Surface, void: VoidRecord, level: float, envelope: Envelope, h: float, wide: float, high: float
) -> float:
    """The void's height moved along z until the gap's surface passes by it, or as far as the joint reaches."""
    side = max(_room(envelope, h, level, wide, high), 0.0) * void.radial
    x, y = side * math.cos(void.azimuth_rad), side * math.sin(void.azimuth_rad)
    need = max(wide, high) + surface.thickness / 2 + 0.003
    low, top = min(high, h / 2), max(h - high, h / 2)
    tries = [_moved(surface, x, y, level, need, sign) for sign in _sides(surface, x, y, level)]
    inside = [z for z in tries if low <= z <= top]
    if inside:
        return inside[0]
    # No room for all of it: as far off as the joint allows, on the side with metal.
    return min(max(tries[0], low), top)


def _sides(surface: Surface, x: float, y: float, level: float) -> tuple[int, ...]:
    """Where to go first, up (+1) or down (-1): the void's own side if there is metal on both."""
    if surface.metal:
        return (surface.metal,)
    face = _face(surface, x, y)
    return (1, -1) if level >= face else (-1, 1)


def _face(surface: Surface, x: float, y: float) -> float:
    """Height of the surface over (x, y)."""
    away: Floats = np.array([x, y]) - surface.centre[:2]
    drop = math.sqrt(max(surface.radius**2 - float(away @ away), 0.0))
    return float(surface.centre[2] + (-drop if surface.lower else drop))


def _moved(surface: Surface, x: float, y: float, level: float, need: float, sign: int) -> float:
    """Height nearest to `level` on the given side at which the surface stays `need` away."""
    away: Floats = np.array([x, y]) - surface.centre[:2]
    square = float(away @ away)
    # Towards the ball's inside its distance to the surface is R - |p - c|, outside |p - c| - R.
    inner = (sign > 0) == surface.lower
    reach = surface.radius - need if inner else surface.radius + need
    drop = math.sqrt(max(reach**2 - square, 0.0))
    limit = float(surface.centre[2] + (-drop if surface.lower else drop))
    return max(level, limit) if sign > 0 else min(level, limit)
