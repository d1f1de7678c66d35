"""The shortcut audit for people: a picture of AUCs with their intervals, and the table on screen."""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from rich.table import Table

from jointwise.evaluation.pictures.joint_picture import ACCENT, INK, QUIET
from jointwise.joints.kinds import KINDS, TITLES

MARKS = {"logistic": "o", "tree": "s"}


def audit_picture(table: pd.DataFrame, band: tuple[float, float], title: str) -> Figure:
    """One row of the picture per kind, one panel per set of features, the band behind.

    Args:
        table: columns features, kind, classifier, auc, low, high, verdict.
        band: within which the whole interval must lie.
        title: what was audited; wrapped at line breaks.
    """
    names = list(dict.fromkeys(table["features"]))
    figure = Figure(figsize=(12.0, 4.6), facecolor="white")
    FigureCanvasAgg(figure)
    figure.text(0.02, 0.93, title, fontsize=13, weight="bold", color=INK)
    figure.text(
        0.02, 0.87, "AUC of held-out boards with its 95 % interval, clustered by board; 0.5 is guessing. "
        "Orange: the interval leaves the band.", fontsize=9, color=QUIET,
    )  # fmt: skip
    width = 0.86 / len(names)
    for place, name in enumerate(names):
        axes: Axes = figure.add_axes((0.12 + place * width, 0.2, width - 0.02, 0.55))
        _panel(axes, table[table["features"] == name], band, name, first=place == 0)
    shapes = "   ".join(f"{'●' if m == 'o' else '■'} {name}" for name, m in MARKS.items())
    figure.text(0.12, 0.05, f"{shapes}   grey band {band[0]:.2f}–{band[1]:.2f}", fontsize=9, color=INK)
    return figure


def _panel(axes: Axes, rows: pd.DataFrame, band: tuple[float, float], name: str, *, first: bool) -> None:
    axes.axvspan(*band, color="#e8eaed", linewidth=0)
    axes.axvline(0.5, color=QUIET, linewidth=0.8)
    for row in rows.itertuples():
        level = len(KINDS) - 1 - KINDS.index(row.kind) + (0.16 if row.classifier == "logistic" else -0.16)
        colour = ACCENT if row.verdict == "fail" else INK
        axes.plot([row.low, row.high], [level, level], color=colour, linewidth=1.8, solid_capstyle="butt")
        axes.plot(row.auc, level, MARKS[row.classifier], color=colour, markersize=5)
    reach = max(0.1, 1.1 * float((rows[["low", "high"]] - 0.5).abs().max().max()))
    axes.set(xlim=(0.5 - reach, 0.5 + reach), ylim=(-0.6, len(KINDS) - 0.4))
    axes.set_yticks(range(len(KINDS)), [TITLES[k] for k in reversed(KINDS)] if first else [""] * len(KINDS))
    axes.tick_params(length=3, color=INK, labelcolor=INK, labelsize=9)
    axes.set_xticks([0.45, 0.5, 0.55] if reach < 0.25 else [0.25, 0.5, 0.75])
    axes.set_title(name, fontsize=10, color=INK, loc="left")
    axes.set_xlabel("AUC", fontsize=9, color=INK)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)


def audit_screen(table: pd.DataFrame, title: str) -> Table:
    """The audit as a table for the terminal."""
    shown = Table(title=title, title_justify="left", box=None, pad_edge=False)
    left, right = ("from", "kind", "by"), ("AUC", "95 %", "faulty")
    for name in left:
        shown.add_column(name, no_wrap=True)
    for name in right:
        shown.add_column(name, no_wrap=True, justify="right")
    shown.add_column("verdict")
    for row in table.itertuples():
        words = f"{row.verdict}: {row.note}" if row.note else str(row.verdict)
        shown.add_row(
            row.features, TITLES[row.kind], row.classifier, f"{row.auc:.3f}", f"{row.low:.3f}–{row.high:.3f}",
            str(row.faulty), words, style="bold" if row.verdict == "fail" else None,
        )  # fmt: skip
    return shown
