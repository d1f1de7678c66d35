"""The summary over several scans as one page that needs nothing else."""

from collections.abc import Sequence
from datetime import datetime
from importlib.metadata import version
from importlib.resources import files
from typing import Any
from urllib.parse import quote

import jinja2
import pandas as pd
from markupsafe import Markup

from jointwise.joints.page import style
from jointwise.scoring.batch import AS_BEFORE
from jointwise.scoring.judging.acceptance import DISPOSITIONS
from jointwise.scoring.report.signs import SIGNS
from jointwise.scoring.summary.boards import Board, Summary
from jointwise.scoring.summary.drawn import has_figures, site_map, site_words, trend
from jointwise.scoring.summary.sites import COUNTED, FEWEST_BOARDS, LEVEL, PartSites

REASONS = 4
"""Reasons for review that are told of each board; joints.csv has all."""
WORST = 25
"""Sites that are listed; summary.json has all."""
CAUTIONS = (
    "A screening aid: what becomes of a board is decided by a qualified inspector.",
    "Findings are a detector's, with its misses and false calls; a site where it calls wrongly on every board "
    "looks like a fault of the process. Look at the joints of a marked site before you change anything.",
    "A share of boards without a finding does not prove sound joints there.",
    "Boards of one lot are alike; the intervals take them as independent and are too narrow for other lots.",
)


def summary_html(summary: Summary, when: datetime) -> str:
    """The whole page as text.

    Args:
        summary: what to tell.
        when: the time that stands in its head.
    """
    decided = (*DISPOSITIONS, "undecided") if any(summary.total(word) for word in DISPOSITIONS) else ()
    keys = ("sites", "with_finding", *COUNTED, *decided)
    return _template().render(
        title=f"Solder joints of {count(len(summary.boards), 'scan')}",
        style=Markup(style("")),
        when=when.strftime("%Y-%m-%d %H:%M"),
        version=version("jointwise"),
        outcome=outcome(summary),
        notes=summary.notes,
        failed=[
            (b.name, b.outcome.state, b.outcome.sentence.rstrip("."), _earlier(b)) for b in summary.failed
        ],
        heads=["", "board", "sites", "findings", *(SIGNS[kind].short for kind in COUNTED), *decided],
        decided=bool(decided),
        rows=[_row(n, board, keys) for n, board in enumerate(summary.boards, start=1)],
        before=sum(board.outcome.state == AS_BEFORE for board in summary.boards),
        review=[(b.name, b.counts["review"], _reasons(b)) for b in summary.scored if b.counts["review"]],
        parts=[_part(part, summary) for part in summary.parts],
        trend=_trend(summary),
        too_few=_too_few(summary),
        detectors=_detectors(summary),
        cautions=CAUTIONS,
    )


def outcome(summary: Summary) -> str:
    """How it went, in two sentences."""
    done, all_scans = len(summary.scored), len(summary.boards)
    went = f"{done} of {count(all_scans, 'scan')} {'was' if done == 1 else 'were'} scored"
    went += f", {len(summary.failed)} failed." if summary.failed else "."
    if not done:
        return went
    sites, found, review = (summary.total(key) for key in ("sites", "with_finding", "review"))
    go = "goes" if review == 1 else "go"
    return f"{went} {found:,} of {sites:,} sites carry a finding; {review:,} {go} to review."


def count(n: int, word: str) -> str:
    """A number with its noun."""
    return f"{n} {word}{'' if n == 1 else 's'}"


def _template() -> jinja2.Template:
    source = files("jointwise.scoring.summary").joinpath("page.html.j2").read_text(encoding="utf-8")
    return jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True
    ).from_string(source)


def _earlier(board: Board) -> str:
    """A failed scan's folder may hold a report of other settings, which is not part of this summary."""
    there = (board.outcome.job.folder / board.report.name).is_file()
    return "The report in its folder is of an earlier run and does not count here." if there else ""


def _row(number: int, board: Board, keys: Sequence[str]) -> dict[str, Any]:
    counts = board.counts
    link = quote(board.report.as_posix()) if counts else ""
    return {
        "number": number,
        "name": board.name,
        "link": link,
        "cells": [counts.get(key, "–") for key in keys],
    }


