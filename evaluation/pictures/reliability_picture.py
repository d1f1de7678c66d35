"""A reliability diagram: the share of joints with a kind over the probability that was given for it, and how many."""

from collections.abc import Mapping, Sequence

import numpy as np
from matplotlib.figure import Figure

from jointwise.evaluation.pictures.detector_lines import pen
from jointwise.evaluation.pictures.joint_picture import INK, QUIET
from jointwise.evaluation.statistics.calibration import BINS, Bin


def reliability_picture(detectors: Mapping[str, tuple[str, Sequence[Bin]]], kind: str) -> Figure:
    """One diagram for all detectors of a set.

    Args:
        detectors: name -> its words in the legend and its bins of equal width.
        kind: for the axis.
    """
    figure = Figure(figsize=(5.2, 5.4), layout="constrained")
    axes, below = figure.subplots(2, 1, height_ratios=(4, 1), sharex=True)
    axes.plot([0, 1], [0, 1], color=QUIET, linewidth=0.8, linestyle=":")
    axes.annotate("dotted: exactly true", (0.98, 0.04), fontsize=8, color=QUIET, ha="right")
    wide = 0.8 / BINS / max(len(detectors), 1)
    for number, (words, bins) in enumerate(detectors.values()):
        look, aside = pen(number), (number - (len(detectors) - 1) / 2) * 0.008
        x, y = [b.mean_score + aside for b in bins], [b.share for b in bins]
        axes.plot(
            x, y, color=look.colour, linestyle=look.dash, linewidth=1.5, marker=look.marker, markersize=6,
            markerfacecolor="white", label=words,
        )  # fmt: skip
        for at, point in zip(x, bins, strict=True):
            axes.plot([at, at], point.bounds, color=look.colour, linewidth=1.0)
        start = 0.1 / BINS + number * wide
        below.bar(
            [b.low + start for b in bins], [b.n for b in bins], wide, align="edge",
            color=look.colour if number % 2 == 0 else "white", edgecolor=look.colour, linewidth=0.8,
        )  # fmt: skip
    axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02), yticks=np.arange(0, 1.01, 0.2))
    axes.set_ylabel(f"share that has {kind}", color=INK)
    # Most joints lie at the ends: a straight scale would hide the others.
    below.set(yscale="symlog", xlabel="probability given", xticks=np.arange(0, 1.01, 0.2))
    most = max((b.n for _, bins in detectors.values() for b in bins), default=1)
    counts = [0.0, *(10.0**power for power in range(len(str(most))))]
    below.set_yticks(counts, [f"{count:g}" for count in counts])
    below.set_yticks([], minor=True)
    below.set_ylabel("joints", color=INK)
    for part in (axes, below):
        part.spines[["top", "right"]].set_visible(False)
        part.tick_params(labelsize=9, colors=INK)
    figure.legend(loc="outside lower left", fontsize=9, frameon=False, handlelength=3.2)
    return figure
