"""Probability of detection against the size of a flaw, from hits and misses.

MIL-HDBK-1823A (2009), ASTM E2862: POD(a) = c + (1 - c) F(b0 + b1 ln a) with F the logistic (logit) or the normal
(probit) distribution and c the share of sound joints that is called anyway (the floor; 0 where there is none), fitted
by maximum likelihood. a90 is the size found 9 times of 10; a90/95 its upper one-sided 95 % bound. Bounds come from the
profile likelihood: the line is held at a POD of 0.9 at a size u, the slope is left free, and the bound is the u at
which twice the loss of log-likelihood reaches 2.705543 (the 90 % point of chi-square with one degree of freedom).

Simulated, that bound lies above the true a90 in 92 to 93 % of repetitions with 60 to 120 targets, in 94 % with 600 and
95 % with 2,400. The floor is taken as known: its own sampling error widens nothing. Trials are taken as independent,
which joints of one board are not: see :mod:`jointwise.evaluation.statistics.pod_boards`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Literal

import numpy as np
from scipy import optimize, stats

from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.statistics.pod_likelihood import (
    FORMS,
    Link,
    Peak,
    climb,
    log_likelihoods,
    predictor_at,
    size_at,
)

CHI2_90: Final = 2.705543
"""90 % point of chi-square with one degree of freedom: a one-sided 95 % bound (domain value; scipy: 2.7055435)."""
LEAST_TARGETS: Final = 60
"""Targets from which MIL-HDBK-1823A takes a hit/miss curve as well founded; with fewer the curve is warned of."""
LEAST_EACH: Final = 10
"""Hits, and misses, from which a curve is fitted: five for each of its two numbers. With fewer, its place hangs on one
or two joints."""
LEAST_SIZES: Final = 3
"""Different sizes: two decide a line and leave nothing to see whether it is one."""
DIRECTIONS: Final = 120
"""Points of the likelihood's contour that the confidence curve is read from; twice as many change its sixth digit."""

STEEP: Final = 7.0
"""Predictor beyond which a trial is as good as decided (POD within 0.001 of its end with logit)."""

Reason = Literal[
    "no_targets", "too_few_sizes", "all_hit", "all_missed", "too_few", "separable", "falls", "flat", "not_monotone",
    "floor_too_high",
]  # fmt: skip


@dataclass(frozen=True)
class NoCurve:
    """Why there is no curve.

    Args:
        key: which of the reasons, for programs.
        reason: the same in a sentence.
        n, hits: targets and how many were found.
    """

    key: Reason
    reason: str
    n: int
    hits: int

    @property
    def misses(self) -> int:
        """Targets that were not found."""
        return self.n - self.hits


