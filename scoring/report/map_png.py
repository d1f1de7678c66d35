"""The map of the arrays as a plain picture, for who wants no page: the signs and frames of the report's map."""

import io
from collections.abc import Sequence
from typing import Any, Final, Literal

import pandas as pd
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.path import Path

from jointwise.scoring.report.array_map import WORDS_UP_TO, a1_corner, edge_names, empty_sites, extent
from jointwise.scoring.report.signs import ORDER, SIGNS, chief, marker, split_findings

INK, QUIET, ACCENT, PAPER = "#17202a", "#8a94a3", "#b3400e", "#ffffff"
FRAMES: Final[dict[str, Literal["-", ":"]]] = {"reject": "-", "review": ":"}
"""How the frame of a disposition is drawn."""


def map_png(arrays: Sequence[tuple[str, pd.DataFrame]]) -> bytes:
    """The arrays below each other, x to the right and y upwards.

    Args:
        arrays: for each a title and its sites: row, col, ball, findings, disposition.
    """
    spans = [extent(sites) for _, sites in arrays]
    units = [min(0.6, 15 / max(span)) for span in spans]  # inches a site
    talls = [max(unit * (rows + 1.6) + 0.8, 3.2) for unit, (rows, _) in zip(units, spans, strict=True)]
    wide = max(max(unit * (cols + 1.6) + 2.2, 5.0) for unit, (_, cols) in zip(units, spans, strict=True))
    figure = Figure(figsize=(wide, sum(talls)), facecolor=PAPER, layout="constrained")
    panels = figure.subplots(len(arrays), squeeze=False, height_ratios=talls)[:, 0]
    for panel, unit, (title, sites) in zip(panels, units, arrays, strict=True):
        _draw(panel, sites, unit, title)
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=130, bbox_inches="tight", metadata={"Software": None})
    return buffer.getvalue()


def _draw(axes: Axes, sites: pd.DataFrame, unit: float, title: str) -> None:
    """One array; `unit` inches a site."""
    rows, cols = extent(sites)
    _plot_sites(axes, sites, 30 * unit, cols <= WORDS_UP_TO)
    axes.set_aspect("equal")
    axes.set_xlim(-1.1, cols + 0.1)
    axes.set_ylim(-1.1, rows + 0.1)
    letters, numbers = edge_names(sites)
    small = max(18 * unit, 5)
    axes.set_xticks(range(cols), [numbers.get(c, "") for c in range(cols)], color=INK, fontsize=small)
    axes.set_yticks(range(rows), [letters.get(r, "") for r in range(rows)], color=INK, fontsize=small)
    # A file's name may hold a dollar sign, which would begin a formula.
    axes.set_title(title.replace("$", r"\$"), color=INK, fontsize=9, loc="left")
    axes.tick_params(length=0)
    axes.spines[:].set_visible(False)
    corner = a1_corner(sites)
    if corner is not None:
        right, up = (-1 if corner[1] == 0 else 1), (-1 if corner[0] == 0 else 1)
        x, y = corner[1] + right * 0.85, corner[0] + up * 0.85
        axes.fill([x, x - right * 0.5, x], [y, y, y - up * 0.5], color=INK, linewidth=0)
        side = "right" if right < 0 else "left"
        axes.annotate(
            "A1", (x, y), (5 * right, 0), textcoords="offset points", ha=side, va="center", color=INK
        )
    axes.legend(handles=_legend(sites), loc="upper left", bbox_to_anchor=(1, 1), frameon=False, fontsize=8)


def _plot_sites(axes: Axes, sites: pd.DataFrame, points: float, words: bool) -> None:
    """Signs of about so many points across, with words if there is room."""
    kinds = sites["findings"].map(lambda cell: chief(split_findings(cell)))
    sound = sites[kinds.isna()]
    axes.scatter(sound["col"], sound["row"], s=(0.32 * points) ** 2, facecolors="none", edgecolors=QUIET)
    for row, col in empty_sites(sites):
        axes.plot([col - 0.1, col + 0.1], [row, row], color=QUIET, linewidth=0.8)
    for name, line in FRAMES.items():
        some = sites[sites["disposition"] == name]
        box: dict[str, Any] = {
            "facecolors": "none",
            "edgecolors": INK,
            "linestyles": line,
            "linewidths": 0.08 * points,
        }
        axes.scatter(some["col"], some["row"], s=(1.9 * points) ** 2, marker="s", **box)
    for kind in ORDER:
        some = sites[kinds == kind]
        size = (0.9 * points) ** 2
        axes.scatter(some["col"], some["row"], s=size, marker=marker(kind), color=ACCENT, linewidths=0)
        for site in some.itertuples() if words else ():
            _label(axes, SIGNS[kind].short, (site.col, site.row), points)
            _more(axes, len(split_findings(site.findings)) - 1, (site.col, site.row), points)


def _label(axes: Axes, text: str, at: tuple[int, int], points: float) -> None:
    look: dict[str, Any] = {"fontsize": 0.36 * points, "ha": "center", "va": "top", "color": INK}
    axes.annotate(text, at, (0, -0.46 * points), textcoords="offset points", **look)


def _more(axes: Axes, others: int, at: tuple[int, int], points: float) -> None:
    """How many findings a site has beside the one whose sign it bears."""
    if others:
        look: dict[str, Any] = {"fontsize": 0.3 * points, "ha": "center", "color": INK}
        axes.annotate(f"+{others}", at, (0.6 * points, 0.42 * points), textcoords="offset points", **look)


def _legend(sites: pd.DataFrame) -> list[Artist]:
    """One entry for sound joints, one for every finding and disposition there is, with how many."""
    findings = [split_findings(cell) for cell in sites["findings"]]

    def entry(mark: str | Path, fill: str, edge: str, text: str) -> Line2D:
        line = Line2D([], [], linestyle="none", marker=mark, markersize=8, label=text)
        line.set_markerfacecolor(fill)
        line.set_markeredgecolor(edge)
        return line

    marks: list[Artist] = [entry("o", "none", QUIET, f"no finding: {sum(not f for f in findings)}")]
    for kind in ORDER:
        count = sum(kind in f for f in findings)
        if count:
            marks.append(entry(marker(kind), ACCENT, "none", f"{SIGNS[kind].word}: {count}"))
    for name, dots in (("reject", "solid frame"), ("review", "dotted frame")):
        count = int((sites["disposition"] == name).sum())
        if count:
            words = f"{name}, {dots}: {count}"
            marks.append(Patch(facecolor="none", edgecolor=INK, linestyle=FRAMES[name], label=words))
    empty = len(empty_sites(sites))
    return [*marks, entry("_", QUIET, QUIET, f"no site in the part: {empty}")] if empty else marks
