"""Liquid solder between two lands under load: the Young-Laplace surface of revolution, solved to its last digit.

Without gravity (Bond number 0.009) the surface has constant mean curvature H = pressure / (2 tension). Such
surfaces are Delaunay's; in Kenmotsu's form (K. Kenmotsu, Tohoku Math. J. 32, 1980, 147-153), with t along the
profile and t = 0 at its greatest (B > 0) or least (B < 0) radius,

    r^2 = (1 + B^2 + 2 B cos t) / (4 H^2),    dz / dt = (1 + B cos t) / (4 H^2 r),

a sphere for B = 1, pressed flat for B > 1, stretched for B < 1. The lands' edges pin both ends, the volume is
given: four equations for H, B and the two ends, by Newton's method from the quadric that fits. The force that
pulls the lands together is the first integral F = 2 pi tension (r cos slope - H r^2) = pi tension (1 - B^2) / (2 H).
Lengths in mm, volumes in mm^3, tension in mN/mm, forces in mN, pressures in kPa.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from scipy.optimize import brentq

from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes.envelope import Envelope
from jointwise.joints.errors import InputError

TENSION = 0.5
"""Surface tension of molten solder, mN/mm (domain document C)."""

CLOSE_MM = 0.001
"""Largest distance in radius between the pieces and the surface they stand for."""

MOST_PIECES = 4
"""Reached only by joints pressed below some 0.85 of their free height, which may then be up to 3 um off."""

FINE = 128
"""Steps along a profile from which its pieces are cut."""

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_FEW, _FEW_WEIGHTS = np.polynomial.legendre.leggauss(4)


class Bridge(NamedTuple):
    """A surface between two lands: mean curvature H in 1/mm, Kenmotsu's B, and t at the board and package land."""

    curvature: float
    shape: float
    first: float
    last: float

    def pressure(self, tension: float = TENSION) -> float:
        """Pressure in the solder over that of the air, kPa."""
        return 2.0 * tension * self.curvature

    def force(self, tension: float = TENSION) -> float:
        """What pulls the lands together, mN; negative where the solder carries a load."""
        return math.pi * tension * (1.0 - self.shape**2) / (2.0 * self.curvature)

    def widest(self) -> tuple[float, float]:
        """Greatest radius and its height."""
        t = min(max(0.0, self.first), self.last) if self.shape > 0 else max(self.first, self.last, key=abs)
        return float(_radius(self.curvature, self.shape, t)), self.height(t)

    def height(self, t: float) -> float:
        """z at the profile's parameter t, mm."""
        return float(_stretch(self.curvature, self.shape, self.first, t)[0])

    def radius(self, z: float) -> float:
        """Radius at height z, mm."""
        t = brentq(lambda t: self.height(t) - z, self.first, self.last, xtol=1e-15)
        return float(_radius(self.curvature, self.shape, t))

    def slope(self, t: float) -> float:
        """dr/dz at the profile's parameter t."""
        return -self.shape * math.sin(t) / (1.0 + self.shape * math.cos(t))


@njit(error_model="numpy", cache=True, nogil=True)
def _radius(curvature, shape, t):  # type: ignore[no-untyped-def]
    return math.sqrt(1.0 + shape * shape + 2.0 * shape * math.cos(t)) / (2.0 * curvature)


@njit(error_model="numpy", cache=True, nogil=True)
def _stretch(curvature, shape, low, high):  # type: ignore[no-untyped-def]
    """Height and volume of the profile from t = low to high."""
    height, volume = 0.0, 0.0
    for i in range(_NODES.shape[0]):
        t = 0.5 * (low + high) + 0.5 * (high - low) * _NODES[i]
        r = _radius(curvature, shape, t)
        rise = 0.5 * (high - low) * _WEIGHTS[i] * (1.0 + shape * math.cos(t)) / (4.0 * curvature**2 * r)
        height += rise
        volume += math.pi * r * r * rise
    return height, volume


