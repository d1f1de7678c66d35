"""A ball that never sank in: round underneath, wide above, on a narrow low mound of paste.

Its sound neighbours hold the package down, so that it stands as high as they do and what it cannot spread below it
spreads above. The ball is an ellipsoid cut off at the package's land (not a capillary shape: it is wetted at one end
alone), the mound a post no wider than the board's land with a foot, and the volumes of both are those that were drawn.
Without a gap the same shape is a sound joint with a neck.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from manifold3d import CrossSection, Manifold
from presets import Board
from scipy.optimize import brentq
from shapes import AROUND, above, lathe, volume_of


@dataclass(frozen=True)
class Face:
    """The mound and its top; lengths in mm.

    Args:
        foot: radius on the board's land.
        radius: of the post, and of its top.
        gap: least air (along the normal) between top and ball.
        follows: how far the top is the ball's print: 1 everywhere as far off, 0 flat.
        shoulder: how far the rim has rounded down.
        slope: fall of the top, length by length.
        uphill: azimuth of its high side, degrees.
        bonded: share of the top that has merged with the ball, in one column by the rim.
        bond_azimuth: where that is, degrees.
    """

    foot: float
    radius: float
    gap: float
    follows: float = 1.0
    shoulder: float = 0.0
    slope: float = 0.0
    uphill: float = 0.0
    bonded: float = 0.0
    bond_azimuth: float = 0.0


@dataclass(frozen=True)
class Stack:
    """A ball on its mound.

    Args:
        face: as it came out; flatter than asked where the mound was too low for it.
        body: both with the gap filled.
        ball: alone.
        post: the mound, gone on into the ball.
        air: what parts them; it reaches beyond the body, lest its rim leave slivers.
        bond: a column that stays in the air.
        profile: outline (r, z) of the body, mm.
        lowest: height of the ball's lowest point, mm.
    """

    face: Face
    body: Manifold
    ball: Manifold
    post: Manifold
    air: Manifold
    bond: Manifold
    profile: np.ndarray
    lowest: float


def drawn_face(rng, board: Board, radius: float, height: float, gap: float) -> Face:
    """A face under a pillow, on a mound of about that radius and height (mm), which limits how steep it can be."""
    uphill = float(rng.uniform(0, 360))
    slope = 0.0
    if rng.random() < board.leaning:
        slope = min(math.tan(math.radians(rng.uniform(2.0, board.oblique))), 0.5 * height / radius)
    bonded, beside = 0.0, float(rng.uniform(0, 360))
    if rng.random() < 0.5:
        bonded = float(rng.uniform(0.05, 0.24))
        # Where the top is sloping it was drawn up by what still holds it.
        beside = uphill + float(rng.normal(0, 25)) if slope else beside
    return Face(
        foot=board.board_land / 2,
        radius=radius,
        gap=gap,
        follows=float(rng.uniform(0.4, 1.0)),
        shoulder=height * float(rng.uniform(0.0, 0.2)),
        slope=slope,
        uphill=uphill,
        bonded=bonded,
        bond_azimuth=beside,
    )


def cut_ellipsoid(land: float, height: float, volume: float) -> tuple[float, float]:
    """Half axes (level, upright) of an ellipsoid that is as wide as a land at `height` over its lowest point.

    Below that it has the volume asked.
    """

    def level(upright: float) -> float:
        return land / math.sqrt(1 - (height / upright - 1) ** 2)

    def missed(upright: float) -> float:
        u = height - upright
        inside = height - (u**3 + upright**3) / (3 * upright**2)
        return math.pi * level(upright) ** 2 * inside / volume - 1

    upright = float(brentq(missed, height * 0.5001, height))
    return level(upright), upright


def stack(face: Face, package_land: float, h: float, ball: float, pillar: float) -> Stack:
    """Ball over mound between lands `h` apart; ball and mound (with its bond) have the volumes asked, mm³."""
    post = pillar / (math.pi * face.radius**2)

    def missed(lowest: float) -> float:
        made = _stack(face, package_land, h, ball, post, lowest)
        return volume_of(made.body - (made.air - made.bond)) - volume_of(made.ball) - pillar

    made = _stack(face, package_land, h, ball, post, float(brentq(missed, 0.02 * h, 0.65 * h, xtol=1e-5)))
    if (made.body - made.air).slice(0.1 * post).area() > 0.97 * math.pi * face.radius**2:
        return made
    # The top runs out onto the land, in its middle or on its low side: flatter.
    flatter = replace(face, slope=0.7 * face.slope, shoulder=0.7 * face.shoulder, follows=0.8 * face.follows)
    return stack(flatter, package_land, h, ball, pillar)


def _stack(face: Face, package_land: float, h: float, ball: float, post: float, lowest: float) -> Stack:
    """The stack whose ball's lowest point is `lowest` over the board's land; `post` is about the mound's height."""
    wide, upright = cut_ellipsoid(package_land, h - lowest, ball)
    t = np.linspace(-math.pi / 2, math.asin((h - lowest) / upright - 1), 60)[1:]
    outline = np.column_stack([wide * np.cos(t), lowest + upright * (1 + np.sin(t))])
    head, middle = lathe(np.vstack([[1e-5, lowest], outline])), lowest + upright
    z = np.append(np.linspace(0, 0.4 * post, 7), middle)
    foot = face.radius + (face.foot - face.radius) * np.clip(1 - z / (0.4 * post), 0, None) ** 2
    wall = lathe(np.column_stack([foot, z]))
    about = Manifold.cylinder(middle, 1.15 * face.foot, circular_segments=AROUND) - head
    air = (about ^ _over(face, wide, upright, lowest)) if face.gap else Manifold()
    levels = np.unique(np.concatenate([z, outline[:, 1]]))
    outer = np.interp(levels, outline[:, 1], outline[:, 0], left=0.0)
    outer = np.maximum(outer, np.interp(levels, z, foot, right=0.0))
    return Stack(face, head + wall, head, wall, air, _bond(face, h), np.column_stack([outer, levels]), lowest)


def _over(face: Face, wide: float, upright: float, lowest: float) -> Manifold:
    """Everything over the mound's top, which lies at its least `face.gap` under the ball."""

    def print_of_ball(r):
        return lowest + upright * (1 - np.sqrt(1 - (r / wide) ** 2))

    def away(r):
        round_rim = np.clip((r / face.radius - 0.6) / 0.4, 0, None) ** 2
        return (1 - face.follows) * (print_of_ball(r) - lowest) + face.shoulder * round_rim

    r = np.linspace(0, face.radius, 100)
    down = face.gap - float(np.min(away(r) - face.slope * r))
    top = above(lambda r: print_of_ball(r) - away(r) - down, min(1.3 * face.foot, 0.98 * wide))
    tip = math.radians(face.uphill)
    rise = [face.slope * math.cos(tip), face.slope * math.sin(tip), 1, 0]
    return top.transform(np.array([[1, 0, 0, 0], [0, 1, 0, 0], rise]))


def _bond(face: Face, h: float) -> Manifold:
    """A column that touches the rim from within."""
    radius = face.radius * math.sqrt(face.bonded)
    if not radius:
        return Manifold()
    out, angle = face.radius - radius, math.radians(face.bond_azimuth)
    column = CrossSection.circle(radius, 48).extrude(2 * h)
    return column.translate([out * math.cos(angle), out * math.sin(angle), -0.5 * h])