@dataclass(frozen=True)
class Curve:
    """A fitted curve; its bounds are computed when asked for.

    Args:
        link: logit or probit.
        floor: share of sound joints that is called.
        middle, spread: mean and standard deviation of ln(size); the climb works on z = (ln(size) - middle) / spread.
        peak: the maximum, as (intercept, slope) on z.
        z, hit: the targets.
    """

    link: Link
    floor: float
    middle: float
    spread: float
    peak: Peak
    z: Floats
    hit: Bools

    @property
    def slope(self) -> float:
        """b1 on ln(size)."""
        return float(self.peak.line[1]) / self.spread

    @property
    def intercept(self) -> float:
        """b0 on ln(size)."""
        return float(self.peak.line[0]) - self.slope * self.middle

    @property
    def log_likelihood(self) -> float:
        """At its maximum."""
        return self.peak.log_likelihood

    @property
    def aic(self) -> float:
        """Akaike's criterion, 2 · 2 parameters - 2 ln L: of two links on the same targets the smaller is better."""
        return 4 - 2 * self.log_likelihood

    @property
    def n(self) -> int:
        """Targets."""
        return len(self.hit)

    @property
    def hits(self) -> int:
        """Targets that were found."""
        return int(self.hit.sum())

    @property
    def misses(self) -> int:
        """Targets that were not found."""
        return self.n - self.hits

    @property
    def smallest(self) -> float:
        """Size of the smallest target."""
        return self._size(float(self.z.min()))

    @property
    def largest(self) -> float:
        """Size of the largest target."""
        return self._size(float(self.z.max()))

    @property
    def a50(self) -> float:
        """Size at which POD is 0.5; 0 where the floor alone reaches it."""
        return self._size(size_at(0.5, self.peak.line, self.link, self.floor))

    @property
    def a90(self) -> float:
        """Size at which POD is 0.9."""
        return self._size(size_at(0.9, self.peak.line, self.link, self.floor))

    @cached_property
    def a90_95(self) -> float:
        """Upper one-sided 95 % bound of a90 by the profile."""
        return self._size(_upper(self))

    @property
    def extrapolated(self) -> bool:
        """Whether a90 lies beyond the largest target, where nothing was seen."""
        return self.a90 > self.largest

    @property
    def bound_extrapolated(self) -> bool:
        """Whether a90/95 lies beyond the largest target."""
        return self.a90_95 > self.largest

    def pod(self, sizes: Floats) -> Floats:
        """Probability of detection at sizes above 0."""
        return self._above_floor(self.intercept + self.slope * np.log(sizes))

    def lower(self, sizes: Floats) -> Floats:
        """Lower one-sided 95 % bound of the probability of detection at each size, by the profile.

        The least b0 + b1 ln a over the region of lines whose log-likelihood lies within 2.705543 / 2 of the maximum:
        that region is convex, so its edge is enough; between two points of it a parabola is laid.
        """
        z = (np.log(np.atleast_1d(np.asarray(sizes, dtype=np.float64))) - self.middle) / self.spread
        eta = self._contour[:, :1] + self._contour[:, 1:] * z
        least, every = eta.argmin(axis=0), np.arange(len(z))
        left, middle, right = (eta[(least + step) % len(eta), every] for step in (-1, 0, 1))
        bend = left - 2 * middle + right
        dip = np.divide((left - right) ** 2, 8 * bend, out=np.zeros_like(bend), where=bend > 0)
        return self._above_floor(middle - dip)

    @cached_property
    def _contour(self) -> Floats:
        return _contour(self)

    def _size(self, z: float) -> float:
        power = self.middle + self.spread * z
        return math.exp(power) if power < 700 else math.inf

    def _above_floor(self, eta: Floats) -> Floats:
        return np.asarray(self.floor + (1 - self.floor) * np.exp(FORMS[self.link].log_cdf(eta)))


def fit_pod(size: Floats, hit: Bools, link: Link = "logit", floor: float = 0.0) -> Curve | NoCurve:
    """Fit a curve to hits and misses, or say why there is none.

    Args:
        size: (n,) above 0, of every target.
        hit: (n,) whether it was found.
        link: logit or probit.
        floor: share of sound joints that is called, from 0 to below 1.
    """
    x, y = np.log(np.asarray(size, dtype=np.float64)), np.asarray(hit, dtype=bool)
    refusal = _unfit(x, y, floor)
    if refusal:
        return refusal
    # Centred and scaled sizes keep the climb well-conditioned, whatever their unit.
    middle, spread = float(x.mean()), float(x.std())
    scaled = (x - middle) / spread
    one = np.ones_like(x)
    best = climb(np.stack([one, scaled], 1), y, link, floor, np.array([0.0, 1.0]))
    flat = climb(one[:, None], y, link, floor, np.zeros(1))
    refusal = _no_rise(best, flat, y, best.line[0] + best.line[1] * scaled)
    if refusal:
        return refusal
    return Curve(link, floor, middle, spread, best, scaled, y)


def _unfit(x: Floats, y: Bools, floor: float) -> NoCurve | None:
    """What forbids a curve before any fit."""
    n, hits = len(y), int(y.sum())
    misses = n - hits

    def no(key: Reason, reason: str) -> NoCurve:
        return NoCurve(key, reason, n, hits)

    if n == 0:
        return no("no_targets", "no target of known size")
    if floor >= 0.9:
        return no("floor_too_high", f"{floor:.0%} of the sound joints are called too: no call tells anything")
    if hits == n:
        return no("all_hit", f"all {n} were found: nothing shows from which size on")
    if hits == 0:
        return no("all_missed", f"none of {n} was found")
    if len(np.unique(x)) < LEAST_SIZES:
        return no("too_few_sizes", f"only {len(np.unique(x))} different sizes, {LEAST_SIZES} are needed")
    if x[y].min() >= x[~y].max():
        return no(
            "separable",
            f"every target up to {math.exp(x[~y].max()):.3g} was missed and every larger one found: the likelihood has "
            "no maximum, so neither slope nor bound exist; more targets near that size are needed",
        )
    if x[y].max() <= x[~y].min():
        return no("falls", "every small target was found and every large one missed: POD falls with size")
    if min(hits, misses) < LEAST_EACH:
        numbers = (
            f"{n} {word}" if n == 1 else f"{n} {word}{more}"
            for n, word, more in ((hits, "hit", "s"), (misses, "miss", "es"))
        )
        return no("too_few", f"{' and '.join(numbers)}; {LEAST_EACH} of each are needed")
    return None