@njit(error_model="numpy", cache=True, nogil=True)
def _misses(x, a, b, h, volume, out):  # type: ignore[no-untyped-def]
    """How far a trial (H, B, ends) misses both radii, the height and the volume, each over its own size."""
    height, held = _stretch(x[0], x[1], x[2], x[3])
    out[0] = _radius(x[0], x[1], x[2]) / a - 1.0
    out[1] = _radius(x[0], x[1], x[3]) / b - 1.0
    out[2] = height / h - 1.0
    out[3] = held / volume - 1.0


@njit(error_model="numpy", cache=True, nogil=True)
def _newton(x, a, b, h, volume):  # type: ignore[no-untyped-def]
    """Refine x in place; the largest miss that is left, inf where Newton's method has nowhere to go."""
    miss, moved, jacobian = np.empty(4), np.empty(4), np.empty((4, 4))
    worst = np.inf
    for _ in range(30):
        _misses(x, a, b, h, volume, miss)
        worst = np.abs(miss).max()
        if not worst > 1e-13:
            break
        for k in range(4):
            trial = x.copy()
            step = 1e-7 * max(abs(x[k]), 0.1)
            trial[k] += step
            _misses(trial, a, b, h, volume, moved)
            jacobian[:, k] = (moved - miss) / step
        # Near a cylinder (B = 0) every t has the same radius and no step is better than another.
        if not np.isfinite(jacobian).all() or np.linalg.det(jacobian) == 0.0:
            return np.inf
        change = np.linalg.solve(jacobian, miss)
        # No step may turn the profile inside out.
        x -= change * min(1.0, 0.3 / max(np.abs(change[1:]).max(), abs(change[0] / x[0]), 1e-300))
    return worst


def bridge(a: float, b: float, h: float, volume: float) -> Bridge | None:
    """The surface with radius a at z = 0, b at z = h and the given volume.

    None where there is none: pinched off, or pressed so low that it bulges past the plane of a land; and where the
    side is so nearly a cone or cylinder that no step of Newton's method is better than another (the quadric is
    within a micrometre of the surface there).
    """
    _, slope, c = env.piece_of(0.0, h, a, b, volume).profile
    c = c if abs(c) > 1e-3 else -1e-3
    vertex = -slope / (2 * c)
    widest = math.sqrt(max(a**2 - slope**2 / (4 * c), 1e-6))
    curvature = (1.0 - c) / (2.0 * widest)

    def end(radius: float, z: float) -> float:
        cosine = (4 * curvature**2 * radius**2 - 1 - c**2) / (-2 * c)
        return math.copysign(math.acos(min(max(cosine, -1.0), 1.0)), z - vertex)

    x = np.array([curvature, -c, end(a, 0.0), end(b, h)])
    worst = float(_newton(x, a, b, h, volume))
    ends = x[2], x[3]
    # Within one period, and nowhere overhanging.
    upright = max(map(abs, ends)) < math.pi and min(1.0 + x[1] * math.cos(t) for t in ends) > 0.0
    if not worst < 1e-10 or not upright or x[0] <= 0.0 or x[2] >= x[3]:
        return None
    return Bridge(*(float(v) for v in x))


def loaded_height(a: float, b: float, volume: float, load: float, tension: float = TENSION) -> float:
    """Height at which the solder carries `load` mN pressing its lands together.

    Raises:
        InputError: a load that presses the solder past the plane of a land, or a pull that tears it.
    """
    free = env.free_height(a, b, volume)

    def excess(h: float) -> float:
        surface = bridge(a, b, h, volume)
        if surface is None:
            raise InputError(f"expected a load that the joint carries, found {load:.3g} mN; lower it")
        return surface.force(tension) + load

    low, high = (0.6 * free, free) if load > 0 else (free, 1.3 * free)
    # The load that a height carries falls with the height: come from the free side, where there is a surface.
    near, step = free, 0.02 * (low - free if load > 0 else high - free)
    while excess(near) * load > 0.0:
        near += step
    return float(brentq(excess, near - step, near, xtol=1e-14)) if near != free else free


def joint_side(a: float, b: float, h: float, volume: float) -> Envelope:
    """The capillary side of a joint as quadrics; one quadric where there is no capillary surface (see `bridge`)."""
    surface = bridge(a, b, h, volume)
    return env.quadric_side(a, b, h, volume) if surface is None else env.ended(pieces(surface), h)


