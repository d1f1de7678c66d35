"""Surfaces that did not join: the pillow's dish or dome, the rounded end over a bare land, the dry edge.

A gap is what lies in GAP and in neither KEEP nor PATCH. Two equal balls moved by g along z leave a shell
that is exactly g thick along z; moved sideways too, a wedge; a smaller ball inside, a shell that is thicker along z
where it is steep. A KEEP reaches no farther than its own GAP, so a joint may fail at two
places. Everything here is in the joint's own frame: axis x = y = 0, board land at z = 0, package land at z = h.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from jointwise.data_gen.drawing.records import GapRecord
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.envelope import Envelope, Piece
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.data_gen.shapes.solids import GAP, KEEP, PATCH, Floats, Solids

DEEP = 0.02
"""How far gaps and patches reach past a land in mm, so that no film of metal is left at the plane."""

HIGHEST_LEAN = 0.65
"""Height over the joint's that the plane of a leaning free end reaches at most, at the joint's widest."""

LEVEL = 0.3
"""Displacement of a pillow's lowest point, over its rim's radius, up to which its face counts as level."""

FILM = 0.05
"""Height of a sloping pillow at its lowest, over the joint's."""

RIM = 0.25
"""Highest rise of a level free end's rim above its vertex, over the joint's height."""

_ring, _turn = np.meshgrid((np.arange(12) + 0.5) / 12, (np.arange(24) + 0.5) * math.pi / 12)
DISC_S: Floats = _ring.ravel()
DISC_U: Floats = (np.sqrt(_ring) * np.cos(_turn)).ravel()
DISC_V: Floats = (np.sqrt(_ring) * np.sin(_turn)).ravel()
"""Points of equal area over the unit disc: squared distance from the middle, and both coordinates."""

UP: Floats = np.array([0.0, 0.0, 1.0])

PAST_WALL = 1.3
"""How much steeper than a groove's wall (dr/dz) a pillow's face leaves the groove's bottom."""

STEEPEST_WEDGE = 0.5
"""Most that a leaning head's gap falls from the middle to its side, over the pillow's radius."""


class Surface(NamedTuple):
    """Where the gap lies, for whatever must keep clear of it: a ball's lower (or upper) face.

    `metal` is 0 if metal lies on both sides, +1 only above, -1 only below.
    """

    centre: Floats
    radius: float
    thickness: float
    lower: bool
    metal: int


def gap_solids(gap: GapRecord, envelope: Envelope, h: float) -> tuple[Solids, Surface | None]:
    """The primitives of a failed surface, and where it lies (none for a dry edge).

    Args:
        gap: the record.
        envelope: the joint's outer shape; h: its height in mm.
    """
    over = gap.place == "package" or gap.form == "dome"  # the mirror image of an open at the board, of a dish
    upside = flipped(envelope, h) if over else envelope
    surface: Surface | None = None
    if gap.place == "interface":
        solids, surface = _dish(gap, upside, h, h * (1.0 - gap.level if over else gap.level))
    elif gap.form == "edge":
        solids = _edge(gap, upside)
    else:
        solids, surface = _cap(gap, upside, h)
    if over:
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


