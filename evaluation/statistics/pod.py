"""Probability of detection against the size of a flaw, from hits and misses.

MIL-HDBK-1823A (2009), ASTM E2862: POD(a) = c + (1 - c) F(b0 + b1 ln a) with F the logistic (logit) or the normal
(probit) distribution and c the share of sound joints that is called anyway (the floor; 0 where there is none), fitted by
maximum likelihood. a90 is the size found 9 times of 10; a90/95 its upper one-sided 95 % bound. Bounds come from the profile
likelihood: the line is held at a POD of 0.9 at a size u, the slope is left free, and the bound is the u at which twice
the loss of log-likelihood reaches 2.705543 (the 90 % point of chi-square with one degree of freedom).

Simulated with 60 targets, that bound lies above the true a90 in 92 to 93 % of repetitions instead of 95 %: slightly
too seldom. The floor is taken as known: its own sampling error widens nothing. Trials are taken as independent, which
joints of one board are not: see :func:`a90_of_boards`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from scipy import optimize, special, stats

from jointwise.evaluation.statistics.measures import Bools, Floats

Link = Literal["logit", "probit"]
LINKS: Final[tuple[Link, ...]] = ("logit", "probit")

CHI2_90: Final = 2.705543
"""90 % point of chi-square with one degree of freedom: a one-sided 95 % bound (domain value; scipy: 2.7055435)."""
LEAST_TARGETS: Final = 60
"""Targets from which MIL-HDBK-1823A takes a hit/miss curve as well founded; with fewer the curve is warned of."""
LEAST_EACH: Final = 10
"""Hits, and misses, from which a curve is fitted: five for each of its two numbers. With fewer, its place hangs on one
or two joints."""
LEAST_SIZES: Final = 3
"""Different sizes: two decide a line and leave nothing to see whether it is one."""
DIRECTIONS: Final = 72
"""Points of the likelihood's contour that the confidence curve is read from; more change nothing in the sixth digit."""

STEEP: Final = 7.0
"""Predictor beyond which a trial is as good as decided (POD within 0.001 of its end with logit)."""

Reason = Literal[
    "no_targets", "too_few_sizes", "all_hit", "all_missed", "too_few", "separable", "falls", "flat", "not_monotone",
    "floor_too_high",
]  # fmt: skip


class Lengths(NamedTuple):
    """A distribution F of the link by what likelihoods need: logarithms of F and 1 - F, and of the density."""

    log_cdf: Callable[[Floats], Floats]
    log_sf: Callable[[Floats], Floats]
    log_density: Callable[[Floats], Floats]
    inverse: Callable[[float], float]


def _logistic_density(eta: Floats) -> Floats:
    return np.asarray(special.log_expit(eta) + special.log_expit(-eta))


def _normal_density(eta: Floats) -> Floats:
    return np.asarray(-0.5 * eta * eta - 0.5 * math.log(2 * math.pi))


FORMS: Final[dict[Link, Lengths]] = {
    "logit": Lengths(
        special.log_expit, lambda eta: special.log_expit(-eta), _logistic_density, special.logit
    ),
    "probit": Lengths(special.log_ndtr, lambda eta: special.log_ndtr(-eta), _normal_density, special.ndtri),
}


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
    """A fitted curve with its bounds.

    Args:
        link: logit or probit.
        floor: share of sound joints that is called.
        intercept, slope: b0 and b1 on ln(size).
        log_likelihood: at its maximum.
        n, hits: targets and how many were found.
        smallest, largest: sizes of the targets, in the unit the sizes came in.
        a50, a90: sizes at which POD is 0.5 and 0.9; 0 where the floor alone reaches it.
        a90_95: upper one-sided 95 % bound of a90 by the profile.
        contour: (DIRECTIONS, 2) intercepts and slopes on the edge of the likelihood region behind every bound.
    """

    link: Link
    floor: float
    intercept: float
    slope: float
    log_likelihood: float
    n: int
    hits: int
    smallest: float
    largest: float
    a50: float
    a90: float
    a90_95: float
    contour: Floats

    @property
    def misses(self) -> int:
        """Targets that were not found."""
        return self.n - self.hits

    @property
    def aic(self) -> float:
        """Akaike's criterion, 2 · 2 parameters - 2 ln L: of two links on the same targets the smaller is better."""
        return 4 - 2 * self.log_likelihood

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
        x = np.log(np.atleast_1d(np.asarray(sizes, dtype=np.float64)))
        eta = self.contour[:, :1] + self.contour[:, 1:] * x
        least, every = eta.argmin(axis=0), np.arange(len(x))
        left, middle, right = (eta[(least + step) % len(eta), every] for step in (-1, 0, 1))
        bend = left - 2 * middle + right
        dip = np.divide((left - right) ** 2, 8 * bend, out=np.zeros_like(bend), where=bend > 0)
        return self._above_floor(middle - dip)

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
    sizes = [_size_at(level, best.line, link, floor) for level in (0.5, 0.9)]
    bound = _upper(scaled, y, link, floor, best, sizes[1]) if math.isfinite(sizes[1]) else -math.inf
    contour = _contour(scaled, y, link, floor, best)
    slopes = contour[:, 1] / spread
    a50, a90, a90_95 = (math.exp(middle + spread * u) for u in (*sizes, bound))
    slope = best.line[1] / spread
    return Curve(
        link, floor, float(best.line[0] - slope * middle), float(slope), best.log_likelihood, len(x), int(y.sum()),
        float(np.exp(x.min())), float(np.exp(x.max())), a50, a90, a90_95,
        np.stack([contour[:, 0] - slopes * middle, slopes], 1),
    )  # fmt: skip