def _reasons(board: Board) -> str:
    told = [f"{reason} ({n})" for reason, n in board.reasons[:REASONS]]
    more = sum(n for _, n in board.reasons[REASONS:])
    return "; ".join([*told, *([f"other reasons ({more})"] if more else [])])


def _part(part: PartSites, summary: Summary) -> dict[str, Any]:
    many = len(summary.parts) > 1
    return {
        "title": part.component or ("part without a designator" if many else ""),
        "map": Markup(site_map(part)),
        "figures": has_figures(part),
        "counted": _counted(part),
        "verdict": _verdict(part),
        "enough": part.enough,
        "chance": _chance(part) if part.enough else [],
        "sites": [_site(site) for _, site in _worst(part).iterrows()],
    }


def _counted(part: PartSites) -> str:
    n = part.sites["n"]
    seen = f"{n.min()}" if n.min() == n.max() else f"{n.min()} to {n.max()}"
    return (
        f"{len(part.sites)} sites on {count(part.boards, 'board')}, each looked at {seen} times; any finding counts, a "
        f"missing ball too. {int(part.sites['k'].sum())} findings in all: {100 * part.share:.2g} % of sites."
    )


def _verdict(part: PartSites) -> str:
    if not part.enough:
        return (
            f"{count(part.boards, 'board')}: too few to tell whether a site fails more often than others; it takes "
            f"{FEWEST_BOARDS}. The map shows what was found, no more."
        )
    among = (
        f"Among {len(part.sites)} sites some look bad by chance. Each count was held against the binomial chance of as "
        f"many findings if all sites were alike; with all sites considered (Holm, {100 * LEVEL:g} % for the whole map)"
    )
    marked = part.marked
    if marked.empty:
        return f"{among} no site stands out."
    balls = ", ".join(marked["ball"].head(WORST))
    more = f" and {len(marked) - WORST} more" if len(marked) > WORST else ""
    return f"{among} {count(len(marked), 'site')} {'stands' if len(marked) == 1 else 'stand'} out: {balls}{more}."


def _chance(part: PartSites) -> list[tuple[int, int, str]]:
    """As far as chance alone may reach: up to the first count expected at less than one site in a hundred maps."""
    rows = list(part.chance.itertuples())
    last = next((n for n, row in enumerate(rows, start=1) if row.expected < 0.01), len(rows))
    return [
        (row.k, row.seen, "under 0.01" if row.expected < 0.01 else f"{row.expected:.2g}")
        for row in rows[:last]
    ]


def _worst(part: PartSites) -> pd.DataFrame:
    """Marked sites, and others with a finding on two boards or more; with one or two boards, on one."""
    least = 2 if part.boards > 2 else 1
    some = part.sites[(part.sites["k"] >= least) | (part.sites["p_holm"] <= LEVEL)]
    return some.sort_values(["share", "k"], ascending=False, kind="stable").head(WORST)


def _site(site: "pd.Series[Any]") -> dict[str, Any]:
    p = site["p_holm"]
    return {
        "ball": site["ball"],
        "of": f"{site['k']} of {site['n']}",
        "span": f"{100 * site['low']:.0f} to {100 * site['high']:.0f} %",
        "kinds": site_words(site),
        "p": "–" if pd.isna(p) else "<0.0001" if p < 1e-4 else f"{p:.2g}",
        "marked": bool(p <= LEVEL),
    }


def _trend(summary: Summary) -> str:
    shares = [
        (number, board.name, board.counts["with_finding"], board.counts["sites"])
        for number, board in enumerate(summary.boards, start=1)
        if board.table is not None
    ]
    return Markup(trend(shares)) if len(shares) >= FEWEST_BOARDS else ""


def _too_few(summary: Summary) -> str:
    return f"{count(len(summary.scored), 'board')}: too few for a trend; it takes {FEWEST_BOARDS}."


def _detectors(summary: Summary) -> list[str]:
    """Who judged; results of earlier runs count only if they were made in the same way, so there is one as a rule."""
    pairs = [b.table[["detector", "thresholds_id"]] for b in summary.scored if b.table is not None]
    every = pd.concat(pairs).drop_duplicates() if pairs else pd.DataFrame()
    return [f"{row.detector}, thresholds {row.thresholds_id}" for row in every.itertuples()]
