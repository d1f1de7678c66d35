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
from numpy.typing import NDArray

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


_BULK, _BOARD, _PACKAGE, _VIA = range(4)
_PLACES = {"board": _BOARD, "package": _PACKAGE, "via": _VIA}

_inner = njit(error_model="numpy", cache=True, nogil=True)


class _Voids(NamedTuple):
    """n voids as arrays: half-extents sideways and along z (mm), how upright each stands, place and direction.

    `upright` is 1 where the section shrinks towards top and bottom, 0 where a tilted void is taken as its
    bounding cylinder. `towards` is cosine and sine of the azimuth.
    """

    wide: Floats
    high: Floats
    upright: Floats
    place: NDArray[np.int64]
    level: Floats
    radial: Floats
    towards: Floats
    azimuth: Floats


class _Room(NamedTuple):
    """The joint that voids must fit into: its pieces (low, high, a, b, c), its height, and a failed surface.

    `face` is the ball's centre, radius, radius squared and half the gap with some metal; empty without a surface.
    """

    pieces: Floats
    h: float
    face: Floats
    lower: bool
    metal: int


def void_solids(
    voids: tuple[VoidRecord, ...], envelope: Envelope, h: float, surface: Surface | None
) -> Solids:
    """All voids of a joint as ellipsoids of role VOID, in the record's order."""
    if not voids:
        return sd.empty()
    room = _room(envelope, h, surface)
    axes = _axes(voids)
    arrays = _arrays(voids, axes)
    scale, centres = _placed(arrays, room)
    for i, void in enumerate(voids):
        if void.place == "beside" and i:
            scale[i], centres[i] = _beside(_one(arrays, i), room, centres[i - 1], scale[i - 1] * arrays.wide[i - 1],
                                           scale[i - 1] * arrays.high[i - 1])  # fmt: skip
    n = len(voids)
    return Solids(
        sd.inverses(scale[:, None, None] * axes),
        centres,
        np.tile([1.0, 0.0, -1.0], (n, 1)),
        np.tile([-1.0, 1.0], (n, 1)),
        np.full(n, VOID, np.int8),
    )


def _room(envelope: Envelope, h: float, surface: Surface | None) -> _Room:
    pieces = np.array([(piece.low, piece.high, *piece.profile) for piece in envelope])
    if surface is None:
        return _Room(pieces, h, np.zeros(0), False, 0)
    face = (*surface.centre, surface.radius, surface.radius**2, surface.thickness / 2 + 0.003)
    return _Room(pieces, h, np.array(face), surface.lower, surface.metal)


def _axes(voids: tuple[VoidRecord, ...]) -> Floats:
    """Semi-axes as columns (n, 3, 3): length and breadth in plane and height, turned as recorded (z, y, z)."""
    half = np.array([(1.0, v.breadth, v.flatness) for v in voids])
    half *= np.array([v.diameter_mm / 2 for v in voids])[:, None]
    axes: Floats = np.eye(3) * half[:, None, :]
    for i, void in enumerate(voids):
        if any(void.turn):
            axes[i] = _turn(*void.turn) * half[i]
    return axes


def _turn(first: float, lean: float, last: float) -> Floats:
    def about_z(angle: float) -> Floats:
        c, s = math.cos(angle), math.sin(angle)
        return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])

    c, s = math.cos(lean), math.sin(lean)
    turned: Floats = about_z(last) @ np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]]) @ about_z(first)
    return turned


def _arrays(voids: tuple[VoidRecord, ...], axes: Floats) -> _Voids:
    turned = np.array([any(v.turn) for v in voids])
    wide, high = np.maximum(axes[:, 0, 0], axes[:, 1, 1]), axes[:, 2, 2].copy()
    if turned.any():
        spread = np.array([a @ a.T for a in axes[turned]])
        wide[turned] = np.sqrt(np.linalg.eigvalsh(spread[:, :2, :2])[:, 1])
        high[turned] = np.sqrt(spread[:, 2, 2])
    azimuth = np.array([v.azimuth_rad for v in voids])
    return _Voids(
        wide=wide,
        high=high,
        upright=np.array([float(v.turn[1] == 0.0) for v in voids]),
        place=np.array([_PLACES.get(v.place, _BULK) for v in voids]),
        level=np.array([v.level for v in voids]),
        radial=np.array([v.radial for v in voids]),
        towards=np.stack([np.cos(azimuth), np.sin(azimuth)], axis=1),
        azimuth=azimuth,
    )


def _one(voids: _Voids, i: int) -> _Voids:
    """Void i alone, as one of the bulk."""
    alone = _Voids._make(array[i : i + 1] for array in voids)
    return alone._replace(place=np.array([_BULK]))


def _placed(voids: _Voids, room: _Room) -> tuple[Floats, Floats]:
    """Scale (n,) at most 1 at which each void fits, and the centres (n, 3)."""
    scale, centres = np.empty(len(voids.wide)), np.empty((len(voids.wide), 3))
    _place_all(*voids[:7], *room, _LAYERS, scale, centres)
    return scale, centres