def better_link(curves: dict[Link, Curve]) -> Link:
    """Logit, unless probit's AIC is lower by more than 2: the usual mark of a difference that data can tell."""
    if len(curves) < len(LINKS):
        return next(iter(curves))
    return "probit" if curves["probit"].aic < curves["logit"].aic - 2 else "logit"


def a90_of_boards(
    size: Floats, hit: Bools, boards: Floats, curve: Curve, rounds: int = 2000, seed: int = 0
) -> tuple[float, float]:
    """95 % interval of a90 (percentiles) if boards, not joints, are drawn anew, each with all its targets.

    Each round refits the curve to the drawn boards, the sizes gathered in at most 100 bins of equal count at their mean
    logarithm. A round without a rising curve has no a90; it counts as infinite. The floor stays as it is.

    Args:
        size, hit: as for :func:`fit_pod`.
        boards: (n,) whole numbers, the board of each target.
        curve: fitted to all of them.
        rounds: how often boards are drawn.
        seed: decides the draw.
    """
    order = np.lexsort((boards, hit, size))
    x, y, place = np.log(size)[order], hit[order], np.unique(boards[order], return_inverse=True)[1]
    count, bins = int(place.max()) + 1, np.arange(len(x)) * min(len(x), 100) // len(x)
    centres = np.bincount(bins, x) / np.bincount(bins)
    tables = []
    for outcome in (y, ~y):
        table = np.zeros((count, len(centres)))
        np.add.at(table, (place[outcome], bins[outcome]), 1)
        tables.append(table)
    draws = np.random.default_rng(seed).multinomial(count, np.full(count, 1 / count), rounds)
    lines = _refits(centres, draws @ tables[0], draws @ tables[1], curve)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        sizes = np.exp((_target(0.9, curve.link, curve.floor) - lines[:, 0]) / lines[:, 1])
    low, high = np.quantile(np.where(lines[:, 1] > 0, sizes, np.inf), (0.025, 0.975), method="inverted_cdf")
    return float(low), float(high)


def _refits(x: Floats, hits: Floats, misses: Floats, curve: Curve) -> Floats:
    """Lines (rounds, 2) of counts (rounds, bins), by Fisher's scoring from the curve; NaN where it does not settle."""
    middle, total = float(x.mean()), hits + misses
    z = x - middle
    at, slope = np.full(len(hits), curve.intercept + curve.slope * middle), np.full(len(hits), curve.slope)
    settled = np.zeros(len(hits), dtype=bool)
    with np.errstate(all="ignore"):
        for _ in range(25):
            up, down, scale = _derivatives(at[:, None] + slope[:, None] * z, curve.link, curve.floor)
            score, scale = hits * up - misses * down, total * scale
            u0, u1 = score.sum(axis=1), score @ z
            i00, i01, i11 = scale.sum(axis=1), scale @ z, scale @ (z * z)
            d = i00 * i11 - i01 * i01
            step_at, step_slope = (i11 * u0 - i01 * u1) / d, (i00 * u1 - i01 * u0) / d
            at, slope = at + step_at, slope + step_slope
            settled = np.abs(step_slope) < 1e-6 * np.abs(slope)
            if settled.all():
                break
    lines = np.stack([at - slope * middle, slope], 1)
    lines[~settled] = np.nan
    return np.asarray(lines)


class Peak(NamedTuple):
    """Where a climb ended: the parameters, the log-likelihood, the information there, and whether it is a maximum."""

    line: Floats
    log_likelihood: float
    information: Floats
    settled: bool


def climb(
    design: Floats,
    hit: Bools,
    link: Link,
    floor: float,
    start: Floats,
    offset: float = 0.0,
) -> Peak:
    """Maximise the likelihood of hits with POD = floor + (1 - floor) F(offset + design · parameters).

    Fisher's scoring, each step halved until the likelihood does not fall.

    Args:
        design: (n, k).
        hit: (n,).
        link, floor: as for :func:`fit_pod`.
        start: (k,) parameters to start from.
        offset: part of the predictor that is held.
    """
    line, settled = start.astype(np.float64), False
    value = float(log_likelihoods(offset + design @ line, hit, link, floor).sum())
    information = np.eye(len(line))
    for _ in range(60):
        up, down, scale = _derivatives(offset + design @ line, link, floor)
        information = design.T @ (design * scale[:, None])
        try:
            step = np.linalg.solve(information, design.T @ np.where(hit, up, -down))
        except np.linalg.LinAlgError:
            break
        if not np.isfinite(step).all():
            break
        gain = float(step @ information @ step)
        if gain < 1e-18 * max(1.0, abs(value)) or gain < 1e-14:
            settled = True
            break
        for _ in range(30):
            reached = float(log_likelihoods(offset + design @ (line + step), hit, link, floor).sum())
            if reached >= value:
                break
            step = step / 2
        else:
            settled = gain < 1e-8
            break
        line, value = line + step, reached
    return Peak(line, value, information, settled)


