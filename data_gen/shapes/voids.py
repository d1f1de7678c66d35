"""Gas voids, placed from their relative record into whatever joint they sit in (its own frame).

A void stays under the joint's surface and, as far as there is room, clear of a failed surface: gas that
opens to a gap is no void any more. All voids of a joint are placed at once, as arrays; what does not fit
shrinks, by a rule that changes smoothly with the joint's size (its metal is solved for).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from jointwise.data_gen.drawing.records import VoidRecord
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.envelope import Envelope
from jointwise.data_gen.shapes.gaps import Surface
from jointwise.data_gen.shapes.solids import VOID, Floats, Solids

SKIN = 0.004
"""Least metal between a void and the joint's side, mm."""

LAND_LAYER = 0.025
"""Height above a land over which the layer of microvoids spreads, mm."""

SHADOW_ROWS = 300
"""Rows across all shadows in `shadow_area`; exact along each row."""

_LAYERS = np.linspace(-0.95, 0.95, 9)
"""Layers of a void, over its half-height, at which it must fit into the joint."""


class _Voids(NamedTuple):
    """n voids as arrays: half-extents sideways and along z (mm), how upright each stands, place and direction.

    `upright` is 1 where the section shrinks towards top and bottom, 0 where a tilted void is taken as its
    bounding cylinder.
    """

    wide: Floats
    high: Floats
    upright: Floats
    place: tuple[str, ...]
    level: Floats
    radial: Floats
    azimuth: Floats


class _Room(NamedTuple):
    """The joint that voids must fit into."""

    envelope: Envelope
    h: float
    surface: Surface | None


def void_solids(
    voids: tuple[VoidRecord, ...], envelope: Envelope, h: float, surface: Surface | None
) -> Solids:
    """All voids of a joint as ellipsoids of role VOID, in the record's order."""
    if not voids:
        return sd.empty()
    room = _Room(envelope, h, surface)
    axes = [_axes(v) for v in voids]
    spread = np.array([a @ a.T for a in axes])
    arrays = _arrays(voids, spread)
    scale, centres = _placed(arrays, room)
    for i, void in enumerate(voids):
        if void.place == "beside" and i:
            scale[i], centres[i] = _beside(_one(arrays, i), room, centres[i - 1], scale[i - 1] * arrays.wide[i - 1],
                                           scale[i - 1] * arrays.high[i - 1])  # fmt: skip
    matrix: Floats = np.asarray(np.linalg.inv(scale[:, None, None] * np.array(axes)), float)
    n = len(voids)
    return Solids(
        matrix,
        centres,
        np.tile([1.0, 0.0, -1.0], (n, 1)),
        np.tile([-1.0, 1.0], (n, 1)),
        np.full(n, VOID, np.int8),
    )


def _axes(void: VoidRecord) -> Floats:
    """Semi-axes as columns: length and breadth in plane and height, turned as recorded (z, y, z)."""
    half = void.diameter_mm / 2 * np.array([1.0, void.breadth, void.flatness])
    return _turn(*void.turn) * half


def _turn(first: float, lean: float, last: float) -> Floats:
    def about_z(angle: float) -> Floats:
        c, s = math.cos(angle), math.sin(angle)
        return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])

    c, s = math.cos(lean), math.sin(lean)
    turned: Floats = about_z(last) @ np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]]) @ about_z(first)
    return turned


def _arrays(voids: tuple[VoidRecord, ...], spread: Floats) -> _Voids:
    flat = spread[:, :2, :2]
    return _Voids(
        wide=np.sqrt(np.linalg.eigvalsh(flat)[:, 1]),
        high=np.sqrt(spread[:, 2, 2]),
        upright=np.array([float(v.turn[1] == 0.0) for v in voids]),
        place=tuple(v.place for v in voids),
        level=np.array([v.level for v in voids]),
        radial=np.array([v.radial for v in voids]),
        azimuth=np.array([v.azimuth_rad for v in voids]),
    )


def _one(voids: _Voids, i: int) -> _Voids:
    """Void i alone, as one of the bulk."""
    cut = slice(i, i + 1)
    return _Voids(
        voids.wide[cut], voids.high[cut], voids.upright[cut], ("bulk",), voids.level[cut], voids.radial[cut],
        voids.azimuth[cut],
    )  # fmt: skip


