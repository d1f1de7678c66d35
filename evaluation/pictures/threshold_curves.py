"""Precision against recall and recall against false-positive rate of one kind, with the operating points."""

from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from jointwise.evaluation.pictures.detector_lines import pen
from jointwise.evaluation.pictures.joint_picture import INK, QUIET
from jointwise.evaluation.statistics.measures import Floats

HOLLOW: Final[dict[str, Any]] = {
    "markersize": 8, "markerfacecolor": "white", "markeredgewidth": 1.8,
    "linestyle": "none", "clip_on": False, "zorder": 5,
}  # fmt: skip
FINEST: Final = 1 / 400
"""Less than a line's width, as a share of an axis."""

RATES: Final = (0.0, 0.01, 0.1, 0.25, 0.5, 1.0)


def draw_threshold_curves(curves: pd.DataFrame, points: pd.DataFrame, title: str) -> Figure:
    """Both curves of every detector for one kind.

    Args:
        curves: rows of one kind from :func:`~jointwise.evaluation.threshold_curves.curve_table`.
        points: rows of the same kind from :func:`~jointwise.evaluation.threshold_curves.operating_points`.
        title: over the picture.
    """
    figure = Figure(figsize=(6.6, 3.6))
    left, right = figure.subplots(
        1, 2, gridspec_kw={"left": 0.085, "right": 0.985, "bottom": 0.15, "top": 0.88, "wspace": 0.28}
    )
    for place, point in enumerate(points.to_dict("records")):
        one = _corners(curves[curves["detector"] == point["detector"]])
        own = pen(place)
        look = {"color": own.colour, "linestyle": own.dash, "linewidth": 1.6}
        spot = dict(HOLLOW, color=own.colour, marker=own.marker)
        left.plot(one["recall"], one["precision"], drawstyle="steps-pre", **look)
        left.plot([point["recall"]], [point["precision"]], **spot)
        right.plot(
            np.append(0, one["false_positive_rate"]),
            np.append(0, one["recall"]),
            drawstyle="steps-post",
            **look,
        )
        right.plot([point["false_positive_rate"]], [point["recall"]], **spot)
        # Line and marker in one entry of the key.
        right.plot([], [], label=point["detector"], **(HOLLOW | look | {"marker": own.marker}))
    _dress(left, "recall", "precision")
    _dress(right, "false-positive rate (square-root scale)", "recall")
    right.set_xscale("function", functions=(_root, np.square))
    right.set_xticks(RATES, [f"{rate:g}" for rate in RATES])
    right.set_xlim(0, 1)
    right.legend(loc="lower right", frameon=False, fontsize=11, handlelength=3.2)
    figure.suptitle(title, color=INK, fontsize=13, x=0.012, y=0.975, ha="left")
    return figure


def _root(rate: Floats) -> Floats:
    """Square root; limits a hair under 0, which matplotlib asks for, stay there."""
    return np.asarray(np.sign(rate) * np.sqrt(np.abs(rate)))


def _corners(one: pd.DataFrame) -> pd.DataFrame:
    """The curve without the points that cannot be told from the one before, and with its end."""
    places = np.column_stack([one["recall"], one["precision"], _root(one["false_positive_rate"].to_numpy())])
    steps = np.round(places / FINEST)
    seen = np.ones(len(one), dtype=bool)
    seen[1:-1] = (steps[1:-1] != steps[:-2]).any(axis=1)
    return one[seen]


def _dress(axes: Axes, x: str, y: str) -> None:
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1.02)
    axes.set_xlabel(x, color=INK, fontsize=11)
    axes.set_ylabel(y, color=INK, fontsize=11)
    axes.tick_params(colors=QUIET, labelsize=10)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(QUIET)
    axes.grid(color="#e3e5e8", linewidth=0.6)
