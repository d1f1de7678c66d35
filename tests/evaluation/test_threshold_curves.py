"""Threshold curves: laws, the operating point lies on its curve, and what the picture shows."""

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.measured import board_weights, measured_table, resampled
from jointwise.evaluation.pictures.svg import to_svg
from jointwise.evaluation.pictures.threshold_curves import draw_threshold_curves
from jointwise.evaluation.statistics.measures import average_precision
from jointwise.evaluation.table import per_kind_table
from jointwise.evaluation.threshold_curves import curve, curve_table, operating_points, recall_at
from tests.evaluation.test_measured import a_set


def test_by_hand() -> None:
    one = curve([1, 0, 1, 0, 0], [0.9, 0.8, 0.8, 0.4, 0.1])
    assert one["threshold"].tolist() == [0.9, 0.8, 0.4, 0.1]
    assert one["called"].tolist() == [1, 3, 4, 5]
    assert one["recall"].tolist() == [0.5, 1, 1, 1]
    assert one["precision"].tolist() == [1, 2 / 3, 0.5, 0.4]
    assert one["false_positive_rate"].tolist() == pytest.approx([0, 1 / 3, 2 / 3, 1])
    assert recall_at(one, 0.3) == 0.5
    assert recall_at(one, 1 / 3) == 1
    assert recall_at(curve([0, 1], [0.9, 0.1]), 0.5) == 0, "the first call is already one too many"


def test_the_area_under_the_staircase_is_average_precision() -> None:
    rng = np.random.default_rng(2)
    truth = (rng.random(300) < 0.2).astype(float)
    score = np.round(0.4 * truth + 0.6 * rng.random(300), 2)
    one = curve(truth, score)
    area = np.sum(np.diff(one["recall"], prepend=0) * one["precision"])
    assert area == pytest.approx(average_precision(truth, score))
    order = rng.permutation(300)
    pd.testing.assert_frame_equal(curve(truth[order], score[order]), one)


@pytest.mark.parametrize(
    ("truth", "empty"), [([], "both"), ([0.0, 0], "recall"), ([1.0], "false_positive_rate")]
)
def test_nothing_to_be_right_about(truth: list[float], empty: str) -> None:
    one = curve(truth, np.arange(len(truth)))
    for name in ("recall", "false_positive_rate"):
        assert one[name].isna().all() == (empty in (name, "both"))
    assert np.isnan(recall_at(one, 0.5))


def test_operating_points_lie_on_their_curves() -> None:
    verdicts = a_set()
    curves = curve_table(verdicts)
    points = operating_points(
        per_kind_table(verdicts.truth, verdicts.present, verdicts.scores, verdicts.cuts), curves
    )
    for row in points.to_dict("records"):
        own = curves[(curves["kind"] == row["kind"]) & (curves["detector"] == row["detector"])]
        last = own[own["threshold"] >= row["threshold"]].iloc[-1]
        assert (last["recall"], last["precision"]) == (row["recall"], row["precision"])
        assert last["false_positive_rate"] == row["false_positive_rate"]
        assert row["recall_at_0.001"] <= row["recall_at_0.01"] <= row["recall_at_0.05"]
        assert recall_at(own, row["false_positive_rate"]) >= row["recall"]


def test_the_picture_names_every_detector_and_equal_sets_give_equal_pictures() -> None:
    verdicts = a_set()
    table = measured_table(verdicts, resampled(verdicts, board_weights(verdicts)))
    curves = curve_table(verdicts)
    points = operating_points(table, curves)
    own = [frame[frame["kind"] == "void"] for frame in (curves, points)]
    pictures = [to_svg(draw_threshold_curves(*own, "void: some joints")) for _ in range(2)]
    assert pictures[0] == pictures[1]
    for word in ("learned", "rules", "precision", "recall", "false-positive rate", "void: some joints"):
        assert f">{word}" in pictures[0]


def test_the_picture_keeps_the_ends_of_curves_it_thins_out() -> None:
    rng = np.random.default_rng(1)
    truth = (rng.random(5000) < 0.1).astype(float)
    one = curve(truth, 0.2 * truth + rng.random(5000)).assign(detector="d", kind="void")
    point = {"detector": "d", "recall": 0.5, "precision": 0.5, "false_positive_rate": 0.1}
    figure = draw_threshold_curves(one, pd.DataFrame([point]), "thinned")
    drawn = figure.axes[0].lines[0].get_xydata()
    assert len(drawn) < len(one) / 2
    assert drawn[-1].tolist() == pytest.approx([1, truth.mean()])
    assert drawn[0].tolist() == one[["recall", "precision"]].iloc[0].tolist()
    # No point of the whole curve is further from the drawn ones than a line is wide.
    whole = one[["recall", "precision"]].to_numpy()
    near = np.abs(whole[:, None, :] - drawn[None, :, :]).max(axis=2).min(axis=1)
    assert near.max() < 1 / 390
