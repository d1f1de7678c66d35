"""Measures of whole sets against scikit-learn and statsmodels, and against the domain document's values."""

import dataclasses

import numpy as np
import pytest
from sklearn.metrics import (
    average_precision_score,
    balanced_accuracy_score,
    f1_score,
    multilabel_confusion_matrix,
    precision_recall_curve,
    precision_score,
    recall_score,
    roc_auc_score,
    roc_curve,
)
from statsmodels.stats.proportion import proportion_confint

from jointwise.evaluation.confusion import confusion_table
from jointwise.evaluation.measured import (
    MACRO,
    MICRO,
    board_weights,
    measured_table,
    resampled,
    stopped_table,
)
from jointwise.evaluation.statistics.bootstrap import resampled_average_precision
from jointwise.evaluation.statistics.measures import fewest_to_rank, precision_at
from jointwise.evaluation.threshold_curves import curve
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS
from tests.evaluation.test_measured import a_set

DETECTORS = ("learned", "rules")


@pytest.fixture(scope="module")
def whole() -> Verdicts:
    """A set in which every joint is there and every label known, as scikit-learn asks."""
    one = a_set(400, seed=8)
    known = one.take(one.known.all(axis=1))
    assert len(known) > 390
    return known


@pytest.mark.parametrize("detector", DETECTORS)
@pytest.mark.parametrize("average", [MICRO, MACRO])
def test_micro_and_macro_against_scikit_learn(whole: Verdicts, detector: str, average: str) -> None:
    """sklearn.metrics *_score(average="micro" | "macro") on the multi-label indicator matrix."""
    found = measured_table(whole, resampled(whole, board_weights(whole)))
    row = found[(found["kind"] == average) & (found["detector"] == detector)].iloc[0]
    truth, call = whole.truth.astype(int), whole.calls(detector).astype(int)
    assert row["precision"] == pytest.approx(precision_score(truth, call, average=average), abs=1e-12)
    assert row["recall"] == pytest.approx(recall_score(truth, call, average=average), abs=1e-12)
    assert row["f1"] == pytest.approx(f1_score(truth, call, average=average), abs=1e-12)
    theirs = average_precision_score(truth, whole.scores[detector], average=average)
    assert row["ap"] == pytest.approx(theirs, abs=1e-12)
    if average == MICRO:
        theirs = balanced_accuracy_score(truth.ravel(), call.ravel())
    else:
        theirs = np.mean([balanced_accuracy_score(truth[:, k], call[:, k]) for k in range(4)])
    assert row["balanced_accuracy"] == pytest.approx(theirs, abs=1e-12)


@pytest.mark.parametrize("detector", DETECTORS)
def test_each_kind_against_scikit_learn(whole: Verdicts, detector: str) -> None:
    """sklearn.metrics.multilabel_confusion_matrix, balanced_accuracy_score, f1_score, average_precision_score."""
    found = measured_table(whole, resampled(whole, board_weights(whole)))
    truth, call = whole.truth.astype(int), whole.calls(detector).astype(int)
    cells = multilabel_confusion_matrix(truth, call)
    for k, kind in enumerate(KINDS):
        row = found[(found["kind"] == kind) & (found["detector"] == detector)].iloc[0]
        assert [[row["tn"], row["fp"]], [row["fn"], row["tp"]]] == cells[k].tolist()
        assert row["f1"] == pytest.approx(f1_score(truth[:, k], call[:, k]), abs=1e-12)
        theirs = balanced_accuracy_score(truth[:, k], call[:, k])
        assert row["balanced_accuracy"] == pytest.approx(theirs, abs=1e-12)
        theirs = average_precision_score(truth[:, k], whole.scores[detector][:, k])
        assert row["ap"] == pytest.approx(theirs, abs=1e-12)


def test_escapes_per_million_against_statsmodels(whole: Verdicts) -> None:
    """statsmodels.stats.proportion.proportion_confint(method="wilson"), in ppm; z is rounded here at the 7th digit."""
    for row in stopped_table(whole, board_weights(whole)).to_dict("records"):
        for part, name in ((row["escapes"], "escape_ppm"), (row["false_calls"], "false_call_ppm")):
            low, high = proportion_confint(part, row["joints"], method="wilson")
            assert (row[f"{name}_low"], row[f"{name}_high"]) == pytest.approx(
                (1e6 * low, 1e6 * high), abs=0.2
            )