def pieces(surface: Bridge) -> Envelope:
    """The fewest quadrics within CLOSE_MM of the surface: continuous radius, each with its part's exact volume."""
    low, radius, volume, _ = _quadrics(*surface, CLOSE_MM, MOST_PIECES)
    return tuple(
        env.piece_of(
            float(low[i]), float(low[i + 1]), float(radius[i]), float(radius[i + 1]), float(volume[i])
        )
        for i in range(len(volume))
    )


@njit(error_model="numpy", cache=True, nogil=True)
def _along(curvature, shape, first, last):  # type: ignore[no-untyped-def]
    """Heights, radii and volumes below, at FINE + 1 points of the profile."""
    z, r, held = np.zeros(FINE + 1), np.empty(FINE + 1), np.zeros(FINE + 1)
    step = (last - first) / FINE
    r[0] = _radius(curvature, shape, first)
    for k in range(FINE):
        low = first + k * step
        rise, volume = 0.0, 0.0
        for i in range(_FEW.shape[0]):
            t = low + 0.5 * step * (1.0 + _FEW[i])
            inner = _radius(curvature, shape, t)
            part = 0.5 * step * _FEW_WEIGHTS[i] * (1.0 + shape * math.cos(t)) / (4.0 * curvature**2 * inner)
            rise += part
            volume += math.pi * inner * inner * part
        z[k + 1], held[k + 1] = z[k] + rise, held[k] + volume
        r[k + 1] = _radius(curvature, shape, low + step)
    return z, r, held


@njit(error_model="numpy", cache=True, nogil=True)
def _crowding(z, r):  # type: ignore[no-untyped-def]
    """Running integral of the cube root of what a quadric lacks, the third derivative of r^2, over r."""
    square = r * r
    density = np.zeros(FINE + 1)
    for k in range(2, FINE - 1):
        # Third divided difference of four neighbours, times 6.
        low, high = k - 2, k + 2
        first = (square[k - 1] - square[low]) / (z[k - 1] - z[low])
        middle = (square[k + 1] - square[k - 1]) / (z[k + 1] - z[k - 1])
        last = (square[high] - square[k + 1]) / (z[high] - z[k + 1])
        one = (middle - first) / (z[k + 1] - z[low])
        other = (last - middle) / (z[high] - z[k - 1])
        density[k] = np.cbrt(abs(6.0 * (other - one) / (z[high] - z[low])) / r[k])
    density[:2], density[FINE - 1 :] = density[2], density[FINE - 2]
    share = np.zeros(FINE + 1)
    for k in range(FINE):
        share[k + 1] = share[k] + 0.5 * (density[k] + density[k + 1]) * (z[k + 1] - z[k]) + 1e-12
    return share


@njit(error_model="numpy", cache=True, nogil=True)
def _quadrics(curvature, shape, first, last, close, most):  # type: ignore[no-untyped-def]
    """Ends (n + 1), end radii (n + 1), volumes (n) of the pieces, and their greatest error in radius."""
    z, r, held = _along(curvature, shape, first, last)
    share = _crowding(z, r)
    for count in range(1, most + 1):
        cuts = np.empty(count + 1, np.int64)
        for i in range(count + 1):
            cuts[i] = min(np.searchsorted(share, share[-1] * i / count), FINE)
        worst = 0.0
        for i in range(count):
            j, k = cuts[i], cuts[i + 1]
            h, part = z[k] - z[j], held[k] - held[j]
            c = 3.0 * (r[j] ** 2 + r[k] ** 2) / h**2 - 6.0 * part / (math.pi * h**3)
            b = (r[k] ** 2 - r[j] ** 2) / h - c * h
            for m in range(j + 1, k):
                u = z[m] - z[j]
                worst = max(worst, abs(math.sqrt(max(r[j] ** 2 + b * u + c * u * u, 0.0)) - r[m]))
        if worst <= close:
            break
    return z[cuts], r[cuts], np.diff(held[cuts]), worst


def farthest(surface: Bridge, envelope: Envelope) -> float:
    """Greatest difference in radius between an outer shape and the surface, mm, along the profile."""
    z, r, _ = _along(*surface)
    return float(np.abs(env.radii_at(envelope, z[1:-1]) - r[1:-1]).max())
