"""The map of an array as SVG for the report: where the findings and the dispositions are, by shape, frame and word."""

from html import escape

import pandas as pd

from jointwise.joints.errors import InputError
from jointwise.joints.names import parse_ball, row_letters
from jointwise.scoring.report.signs import SIGNS, chief, in_words, split_findings, svg_path
from jointwise.scoring.report.words import DISPOSITIONS

CELL = 40.0  # pixels a site
WORDS_UP_TO = 16  # columns; beyond that words would run into each other, and shapes and frames alone stay
EDGE = 1.3  # cells around the sites, for the names of rows and columns


def map_svg(sites: pd.DataFrame, anchors: dict[int, str] | None = None) -> str:
    """The array seen along the file's z from above, x to the right and y upwards, as inline SVG.

    Args:
        sites: row, col, ball, findings, disposition; one row per site.
        anchors: where the page tells more, by the row's number in `sites`.
    """
    rows, cols = extent(sites)
    parts = [_letters(sites, rows, cols), _a1(sites, rows), _empty(sites, rows)]
    for place, site in enumerate(sites.itertuples()):
        parts.append(_site(site, _at(site.row, site.col, rows), cols, (anchors or {}).get(place, "")))
    wide, tall = (cols + 2 * EDGE) * CELL, (rows + 2 * EDGE) * CELL
    title = f"Map of {len(sites)} sites in {rows} rows and {cols} columns"
    return (
        f'<svg class="map" viewBox="0 0 {wide:.0f} {tall:.0f}" style="max-width:{1.5 * wide:.0f}px;'
        f'min-width:{min(0.7 * wide, 900):.0f}px" role="img" aria-label="{title}">{"".join(parts)}</svg>'
    )


def extent(sites: pd.DataFrame) -> tuple[int, int]:
    """Rows and columns of the rectangle that holds all sites."""
    return int(sites["row"].max()) + 1, int(sites["col"].max()) + 1


def sign_svg(kind: str | None) -> str:
    """The sign of a finding alone, or of a joint without one, for legends and tables."""
    shape = svg_path(kind) if kind else '<circle class="sound" r="0.5"/>'
    return f'<svg class="sign" viewBox="-1 -1 2 2" aria-hidden="true"><g class="found">{shape}</g></svg>'


def frame_svg(disposition: str) -> str:
    """The frame of a disposition alone; of the empty one the dash of a site that the part leaves empty."""
    shape = f'<rect class="{disposition}" x="-.9" y="-.9" width="1.8" height="1.8"/>'
    if not disposition:
        shape = '<path class="empty" d="M-.3 0h.6"/>'
    return f'<svg class="sign frame" viewBox="-1 -1 2 2" aria-hidden="true">{shape}</svg>'


def edge_names(sites: pd.DataFrame) -> tuple[dict[int, str], dict[int, str]]:
    """Letters of rows and numbers of columns, from the balls' names (A1 may lie in any corner).

    A row or column whose names follow another rule has none.
    """
    letters: dict[int, set[str]] = {}
    numbers: dict[int, set[str]] = {}
    for row, col, ball in zip(sites["row"], sites["col"], sites["ball"], strict=True):
        try:
            letter, number = parse_ball(str(ball))
        except InputError:  # a layout may call its balls anything
            continue
        letters.setdefault(int(row), set()).add(row_letters(letter))
        numbers.setdefault(int(col), set()).add(str(number + 1))
    return tuple({k: v.pop() for k, v in names.items() if len(v) == 1} for names in (letters, numbers))  # type: ignore[return-value]


def empty_sites(sites: pd.DataFrame) -> list[tuple[int, int]]:
    """Rows and columns within the rectangle at which the part has no site."""
    rows, cols = extent(sites)
    there = set(zip(sites["row"].astype(int), sites["col"].astype(int), strict=True))
    return [(r, c) for r in range(rows) for c in range(cols) if (r, c) not in there]


def a1_corner(sites: pd.DataFrame) -> tuple[int, int] | None:
    """Row and column of the corner that is A1 by the names, whether a ball is there or not."""
    letters, numbers = edge_names(sites)
    rows, cols = extent(sites)
    row = next((r for r in (0, rows - 1) if letters.get(r) == "A"), None)
    col = next((c for c in (0, cols - 1) if numbers.get(c) == "1"), None)
    return None if row is None or col is None else (row, col)