def _dish(gap: GapRecord, envelope: Envelope, h: float, ring: float) -> tuple[Solids, Surface]:
    """A shell through the ring that opens towards the package (the head sits in it); `gap.tilt` moves its vertex."""
    width, g, lean = env.radius_at(envelope, ring), gap.gap_um / 1000, math.hypot(*gap.tilt)
    flank, wall = max(env.slope_above(envelope, ring), 0.0), env.wall_above(envelope, ring)
    if wall:
        # A groove's wall goes on as steep as it begins: a face that is hardly flatter would run along under it.
        flank = PAST_WALL * (flank + wall / (2 * width))
    wanted = gap.curvature * 2 * env.largest_radius(envelope)
    # A face that falls to one side ends in a film there; one that does not leaves a pillow to speak of.
    lowest = FILM * h + g / 2 if lean > LEVEL else 0.12 * h
    radius = _dish_radius(wanted, width, lean, flank, max(ring - lowest, 0.03 * h))
    # The rim of a leaning shell climbs on one side: not as far as the other land or its dry edge.
    climb = max(0.8 * (0.84 * h - ring - g / 2), 0.0)
    lean_least = climb * math.sqrt(radius**2 - width**2) / (1.5 * width**2)
    share = min(1.0, lean_least / lean) if lean > 0.0 else 1.0
    x, y = (t * share * width for t in gap.tilt)
    sag = radius - math.sqrt(radius**2 - width**2 - x**2 - y**2)
    vertex = ring - sag - g / 2
    low = np.array([x, y, vertex])
    top = _leaving(envelope, h, low + radius * UP, radius) + g
    head, head_radius, thickest = low + g * UP, radius, g
    if gap.follow > 0.0 or any(gap.wedge):
        rises = share * lean * 1.5 * width**2 / math.sqrt(radius**2 - width**2)
        together = max(_cosine(gap.tilt, gap.wedge), 0.0)
        around, side = (max(climb - part * rises, 0.0) for part in (1.0, together))
        head, head_radius, thickest = _head(gap, low, radius, width, around, side)
        leaves = _leaving(envelope, h, head + head_radius * UP, head_radius)
        top = max(top, leaves) + thickest - g
    # The outer face of the shell is GAP, the inner one, g nearer to the head, is KEEP; both end above the rim.
    solids = sd.join(
        sd.cap(low, radius, up=True, depth=top - vertex, role=GAP),
        sd.cap(head, head_radius, up=True, depth=top - head[2] + 1e-4, role=KEEP),
        *_patches(gap, width, max(vertex - g, 0.1 * ring), top),
    )
    return solids, Surface(np.array([x, y, vertex + radius + thickest / 2]), radius, thickest, True, 0)


def _cosine(one: Sequence[float], other: Sequence[float]) -> float:
    """Of the angle between two vectors; 1 where either is zero."""
    lengths = math.hypot(*one) * math.hypot(*other)
    return sum(a * b for a, b in zip(one, other, strict=True)) / lengths if lengths > 0.0 else 1.0


def _head(
    gap: GapRecord, low: Floats, radius: float, width: float, around: float, side: float
) -> tuple[Floats, float, float]:
    """A head that leans in its pillow or is rounder than it: its lowest point, its radius, and the widest gap.

    A ball moved sideways by d leaves a gap that changes by d times the slope of its face, so a wedge over the rim's
    width.

    Args:
        gap: the record; low, radius: the pillow's lowest point and its ball's radius.
        width: radius of its rim.
        around: how far a rounder head's rim may climb all around.
        side: how far the head's open side may climb; more than `around` where the pillow's own face falls to that side.
    """
    lean, mean = math.hypot(*gap.wedge), gap.gap_um / 1000
    towards = np.array(gap.wedge) / lean if lean > 0.0 else np.zeros(2)
    x, y = width * DISC_U, width * DISC_V
    bare = np.ones(len(x), bool)
    for u, v, r in gap.patches:
        bare &= (DISC_U - u) ** 2 + (DISC_V - v) ** 2 > r**2
    face = -np.sqrt(radius**2 - (x - low[0]) ** 2 - (y - low[1]) ** 2)
    middle, steep = mean, math.sqrt(radius**2 - width**2)
    roundest = math.hypot(width, max(steep - 0.5 * around, 0.6 * steep))
    for _ in range(4):
        smaller = max(radius - gap.follow * middle, roundest)
        fall = min(lean * middle, 0.5 * side, STEEPEST_WEDGE * width)
        centre = low[:2] + fall * steep / width * towards
        spare = smaller**2 - (x - centre[0]) ** 2 - (y - centre[1]) ** 2
        # Only the rim of a pillow as steep as a half ball is beyond a head that leans away from it.
        open_to = -np.sqrt(np.maximum(spare, 0.01 * smaller**2)) - face
        lift = middle - float(open_to.mean())
        wide = open_to + lift
        middle *= mean / float(wide[bare & (wide > 0.0)].mean())
    return np.array([*centre, low[2] + radius + lift - smaller]), smaller, float(wide.max())


def _dish_radius(wanted: float, width: float, lean: float, flank: float, room: float) -> float:
    """Ball radius of a pillow's surface: not below what the outer shape allows.

    Steeper than the joint's own flank the shell would run up inside and cut through the side; deeper
    than `room` it would reach the land.
    """
    reach = width * (1.0 + lean)
    steepest = 1.02 * reach * math.sqrt(1.0 + flank**2)
    deepest = (width**2 * (1 + lean**2) + room**2) / (2 * room)
    return max(wanted, 1.1 * reach, steepest, deepest if room < reach else 0.0)


