"""McNemar, recall at a false-call rate and the cost curve against other people's implementations."""

import numpy as np
import pytest
from scipy.stats import binomtest
from sklearn.metrics import confusion_matrix, roc_curve
from statsmodels.stats.contingency_tables import mcnemar

from jointwise.evaluation.statistics.cost import best_cost, errors, expected_cost
from jointwise.evaluation.statistics.mcnemar import exact
from jointwise.evaluation.statistics.paired import recall_at


@pytest.mark.parametrize(("b", "c", "p"), [(3, 11, 0.0573730), (0, 6, 0.03125)])
def test_mcnemar_against_the_published_values(b: int, c: int, p: float) -> None:
    """The project's domain values, section F: scipy = statsmodels."""
    assert exact(b, c) == pytest.approx(p, abs=5e-8)


@pytest.mark.parametrize(("b", "c"), [(1, 0), (5, 5), (2, 9), (40, 71), (300, 361)])
def test_mcnemar_against_statsmodels_and_scipy(b: int, c: int) -> None:
    """statsmodels mcnemar(exact=True); scipy.stats.binomtest, two-sided at 1/2."""
    assert exact(b, c) == pytest.approx(mcnemar([[7, b], [c, 9]], exact=True).pvalue, abs=1e-12)
    assert exact(b, c) == pytest.approx(binomtest(b, b + c).pvalue, abs=1e-12)


def scores(seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    truth = (rng.random(300) < 0.2).astype(float)
    return truth, np.round(0.5 * truth + rng.random(300), 2)


@pytest.mark.parametrize("rate", [0.0, 0.02, 0.1, 0.6])
def test_recall_against_scikit_learn(rate: float) -> None:
    """sklearn.metrics.roc_curve: the highest true positive rate among points within the rate."""
    for seed in range(4):
        truth, said = scores(seed)
        false, true, _ = roc_curve(truth, said, drop_intermediate=False)
        assert recall_at(truth, said, rate) == pytest.approx(true[false <= rate + 1e-12].max())


def test_cost_against_scikit_learn() -> None:
    """Costs weigh the cells of sklearn.metrics.confusion_matrix; the best one is found along roc_curve."""
    truth, said = scores(9)
    _, fp, fn, _ = confusion_matrix(truth, said >= 0.8).ravel()
    ratios = np.array([1.0, 25.0, 400.0])
    found = errors(truth, said >= 0.8, np.zeros(300, np.int64)).total
    np.testing.assert_allclose(expected_cost(found, ratios)[0], (fn * ratios + fp) / 300)
    false, true, _ = roc_curve(truth, said)
    along = 0.03 * ratios * (1 - true[:, None]) + 0.97 * false[:, None]
    np.testing.assert_allclose(best_cost(truth, said, ratios, 0.03), along.min(axis=0))
