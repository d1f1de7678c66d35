"""Closed meshes: capillary profiles, revolved solids, and their areas and volumes."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from manifold3d import CrossSection, FillRule, Manifold, OpType
from scipy.integrate import solve_ivp
from scipy.optimize import fsolve

AROUND = 64
"""Facets around a joint; an inscribed polygon of so many corners has 0.16 % less area than its circle."""

FAR = 2.0
"""Half size (mm) of bodies that stand for half a space."""


def capillary(a: float, b: float, h: float, volume: float, points: int = 44) -> np.ndarray:
    """Profile (r, z) of a drop pinned on discs of radius a (z = 0) and b (z = h); Young-Laplace, no gravity."""

    def drop(unknown, at=None):
        slope, pressure = unknown

        def rhs(_z, y):
            r, s, _ = y
            root = math.sqrt(1.0 + s * s)
            return [s, root**3 * (1.0 / (max(r, 1e-3) * root) - pressure), math.pi * r * r]

        return solve_ivp(rhs, (0.0, h), [a, slope, 0.0], rtol=1e-8, atol=1e-10, t_eval=at)

    def missed(unknown):
        end = drop(unknown).y[:, -1]
        return [(end[0] - b) / a, (end[2] - volume) / volume]

    z0 = (b * b - a * a + h * h) / (2 * h)
    found, _, flag, said = fsolve(missed, [z0 / a, 2.0 / math.hypot(a, z0)], full_output=True)
    if flag != 1 or max(np.abs(missed(found))) > 1e-6:
        raise RuntimeError(f"no capillary shape for a={a}, b={b}, h={h}, V={volume}: {said}")
    z = np.linspace(0.0, h, points)
    return np.column_stack([drop(found, z).y[0], z])


def free_height(a: float, b: float, volume: float) -> float:
    """Height without load: pi h (3 a² + 3 b² + h²) / 6 = volume."""
    roots = np.roots([1.0, 0.0, 3 * (a * a + b * b), -6 * volume / math.pi])
    return float(next(r.real for r in roots if abs(r.imag) < 1e-9))


def lathe(profile: np.ndarray, around: int = AROUND) -> Manifold:
    """The solid between a profile (r, z) from low to high and the axis."""
    closed = np.vstack([[0.0, profile[0, 1]], profile, [0.0, profile[-1, 1]]])
    return CrossSection([closed]).revolve(around)


def bulge(radius: float) -> Callable[[np.ndarray], np.ndarray]:
    """Height of a sphere over its lowest point at r; a negative radius turns it down."""
    return lambda r: math.copysign(1.0, radius) * (abs(radius) - np.sqrt(radius**2 - r**2))


def above(surface: Callable[[np.ndarray], np.ndarray], reach: float, points: int = 32) -> Manifold:
    """Everything (as far as FAR) over a revolved surface z(r), out to `reach`."""
    r = np.linspace(0.0, reach, points)
    outline = np.vstack([np.column_stack([r, surface(r)]), [[reach, FAR], [0.0, FAR]]])
    return CrossSection([outline], FillRule.NonZero).revolve(AROUND)


def lean(solid: Manifold, degrees: float, azimuth: float, at) -> Manifold:
    """Tip a solid about a horizontal line through a point; `azimuth` in degrees is the side that goes up."""
    back = [-c for c in at]
    return (
        solid.translate(back)
        .rotate([0, 0, -azimuth])
        .rotate([0, -degrees, 0])
        .rotate([0, 0, azimuth])
        .translate(at)
    )


def ring(radius: float, level: float, depth: float, half: float | None = None) -> Manifold:
    """A notch: a torus about the axis, of circular section or flattened to `half` its height."""
    section = CrossSection.circle(depth, 16)
    if half is not None:
        section = section.scale([1.0, half / depth])
    section = section.translate([radius, level])
    return section.revolve(AROUND)


def upside_down(solid: Manifold, h: float) -> Manifold:
    return solid.mirror([0, 0, 1]).translate([0, 0, h])


def pillars(rng, radius: float, h: float, share: float) -> tuple[Manifold, list]:
    """Columns that stay bonded: a few discs whose areas sum to about `share` of a circle."""
    count = int(rng.integers(1, 4))
    discs = []
    for r in radius * np.sqrt(share * rng.dirichlet(np.full(count, 2.0))):
        where, angle = (radius - r) * math.sqrt(rng.random()), 2 * math.pi * rng.random()
        discs.append((where * math.cos(angle), where * math.sin(angle), float(r)))
    solids = [
        Manifold.cylinder(2 * h, r, circular_segments=32).translate([x, y, -0.5 * h]) for x, y, r in discs
    ]
    return Manifold.batch_boolean(solids, OpType.Add), discs


def rim_sector(radius: float, width: float, degrees: float, azimuth: float, h: float) -> Manifold:
    """A column under the outer `width` (share of the radius) of a disc and beyond it, over a sector, as high as h."""
    outline = [
        [radius * (1 - width), -h],
        [2 * radius, -h],
        [2 * radius, 2 * h],
        [radius * (1 - width), 2 * h],
    ]
    return CrossSection([outline]).revolve(AROUND, degrees).rotate([0, 0, azimuth])


def volume_of(solid: Manifold) -> float:
    return 0.0 if solid.is_empty() else float(solid.volume())


def shadow_of(solid: Manifold) -> float:
    """Area of the solid's shadow along z."""
    return 0.0 if solid.is_empty() else float(solid.project().area())
