"""A detection curve: hits and misses as points, shares of groups, the curve and its lower bound, a90 and a90/95."""

from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from jointwise.evaluation.pictures.detector_lines import Pen, pen
from jointwise.evaluation.pictures.joint_picture import INK, QUIET
from jointwise.evaluation.pictures.log_axis import log_limits, log_ticks
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.statistics.pod import Curve, NoCurve
from jointwise.evaluation.statistics.pod_checks import size_groups

MOST_POINTS: Final = 120
"""Hits, and misses, drawn of each detector; of more, one in two, three … in the order of size."""


class Drawn(NamedTuple):
    """What is drawn of one detector: its targets and what came of them."""

    size: Floats
    hit: Bools
    result: Curve | NoCurve


def pod_picture(detectors: Mapping[str, Drawn], axis: str, unit: str, limit: float | None = None) -> Figure:
    """One picture for all detectors of a set.

    Args:
        detectors: name -> targets and curve; at least one has targets.
        axis: what the size is, for the axis.
        unit: of the size.
        limit: size from which calls are wanted; None if at every size.
    """
    figure = Figure(figsize=(5.2, 4.6), layout="constrained")
    axes = figure.add_subplot()
    strip = 0.17 / max(len(detectors), 1)
    axes.axhline(0.9, color=QUIET, linewidth=0.8, linestyle=":")
    if limit is not None:
        axes.axvline(limit, color=QUIET, linewidth=0.8, linestyle="-.")
        axes.annotate(f"wanted from {limit:g} {unit} ", (limit, 0.75), fontsize=8, color=QUIET, ha="right")
    for number, (name, drawn) in enumerate(detectors.items()):
        _points(axes, drawn, pen(number), number * strip, strip)
        _groups(axes, drawn, pen(number), number - (len(detectors) - 1) / 2)
        _curve(axes, name, drawn, pen(number), unit)
    _frame(axes, detectors, f"{axis}, {unit}")
    figure.legend(loc="outside lower left", fontsize=9, frameon=False, handlelength=3.2)
    return figure


def thinned(sizes: Floats) -> Floats:
    """One in two, three … of sorted sizes, so that at most MOST_POINTS are left."""
    return sizes[:: max(1, -(-len(sizes) // MOST_POINTS))]


def _points(axes: Axes, drawn: Drawn, look: Pen, start: float, strip: float) -> None:
    """Hits above 1, misses below 0, a strip for each detector; the height within it is for the eye only."""
    shown = [thinned(np.sort(drawn.size[drawn.hit == outcome])) for outcome in (True, False)]
    size, hit = np.concatenate(shown), np.arange(sum(map(len, shown))) < len(shown[0])
    # Golden steps spread neighbours in size over the strip without a random number.
    height = start + strip * (0.15 + 0.7 * np.modf(np.arange(len(size)) * 0.6180339887)[0])
    y = np.where(hit, 1.04 + height, -0.04 - height)
    axes.plot(
        size, y, look.marker, color=look.colour, markersize=2.6, markeredgewidth=0, alpha=0.65
    )  # fmt: skip


def _groups(axes: Axes, drawn: Drawn, look: Pen, aside: float) -> None:
    """Share found in each group of similar size with its Wilson bar; a little aside, so that detectors do not hide."""
    step = (drawn.size.max() / drawn.size.min()) ** 0.014 if len(drawn.size) else 1.0
    for group in size_groups(drawn.size, drawn.hit):
        x = group.middle * step**aside
        axes.plot([x, x], group.interval, color=look.colour, linewidth=1.0)
        axes.plot(x, group.share, look.marker, color=look.colour, markersize=5.5, markerfacecolor="white")


def _curve(axes: Axes, name: str, drawn: Drawn, look: Pen, unit: str) -> None:
    curve = drawn.result
    if isinstance(curve, NoCurve):
        axes.plot(
            [],
            [],
            look.marker,
            color=look.colour,
            markerfacecolor="white",
            label=f"{name}: no curve (see the notes)",
        )
        return
    sizes = np.geomspace(curve.smallest, curve.largest, 120)
    a90, bound = _written(curve.a90, curve.largest), _written(curve.a90_95, curve.largest)
    axes.plot(
        sizes, curve.pod(sizes), color=look.colour, linewidth=2.0, linestyle=look.dash,
        label=f"{name}: a90 {a90}, a90/95 {bound} {unit}",
    )  # fmt: skip
    axes.plot(sizes, curve.lower(sizes), color=look.colour, linewidth=0.9, linestyle=look.dash)
    for size, face in ((curve.a90, look.colour), (curve.a90_95, "white")):
        if curve.smallest <= size <= curve.largest:
            axes.plot(size, 0.9, look.marker, color=look.colour, markerfacecolor=face, markersize=8, zorder=4)
            axes.plot([size, size], [0, 0.9], color=look.colour, linewidth=0.6, linestyle=":")


def _written(size: float, largest: float) -> str:
    return f"{size:.3g}" if size <= largest else f"above {largest:.3g}"


def _frame(axes: Axes, detectors: Mapping[str, Drawn], label: str) -> None:
    sizes = np.concatenate([drawn.size for drawn in detectors.values()])
    axes.set(xscale="log", ylim=(-0.25, 1.25), yticks=np.arange(0, 1.01, 0.1), xlabel=label)
    ends = log_limits(float(sizes.min()), float(sizes.max()))
    ticks = log_ticks(*ends)
    axes.set_xlim(*ends)
    axes.set_xticks(ticks, [f"{t:g}" for t in ticks])
    axes.set_xticks([], minor=True)
    axes.set_yticklabels(
        [f"{t:.1f}" if round(10 * t) in (0, 5, 9, 10) else "" for t in np.arange(0, 1.01, 0.1)]
    )
    axes.set_ylabel("probability of detection", color=INK)
    axes.annotate(
        "found", (1.005, 0.93), xycoords="axes fraction", rotation=-90, va="center", fontsize=8, color=QUIET
    )
    axes.annotate(
        "missed", (1.005, 0.07), xycoords="axes fraction", rotation=-90, va="center", fontsize=8, color=QUIET
    )
    for edge in (0, 1):
        axes.axhline(edge, color=QUIET, linewidth=0.5)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(labelsize=9, colors=INK)