def _no_rise(best: Peak, flat: Peak, y: Bools, predictor: Floats) -> NoCurve | None:
    """What forbids a curve once it is fitted."""
    n, hits = len(y), int(y.sum())
    gain = 2 * (best.log_likelihood - flat.log_likelihood)
    if gain <= CHI2_90:
        p = float(stats.chi2.sf(max(gain, 0.0), 1))
        return NoCurve("flat", f"POD does not rise surely with size (likelihood ratio, p = {p:.2g})", n, hits)
    if best.line[1] < 0:
        return NoCurve("falls", "POD falls with size", n, hits)
    if not best.settled or np.all(np.abs(predictor) > STEEP):
        return NoCurve(
            "separable",
            "with hits among the small put down to the floor, small and large part without overlap: no maximum",
            n,
            hits,
        )
    return None


def _upper(curve: Curve) -> float:
    """Upper bound of z at which POD is 0.9: where the profile has fallen by 2.705543 / 2."""
    held, slope = predictor_at(0.9, curve.link, curve.floor), curve.peak.line[1:]
    start = size_at(0.9, curve.peak.line, curve.link, curve.floor)

    def beyond(u: float) -> float:
        at = climb((curve.z - u)[:, None], curve.hit, curve.link, curve.floor, slope, offset=held)
        return 2 * (curve.log_likelihood - at.log_likelihood) - CHI2_90

    width = 0.25
    while beyond(start + width) < 0:
        width *= 2
        if width > 256:
            return math.inf
    return float(optimize.brentq(beyond, start, start + width, xtol=1e-9))


def _contour(curve: Curve) -> Floats:
    """Lines (DIRECTIONS, 2) on z whose log-likelihood lies 2.705543 / 2 below its maximum, all the way round."""
    turn = 2 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    # In the units of the information matrix the contour is nearly a circle.
    rays = np.linalg.solve(
        np.linalg.cholesky(curve.peak.information).T, np.stack([np.cos(turn), np.sin(turn)])
    )
    design, line = np.stack([np.ones_like(curve.z), curve.z], 1), curve.peak.line[:, None]

    def beyond(reach: Floats) -> Floats:
        ahead = log_likelihoods(design @ (line + rays * reach), curve.hit, curve.link, curve.floor).sum(
            axis=0
        )
        # The root of the loss is nearly straight along a ray.
        return np.asarray(np.sqrt(np.maximum(2 * (curve.log_likelihood - ahead), 0)) - math.sqrt(CHI2_90))

    return np.asarray((line + rays * _roots(beyond, np.full(DIRECTIONS, 1.2 * math.sqrt(CHI2_90)))).T)


def _roots(function: Callable[[Floats], Floats], guess: Floats) -> Floats:
    """Where rising functions with a value below 0 at 0 cross 0, for all at once: the Illinois rule."""
    low, below = np.zeros_like(guess), function(np.zeros_like(guess))
    high, above = guess.copy(), function(guess)
    for _ in range(40):
        short = above < 0
        if not short.any():
            break
        high = np.where(short, 2 * high, high)
        above = function(high)
    last = np.zeros_like(guess)
    for _ in range(60):
        middle = high - above * (high - low) / (above - below)
        value = function(middle)
        if np.abs(value).max() < 1e-9:
            return np.asarray(middle)
        side = np.sign(value)
        # An end that stays twice loses half its weight, or it would stay for ever.
        again = np.where(side == last, 0.5, 1.0)
        below, above = np.where(side > 0, below * again, value), np.where(side > 0, value, above * again)
        low, high, last = np.where(side > 0, low, middle), np.where(side > 0, middle, high), side
    return np.asarray((low + high) / 2)