def _at(row: int, col: int, rows: int) -> tuple[float, float]:
    return (col + EDGE + 0.5) * CELL, (rows - row - 0.5 + EDGE) * CELL


def _letters(sites: pd.DataFrame, rows: int, cols: int) -> str:
    """Names of rows on both sides, of columns above and below."""
    letters, numbers = edge_names(sites)
    parts = []
    for r in range(rows):
        y = _at(r, 0, rows)[1] + 5
        parts += [_text("edge", x * CELL, y, letters.get(r, "")) for x in (0.75, cols + 2 * EDGE - 0.75)]
    for c in range(cols):
        x = _at(0, c, rows)[0]
        parts += [_text("edge", x, y * CELL, numbers.get(c, "")) for y in (0.9, rows + 2 * EDGE - 0.7)]
    return "".join(parts)


def _a1(sites: pd.DataFrame, rows: int) -> str:
    """A filled corner outside of A1, with its name."""
    corner = a1_corner(sites)
    if corner is None:
        return ""
    x, y = _at(*corner, rows)
    right, down = (-1 if corner[1] == 0 else 1), (1 if corner[0] == 0 else -1)
    tip_x, tip_y = x + right * 0.98 * CELL, y + down * 0.98 * CELL
    reach = 0.5 * CELL
    shape = f"M{tip_x:.1f} {tip_y:.1f}h{-right * reach:.1f}L{tip_x:.1f} {tip_y - down * reach:.1f}Z"
    return f'<path class="a1" d="{shape}"><title>corner of A1</title></path>' + _text(
        "a1", x + right * 1.45 * CELL, tip_y + 4, "A1"
    )


def _empty(sites: pd.DataFrame, rows: int) -> str:
    """A short dash wherever the part has no site."""
    places = (_at(r, c, rows) for r, c in empty_sites(sites))
    return "".join(f'<path class="empty" d="M{x - 4:.0f} {y:.0f}h8"/>' for x, y in places)


def _site(site: object, at: tuple[float, float], cols: int, anchor: str) -> str:
    """One site: its sign or circle, in the frame of its disposition, with words where there is room."""
    x, y = at
    ball, words = str(getattr(site, "ball")), cols <= WORDS_UP_TO  # noqa: B009
    findings = split_findings(getattr(site, "findings"))  # noqa: B009
    disposition = getattr(site, "disposition", None)
    disposition = disposition if disposition in DISPOSITIONS else ""
    kind = chief(findings)
    said = in_words(findings) or "no finding"
    title = f"<title>{escape(ball)}: {escape(said)}{', ' + disposition if disposition else ''}</title>"
    frame = _frame(x, y, disposition)
    if kind is None:
        word = _text("word", x, y + 0.36 * CELL, disposition) if words and disposition == "review" else ""
        raised = y - 0.1 * CELL if word else y
        drawn = f'{frame}<circle class="sound" cx="{x:.0f}" cy="{raised:.0f}" r="{0.14 * CELL:.1f}"/>{word}'
    else:
        more = _text(
            "more", x + 0.24 * CELL, y - 0.25 * CELL, f"+{len(findings) - 1}" if len(findings) > 1 else ""
        )
        raised = y - 0.1 * CELL if words else y
        shape = (
            f'<g transform="translate({x:.0f} {raised:.0f}) scale({0.26 * CELL:.1f})">{svg_path(kind)}</g>'
        )
        word = _text("word", x, y + 0.36 * CELL, SIGNS[kind].short) if words else ""
        drawn = f'{frame}<g class="found">{shape}</g>{word}{more}'
    if not anchor:
        return f"<g>{title}{drawn}</g>"
    return f'<a href="#{anchor}">{title}{drawn}</a>'


def _frame(x: float, y: float, disposition: str) -> str:
    if disposition not in ("reject", "review"):
        return ""
    half = 0.46 * CELL
    box = f'x="{x - half:.1f}" y="{y - half:.1f}" width="{2 * half:.1f}" height="{2 * half:.1f}"'
    return f'<rect class="{disposition}" {box}/>'


def _text(kind: str, x: float, y: float, text: str) -> str:
    return f'<text class="{kind}" x="{x:.0f}" y="{y:.0f}">{escape(text)}</text>' if text else ""
