"""Statistics against published check values and against other people's implementations."""

import numpy as np
import pytest
from sklearn.metrics import average_precision_score, precision_recall_fscore_support
from statsmodels.stats.proportion import proportion_confint

from jointwise.evaluation.statistics.measures import Z_95, average_precision, count, wilson

# The project's domain values (section F of its domain notes): formula = statsmodels 0.15.0, six decimals.
WILSON_VALUES = [(27, 30, 0.743789, 0.965400), (0, 20, 0.0, 0.161125), (29, 29, 0.883030, 1.0)]

# Domain values, section F: AP 0.747024 by hand = scikit-learn 1.9.1.
AP_TRUTH = [1, 0, 1, 1, 0, 0, 1, 0]
AP_SCORE = [0.95, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3]


@pytest.mark.parametrize(("successes", "n", "low", "high"), WILSON_VALUES)
def test_wilson_against_the_published_values(successes: int, n: int, low: float, high: float) -> None:
    assert wilson(successes, n) == pytest.approx((low, high), abs=5e-7)


@pytest.mark.parametrize("n", [1, 2, 5, 30, 400, 100_000])
def test_wilson_against_statsmodels(n: int) -> None:
    """statsmodels.stats.proportion.proportion_confint(method="wilson"); z is rounded here at the 7th digit."""
    for successes in sorted({0, 1, n // 3, n // 2, n - 1, n}):
        theirs = proportion_confint(successes, n, alpha=0.05, method="wilson")
        assert wilson(successes, n) == pytest.approx(theirs, abs=1e-7)


def test_z_against_scipy() -> None:
    """scipy.stats.norm.ppf(0.975)."""
    from scipy.stats import norm

    assert pytest.approx(norm.ppf(0.975), abs=5e-7) == Z_95


def test_average_precision_against_the_published_value() -> None:
    assert average_precision(AP_TRUTH, AP_SCORE) == pytest.approx(0.747024, abs=5e-7)


@pytest.mark.parametrize("levels", [1, 2, 5, 1000])
@pytest.mark.parametrize("prevalence", [0.02, 0.5, 1.0])
def test_average_precision_against_scikit_learn(levels: int, prevalence: float) -> None:
    """sklearn.metrics.average_precision_score, with many ties, few and none."""
    rng = np.random.default_rng([levels, int(100 * prevalence)])
    for n in (1, 2, 10, 500):
        truth = (rng.random(n) < prevalence).astype(float)
        truth[0] = 1.0
        score = rng.integers(0, levels, n) / levels
        assert average_precision(truth, score) == pytest.approx(
            average_precision_score(truth, score), abs=1e-12
        )


def test_precision_recall_f1_against_scikit_learn() -> None:
    """sklearn.metrics.precision_recall_fscore_support on a set where all three are defined."""
    rng = np.random.default_rng(7)
    truth = (rng.random(200) < 0.2).astype(float)
    called = rng.random(200) < 0.3
    counts = count(truth, called)
    theirs = precision_recall_fscore_support(truth, called, average="binary")
    assert (counts.precision, counts.recall, counts.f1) == pytest.approx(theirs[:3], abs=1e-15)
