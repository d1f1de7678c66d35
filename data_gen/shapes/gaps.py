"""Surfaces that did not join: the pillow's dish or dome, the rounded end over a bare land, the dry edge.

A gap is what lies in GAP and in neither KEEP nor PATCH. Two equal balls moved by g along z leave a shell
that is exactly g thick along z. Everything here is in the joint's own frame: axis x = y = 0, board land at
z = 0, package land at z = h.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from jointwise.data_gen.drawing.records import GapRecord
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.envelope import Envelope, Piece
from jointwise.data_gen.shapes.solids import GAP, KEEP, PATCH, Floats, Solids

DEEP = 0.02
"""How far gaps and patches reach past a land in mm, so that no film of metal is left at the plane."""

RIM = 0.2
"""Highest rise of a free end's rim above its vertex, over the joint's height."""


class Surface(NamedTuple):
    """Where the gap lies, for whatever must keep clear of it: a ball's lower (or upper) face.

    `metal` is 0 if metal lies on both sides, +1 only above, -1 only below.
    """

    centre: Floats
    radius: float
    thickness: float
    lower: bool
    metal: int


def gap_solids(
    gap: GapRecord, envelope: Envelope, h: float, ring: float | None
) -> tuple[Solids, Surface | None]:
    """The primitives of a failed surface, and where it lies (none for a dry edge).

    Args:
        gap: the record.
        envelope: the joint's outer shape; h: its height in mm.
        ring: height of the notch a pillow's surface runs into.
    """
    if gap.place == "interface":
        if ring is None:
            raise ValueError("a gap at the interface needs the height of the notch")
        return _pillow(gap, envelope, h, ring)
    upside = flipped(envelope, h) if gap.place == "package" else envelope
    if gap.form == "edge":
        solids, surface = _edge(gap, upside), None
    else:
        solids, surface = _cap(gap, upside, h)
    if gap.place == "package":
        solids = sd.affine(solids, np.diag([1.0, 1.0, -1.0]), (0.0, 0.0, h))
        surface = None if surface is None else _flipped_surface(surface, h)
    return solids, surface


def flipped(envelope: Envelope, h: float) -> Envelope:
    """The outer shape upside down."""

    def turned(piece: Piece) -> Piece:
        a, b, c = piece.profile
        t = piece.high - piece.low
        return Piece(h - piece.high, h - piece.low, (a + b * t + c * t**2, -b - 2 * c * t, c))

    return tuple(turned(p) for p in reversed(envelope))


def _flipped_surface(surface: Surface, h: float) -> Surface:
    x, y, z = surface.centre
    return surface._replace(centre=np.array([x, y, h - z]), lower=not surface.lower, metal=-surface.metal)


def _pillow(gap: GapRecord, envelope: Envelope, h: float, ring: float) -> tuple[Solids, Surface]:
    """A shell through the notch: a dish opens towards the package (the head sits in it), a dome is its mirror."""
    lower, upper = envelope
    dish = gap.form == "dish"
    width = env.radius_at(envelope, ring)
    flank = max(upper.slope_at(ring) if dish else -lower.slope_at(ring), 0.0)
    room = (ring if dish else h - ring) - 0.12 * h
    radius = _pillow_radius(
        gap.curvature * 2 * env.largest_radius(envelope), width, flank, max(room, 0.03 * h)
    )
    sag = radius - math.sqrt(radius**2 - width**2)
    x, y = (t * width for t in gap.tilt)
    g, side = gap.gap_um / 1000, 1.0 if dish else -1.0
    # The outer face of the shell is GAP, the inner one, g nearer to the ball's own side, is KEEP.
    vertex = ring - side * (sag + g / 2)
    solids = sd.join(
        sd.cap((x, y, vertex), radius, up=dish, role=GAP),
        sd.cap((x, y, vertex + side * g), radius, up=dish, role=KEEP),
        *_patches(gap, width, ring - sag - 3 * g, ring + sag + 3 * g),
    )
    return solids, Surface(np.array([x, y, vertex + side * (radius + g / 2)]), radius, g, dish, 0)


def _pillow_radius(wanted: float, width: float, flank: float, room: float) -> float:
    """Ball radius of a pillow's surface: not below what the notch allows.

    Steeper than the joint's own flank the shell would leave the notch and cut through the side; deeper
    than `room` it would reach the land.
    """
    steepest = 1.02 * width * math.sqrt(1.0 + flank**2)
    deepest = (width**2 + room**2) / (2 * room)
    return max(wanted, 1.1 * width, steepest, deepest if room < width else 0.0)


def _cap(gap: GapRecord, envelope: Envelope, h: float) -> tuple[Solids, Surface]:
    """A rounded free end over the bare board land: all below a ball's lower face and below the rim is gap.

    Over a disc of radius a the ball's face rises by a^2 / 4R on average, so mean gap = g0 + a^2 / 4R.
    """
    a = env.radius_at(envelope, 0.0)
    mean = gap.gap_um / 1000
    lift = mean * (1.0 - gap.curvature)
    for _ in range(3):
        radius, rim = _cap_radius(envelope, h, a**2 / (4 * gap.curvature * mean), lift)
        # Where the end cannot be as round as wanted the vertex rises, so that the mean gap stays.
        lift = mean - a**2 / (4 * radius)
    radius, rim = _cap_radius(envelope, h, radius, lift)
    x, y = (t * a for t in gap.tilt)
    solids = sd.join(
        sd.cylinder((0, 0, -DEEP), (0, 0, rim), 4 * a, GAP),
        sd.cap((x, y, lift), radius, up=True, depth=rim - lift + DEEP, role=KEEP),
        *_patches(gap, a, -DEEP, rim + DEEP),
    )
    return solids, Surface(np.array([x, y, lift + radius]), radius, 0.0, True, 1)


def _cap_radius(envelope: Envelope, h: float, wanted: float, lift: float) -> tuple[float, float]:
    """The cap's ball radius and the height at which it meets the joint's flank.

    The rim rises at most RIM of the height above the cap's vertex: a rounder end is made flatter, by a
    rule that changes smoothly with the joint's size (its metal is solved for).
    """

    def ahead(z: float, ball: float) -> float:
        return env.radius_at(envelope, z) ** 2 - (2 * ball * (z - lift) - (z - lift) ** 2)

    top = lift + RIM * h
    radius = max(wanted, (env.radius_at(envelope, top) ** 2 / (RIM * h) + RIM * h) / 2)
    return radius, float(brentq(ahead, lift, top + 1e-9, args=(radius,), xtol=1e-12))


def _edge(gap: GapRecord, envelope: Envelope) -> Solids:
    """A lens over one side of the board land that leaves `contact` of it wetted."""
    a = env.radius_at(envelope, 0.0)
    away = brentq(lambda d: _lens_share(d) - (1.0 - gap.contact), 1e-9, 2.0)
    x, y = (t * a * away for t in gap.tilt)
    return sd.ellipsoid((x, y, 0.0), (a, a, 1.5 * gap.gap_um / 1000), role=GAP)


def _lens_share(distance: float) -> float:
    """Overlap of two unit discs over the area of one."""
    half = distance / 2
    return float((2 * math.acos(half) - distance * math.sqrt(max(1 - half**2, 0.0))) / math.pi)


def _patches(gap: GapRecord, width: float, low: float, high: float) -> tuple[Solids, ...]:
    return tuple(
        sd.cylinder((x * width, y * width, low), (x * width, y * width, high), r * width, PATCH)
        for x, y, r in gap.patches
    )
