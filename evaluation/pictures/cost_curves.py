"""Expected cost over the price of a miss, one panel per kind."""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from jointwise.evaluation.pictures.detector_lines import pen
from jointwise.evaluation.pictures.joint_picture import INK, QUIET
from jointwise.evaluation.pictures.log_axis import log_ticks

PER = 1000
"""Costs are shown per so many joints."""


def draw_costs(curves: pd.DataFrame, titles: dict[str, str]) -> Figure:
    """A panel per kind of evaluation.comparison.cost_curves, and the legend in the last place.

    Args:
        curves: columns kind, detector, ratio, shipped, best, trivial.
        titles: kind -> heading, with its n.
    """
    kinds = list(dict.fromkeys(curves["kind"]))
    figure = Figure(figsize=(9.0, 5.6), layout="constrained")
    grid = figure.subplots(2, 3, sharex=True).ravel()
    for axes, kind in zip(grid, kinds, strict=False):
        _panel(axes, curves[curves["kind"] == kind], titles[kind])
    for axes in grid[len(kinds) :]:
        axes.axis("off")
    lines, names = grid[0].get_legend_handles_labels()
    grid[-1].legend(lines, names, loc="center", frameon=False, fontsize=9)
    figure.supxlabel("price of a miss, in false positives", fontsize=9, color=INK)
    figure.supylabel(f"cost of {PER:,} joints, in false positives", fontsize=9, color=INK)
    return figure


def _panel(axes: Axes, curves: pd.DataFrame, title: str) -> None:
    axes.set_title(title, fontsize=9, color=INK, loc="left")
    axes.set_xscale("log")
    axes.set_yscale("log")
    costs = PER * curves[["shipped", "best", "trivial"]].to_numpy()
    costs = costs[np.isfinite(costs) & (costs > 0)]
    # A cost of nothing has no place on this axis: it runs along the bottom.
    floor = 0.5 * float(costs.min()) if len(costs) else 1.0
    for place, (detector, rows) in enumerate(curves.groupby("detector", sort=False)):
        colour, dash, marker = pen(place)
        ratio, shipped, best = (rows[name].to_numpy() for name in ("ratio", "shipped", "best"))
        shown = np.maximum(PER * shipped, floor)
        axes.plot(
            ratio, shown, color=colour, linestyle=dash, linewidth=1.6, label=f"{detector}, its own cut",
            marker=marker, markevery=6, markersize=5,
        )  # fmt: skip
        thin = np.maximum(PER * best, floor)
        axes.plot(ratio, thin, color=colour, linestyle=dash, linewidth=0.7, label=f"{detector}, best cut")
    first = curves[curves["detector"] == curves["detector"].iloc[0]]
    axes.plot(
        first["ratio"], PER * first["trivial"], color=QUIET, linestyle=(0, (1, 3)), linewidth=1.2,
        label="call all or none, the cheaper",
    )  # fmt: skip
    for side in (axes.xaxis, axes.yaxis):
        side.set_major_locator(FixedLocator(log_ticks(*map(float, sorted(side.get_view_interval())))))
        side.set_major_formatter(FuncFormatter(_plain))
        side.set_minor_locator(NullLocator())
    axes.tick_params(labelsize=8, colors=INK)
    axes.spines[["top", "right"]].set_visible(False)
    if not len(costs):
        axes.text(0.5, 0.5, "n/a", transform=axes.transAxes, ha="center", color=QUIET)


def _plain(value: float, _: int) -> str:
    return f"{value:,.0f}" if value >= 1 else f"{value:g}"
