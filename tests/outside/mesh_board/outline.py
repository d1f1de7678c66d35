"""Outlines that are no figure of revolution: joints drawn to one side, seams, and a ball that slipped off its paste."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from manifold3d import Manifold
from scipy.optimize import newton
from shapes import above, bulge, capillary, lathe, lean, volume_of

Swell = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]
"""Factor on the radius at (azimuth in radians, height in mm, radius in mm)."""

POINTS = 110
"""Of a profile; a seam is as narrow as a fiftieth of the ball."""


def swollen(profile: np.ndarray, swell: Swell) -> Manifold:
    """A revolved profile (r, z) whose radii are multiplied."""

    def moved(at: np.ndarray) -> np.ndarray:
        factor = swell(np.arctan2(at[:, 1], at[:, 0]), at[:, 2], np.hypot(at[:, 0], at[:, 1]))
        return np.column_stack([at[:, :2] * factor[:, None], at[:, 2]])

    return lathe(profile).warp_batch(moved)


def of_volume(
    lands: tuple[float, float], h: float, volume: float, made: Callable[[np.ndarray], Manifold]
) -> tuple[np.ndarray, Manifold]:
    """Capillary profile and solid that has the volume (mm³) once `made` has changed the profile into it."""

    def profile(asked: float) -> np.ndarray:
        return capillary(*lands, h, asked, POINTS)

    def missed(asked: float) -> float:
        return volume_of(made(profile(asked))) / volume - 1

    asked = float(newton(missed, volume, x1=1.03 * volume, tol=1e-4 * volume))
    return profile(asked), made(profile(asked))


def rounding(r: np.ndarray) -> np.ndarray:
    """0 inside, 1 at a rim of radius 1."""
    return np.clip((r - 0.65) / 0.35, 0, None) ** 2


@dataclass(frozen=True)
class Pull:
    """Solder that hangs over on one side: a wetted side of the land, a trace that drew it (azimuths in degrees).

    Args:
        most: share of the radius by which it is farther out on that side, and less far on the other.
        azimuth: of that side.
        flat: how oval it is besides.
        flat_azimuth: of the long axis.
        peak: where that is most, over the height; nothing changes at the lands.
        h: height, mm.
    """

    most: float
    azimuth: float
    flat: float
    flat_azimuth: float
    peak: float
    h: float

    def __call__(self, phi, z, _r):
        height = np.clip(z / self.h, 0, 1) ** (math.log(0.5) / math.log(self.peak))
        once = self.most * np.cos(phi - math.radians(self.azimuth))
        twice = self.flat * np.cos(2 * (phi - math.radians(self.flat_azimuth)))
        return 1 + np.sin(math.pi * height) * (once + twice)


@dataclass(frozen=True)
class Seam:
    """Where ball and paste met and grew together within, but not all the way to the outline.

    Args:
        level: height of the seam, mm; `rise` mm higher at `azimuth` degrees, as much lower opposite.
        step: share of the radius by which the ball is wider than what lies under it, negative if it is narrower.
        soft: half height of that step, mm.
        depth: of the crease along the seam, mm.
        half: half height of the crease, mm.
        span: degrees that the crease runs about the joint, its middle at `middle`.
        h: height, mm.
    """

    level: float
    rise: float
    azimuth: float
    step: float
    soft: float
    depth: float
    half: float
    span: float
    middle: float
    h: float

    def __call__(self, phi, z, r):
        off = z - self.level - self.rise * np.cos(phi - math.radians(self.azimuth))
        near_land = np.clip(np.minimum(z, self.h - z) / (0.2 * self.h), 0, 1)
        step = 0.5 * self.step * np.tanh(off / self.soft) * near_land
        beside = np.abs((np.degrees(phi) - self.middle + 180) % 360 - 180)
        share = np.clip((self.span / 2 - beside) / 15 + 0.5, 0, 1) if self.span < 360 else 1.0
        crease = self.depth * np.exp(-((off / self.half) ** 2)) * share * near_land
        return 1 + step - crease / np.maximum(r, 5 * self.depth)


@dataclass(frozen=True)
class Slip:
    """A ball that stands beside the middle of its paste; lengths in mm.

    Args:
        far: how far ball and paste are displaced against each other at `level`.
        azimuth: towards which the ball is, degrees.
        by_ball: share of that which the ball has moved, the paste the rest; both stay where they are at their lands.
        narrow: share by which the paste is narrower than the ball at `level`.
        level: height of the rim where they meet.
        sphere: radius of the face between them, negative if the paste is a dome.
        vertex: lowest (of a dome highest) height of that face.
        lean, lean_azimuth: of that face, degrees.
        lip: how far the ball's rim has rounded up from that face, and the paste's down.
        h: height of the joint.
    """

    far: float
    azimuth: float
    by_ball: float
    narrow: float
    level: float
    sphere: float
    vertex: float
    lean: float
    lean_azimuth: float
    lip: float
    h: float

    def aside(self, z: float, ball: bool) -> np.ndarray:
        """How far (x, y) the ball, or the paste, lies aside at a height."""
        share = self.by_ball * (self.h - z) / (self.h - self.level)
        if not ball:
            share = -(1 - self.by_ball) * z / self.level
        angle = math.radians(self.azimuth)
        return self.far * share * np.array([math.cos(angle), math.sin(angle)])

    def sheared(self, body: Manifold, ball: bool) -> Manifold:
        """The whole joint as the ball's, or the paste's, displacement has it."""
        if not ball:
            body = body.warp_batch(self._narrowed)
        start = self.aside(0.0, ball)
        x, y = (self.aside(self.h, ball) - start) / self.h
        return body.transform(np.array([[1, 0, x, start[0]], [0, 1, y, start[1]], [0, 0, 1, 0]]))

    def _narrowed(self, at: np.ndarray) -> np.ndarray:
        factor = 1 - self.narrow * np.clip(at[:, 2] / self.level, 0, 1)
        return np.column_stack([at[:, :2] * factor[:, None], at[:, 2]])

    def face(self, dmax: float) -> tuple[Manifold, Manifold, list[float]]:
        """Everything over the face, which is the ball's print, and of it what the ball's round rim leaves; vertex."""
        at = [*map(float, self.aside(self.vertex, True)), self.vertex]
        shape = bulge(self.sphere)

        def over(lip: float) -> Manifold:
            rim = 0.5 * dmax
            solid = above(lambda r: self.vertex + shape(r) + lip * rounding(r / rim), 0.76 * dmax, 60)
            return lean(solid.translate([at[0], at[1], 0.0]), self.lean, self.lean_azimuth, at)

        return over(0.0), over(self.lip), at

    def ceiling(self, dmax: float) -> Manifold:
        """What no paste reaches: it rounds down towards its own rim."""
        x, y = map(float, self.aside(self.level, False))
        rim = 0.5 * dmax * (1 - self.narrow)

        def height(r):
            return self.level + 0.2 * self.lip - self.lip * rounding(r / rim)

        middle = above(height, 0.76 * dmax, 60)
        return middle.translate([x, y, 0.0]) if self.sphere > 0 else Manifold()
