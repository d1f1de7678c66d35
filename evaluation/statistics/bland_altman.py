"""How far a measured size lies from the true one: bias and limits of agreement, each with its interval.

J. M. Bland, D. G. Altman, Statistical methods for assessing agreement between two methods of clinical measurement,
Lancet 327:307 (1986); Measuring agreement in method comparison studies, Stat. Methods Med. Res. 8:135 (1999). The
limits hold 95 % of the differences if these are about normal and as wide for small sizes as for large ones; where they
are not, judge by classes of size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from jointwise.evaluation.statistics.measures import Z_95, Interval
from jointwise.joints.errors import InputError

FEWEST = 3
"""Differences from which limits are told."""


class Agreement(NamedTuple):
    """Bias and limits of agreement of n differences, measured less true; NaN where n is below `FEWEST`.

    Args:
        n: pairs of which both are known.
        bias: mean difference.
        sd: standard deviation of the differences.
        low, high: limits that hold 95 % of the differences.
        bias_interval, low_interval, high_interval: 95 % intervals of bias and limits.
    """

    n: int
    bias: float
    sd: float
    low: float
    high: float
    bias_interval: Interval
    low_interval: Interval
    high_interval: Interval


def agreement(measured: ArrayLike, true: ArrayLike, wide: float = Z_95) -> Agreement:
    """Bias and limits of agreement of measured against true values.

    Intervals by Student's t with n - 1 degrees of freedom: bias +- t s / sqrt(n), and about each limit
    +- t s sqrt(1 / n + wide^2 / (2 (n - 1))), section 2 of the paper of 1999.

    Args:
        measured: (n,), NaN where nothing was measured.
        true: (n,), NaN where not known.
        wide: standard deviations from the bias to a limit.

    Raises:
        InputError: the two differ in length.

    Example:
        >>> found = agreement([1.0, 2.0, 3.0, 4.0], [1.0, 1.0, 4.0, 4.0])
        >>> found.n, found.bias, round(found.sd, 3)
        (4, 0.0, 0.816)
    """
    first, second = np.asarray(measured, np.float64), np.asarray(true, np.float64)
    if first.shape != second.shape or first.ndim != 1:
        raise InputError(
            f"expected two lists of one length, found shapes {first.shape} and {second.shape}; give pairs"
        )
    off = (first - second)[np.isfinite(first) & np.isfinite(second)]
    n = len(off)
    if n < FEWEST:
        none = Interval(math.nan, math.nan)
        return Agreement(n, math.nan, math.nan, math.nan, math.nan, none, none, none)
    bias, sd = float(off.mean()), float(off.std(ddof=1))
    t = float(stats.t.ppf(0.975, n - 1))
    of_limit = t * sd * math.sqrt(1 / n + wide**2 / (2 * (n - 1)))
    low, high = bias - wide * sd, bias + wide * sd
    return Agreement(
        n,
        bias,
        sd,
        low,
        high,
        *(_about(v, h) for v, h in ((bias, t * sd / math.sqrt(n)), (low, of_limit), (high, of_limit))),
    )


def _about(value: float, half: float) -> Interval:
    return Interval(value - half, value + half)


def agreement_by_size(measured: ArrayLike, true: ArrayLike, edges: Sequence[float]) -> pd.DataFrame:
    """Agreement in classes of the true size, from each edge to below the next, and of all; one row each.

    Columns: from, to, n, missed (true sizes with nothing measured), bias, sd, low, high, and the bounds of the three
    intervals.

    Args:
        measured: (n,), NaN where nothing was measured.
        true: (n,), NaN where not known.
        edges: rising; the last may be infinite.
    """
    first, second = np.asarray(measured, np.float64), np.asarray(true, np.float64)
    classes = [(edges[0], edges[-1]), *pairwise(edges)]
    rows = []
    for low, high in classes if len(classes) > 2 else classes[:1]:
        own = (second >= low) & (second < high)
        found = agreement(first[own], second[own])
        bounds = (*found.bias_interval, *found.low_interval, *found.high_interval)
        missed = int((own & ~np.isfinite(first)).sum())
        rows.append((low, high, found.n, missed, found.bias, found.sd, found.low, found.high, *bounds))
    names = [f"{name}_{end}" for name in ("bias", "low", "high") for end in ("from", "to")]
    return pd.DataFrame(rows, columns=["from", "to", "n", "missed", "bias", "sd", "low", "high", *names])
