"""Resampling by boards against scikit-learn in a plain loop, and its coverage against the design effect."""

import numpy as np
import pytest
from sklearn.metrics import average_precision_score, balanced_accuracy_score, f1_score

from jointwise.evaluation.statistics.bootstrap import (
    Resampling,
    interval,
    resampled_average_precision,
    resampled_sums,
)
from jointwise.evaluation.statistics.measures import rates, wilson


@pytest.mark.parametrize("levels", [3, 20, 100_000])
def test_weighted_average_precision_against_scikit_learn(levels: int) -> None:
    """sklearn.metrics.average_precision_score(sample_weight=), with many ties, few and none."""
    rng = np.random.default_rng(levels)
    truth, boards = (rng.random(400) < 0.1).astype(float), rng.integers(0, 15, 400)
    score = np.round((0.3 * truth + 0.7 * rng.random(400)) * levels) / levels
    weights = np.vstack([Resampling(15, 40).weights, rng.random((10, 15))])
    ours = resampled_average_precision(truth, score, boards, weights)
    theirs = [average_precision_score(truth, score, sample_weight=row[boards]) for row in weights]
    np.testing.assert_allclose(ours, theirs, atol=1e-12)


def test_interval_against_a_plain_loop_with_scikit_learn() -> None:
    """Boards drawn and joints copied one by one, measures by scikit-learn, percentiles by numpy."""
    rng = np.random.default_rng(5)
    truth, boards = (rng.random(240) < 0.25).astype(float), np.repeat(np.arange(12), 20)
    score = 0.3 * truth + 0.7 * rng.random(240) + 0.1 * rng.random(12)[boards]
    called = score >= 0.6
    weights = Resampling(12, 200).weights
    loop: dict[str, list[float]] = {"ap": [], "f1": [], "balanced_accuracy": []}
    for row in weights[1:].astype(int):
        rows = [
            joint
            for board in range(12)
            for _ in range(row[board])
            for joint in np.flatnonzero(boards == board)
        ]
        loop["ap"].append(average_precision_score(truth[rows], score[rows]))
        loop["f1"].append(f1_score(truth[rows], called[rows]))
        loop["balanced_accuracy"].append(balanced_accuracy_score(truth[rows], called[rows]))
    yes = truth == 1
    cells = np.column_stack([yes & called, ~yes & called, yes & ~called, ~yes & ~called])
    ours = rates(resampled_sums(cells, boards, weights))
    ours["ap"] = resampled_average_precision(truth, score, boards, weights)
    for name, values in loop.items():
        assert interval(ours[name], 12)[1:3] == pytest.approx(np.percentile(values, (2.5, 97.5)), abs=1e-12)


def design_effect(joints_per_board: int, correlation: float) -> float:
    """1 + (m - 1) ρ (L. Kish, Survey Sampling, 1965)."""
    return 1 + (joints_per_board - 1) * correlation


def test_design_effect_of_the_domain_value() -> None:
    """Domain document, section F: m 200, ρ 0.05, 2000 joints."""
    assert design_effect(200, 0.05) == pytest.approx(10.95)
    assert 2000 / design_effect(200, 0.05) == pytest.approx(182.6, abs=0.05)


@pytest.mark.slow
def test_coverage_where_joints_of_a_board_go_together() -> None:
    """400 sets of 40 boards with 25 joints, rates of boards from a beta law: ρ = 1/(a + b + 1) = 0.2, DEFF 5.8.

    Resampling boards must cover the true rate about as often as it says and see the variance of the design effect;
    Wilson, which takes joints as independent, must fall short as the same formula tells: P(|z| < 1.96/√5.8) = 0.58.
    """
    rng, boards, m, true = np.random.default_rng(11), 40, 25, 0.7
    weights, home = Resampling(boards, 1000).weights, np.repeat(np.arange(boards), m)
    inside, wilson_inside, ratio = [], [], []
    for _ in range(400):
        rate = rng.beta(4 * true, 4 * (1 - true), boards)
        found = rng.random(boards * m) < rate[home]
        share = resampled_sums(found, home, weights) / resampled_sums(np.ones(boards * m), home, weights)
        one = interval(share, boards)
        inside.append(one.low <= true <= one.high)
        low, high = wilson(int(found.sum()), boards * m)
        wilson_inside.append(low <= true <= high)
        ratio.append(np.var(share[1:]) / (true * (1 - true) / (boards * m)))
    # Binomial standard error of 400 sets: 0.011 at 0.95, 0.025 at 0.58; 40 boards cost the percentile interval ~0.01.
    assert 0.90 < np.mean(inside) < 0.98
    assert np.mean(wilson_inside) == pytest.approx(0.58, abs=0.08)
    assert np.mean(ratio) == pytest.approx(design_effect(m, 0.2), rel=0.08)
