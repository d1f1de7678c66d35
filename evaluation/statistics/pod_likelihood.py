"""The likelihood of hits and misses under a line on the logarithm of size, and the climb to its maximum."""

import math
from collections.abc import Callable
from typing import Final, Literal, NamedTuple

import numpy as np
from scipy import special

from jointwise.evaluation.statistics.measures import Bools, Floats

Link = Literal["logit", "probit"]
LINKS: Final[tuple[Link, ...]] = ("logit", "probit")


class Form(NamedTuple):
    """A distribution F of the link by what likelihoods need: logarithms of F and 1 - F, and of the density."""

    log_cdf: Callable[[Floats], Floats]
    log_sf: Callable[[Floats], Floats]
    log_density: Callable[[Floats], Floats]
    inverse: Callable[[float], float]


def _logistic_density(eta: Floats) -> Floats:
    return np.asarray(special.log_expit(eta) + special.log_expit(-eta))


def _normal_density(eta: Floats) -> Floats:
    return np.asarray(-0.5 * eta * eta - 0.5 * math.log(2 * math.pi))


FORMS: Final[dict[Link, Form]] = {
    "logit": Form(special.log_expit, lambda eta: special.log_expit(-eta), _logistic_density, special.logit),
    "probit": Form(special.log_ndtr, lambda eta: special.log_ndtr(-eta), _normal_density, special.ndtri),
}


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
        up, down, scale = derivatives(offset + design @ line, link, floor)
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


def derivatives(eta: Floats, link: Link, floor: float) -> tuple[Floats, Floats, Floats]:
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


def predictor_at(level: float, link: Link, floor: float) -> float:
    """The predictor at which POD reaches a level; -inf where the floor alone does."""
    share = (level - floor) / (1 - floor)
    return float(FORMS[link].inverse(share)) if share > 0 else -math.inf


def size_at(level: float, line: Floats, link: Link, floor: float) -> float:
    """Where a line on any logarithmic size reaches a POD; -inf where the floor alone does."""
    return float((predictor_at(level, link, floor) - line[0]) / line[1])
