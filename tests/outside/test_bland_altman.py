"""Limits of agreement against the worked example of Bland and Altman, Lancet 327:307 (1986)."""

import numpy as np
import pytest
from scipy import stats

from jointwise.evaluation.statistics.bland_altman import agreement

# Table 1 there: peak expiratory flow (l/min), first measurement by the large and by the mini Wright meter.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def test_the_worked_example_of_1986() -> None:
    """Mean difference -2.1, sd 38.8, limits -79.7 and 75.5 (two sd); 95 % intervals -22.0 to 17.8 of the mean,
    -114.3 to -45.1 and 40.9 to 110.1 of the limits, there with sqrt(3 s^2 / n) for the limits' standard error, which is
    2 % less than that of 1999 used here."""
    found = agreement(LARGE, MINI, wide=2.0)
    assert found.n == 17
    assert (round(found.bias, 1), round(found.sd, 1)) == (-2.1, 38.8)
    assert (found.low, found.high) == pytest.approx((-79.7, 75.5), abs=0.1)
    assert found.bias_interval == pytest.approx((-22.0, 17.8), abs=0.1)
    assert found.low_interval == pytest.approx((-114.3, -45.1), abs=0.8)
    assert found.high_interval == pytest.approx((40.9, 110.1), abs=0.8)


def test_intervals_of_bias_against_scipy_and_of_limits_by_trial() -> None:
    """The bias's is that of the paired t-test; the limits' holds the true limit in some 95 of 100 samples."""
    rng = np.random.default_rng(0)
    held = 0
    for _ in range(2000):
        off = rng.normal(1.0, 2.0, 40)
        found = agreement(off, np.zeros(40))
        held += found.high_interval.low <= 1.0 + 1.959964 * 2.0 <= found.high_interval.high
    theirs = stats.ttest_1samp(off, 0.0).confidence_interval(0.95)
    assert found.bias_interval == pytest.approx((theirs.low, theirs.high), rel=1e-9)
    assert 0.93 < held / 2000 < 0.97