def _placed(voids: _Voids, room: _Room) -> tuple[Floats, Floats]:
    """Scale (n,) at most 1 at which each void fits, and the centres (n, 3)."""

    def at(scale: Floats) -> tuple[Floats, Floats]:
        high = scale * voids.high
        z = _levels(voids, high, room.h)
        side = _side(room, voids, z, scale)
        if room.surface is not None:
            reach = np.maximum(side, 0.0) * voids.radial
            z = _clear_of(room.surface, voids, reach, z, scale, room.h)
            side = _side(room, voids, z, scale)
        return z, side

    scale = _largest_that_fits(lambda s: at(s)[1], len(voids.wide))
    z, side = at(scale)
    reach = voids.radial * np.maximum(side, 0.0)
    return scale, np.stack([reach * np.cos(voids.azimuth), reach * np.sin(voids.azimuth), z], axis=1)


def _largest_that_fits(side_at, n: int) -> Floats:  # type: ignore[no-untyped-def]
    """Scale in 0.02-1 of each void by bisection, where it does not fit as it is."""
    low, high = np.full(n, 0.02), np.ones(n)
    if np.all(side_at(high) >= 0.0):
        return high
    low = np.where(side_at(high) >= 0.0, 1.0, low)
    for _ in range(14):
        middle = 0.5 * (low + high)
        fits = side_at(middle) >= 0.0
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    return low


def _levels(voids: _Voids, high: Floats, h: float) -> Floats:
    """Heights of the voids' centres."""
    lowest = np.minimum(high + SKIN, h / 2)
    z = lowest + voids.level * (h - 2 * lowest)
    place = np.array(voids.place)
    z = np.where(place == "board", high + voids.level * LAND_LAYER, z)
    z = np.where(place == "package", h - high - voids.level * LAND_LAYER, z)
    # A dome: most of the lower half lies under the land and is cut off there.
    return np.where(place == "via", 0.2 * high, z)


def _radii(envelope: Envelope, z: Floats) -> Floats:
    """Radius of the outer shape at many heights; infinite outside, where nothing limits a void."""
    radius = np.full(z.shape, np.inf)
    for piece in envelope:
        here = (z >= piece.low) & (z <= piece.high)
        radius[here] = np.sqrt(np.maximum(piece.squared_radius(z[here]), 0.0))
    return radius


def _side(room: _Room, voids: _Voids, z: Floats, scale: Floats) -> Floats:
    """How far each void's axis may stand from the joint's, over all its layers; negative if it does not fit."""
    radius = _radii(room.envelope, z[:, None] + _LAYERS * (scale * voids.high)[:, None])
    section = np.sqrt(1.0 - voids.upright[:, None] * _LAYERS**2)
    rooms: Floats = (radius - SKIN - (scale * voids.wide)[:, None] * section).min(axis=1)
    return rooms


def _clear_of(surface: Surface, voids: _Voids, reach: Floats, z: Floats, scale: Floats, h: float) -> Floats:
    """Heights moved along z until the gap's surface passes by, or as far as the joint reaches."""
    wide, high = scale * voids.wide, scale * voids.high
    x, y = (
        reach * np.cos(voids.azimuth) - surface.centre[0],
        reach * np.sin(voids.azimuth) - surface.centre[1],
    )
    away = x**2 + y**2
    # Half-extent of the void along the surface's normal, and what the surface curves towards it.
    slope = np.minimum(away / surface.radius**2, 1.0)
    need = np.sqrt(high**2 * (1 - slope) + wide**2 * slope) + wide**2 / (2 * surface.radius)
    need += surface.thickness / 2 + 0.003
    low, top = np.minimum(high, h / 2), np.maximum(h - high, h / 2)
    bend = -1.0 if surface.lower else 1.0
    face = surface.centre[2] + bend * np.sqrt(np.maximum(surface.radius**2 - away, 0.0))
    # The void's own side first if there is metal on both.
    first = np.where(z >= face, 1.0, -1.0) if surface.metal == 0 else np.full(len(z), float(surface.metal))
    one, other = (_moved(surface, away, z, need, sign) for sign in (first, -first))
    turned = (surface.metal == 0) & (other >= low) & (other <= top)
    # No room for all of it: as far off as the joint allows, on the side with metal.
    forced = np.where(turned, other, np.clip(one, low, top))
    return np.where((one >= low) & (one <= top), one, forced)


