"""What the summary draws: shares by site as a map, shares by board in their order, both as SVG, readable in grey."""

import math
from collections.abc import Sequence
from html import escape

import pandas as pd

from jointwise.joints.errors import InputError
from jointwise.joints.names import parse_ball, row_letters
from jointwise.scoring.report.array_map import CELL, WORDS_UP_TO
from jointwise.scoring.report.signs import SIGNS
from jointwise.scoring.summary.sites import COUNTED, LEVEL, PartSites, wilson

LARGEST = 0.44  # radius of a share of 1, in cells
TALL, LEFT, TOP, BOTTOM = 220.0, 52.0, 14.0, 34.0
STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5)  # of the axis of shares


def has_figures(part: PartSites) -> bool:
    """Whether the map has room for the count of boards at each site."""
    return int(part.sites["col"].max()) < WORDS_UP_TO


def site_map(part: PartSites) -> str:
    """Each site: a disc whose area is its share of boards with a finding, the count in figures, a frame where marked.

    Seen along the file's z from above, x to the right and y upwards, as in the boards' reports.
    """
    sites = part.sites.drop_duplicates(["row", "col"])
    rows, cols = int(sites["row"].max()) + 1, int(sites["col"].max()) + 1
    words, alike = has_figures(part), sites["n"].nunique() == 1
    wide, tall = (cols + 1.4) * CELL, (rows + 1) * CELL
    drawn = "".join(_site(site, rows, words, alike) for _, site in sites.iterrows())
    label = f"Map of {len(sites)} sites: share of boards with a finding"
    return (
        f'<svg class="map" viewBox="0 0 {wide:.0f} {tall:.0f}" style="max-width:{1.5 * wide:.0f}px;'
        f'min-width:{min(0.7 * wide, 900):.0f}px" role="img" aria-label="{label}">{_edges(sites, rows)}{drawn}</svg>'
    )


def site_words(site: "pd.Series[object]") -> str:
    """What is found at a site, in words: counts by kind, gravest first."""
    counts = ((kind, int(site[kind])) for kind in ("missing", *COUNTED[1:]))
    return ", ".join(f"{SIGNS[kind].word} {count}" for kind, count in counts if count)


def trend(shares: Sequence[tuple[int, str, int, int]]) -> str:
    """Share of sites with a finding on each board, in the order of the scans, with 95 % intervals.

    Args:
        shares: per board its number, its name, sites with a finding, sites.
    """
    bounds = [wilson(k, n) for _, _, k, n in shares]
    step = next((s for s in STEPS if max(high for _, high in bounds) <= 5 * s), STEPS[-1])
    top = step * math.ceil(max(high for _, high in bounds) / step)
    gap = min(60.0, max(14.0, 900.0 / len(shares)))
    wide = LEFT + gap * len(shares) + 10
    parts = []
    for n in range(round(top / step) + 1):
        y = _height(n * step, top)
        parts.append(f'<line class="grid" x1="{LEFT}" x2="{wide - 10:.0f}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text class="left" x="{LEFT - 8}" y="{y + 4:.1f}">{100 * n * step:g} %</text>')
    every = max(1, math.ceil(22 / gap))
    for i, ((number, name, k, n), (low, high)) in enumerate(zip(shares, bounds, strict=True)):
        x = LEFT + gap * (i + 0.5)
        parts.append(
            f"<g><title>{escape(name)}: {k} of {n}</title>"
            f'<line class="bar" x1="{x:.1f}" x2="{x:.1f}" y1="{_height(low, top):.1f}" y2="{_height(high, top):.1f}"/>'
            f'<circle class="dot" cx="{x:.1f}" cy="{_height(k / n, top):.1f}" r="4"/></g>'
        )
        if i % every == 0:
            parts.append(f'<text x="{x:.1f}" y="{TALL - BOTTOM + 18:.0f}">{number}</text>')
    return (
        f'<svg class="trend" viewBox="0 0 {wide:.0f} {TALL:.0f}" style="width:{wide:.0f}px" role="img" '
        f'aria-label="Share of sites with a finding by board">{"".join(parts)}</svg>'
    )


def _height(share: float, top: float) -> float:
    return TALL - BOTTOM - (TALL - BOTTOM - TOP) * share / top


def _edges(sites: pd.DataFrame, rows: int) -> str:
    """Letters of rows and numbers of columns; none where balls have names of another kind."""
    try:
        places = [parse_ball(str(ball)) for ball in sites["ball"]]
    except InputError:
        return ""
    letters = {int(row): row_letters(place[0]) for row, place in zip(sites["row"], places, strict=True)}
    numbers = {int(col): place[1] + 1 for col, place in zip(sites["col"], places, strict=True)}
    parts = [
        f'<text class="edge" x="{0.6 * CELL:.1f}" y="{(rows - row - 0.5) * CELL + 4:.1f}">{word}</text>'
        for row, word in letters.items()
    ]
    parts += [
        f'<text class="edge" x="{(col + 1.5) * CELL:.1f}" y="{(rows + 0.55) * CELL:.1f}">{word}</text>'
        for col, word in numbers.items()
    ]
    return "".join(parts)


def _site(site: "pd.Series[object]", rows: int, words: bool, alike: bool) -> str:
    k, n, row, col = (int(site[name]) for name in ("k", "n", "row", "col"))
    x, y = (col + 1.5) * CELL, (rows - row - 0.5) * CELL
    told = f"{site['ball']}: {k} of {n} boards" + (f" ({site_words(site)})" if k else "")
    shape = f'<circle class="sound" cx="{x:.1f}" cy="{y:.1f}" r="{0.09 * CELL:.1f}"/>'
    if k:
        radius = LARGEST * CELL * math.sqrt(k / n)
        shape = f'<circle class="share" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>'
        if words:
            inside = radius > 0.24 * CELL
            place = y + 4 if inside else y + radius + 11
            text = f"{k}" if alike else f"{k}/{n}"
            shape += f'<text class="{"in" if inside else "word"}" x="{x:.1f}" y="{place:.1f}">{text}</text>'
    if site["p_holm"] <= LEVEL:
        side = 0.94 * CELL
        corner = f'x="{x - side / 2:.1f}" y="{y - side / 2:.1f}"'
        shape += f'<rect class="marked" {corner} width="{side:.1f}" height="{side:.1f}"/>'
    return f"<g><title>{escape(told)}</title>{shape}</g>"
