"""Labels of logarithmic axes: three or more on every axis, inside it, and apart where the axis is 400 pixels wide."""

import itertools
import math

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from jointwise.evaluation.pictures.log_axis import log_limits, log_ticks
from jointwise.evaluation.pictures.pod_picture import Drawn, pod_picture
from jointwise.evaluation.statistics.pod import NoCurve


@pytest.mark.parametrize("low", [0.0031, 0.4, 1.0, 12.3, 19.9, 74.0, 999.0])
@pytest.mark.parametrize("factor", [1.02, 1.3, 2.0, 3.4, 10.0, 45.0, 600.0, 1e4, 1e9])
def test_there_are_three_labels_in_order_inside_and_apart(low: float, factor: float) -> None:
    ends = log_limits(low, low * factor)
    ticks = log_ticks(*ends)
    assert ends[0] <= low <= low * factor <= ends[1]
    assert 3 <= len(ticks) <= 9
    assert all(ends[0] * 0.999 <= tick <= ends[1] * 1.001 for tick in ticks)
    places = np.log(ticks) / math.log(ends[1] / ends[0])
    assert np.diff(places).min() > 0.08


@pytest.mark.parametrize(
    ("low", "high"), [(12.6, 45.5), (0.51, 1.7), (51.0, 350.0), (2.0, 2.0), (0.4, 5000.0)]
)
def test_a_detection_curve_400_pixels_wide_has_three_labels_that_do_not_meet(low: float, high: float) -> None:
    size = np.geomspace(low, high, 30)
    drawn = Drawn(size, np.ones(30, dtype=bool), NoCurve("all_found", "all were found", 30, 30))
    figure = pod_picture({"one": drawn}, "mean gap", "µm")
    figure.set_dpi(400 / figure.get_figwidth())
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    labels = [label for label in figure.axes[0].get_xticklabels() if label.get_text()]
    boxes = sorted((label.get_window_extent() for label in labels), key=lambda box: box.x0)
    assert len(boxes) >= 3
    assert all(left.x1 < right.x0 for left, right in itertools.pairwise(boxes))
