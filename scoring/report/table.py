"""The report's table of joints: one row per site, sortable by every column, the most suspicious first."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import pandas as pd
from markupsafe import Markup

from jointwise.joints.kinds import KINDS, TITLES
from jointwise.scoring.report.array_map import sign_svg
from jointwise.scoring.report.joint import part
from jointwise.scoring.report.order import Site
from jointwise.scoring.report.signs import chief, in_words
from jointwise.scoring.report.words import BY_COLUMN, DISPOSITIONS, number
from jointwise.scoring.scored import Scored

MEASURES = ("void_projected_area_pct", "gap_um", "contact_fraction", "bridge_neck_um")


class Head(NamedTuple):
    """Heading of a column; `kind` is `text`, `wordy` or `number`."""

    name: str
    unit: str
    kind: str


class Cell(NamedTuple):
    """One cell: text, what it sorts by (empty sorts last), and how it is shown."""

    value: str
    key: str
    kind: str = ""
    link: str = ""
    sign: str = ""


class Row(NamedTuple):
    """One site; `kept` are the rows that are printed too."""

    cells: list[Cell]
    kept: bool


def heads(scored: Scored) -> list[Head]:
    """The columns."""
    several = [Head("part", "", "text")] if len(scored.packages) > 1 else []
    return [
        Head("joint", "", "text"),
        *several,
        Head("findings", "", "text"),
        Head("disposition", "", "text"),
        Head("suspicion", "", "number"),
        *(Head(TITLES[kind], "score", "number") for kind in KINDS),
        *(Head(BY_COLUMN[name].word, BY_COLUMN[name].unit, "number") for name in MEASURES),
        Head("reason", "", "wordy"),
    ]


def rows(scored: Scored, sites: Sequence[Site], pictured: set[str]) -> list[Row]:
    """One row per site, in the order given.

    Args:
        scored: the scan.
        sites: the sites.
        pictured: anchors of those that the page shows pictures of.
    """
    others = 0
    made = []
    for site in sites:
        others += not site.called
        kept = site.called or others <= scored.settings.table_rows
        made.append(Row(_cells(scored, site, site.anchor if site.anchor in pictured else ""), kept))
    return made


def _cells(scored: Scored, site: Site, link: str) -> list[Cell]:
    row = site.row
    words = in_words(site.findings)
    grave = list(DISPOSITIONS).index(site.disposition) if site.disposition else ""
    sign = Markup(sign_svg(chief(site.findings)))
    several = [Cell(part(scored, site), part(scored, site), "text")] if len(scored.packages) > 1 else []
    return [
        Cell(site.ball, site.ball, "text", link),
        *several,
        Cell(words or "–", words, "text", "", sign),
        Cell(site.disposition or "–", str(grave), f"text {site.disposition}".strip()),
        Cell(number(site.suspicion, 2), _key(site.suspicion), "number"),
        *(_score(scored, site, kind) for kind in KINDS),
        *(Cell(number(row[name], BY_COLUMN[name].digits), _key(row[name]), "number") for name in MEASURES),
        Cell(site.reason, site.reason, "wordy"),
    ]


def _score(scored: Scored, site: Site, kind: str) -> Cell:
    """The deciding detector's score, in brackets the other's if there are two."""
    bench, row = scored.bench, site.row
    if bench.learned is None:
        score, other = row[f"rules_{kind}"], float("nan")
    else:
        score = row[f"score_{kind}"]
        other = row[f"rules_{kind}"] if bench.rules is not None else float("nan")
    value = number(score, 2) + ("" if pd.isna(other) else f" ({number(other, 2)})")
    return Cell(value, _key(score), "number over" if kind in site.findings else "number")


def _key(value: Any) -> str:
    return "" if pd.isna(value) else f"{value:.6g}"


def note(scored: Scored, printed: int, called: int, sites: int) -> str:
    """What stands above the table."""
    other = "; in brackets the other detector's" if len(scored.bench.judges) > 1 else ""
    return (
        f"{called} of {sites} sites with a finding or rejected. Suspicion: 0 just at a threshold, 1 certain, 2 without "
        f"a ball, below 0 under every threshold. Scores run from 0 to 1 and are bold where they led to a "
        f"finding{other}. "
        "Measured numbers are the detector's estimates, given whether or not they led to one."
        + (
            ""
            if printed == sites
            else f" On paper {printed} of {sites} sites are listed, joints.csv has all."
        )
    )
