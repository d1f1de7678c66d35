"""Bridges and near-bridges: a flared neck between two balls, a bulge of one towards the other.

A neck is a hyperboloid about the line that joins the two balls' axes at its height, squashed along z where
the joint's height leaves no room. Both its ends lie inside the balls; what it has in common with them is
theirs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from jointwise.data_gen.drawing.records import BulgeRecord, NeckRecord
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.envelope import Envelope
from jointwise.data_gen.shapes.solids import BODY, Floats, Solids

FLOOR = 0.004
"""Least air between a neck and the plane of a land, mm."""

WIDEST = 0.7
"""Half-width of a neck where it meets a ball over the ball's radius there.

Above 1/sqrt(2) two necks of one ball at right angles would meet outside it.
"""


BONDED = 0.5
"""Share of a neck's end face that should be metal of its joint, not void or gap."""


class Ball(NamedTuple):
    """A solved joint as its neighbours see it: outer shape, height, axis (x, y) by z."""

    envelope: Envelope
    h: float
    axis_at: Callable[[float], Floats]


class NeckShape(NamedTuple):
    """A neck: its primitive, the ends of its axis inside the balls, its least cross-section."""

    solids: Solids
    start: Floats
    end: Floats
    least_area_mm2: float


class Section(NamedTuple):
    """Half-width and half-height of a neck's thinnest place, and the flare towards its ends."""

    wide: float
    high: float
    flare: float


def neck_level(neck: NeckRecord, balls: tuple[Ball, Ball], joints: tuple[Solids, Solids]) -> float:
    """Height (0-1) nearest to the record's at which the neck ends in metal on both sides, `joints` on the board.

    The record's own where none does: a void takes all of a joint's near side.
    """
    best, chosen = 0.0, neck.level
    for level in sorted(np.linspace(0.02, 0.98, 25), key=lambda u: abs(u - neck.level)):
        shape = build_neck(neck, *balls, float(level))
        bond = min(end_bonds(shape.solids, *joints))
        if bond > best:
            best, chosen = bond, float(level)
        if bond >= BONDED:
            break
    return chosen


def end_bonds(neck: Solids, first: Solids, second: Solids) -> tuple[float, float]:
    """Share of a neck's first and last end face that is metal of its first and its second joint."""
    angles = np.arange(8) * math.pi / 4
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    disc = np.concatenate([np.zeros((1, 2)), 0.5 * circle, 0.9 * circle])
    shares = []
    for joint, z in ((first, neck.ends[0, 0]), (second, neck.ends[-1, 1])):
        primitive = 0 if z == neck.ends[0, 0] else -1
        a, b, c = neck.profile[primitive]
        own = np.column_stack([math.sqrt(a + b * z + c * z**2) * disc, np.full(len(disc), z)])
        points = own @ np.linalg.inv(neck.matrix[primitive]).T + neck.origin[primitive]
        shares.append(float(sd.metal_inside(joint, points).mean()))
    return shares[0], shares[1]


def build_neck(neck: NeckRecord, first: Ball, second: Ball, at: float) -> NeckShape:
    """The neck with its axis at the height `at` (0-1), or as near to it as its section leaves room."""
    balls, h = (first, second), min(first.h, second.h)
    z = at * h
    section = Section(neck.diameter_mm / 2, neck.diameter_mm / 2, neck.flare)
    level = z
    for _ in range(3):
        half = section.high * section.flare
        width = min(_least_radius(b, level - half, level + half) for b in balls)
        section = _section(neck, room_high=h / 2 - FLOOR, room_wide=WIDEST * width)
        half = section.high * section.flare
        level = min(max(z, half + FLOOR), h - half - FLOOR)
    axes = [np.array([*b.axis_at(level), level]) for b in balls]
    span = axes[1] - axes[0]
    along = span / np.linalg.norm(span)
    half, wide = section.high * section.flare, section.wide * section.flare
    # The rim of the end face must lie inside the ball at every height it covers.
    depths = [
        0.98 * math.sqrt(max(_least_radius(b, level - half, level + half) ** 2 - wide**2, 1e-6))
        for b in balls
    ]
    start, end = axes[0] + depths[0] * along, axes[1] - depths[1] * along
    length = float(np.linalg.norm(end - start))
    # Unit cross-section r^2 = 1 + C s^2 about the middle, scaled by the two half-axes.
    profile = (1.0, 0.0, (section.flare**2 - 1.0) / (length / 2) ** 2)
    sideways = np.array([-along[1], along[0], 0.0])
    matrix = np.stack([sideways / section.wide, np.array([0, 0, 1.0]) / section.high, along])
    solids = sd.segment(profile, (-length / 2, length / 2), origin=(start + end) / 2, matrix=matrix)
    return NeckShape(solids, start, end, math.pi * section.wide * section.high)


def _section(neck: NeckRecord, *, room_high: float, room_wide: float) -> Section:
    """The cross-section of the wanted area; flatter, less flared and at last thinner where room is short."""
    area = neck.diameter_mm**2 / 4
    wide, high = math.sqrt(area / neck.squash), math.sqrt(area * neck.squash)
    least = 1.03
    if high * least > room_high:
        high = room_high / least
        wide = area / high
    if wide * least > room_wide:
        wide = room_wide / least
        high = min(area / wide, room_high / least)
    return Section(wide, high, max(min(neck.flare, room_high / high, room_wide / wide), least))


def _least_radius(ball: Ball, low: float, high: float) -> float:
    low, high = max(low, 0.0), min(high, ball.h)
    levels = [low + i * ((high - low) / 8) for i in range(8)]
    return min(env.radius_at(ball.envelope, z) for z in (*levels, high))


def build_bulge(bulge: BulgeRecord, ball: Ball, other: Ball) -> Solids:
    """An ellipsoid out of the ball towards its neighbour whose tip crosses `reach` of the air between them.

    In the ball's own frame: axis x = y = 0, board land at z = 0.
    """
    z = bulge.level * ball.h
    radius = env.radius_at(ball.envelope, z)
    towards = other.axis_at(bulge.level * other.h) - ball.axis_at(z)
    apart = float(np.linalg.norm(towards))
    air = apart - env.largest_radius(ball.envelope) - env.largest_radius(other.envelope)
    tip = env.largest_radius(ball.envelope) + bulge.reach * air
    along = towards / apart
    wide = bulge.thickness * radius
    high = max(min(bulge.squash * wide, z - FLOOR, ball.h - z - FLOOR), FLOOR / 2)
    base = 0.6 * radius
    turn = np.array([[along[0], -along[1], 0.0], [along[1], along[0], 0.0], [0.0, 0.0, 1.0]])
    return sd.ellipsoid((*(base * along), z), (tip - base, wide, high), turn, role=BODY)
