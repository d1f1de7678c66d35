"""Calibration error, Brier score and refits against the domain's check values, scikit-learn and scipy."""

import numpy as np
import pytest
from scipy import optimize, special
from sklearn.calibration import calibration_curve
from sklearn.isotonic import IsotonicRegression
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss

from jointwise.evaluation.statistics.calibration import (
    brier,
    calibration_error,
    chance_error,
    reliability_bins,
)
from jointwise.models.calibration import fit_calibration

# The project's domain values (section F of its domain notes), scikit-learn 1.9.1 = hand.
TRUTH = [1, 0, 1, 1, 0, 0, 1, 0]
SCORE = [0.95, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3]


def drawn(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Truth and bold scores: the true log odds are half of those given."""
    rng = np.random.default_rng(seed)
    logits = rng.normal(0, 3, n)
    return (rng.random(n) < special.expit(logits / 2)).astype(float), special.expit(logits)


def test_against_the_published_values() -> None:
    """Section F: Brier 0.2503125, ECE (5 bins) 0.34375."""
    assert brier(TRUTH, SCORE).score == pytest.approx(0.2503125, abs=1e-12)
    assert calibration_error(TRUTH, SCORE, bins=5) == pytest.approx(0.34375, abs=1e-12)


@pytest.mark.parametrize("n", [1, 2, 30, 1000])
def test_brier_score_against_scikit_learn(n: int) -> None:
    """sklearn.metrics.brier_score_loss."""
    truth, score = drawn(n, n)
    assert brier(truth, score).score == pytest.approx(brier_score_loss(truth, score), abs=1e-12)


@pytest.mark.parametrize("strategy", ["uniform", "quantile"])
def test_reliability_against_scikit_learn(strategy: str) -> None:
    """sklearn.calibration.calibration_curve: its bins are [low, high), which no drawn score tells from (low, high]."""
    truth, score = drawn(1000, 3)
    share, mean = calibration_curve(truth, score, n_bins=10, strategy=strategy)
    ours = reliability_bins(truth, score, 10, "width" if strategy == "uniform" else "count")
    np.testing.assert_allclose([b.share for b in ours], share, atol=0.02 if strategy == "quantile" else 1e-12)
    np.testing.assert_allclose(
        [b.mean_score for b in ours], mean, atol=0.02 if strategy == "quantile" else 1e-12
    )
    if strategy == "quantile":
        assert {b.n for b in ours} == {100}


def test_chance_error_against_drawing_the_labels() -> None:
    """Mean calibration error of 1,500 label sets drawn from the scores themselves; within 3 %."""
    _, score = drawn(600, 4)
    rng = np.random.default_rng(5)
    errors = [calibration_error((rng.random(600) < score).astype(float), score) for _ in range(1500)]
    assert chance_error(score) == pytest.approx(np.mean(errors), rel=0.03)


def test_temperature_against_scikit_learn_and_scipy() -> None:
    """LogisticRegression without intercept or penalty on the same smoothed targets (as weights); scipy's minimiser."""
    truth, score = drawn(800, 6)
    x = special.logit(score)
    factor = fit_calibration(
        np.repeat(truth[:, None], 4, 1), np.repeat(x[:, None], 4, 1), "temperature"
    ).slopes[0]
    n1, n0 = truth.sum(), (1 - truth).sum()
    target = np.where(truth == 1, (n1 + 1) / (n1 + 2), 1 / (n0 + 2))
    both = LogisticRegression(fit_intercept=False, C=np.inf, tol=1e-10, max_iter=1000)
    both.fit(np.tile(x, 2)[:, None], np.r_[np.ones(800), np.zeros(800)], np.r_[target, 1 - target])
    assert factor == pytest.approx(both.coef_[0, 0], rel=1e-5)
    found = optimize.minimize_scalar(
        lambda a: np.sum(np.logaddexp(0, a * x) - target * a * x), bounds=(0.01, 5), method="bounded"
    )
    assert factor == pytest.approx(found.x, rel=1e-4)


def test_isotonic_against_scikit_learn() -> None:
    """IsotonicRegression on the same smoothed targets gives the heights of the steps; ties in the logits and all."""
    truth, score = drawn(500, 7)
    x = np.round(special.logit(score), 1)
    fit = fit_calibration(np.repeat(truth[:, None], 4, 1), np.repeat(x[:, None], 4, 1), "isotonic")
    n1, n0 = truth.sum(), (1 - truth).sum()
    target = np.where(truth == 1, (n1 + 1) / (n1 + 2), 1 / (n0 + 2))
    theirs = IsotonicRegression().fit(x, target).predict(x)
    at, height = np.array(fit.curves[0]).T
    np.testing.assert_allclose(height, np.unique(theirs.round(12)), atol=1e-11)
    for level, middle in zip(height, at, strict=True):
        assert middle == pytest.approx(x[np.isclose(theirs, level, atol=1e-11)].mean())
