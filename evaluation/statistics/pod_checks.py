"""Whether hits and misses bear a detection curve: small samples, fit by groups of size, order of the groups."""

from typing import Final, NamedTuple

import numpy as np
from scipy import stats

from jointwise.evaluation.statistics.measures import Bools, Floats, Interval, wilson
from jointwise.evaluation.statistics.pod import Curve, NoCurve, fit_pod
from jointwise.evaluation.statistics.pod_likelihood import LINKS

GROUPS: Final = 8
LEAST_IN_GROUP: Final = 8
AIC_STEP: Final = 2.0
SURE: Final = 0.01
"""p-value below which a curve is called wrong; small, because joints of one board make p-values too small."""


def best_curve(size: Floats, hit: Bools, floor: float = 0.0) -> tuple[Curve | NoCurve, float]:
    """The curve of the better link, or why there is none, and AIC of logit less that of probit (NaN without both).

    Logit is taken unless probit's AIC is lower by more than AIC_STEP, the usual mark of a difference data can tell.
    """
    logit, probit = (fit_pod(size, hit, link, floor) for link in LINKS)
    if isinstance(logit, NoCurve):
        return logit, float("nan")
    ahead = float("nan") if isinstance(probit, NoCurve) else logit.aic - probit.aic
    falls = falling_groups(size, hit)
    if falls:
        a, b = falls
        return NoCurve(
            "not_monotone",
            f"not monotone: {a.hits} of {a.n} were found from {a.smallest:.3g} to {a.largest:.3g}, but only {b.hits} "
            f"of {b.n} from {b.smallest:.3g} to {b.largest:.3g}",
            logit.n,
            logit.hits,
        ), ahead
    return (probit if ahead > AIC_STEP else logit), ahead


def proves(n: int, misses: int, pod: float = 0.9, confidence: float = 0.95) -> bool:
    """Whether so few misses in n independent trials at one size prove a POD.

    P[Bin(n, 1 - pod) <= misses] <= 1 - confidence.

    Example:
        >>> [proves(29, 0), proves(28, 0), proves(46, 1), proves(61, 2), proves(76, 3)]
        [True, False, True, True, True]
    """
    return bool(stats.binom.cdf(misses, n, 1 - pod) <= 1 - confidence)


def most_misses(n: int, pod: float = 0.9, confidence: float = 0.95) -> int:
    """The largest number of misses in n with which a POD is proven; -1 where n is too small for any."""
    return next((misses - 1 for misses in range(n + 1) if not proves(n, misses, pod, confidence)), n)


class Group(NamedTuple):
    """Targets of similar size: sizes from and to, geometric mean, hits and their share with its Wilson interval."""

    smallest: float
    largest: float
    middle: float
    n: int
    hits: int
    share: float
    interval: Interval


def size_groups(size: Floats, hit: Bools, most: int = GROUPS) -> list[Group]:
    """Targets in at most `most` groups of about equal count by size; equal sizes share a group."""
    if not len(size):
        return []
    count = max(1, min(most, len(size) // LEAST_IN_GROUP))
    ends = np.unique(np.quantile(size, np.arange(1, count + 1) / count, method="lower"))
    place = np.searchsorted(ends, size, side="left")
    groups = []
    for number in np.unique(place):
        own, n = size[place == number], int(np.sum(place == number))
        hits = int(hit[place == number].sum())
        middle = float(np.exp(np.log(own).mean()))
        groups.append(Group(float(own.min()), float(own.max()), middle, n, hits, hits / n, wilson(hits, n)))
    return groups


class Fit(NamedTuple):
    """How well a curve meets the groups: deviance, its degrees of freedom, p (small: the curve is wrong)."""

    deviance: float
    df: int
    p: float


def goodness(size: Floats, hit: Bools, curve: Curve) -> Fit | None:
    """Deviance of hit counts by groups of size from what the curve expects; None with fewer than two spare groups.

    2 Σ [h ln(h/e) + m ln(m/f)], h and m the hits and misses of a group, e and f what the curve expects; chi-square with
    groups - 2 degrees of freedom. Groups are joined until each has at least one expected hit and one expected miss.
    """
    order = np.argsort(size, kind="stable")
    pod, y = curve.pod(size[order]), hit[order]
    least, rows, start = max(LEAST_IN_GROUP, len(y) / 10), [], 0
    expected_hits, expected_misses = np.cumsum(pod), np.cumsum(1 - pod)
    for end in range(1, len(y) + 1):
        before = start - 1
        e = expected_hits[end - 1] - (expected_hits[before] if start else 0.0)
        f = expected_misses[end - 1] - (expected_misses[before] if start else 0.0)
        # Equal sizes stay together, or the order of equal targets would matter.
        if (
            end - start >= least
            and min(e, f) >= 1
            and (end == len(y) or size[order[end]] > size[order[end - 1]])
        ):
            rows.append((float(y[start:end].sum()), float(end - start), float(e)))
            start = end
    if rows and start < len(y):
        left = np.array([y[start:].sum(), len(y) - start, pod[start:].sum()])
        rows[-1] = tuple(np.asarray(rows[-1]) + left)
    if len(rows) < 4:
        return None
    h, n, e = np.array(rows).T
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(h > 0, h * np.log(h / e), 0) + np.where(
            n > h, (n - h) * np.log((n - h) / (n - e)), 0
        )
    deviance = float(2 * terms.sum())
    return Fit(deviance, len(rows) - 2, float(stats.chi2.sf(deviance, len(rows) - 2)))


def falling_groups(size: Floats, hit: Bools) -> tuple[Group, Group] | None:
    """Two groups of which the larger sizes are surely found less often, so that POD is not monotone; None without.

    Fisher's exact test, one-sided, of every pair; p times the number of pairs must stay below 0.01. The surest pair.
    """
    groups = size_groups(size, hit)
    pairs = [(a, b) for i, a in enumerate(groups) for b in groups[i + 1 :] if a.share > b.share]
    if not pairs:
        return None
    tests = len(groups) * (len(groups) - 1) // 2
    p = [float(stats.hypergeom.sf(a.hits - 1, a.n + b.n, a.hits + b.hits, a.n)) for a, b in pairs]
    best = int(np.argmin(p))
    return pairs[best] if p[best] * tests < SURE else None


def lasting_misses(size: Floats, hit: Bools, curve: Curve) -> tuple[Group, float] | None:
    """The largest targets (a tenth of all, ten at least), if surely more of them are missed than the curve expects.

    Returns:
        The group and its expected misses; None where the misses are as few as expected (one-sided binomial test with
        the mean expected share, p >= 0.01).
    """
    count = max(10, len(size) // 10)
    limit = np.sort(size)[-min(count, len(size))]
    top = size >= limit
    group = size_groups(size[top], hit[top], 1)[0]
    expected = float(np.sum(1 - curve.pod(size[top])))
    p = float(stats.binom.sf(group.n - group.hits - 1, group.n, min(1.0, expected / group.n)))
    return (group, expected) if p < SURE else None
