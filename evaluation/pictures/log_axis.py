"""Labels of a logarithmic axis: three at least, and never so many that they run into each other."""

import math
from typing import Final

import numpy as np

FEWEST: Final = 3
SERIES: Final = ((1.0,), (1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 7.0))
"""Steps within a decade, the coarsest first; the last is for less than a decade only."""


def log_limits(low: float, high: float) -> tuple[float, float]:
    """Ends of an axis for sizes from low to high: moved out to the next step of 1-2-5 where less than one decade shows.

    Args:
        low, high: above 0, low at most high.
    """
    wide = low / 1.06, high * 1.06
    if len(_within(SERIES[1], *wide)) >= FEWEST:
        return wide
    steps = _within(SERIES[1], low / 10, high * 10)
    return min(max(step for step in steps if step <= low), wide[0]), max(
        min(s for s in steps if s >= high), wide[1]
    )


def log_ticks(low: float, high: float) -> list[float]:
    """Where an axis from low to high is labelled: by decades, by 1-2-5, or finer, the coarsest with three labels.

    Args:
        low, high: above 0.

    Example:
        >>> log_ticks(9.0, 60.0)
        [10.0, 20.0, 50.0]
    """
    if not 0 < low < high:
        return [low]
    found = [_within(series, low, high) for series in SERIES]
    # Labels of 1-2-5 keep their distance up to two and a half decades; wider axes have three whole decades or nearly.
    few = [ticks for ticks in found if len(ticks) >= FEWEST]
    if math.log10(high / low) < 2.5 and len(found[1]) >= FEWEST:
        ticks = found[1]
    elif few:
        ticks = few[0]
    else:
        ticks = [float(f"{value:.3g}") for value in np.geomspace(low, high, FEWEST + 2)[1:-1]]
    return ticks[:: max(1, -(-len(ticks) // 8))]


def _within(series: tuple[float, ...], low: float, high: float) -> list[float]:
    decades = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    values = [float(f"{step}e{decade}") for decade in decades for step in series]
    return [value for value in values if low * (1 - 1e-9) <= value <= high * (1 + 1e-9)]