@_inner
def _place_all(  # type: ignore[no-untyped-def]
    wide, high, upright, place, level, radial, towards, pieces, h, face, lower, metal, layers, scale, centres
):
    """`_placed`; in 0.02-1 by bisection where a void does not fit as it is."""
    for i in range(scale.shape[0]):
        void = wide[i], high[i], upright[i], place[i], level[i], radial[i], towards[i, 0], towards[i, 1]
        room = pieces, h, face, lower, metal, layers
        best = 1.0
        z, side = _seat(void, room, best)
        if not side >= 0.0:
            best, limit = 0.02, 1.0
            for _ in range(14):
                middle = 0.5 * (best + limit)
                if _seat(void, room, middle)[1] >= 0.0:
                    best = middle
                else:
                    limit = middle
            z, side = _seat(void, room, best)
        reach = radial[i] * max(side, 0.0)
        scale[i] = best
        centres[i, 0], centres[i, 1], centres[i, 2] = reach * towards[i, 0], reach * towards[i, 1], z


@_inner
def _seat(void, room, scale):  # type: ignore[no-untyped-def]
    """Height of a void's centre, and how far its axis may stand from the joint's; negative if it does not fit."""
    wide, high, upright, place, level, radial, cosine, sine = void
    pieces, h, face, lower, metal, layers = room
    z = _level(place, level, scale * high, h)
    side = _side(pieces, layers, z, scale * wide, scale * high, upright)
    if face.shape[0]:
        reach = max(side, 0.0) * radial
        z = _clear_of(face, lower, metal, reach * cosine, reach * sine, z, scale * wide, scale * high, h)
        side = _side(pieces, layers, z, scale * wide, scale * high, upright)
    return z, side


@_inner
def _level(place, level, high, h):  # type: ignore[no-untyped-def]
    """Height of a void's centre."""
    if place == _BOARD:
        return high + level * LAND_LAYER
    if place == _PACKAGE:
        return h - high - level * LAND_LAYER
    if place == _VIA:
        # A dome: most of the lower half lies under the land and is cut off there.
        return 0.2 * high
    lowest = min(high + SKIN, h / 2)
    return lowest + level * (h - 2 * lowest)


@_inner
def _side(pieces, layers, z, wide, high, upright):  # type: ignore[no-untyped-def]
    """How far a void's axis may stand from the joint's, over all its layers; outside the joint nothing limits it."""
    room = np.inf
    for layer in layers:
        at = z + layer * high
        radius = np.inf
        for p in range(pieces.shape[0]):
            if pieces[p, 0] <= at <= pieces[p, 1]:
                t = at - pieces[p, 0]
                radius = math.sqrt(max(pieces[p, 2] + pieces[p, 3] * t + pieces[p, 4] * (t * t), 0.0))
        room = min(room, radius - SKIN - wide * math.sqrt(1.0 - upright * (layer * layer)))
    return room


@_inner
def _clear_of(face, lower, metal, x, y, z, wide, high, h):  # type: ignore[no-untyped-def]
    """A height moved along z until the gap's surface passes by, or as far as the joint reaches."""
    x, y = x - face[0], y - face[1]
    away = x * x + y * y
    # Half-extent of the void along the surface's normal, and what the surface curves towards it.
    slope = min(away / face[4], 1.0)
    need = math.sqrt(high * high * (1 - slope) + wide * wide * slope) + wide * wide / (2 * face[3])
    need += face[5]
    low, top = min(high, h / 2), max(h - high, h / 2)
    bend = -1.0 if lower else 1.0
    # The void's own side first if there is metal on both.
    sign = float(metal)
    if metal == 0:
        sign = 1.0 if z >= face[2] + bend * math.sqrt(max(face[4] - away, 0.0)) else -1.0
    one, other = _moved(face, lower, away, z, need, sign), _moved(face, lower, away, z, need, -sign)
    if low <= one <= top:
        return one
    if metal == 0 and low <= other <= top:
        return other
    # No room for all of it: as far off as the joint allows, on the side with metal.
    return min(max(one, low), top)


@_inner
def _moved(face, lower, away, z, need, sign):  # type: ignore[no-untyped-def]
    """The height nearest to z on the given side at which the surface stays `need` away."""
    # Towards the ball's inside a distance to the surface is R - |p - c|, outside |p - c| - R.
    reach = face[3] - need if (sign > 0) == lower else face[3] + need
    drop = math.sqrt(max(reach * reach - away, 0.0))
    limit = face[2] + (-drop if lower else drop)
    return max(z, limit) if sign > 0 else min(z, limit)


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
    turned = math.atan2(target[1], target[0])
    seat = void._replace(
        level=np.clip([level], 0.0, 1.0),
        towards=np.array([[math.cos(turned), math.sin(turned)]]),
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
    back = sd.inverses(solids.matrix)
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