def log_likelihoods(eta: Floats, hit: Bools, link: Link, floor: float) -> Floats:
    """Of each trial, for a predictor eta (n,) or (n, m) of m lines; hits first, then misses."""
    form = FORMS[link]
    found = form.log_cdf(eta[hit])
    if floor:
        found = np.log(floor + (1 - floor) * np.exp(found))
    return np.concatenate([found, form.log_sf(eta[~hit]) + math.log1p(-floor)])


def _derivatives(eta: Floats, link: Link, floor: float) -> tuple[Floats, Floats, Floats]:
    """Derivatives by eta of ln POD and of -ln(1 - POD), and their product: the information of a trial."""
    form = FORMS[link]
    density, found = form.log_density(eta), form.log_cdf(eta)
    down = np.exp(density - form.log_sf(eta))
    # With a floor POD stays above 0, so the quotient needs no logarithm.
    up = (
        (1 - floor) * np.exp(density) / (floor + (1 - floor) * np.exp(found))
        if floor
        else np.exp(density - found)
    )
    return up, down, up * down


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
        return no("too_few", f"{hits} hits and {misses} misses; {LEAST_EACH} of each are needed")
    return None


def _no_rise(best: Peak, flat: Peak, y: Bools, predictor: Floats) -> NoCurve | None:
    """What forbids a curve once it is fitted."""
    n, hits = len(y), int(y.sum())
    gain = 2 * (best.log_likelihood - flat.log_likelihood)
    if best.line[1] < 0:
        return NoCurve("falls", "POD falls with size", n, hits)
    if not best.settled or np.all(np.abs(predictor) > STEEP):
        return NoCurve(
            "separable",
            "with hits among the small put down to the floor, small and large part without overlap: no maximum",
            n,
            hits,
        )
    if gain <= CHI2_90:
        p = float(stats.chi2.sf(max(gain, 0.0), 1))
        return NoCurve("flat", f"POD does not rise surely with size (likelihood ratio, p = {p:.2g})", n, hits)
    return None


def _target(level: float, link: Link, floor: float) -> float:
    """The predictor at which POD reaches a level; -inf where the floor alone does."""
    share = (level - floor) / (1 - floor)
    return float(FORMS[link].inverse(share)) if share > 0 else -math.inf


def _size_at(level: float, line: Floats, link: Link, floor: float) -> float:
    return float((_target(level, link, floor) - line[0]) / line[1])


def _upper(x: Floats, y: Bools, link: Link, floor: float, best: Peak, start: float) -> float:
    """Upper bound of the size (scaled logarithm) at which POD is 0.9: where the profile has fallen by 2.705543 / 2."""
    held, slope = _target(0.9, link, floor), best.line[1:]

    def beyond(u: float) -> float:
        at = climb((x - u)[:, None], y, link, floor, slope, offset=held)
        return 2 * (best.log_likelihood - at.log_likelihood) - CHI2_90

    width = 1.0
    while beyond(start + width) < 0:
        width *= 2
        if width > 256:
            return math.inf
    return float(optimize.brentq(beyond, start, start + width, xtol=1e-10))


def _contour(x: Floats, y: Bools, link: Link, floor: float, best: Peak) -> Floats:
    """Lines (DIRECTIONS, 2) on which the log-likelihood lies 2.705543 / 2 below its maximum, all the way round."""
    turn = 2 * np.pi * np.arange(DIRECTIONS) / DIRECTIONS
    # In the units of the information matrix the contour is nearly a circle.
    rays = np.linalg.solve(np.linalg.cholesky(best.information).T, np.stack([np.cos(turn), np.sin(turn)]))
    design = np.stack([np.ones_like(x), x], 1)

    def beyond(reach: Floats) -> Floats:
        eta = design @ (best.line[:, None] + rays * reach)
        fallen = best.log_likelihood - log_likelihoods(eta, y, link, floor).sum(axis=0)
        return np.asarray(2 * fallen - CHI2_90)

    reach = _roots(beyond, np.full(DIRECTIONS, math.sqrt(CHI2_90)))
    return np.asarray((best.line[:, None] + rays * reach).T)


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
    for _ in range(60):
        middle = high - above * (high - low) / (above - below)
        value = function(middle)
        right = value > 0
        # The end that stays loses half its weight, or it would stay for ever.
        below, above = (
            np.where(right, below / 2, value), np.where(right, value, above / 2)
        )  # fmt: skip
        low, high = np.where(right, low, middle), np.where(right, middle, high)
        if np.abs(value).max() < 1e-8:
            return np.asarray(middle)
    return np.asarray((low + high) / 2)
