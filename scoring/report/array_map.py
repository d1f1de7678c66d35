"""The map of the array: where the findings are, by shape and word, as SVG for the report and as PNG."""

import io
from html import escape

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.path import Path

from jointwise.joints.names import parse_ball, row_letters
from jointwise.scoring.report.signs import ORDER, SIGNS, chief, in_words, marker, split_findings, svg_path

CELL = 40.0  # pixels a site
INK, QUIET, ACCENT, PAPER = "#17202a", "#8a94a3", "#b3400e", "#ffffff"
WORDS_UP_TO = 16  # columns; beyond that words would run into each other and shapes alone stay


def map_svg(sites: pd.DataFrame) -> str:
    """The array seen along the file's z from above, x to the right and y upwards, as inline SVG.

    Args:
        sites: row, col, ball, findings.
    """
    rows, cols = int(sites["row"].max()) + 1, int(sites["col"].max()) + 1
    words = cols <= WORDS_UP_TO
    parts = [_letters(sites, rows, cols)]
    for site in sites.itertuples():
        x, y = _at(site.row, site.col, rows)
        parts.append(_site(x, y, str(site.ball), split_findings(site.findings), words))
    wide, tall = (cols + 1.4) * CELL, (rows + 1) * CELL
    title = f"Map of {len(sites)} sites in {rows} rows and {cols} columns"
    return (
        f'<svg class="map" viewBox="0 0 {wide:.0f} {tall:.0f}" style="max-width:{1.5 * wide:.0f}px;'
        f'min-width:{min(0.7 * wide, 900):.0f}px" role="img" aria-label="{title}">{"".join(parts)}</svg>'
    )


def sign_svg(kind: str | None) -> str:
    """The sign of a finding alone, or of a joint without one, for legends and tables."""
    shape = svg_path(kind) if kind else '<circle class="sound" r="0.5"/>'
    return f'<svg class="sign" viewBox="-1 -1 2 2" aria-hidden="true"><g class="found">{shape}</g></svg>'


def map_png(sites: pd.DataFrame, title: str) -> bytes:
    """The same map as a plain picture.

    Args:
        sites: row, col, ball, findings.
        title: above the picture.
    """
    rows, cols = int(sites["row"].max()) + 1, int(sites["col"].max()) + 1
    unit = min(0.6, 15 / max(rows, cols))  # inches a site
    size = (max(unit * (cols + 1) + 1.6, 5.0), max(unit * (rows + 1) + 0.8, 3.0))
    figure = Figure(figsize=size, facecolor=PAPER, layout="constrained")
    axes = figure.add_subplot()
    _plot_sites(axes, sites, 30 * unit, cols <= WORDS_UP_TO)
    axes.set_aspect("equal")
    axes.set_xlim(-0.6, cols - 0.4)
    axes.set_ylim(-0.6, rows - 0.4)
    letters, numbers = _names(sites)
    axes.set_xticks(range(cols), [numbers[c] for c in range(cols)], color=INK, fontsize=18 * unit)
    axes.set_yticks(range(rows), [letters[r] for r in range(rows)], color=INK, fontsize=18 * unit)
    axes.set_title(title, color=INK, fontsize=9, loc="left")
    axes.tick_params(length=0)
    axes.spines[:].set_visible(False)
    axes.legend(
        handles=_legend_marks(sites), loc="upper left", bbox_to_anchor=(1, 1), frameon=False, fontsize=8
    )
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=130, metadata={"Software": None})
    return buffer.getvalue()


def _plot_sites(axes: Axes, sites: pd.DataFrame, points: float, words: bool) -> None:
    """Signs of about so many points across, with names and words if there is room."""
    kinds = sites["findings"].map(lambda cell: chief(split_findings(cell)))
    sound = sites[kinds.isna()]
    axes.scatter(sound["col"], sound["row"], s=(0.32 * points) ** 2, facecolors="none", edgecolors=QUIET)
    for kind in ORDER:
        some = sites[kinds == kind]
        axes.scatter(
            some["col"], some["row"], s=(0.9 * points) ** 2, marker=marker(kind), color=ACCENT, linewidths=0
        )
        for site in some.itertuples() if words else ():
            label = f"{site.ball} {SIGNS[kind].short}"
            axes.annotate(
                label,
                (site.col, site.row),
                (0, -0.46 * points),
                fontsize=0.36 * points,
                textcoords="offset points",
                ha="center",
                va="top",
                color=INK,
            )


def _legend_marks(sites: pd.DataFrame) -> list[Line2D]:
    """One entry for sound joints and one for every finding there is, with how many."""
    findings = [split_findings(cell) for cell in sites["findings"]]

    def entry(mark: str | Path, fill: str, edge: str, text: str) -> Line2D:
        line = Line2D([], [], linestyle="none", marker=mark, markersize=8, label=text)
        line.set_markerfacecolor(fill)
        line.set_markeredgecolor(edge)
        return line

    marks = [entry("o", "none", QUIET, f"no finding: {sum(not f for f in findings)}")]
    for kind in ORDER:
        count = sum(kind in f for f in findings)
        if count:
            marks.append(entry(marker(kind), ACCENT, "none", f"{SIGNS[kind].word}: {count}"))
    return marks


def _at(row: int, col: int, rows: int) -> tuple[float, float]:
    return (col + 1.5) * CELL, (rows - row - 0.5) * CELL


def _names(sites: pd.DataFrame) -> tuple[dict[int, str], dict[int, str]]:
    """Letters of rows and numbers of columns, from the balls' names (A1 may lie in any corner)."""
    letters, numbers = {}, {}
    for site in sites.itertuples():
        row, col = parse_ball(str(site.ball))
        letters[int(site.row)], numbers[int(site.col)] = row_letters(row), str(col + 1)
    every_row, every_col = range(int(sites["row"].max()) + 1), range(int(sites["col"].max()) + 1)
    return {r: letters.get(r, "") for r in every_row}, {c: numbers.get(c, "") for c in every_col}


def _letters(sites: pd.DataFrame, rows: int, cols: int) -> str:
    letters, numbers = _names(sites)
    parts = [
        f'<text class="edge" x="{0.6 * CELL:.1f}" y="{_at(r, 0, rows)[1] + 4:.1f}">{letters[r]}</text>'
        for r in range(rows)
    ]
    parts += [
        f'<text class="edge" x="{_at(0, c, rows)[0]:.1f}" y="{(rows + 0.55) * CELL:.1f}">{numbers[c]}</text>'
        for c in range(cols)
    ]
    return "".join(parts)


def _site(x: float, y: float, ball: str, findings: list[str], words: bool) -> str:
    kind = chief(findings)
    if kind is None:
        title = f"<title>{escape(ball)}: no finding</title>"
        return f'<circle class="sound" cx="{x:.1f}" cy="{y:.1f}" r="{0.14 * CELL:.1f}">{title}</circle>'
    more = f"+{len(findings) - 1}" if len(findings) > 1 else ""
    raised = y - 0.12 * CELL if words else y
    shape = f'<g transform="translate({x:.1f} {raised:.1f}) scale({0.27 * CELL:.1f})">{svg_path(kind)}</g>'
    word = (
        f'<text class="word" x="{x:.1f}" y="{y + 0.42 * CELL:.1f}">{SIGNS[kind].short}{more}</text>'
        if words
        else ""
    )
    title = f"<title>{escape(ball)}: {escape(in_words(findings))}</title>"
    return f'<a href="#joint-{escape(ball)}" class="found">{title}{shape}{word}</a>'
