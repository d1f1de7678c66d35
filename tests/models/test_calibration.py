"""Calibration: Platt's line as others fit it, monotone always, and plain numbers on the way to disk."""

import json

import numpy as np
import pytest
from scipy.special import expit
from sklearn.base import BaseEstimator, ClassifierMixin
from sklearn.calibration import CalibratedClassifierCV
from sklearn.frozen import FrozenEstimator

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.models.calibration import METHODS, Calibration, calibration_error, fit_calibration, reliability


class Margin(ClassifierMixin, BaseEstimator):
    """A classifier whose decision is its one feature."""

    classes_ = np.array([0, 1])

    def fit(self, *_: object) -> "Margin":
        self.fitted_ = True
        return self

    def decision_function(self, x: np.ndarray) -> np.ndarray:
        return x[:, 0]

    def predict(self, x: np.ndarray) -> np.ndarray:
        return (x[:, 0] > 0).astype(int)


def sample(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Truth and overconfident logits (n, 4): the true log odds are logit / 3 - 1."""
    rng = np.random.default_rng(seed)
    logits = rng.normal(0, 6, (n, 4))
    return (rng.random((n, 4)) < expit(logits / 3 - 1)).astype(np.float64), logits


def test_agrees_with_scikit_learn() -> None:
    """CalibratedClassifierCV(method="sigmoid") fits the same smoothed targets."""
    truth, logits = sample(300, 1)
    ours = fit_calibration(truth, logits)(logits)
    for k in range(4):
        x = logits[:, k : k + 1]
        theirs = CalibratedClassifierCV(FrozenEstimator(Margin().fit()), method="sigmoid", ensemble=False)
        theirs.fit(x, truth[:, k])
        np.testing.assert_allclose(ours[:, k], theirs.predict_proba(x)[:, 1], atol=2e-4)


def test_finds_the_line_the_labels_were_drawn_from() -> None:
    """Slope 1/3 and offset -1, within their sampling error."""
    calibration = fit_calibration(*sample(4000, 2))
    np.testing.assert_allclose(calibration.slopes, 1 / 3, atol=0.04)
    np.testing.assert_allclose(calibration.offsets, -1, atol=0.2)
    assert calibration.counted == (4000,) * 4


def test_order_is_kept() -> None:
    """A calibration never reranks joints."""
    truth, logits = sample(200, 3)
    scores = fit_calibration(truth, logits)(logits)
    assert (np.argsort(scores, axis=0) == np.argsort(logits, axis=0)).all()


def test_a_separable_set_keeps_a_finite_slope() -> None:
    """Without smoothed targets its slope would run away."""
    logits = np.repeat(np.r_[np.full(20, -2.0), np.full(20, 2.0)][:, None], 4, axis=1)
    scores = fit_calibration((logits > 0).astype(float), logits)(logits)
    # The smoothed targets themselves: 21/22 and 1/22.
    np.testing.assert_allclose(np.unique(scores.round(6)), [1 / 22, 21 / 22], atol=1e-4)


def test_too_few_joints_or_a_worthless_score_change_nothing() -> None:
    """Two numbers cannot be fitted to seven joints, and a falling line would turn the order round."""
    truth, logits = sample(200, 4)
    truth[:, 0] = 0
    truth[:7, 0] = 1
    truth[:, 1] = np.nan
    truth[:, 2] = logits[:, 2] < 0
    calibration = fit_calibration(truth, logits)
    assert calibration.slopes[:3] == (1.0, 1.0, 1.0)
    assert calibration.offsets[:3] == (0.0, 0.0, 0.0)
    assert calibration.counted == (0, 0, 0, 200)


def test_unknown_labels_do_not_count() -> None:
    """NaN rows leave the line of the others as it is."""
    truth, logits = sample(100, 5)
    more = np.concatenate([truth, np.full((50, 4), np.nan)])
    longer = np.concatenate([logits, np.full((50, 4), 40.0)])
    assert fit_calibration(more, longer) == fit_calibration(truth, logits)


def test_json_round_trip() -> None:
    """Plain numbers, the same afterwards."""
    first = fit_calibration(*sample(100, 6))
    assert Calibration.from_json(json.loads(json.dumps(first.to_json()))) == first


@pytest.mark.parametrize("method", METHODS)
def test_every_method_keeps_the_order_and_comes_back_from_plain_numbers(method: str) -> None:
    """Isotonic puts joints beyond its ends on one score; between them it keeps their order."""
    truth, logits = sample(400, 7)
    first = fit_calibration(truth, logits, method)
    assert (first.method, first.counted) == (method, (400,) * 4)
    again = Calibration.from_json(json.loads(json.dumps(first.to_json())))
    assert again == first
    scores = again(logits)
    for k in range(4):
        rises = np.diff(scores[np.argsort(logits[:, k]), k])
        assert (rises >= 0).all()
        assert ((rises > 0).all()) == (method != "isotonic")
    assert (scores > 0).all()
    assert (scores < 1).all()


@pytest.mark.parametrize("method", METHODS)
def test_every_method_mends_bold_logits(method: str) -> None:
    """Log odds three times too large: 4,000 joints to fit on, 4,000 others to judge."""
    rng = np.random.default_rng(8)
    logits = rng.normal(0, 6, (8000, 4))
    truth = (rng.random((8000, 4)) < expit(logits / 3)).astype(np.float64)
    fit = fit_calibration(truth[:4000], logits[:4000], method)
    scores = fit(logits[4000:])
    assert calibration_error(truth[4000:, 0], expit(logits[4000:, 0])) > 0.08
    assert calibration_error(truth[4000:, 0], scores[:, 0]) < 0.03


@pytest.mark.parametrize("method", METHODS)
def test_too_few_or_worthless_logits_are_left_alone_by_every_method(method: str) -> None:
    truth, logits = sample(200, 4)
    truth[7:, 0] = 0
    truth[:, 1] = np.nan
    truth[:, 2] = logits[:, 2] < 0
    truth[:, 3] = np.where(logits[:, 3] > 0, 0, truth[:, 3]) * 0
    fit = fit_calibration(truth, logits, method)
    assert fit.counted == (0, 0, 0, 0)
    np.testing.assert_array_equal(fit(logits), expit(logits))


def test_a_card_from_before_there_were_methods_still_reads() -> None:
    old = {kind: {"slope": 2.0, "offset": -0.5, "n": 40} for kind in KINDS}
    assert Calibration.from_json(old) == Calibration((2.0,) * 4, (-0.5,) * 4, (40,) * 4)


@pytest.mark.parametrize(
    "points",
    [((0.0, 0.5), (0.0, 0.6)), ((0.0, 0.5), (1.0, 0.4)), ((0.0, 0.5), (1.0, 1.4)), ((0.0, float("nan")),)],
)
def test_unusable_curves_are_refused(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(InputError, match="points"):
        Calibration(method="isotonic", curves=((), points, (), ()))


def test_an_unknown_method_is_refused_by_name() -> None:
    with pytest.raises(InputError, match="found 'beta'"):
        fit_calibration(*sample(50, 1), "beta")


@pytest.mark.parametrize("slopes", [(1.0, 1.0, 1.0, 0.0), (1.0, 1.0, 1.0, float("nan")), (1.0,)])
def test_unusable_lines_are_refused(slopes: tuple[float, ...]) -> None:
    """A card edited by hand must not turn scores round."""
    with pytest.raises(InputError, match="calibration"):
        Calibration(slopes)


def test_calibration_error_by_hand() -> None:
    """Twenty joints, ten bins of two: each bin's |share - mean score|, weighted by its joints."""
    scores = np.linspace(0.025, 0.975, 20)
    truth = np.r_[np.zeros(10), np.ones(10)]
    expected = np.mean([abs(truth[i : i + 2].mean() - scores[i : i + 2].mean()) for i in range(0, 20, 2)])
    order = np.random.default_rng(0).permutation(20)
    assert calibration_error(truth[order], scores[order]) == pytest.approx(expected)
    unknown = np.r_[truth, np.nan]
    assert calibration_error(unknown, np.r_[scores, 0.5]) == pytest.approx(expected)


def test_calibration_error_of_ties_does_not_depend_on_the_order() -> None:
    """All at 0.3 are one bin: a third of them has the kind."""
    truth = np.r_[np.ones(10), np.zeros(20)]
    for order in (truth, truth[::-1]):
        assert calibration_error(order, np.full(30, 0.3)) == pytest.approx(1 / 3 - 0.3)
    assert np.isnan(calibration_error(np.full(3, np.nan), np.full(3, 0.3)))


def test_calibration_error_tells_honest_probabilities_from_bold_ones() -> None:
    """Of 20,000 joints: what chance leaves in bins of 2,000 (under 0.02), against log odds three times too large."""
    truth, logits = sample(20_000, 5)
    honest, bold = expit(logits / 3 - 1), expit(logits - 3)
    assert calibration_error(truth[:, 0], honest[:, 0]) < 0.02
    assert calibration_error(truth[:, 0], bold[:, 0]) > 0.1
    fitted = fit_calibration(truth, logits)(logits)
    assert calibration_error(truth[:, 0], fitted[:, 0]) < 0.02


def test_reliability_is_told_for_each_class_of_noise() -> None:
    """Honest in the clean half, far off in the noisy one; n of each; null where no joint counts."""
    truth, logits = sample(4_000, 6)
    noisy = np.arange(4_000) >= 2_000
    scores = np.where(noisy[:, None], 0.99, expit(logits / 3 - 1))
    truth[noisy, 3] = np.nan
    told = json.loads(json.dumps(reliability(truth, scores, noisy.astype(np.int64)), allow_nan=False))
    clean, loud = told["void"]["by_noise_class"]
    assert clean["calibration_error"] < 0.05 < 0.4 < loud["calibration_error"]
    assert clean["calibration_error"] < told["void"]["calibration_error"] < loud["calibration_error"]
    assert (clean["n"], told["void"]["n"]) == (2_000, 4_000)
    assert told["head_in_pillow"]["by_noise_class"][1] == {"calibration_error": None, "n": 0}
    assert "10 bins" in told["definition"]