def _moved(surface: Surface, away: Floats, z: Floats, need: Floats, sign: Floats) -> Floats:
    """Heights nearest to z on the given side at which the surface stays `need` away."""
    # Towards the ball's inside a distance to the surface is R - |p - c|, outside |p - c| - R.
    inner = (sign > 0) == surface.lower
    reach = np.where(inner, surface.radius - need, surface.radius + need)
    drop = np.sqrt(np.maximum(reach**2 - away, 0.0))
    limit = surface.centre[2] + (-drop if surface.lower else drop)
    moved: Floats = np.where(sign > 0, np.maximum(z, limit), np.minimum(z, limit))
    return moved


def _beside(
    void: _Voids, room: _Room, last: Floats, last_wide: float, last_high: float
) -> tuple[float, Floats]:
    """A void that touches the one before it, or merges with it, as far as the joint leaves room.

    Its `level` is the direction's rise (0 straight down, 0.5 level, 1 straight up), its `radial` the distance of
    the two centres over the sum of their radii that way.
    """
    sine = 2.0 * float(void.level[0]) - 1.0
    cosine = math.sqrt(1.0 - sine**2)
    azimuth = float(void.azimuth[0])
    wide, high = float(void.wide[0]), float(void.high[0])

    def radius(w: float, v: float) -> float:
        return 1.0 / math.hypot(cosine / w, sine / v)

    step = void.radial[0] * (radius(last_wide, last_high) + radius(wide, high))
    target = last + step * np.array([cosine * math.cos(azimuth), cosine * math.sin(azimuth), sine])
    far = math.hypot(target[0], target[1])
    lowest = min(high + SKIN, room.h / 2)
    level = (target[2] - lowest) / max(room.h - 2 * lowest, 1e-9)
    seat = void._replace(
        level=np.clip([level], 0.0, 1.0),
        azimuth=np.array([math.atan2(target[1], target[0])]),
        radial=np.ones(1),
    )
    scale, centre = _placed(seat, room)
    reach = math.hypot(centre[0, 0], centre[0, 1])
    share = min(1.0, far / reach) if reach > 0.0 else 1.0
    return float(scale[0]), centre[0] * np.array([share, share, 1.0])


def shadow_area(solids: Solids) -> float:
    """Area in mm^2 of the union of ellipsoids' shadows along z: exact along rows, SHADOW_ROWS of them."""
    if solids.size == 0:
        return 0.0
    back = np.linalg.inv(solids.matrix)
    spread = back @ back.transpose(0, 2, 1)
    return float(_union(solids.origin[:, :2], spread[:, :2, :2], SHADOW_ROWS))


@njit(error_model="numpy", cache=True, nogil=True)
def _union(centre, spread, rows):  # type: ignore[no-untyped-def]
    """Rows across ellipses (p - c)^T S^-1 (p - c) <= 1; the union of each row's intervals."""
    n = centre.shape[0]
    reach = np.sqrt(spread[:, 1, 1])
    low, high = (centre[:, 1] - reach).min(), (centre[:, 1] + reach).max()
    step, total = (high - low) / rows, 0.0
    begin, end = np.empty(n), np.empty(n)
    for row in range(rows):
        y, count = low + (row + 0.5) * step, 0
        for k in range(n):
            away = y - centre[k, 1]
            part = 1.0 - away * away / spread[k, 1, 1]
            if part > 0.0:
                middle = centre[k, 0] + spread[k, 0, 1] / spread[k, 1, 1] * away
                half = math.sqrt((spread[k, 0, 0] - spread[k, 0, 1] ** 2 / spread[k, 1, 1]) * part)
                begin[count], end[count] = middle - half, middle + half
                count += 1
        order, last = np.argsort(begin[:count]), -np.inf
        for k in order:
            total += max(end[k] - max(begin[k], last), 0.0)
            last = max(last, end[k])
    return total * step