def test_confusion_against_numpy_by_single_kinds() -> None:
    """Where every joint has one kind at most, the table is the common confusion matrix, rows as shares."""
    one = a_set(400, seed=9)
    rng = np.random.default_rng(0)
    truth = np.eye(5)[rng.integers(0, 5, 400)][:, :4]
    said = np.eye(5)[rng.integers(0, 5, 400)][:, :4]
    single = dataclasses.replace(
        one,
        table=one.table.assign(present=1),
        truth=truth,
        scores={"d": said},
        cuts={"d": np.full((400, 4), 0.5)},
        readers={},
    )
    table = confusion_table(single)
    ours = table[[f"rate_{kind}" for kind in (*KINDS, "nothing")]].to_numpy()
    of = [np.append(each, 1 - each.sum(axis=1, keepdims=True), axis=1) for each in (truth, said)]
    counts = of[0].T @ of[1]
    np.testing.assert_allclose(ours, counts / counts.sum(axis=1, keepdims=True), atol=1e-12)


@pytest.mark.parametrize("levels", [2, 10, 100_000])
def test_threshold_curves_against_scikit_learn(levels: int) -> None:
    """sklearn.metrics.precision_recall_curve and roc_curve(drop_intermediate=False)."""
    rng = np.random.default_rng(levels)
    truth = (rng.random(500) < 0.2).astype(float)
    score = np.round((0.3 * truth + 0.7 * rng.random(500)) * levels) / levels
    ours = curve(truth, score)
    precision, recall, threshold = precision_recall_curve(truth, score)
    np.testing.assert_array_equal(ours["threshold"], threshold[::-1])
    np.testing.assert_allclose(ours["precision"], precision[:-1][::-1], atol=1e-15)
    np.testing.assert_allclose(ours["recall"], recall[:-1][::-1], atol=1e-15)
    false, true, _ = roc_curve(truth, score, drop_intermediate=False)
    np.testing.assert_allclose(ours["false_positive_rate"], false[1:], atol=1e-15)
    np.testing.assert_allclose(ours["recall"], true[1:], atol=1e-15)
    area = np.trapezoid(np.append(0, ours["recall"]), np.append(0, ours["false_positive_rate"]))
    assert area == pytest.approx(roc_auc_score(truth, score))


def test_domain_values_of_average_precision_and_auc() -> None:
    """Domain document, section F: AP 0.747024, AUC 0.6875 (scikit-learn 1.9.1 = hand)."""
    truth, score = [1, 0, 1, 1, 0, 0, 1, 0], [0.95, 0.9, 0.8, 0.7, 0.6, 0.5, 0.4, 0.3]
    found = resampled_average_precision(truth, score, np.zeros(8, int), np.ones((1, 1)))
    assert found[0] == pytest.approx(0.747024, abs=5e-7)
    one = curve(truth, score)
    area = np.trapezoid(np.append(0, one["recall"]), np.append(0, one["false_positive_rate"]))
    assert area == pytest.approx(0.6875)


def test_fewest_joints_to_rank_against_scipy() -> None:
    """scipy.stats.binomtest, two-sided at ½: the exact McNemar test; domain document, section F: (0, 6) 0.03125."""
    from scipy.stats import binomtest

    assert binomtest(0, 6).pvalue == pytest.approx(0.03125)
    for level in (0.05, 0.01, 0.001):
        n = fewest_to_rank(level)
        assert binomtest(0, n).pvalue < level <= binomtest(0, n - 1).pvalue


def test_precision_at_another_prevalence_against_weighted_scikit_learn() -> None:
    """sklearn.metrics.precision_score(sample_weight=): faulty joints weighted to the prevalence, the rest likewise."""
    rng = np.random.default_rng(4)
    truth, call = rng.random(500) < 0.3, rng.random(500) < 0.4
    for share in (0.001, 0.05, 0.6):
        weight = np.where(truth, share / truth.mean(), (1 - share) / (1 - truth.mean()))
        ours = precision_at(call[truth].mean(), call[~truth].mean(), share)
        assert ours == pytest.approx(precision_score(truth, call, sample_weight=weight))