def _leaving(envelope: Envelope, h: float, centre: Floats, radius: float) -> float:
    """A height above which the ball's lower face lies outside the joint on every side."""
    z = np.linspace(0.0, h, 65)
    extent = np.sqrt(np.maximum(radius**2 - (centre[2] - z) ** 2, 0.0)) - math.hypot(centre[0], centre[1])
    inside = (extent < env.radii_at(envelope, z)) & (z < centre[2])
    last = int(np.flatnonzero(inside).max(initial=0))
    return float(z[min(last + 1, 64)])


def _cap(gap: GapRecord, envelope: Envelope, h: float) -> tuple[Solids, Surface]:
    """A free end over the bare board land: all below a ball's lower face and below its highest rim is gap.

    Over a land of radius a the gap is m (1 - lean u + 2 k (s - 1/2)), u from -1 to 1 towards the lean, s the
    squared distance from the axis: flat for k = 0, and touching the land where that is negative.
    """
    a, mean = env.radius_at(envelope, 0.0), gap.gap_um / 1000
    lean = math.hypot(*gap.tilt)
    towards = np.array(gap.tilt) / lean if lean > 0.0 else np.array([1.0, 0.0])
    k, slope, middle = gap.curvature, 0.0, mean
    for _ in range(4):
        middle = mean / _open_mean(lean, k)
        # On a wide and low joint a wide gap leans less than drawn: its high rim must stay on the flank.
        lean = min(lean, a / middle * max(HIGHEST_LEAN * h - middle, 0.0) / env.largest_radius(envelope))
        slope = lean * middle / a
        radius = max(a**2 / (4 * k * middle), _roundest(envelope, h, slope, middle))
        k = a**2 / (4 * radius * middle)  # where the end cannot be as round as wanted, the mean gap stays
    across, up = radius * slope / math.hypot(1.0, slope), radius / math.hypot(1.0, slope)
    centre = np.array([*(across * towards), middle * (1.0 - k) + up])
    rim = _high_rim(envelope, h, across, centre[2], radius)
    vertex = centre[2] - radius
    solids = sd.join(
        sd.cylinder((0, 0, -DEEP), (0, 0, rim), 4 * a, GAP),
        sd.cap((*centre[:2], vertex), radius, up=True, depth=rim - vertex + DEEP, role=KEEP),
        *_patches(gap, a, -DEEP, rim + DEEP),
    )
    return solids, Surface(centre, radius, 0.0, True, 1)


def _open_mean(lean: float, k: float) -> float:
    """Mean of 1 - lean u + 2 k (s - 1/2) over the part of the unit disc where it is positive."""
    if lean + k < 1.0:
        return 1.0
    gap = 1.0 - lean * DISC_U + 2.0 * k * (DISC_S - 0.5)
    return float(gap[gap > 0.0].mean())


def _roundest(envelope: Envelope, h: float, slope: float, lift: float) -> float:
    """Least radius of a free end: its rim rises at most RIM of the height above its vertex, more if it leans.

    A rule that changes smoothly with the joint's size, because its metal is solved for.
    """
    r = env.radius_at(envelope, min(lift + RIM * h, h))
    sine = slope / math.hypot(1.0, slope)
    return max((r**2 / (RIM * h) + RIM * h) / 2, r * (1.0 + 2.7 * sine) / (1.0 - sine))


def _high_rim(envelope: Envelope, h: float, across: float, centre: float, radius: float) -> float:
    """Where the end's lower face meets the joint's flank on its high side.

    Raises:
        Infeasible: it leaves the joint at its top or at its land, as that of a wide leaning gap in a low joint may.
    """

    def ahead(z: float) -> float:
        return (env.radius_at(envelope, z) + across) ** 2 + (z - centre) ** 2 - radius**2

    low, high = max(centre - radius, 0.0), min(centre, 0.85 * h)
    if ahead(low) * ahead(high) > 0.0:
        raise Infeasible("a free end's rim finds no place on the joint's flank")
    return float(brentq(ahead, low, high, xtol=1e-9))


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
    if not gap.patches:
        return ()
    table = np.array(gap.patches) * width
    return (sd.posts(table[:, :2], low, high, table[:, 2], PATCH),)
