"""One line per board: counts by kind and disposition, and why joints went to review."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from jointwise.scoring.batch import Outcome
from jointwise.scoring.judging.acceptance import DISPOSITIONS
from jointwise.scoring.report.signs import split_findings
from jointwise.scoring.scan_files import readable
from jointwise.scoring.summary.sites import COUNTED, PartSites, part_sites
from jointwise.scoring.write import REPORT, TABLE_PARQUET


@dataclass(frozen=True)
class Board:
    """What became of one scan and what it shows.

    Args:
        outcome: scored, as before, or failed and why.
        table: its scored table; None where there is none.
    """

    outcome: Outcome
    table: pd.DataFrame | None = field(default=None, repr=False)

    @property
    def name(self) -> str:
        """Of the scan."""
        return self.outcome.job.name

    @property
    def report(self) -> Path:
        """Its report, relative to the summary."""
        return Path(self.outcome.job.folder.name) / REPORT

    @property
    def counts(self) -> dict[str, int]:
        """Sites, joints, those with a finding, and how many of each kind and disposition."""
        if self.table is None:
            return {}
        findings = [split_findings(cell) for cell in self.table["findings"]]
        counts = {"sites": len(findings), "joints": int((self.table["present"] == 1).sum())}
        counts["with_finding"] = sum(bool(f) for f in findings)
        counts |= {kind: sum(kind in f for f in findings) for kind in COUNTED}
        decided = self.table["disposition"].value_counts()
        counts |= {word: int(decided.get(word, 0)) for word in DISPOSITIONS}
        return counts | {"undecided": int(self.table["disposition"].isna().sum())}

    @property
    def reasons(self) -> list[tuple[str, int]]:
        """Why joints went to review, commonest first."""
        if self.table is None:
            return []
        review = self.table[self.table["disposition"] == "review"]
        return Counter(str(reason) for reason in review["reason"].fillna("no reason given")).most_common()


@dataclass(frozen=True)
class Summary:
    """Everything the summary's files are made from.

    Args:
        boards: in the order of the scans.
        parts: sites by part, in the order in which parts first appear.
        notes: sentences on what does not fit: scans of the same bytes, arrays of other sizes.
    """

    boards: tuple[Board, ...]
    parts: tuple[PartSites, ...]
    notes: tuple[str, ...]

    @property
    def scored(self) -> list[Board]:
        """Those with results."""
        return [board for board in self.boards if board.table is not None]

    @property
    def failed(self) -> list[Board]:
        """Those without."""
        return [board for board in self.boards if board.table is None]

    def total(self, key: str) -> int:
        """A count over all boards."""
        return sum(board.counts[key] for board in self.scored)


def summarise(outcomes: Sequence[Outcome]) -> Summary:
    """Read the results of every scan again, from their own files, whenever they were made."""
    boards = tuple(Board(o, _table(o) if o.is_whole else None) for o in outcomes)
    by_part: dict[str, dict[str, pd.DataFrame]] = {}
    for board in boards:
        if board.table is not None:
            component = board.table["component"].fillna("")
            for part in component.unique():
                by_part.setdefault(str(part), {})[board.name] = board.table[component == part]
    parts = tuple(part_sites(part, tables) for part, tables in by_part.items())
    return Summary(boards, parts, (*_twins(boards), *_sizes(parts)))


def all_joints(summary: Summary) -> pd.DataFrame:
    """The tables of all boards below each other; `board` is the scan's name here, `folder` that of its results."""
    tables = []
    for board in summary.scored:
        table = board.table.copy() if board.table is not None else pd.DataFrame()
        table.insert(0, "board", board.name)
        table.insert(1, "folder", board.outcome.job.folder.name)
        tables.append(table.astype({c: "object" for c in table if table[c].isna().all()}))
    return pd.concat(tables, ignore_index=True) if tables else pd.DataFrame({"board": [], "folder": []})


def as_rows(summary: Summary) -> pd.DataFrame:
    """One row per scan, failed ones with their sentence."""
    rows: list[dict[str, Any]] = []
    for board in summary.boards:
        outcome = board.outcome
        row = {
            "board": board.name,
            "file": readable(str(outcome.job.path)),
            "folder": outcome.job.folder.name,
        }
        rows.append(row | {"state": outcome.state, "sentence": outcome.sentence} | board.counts)
    table = pd.DataFrame(rows)
    counts = list(next((board.counts for board in summary.scored), {}))
    return table.astype(dict.fromkeys(counts, "Int64"))


def _table(outcome: Outcome) -> pd.DataFrame:
    return pd.read_parquet(outcome.job.folder / TABLE_PARQUET)


def _twins(boards: Sequence[Board]) -> list[str]:
    """Scans that hold the same bytes count twice without telling more."""
    groups: dict[str, list[str]] = {}
    for board in boards:
        if board.outcome.sha256 and board.table is not None:
            groups.setdefault(board.outcome.sha256, []).append(board.name)
    return [
        f"The scans {', '.join(names)} hold the same bytes: one board counts {len(names)} times."
        for names in groups.values()
        if len(names) > 1
    ]


def _sizes(parts: Sequence[PartSites]) -> list[str]:
    return [
        f"The array{' ' + part.component if part.component else ''} was found in different sizes ("
        + ", ".join(f"{shape} on {n}" for shape, n in part.shapes)
        + "): sites are compared by the names of balls, which shift where an outer row was not found."
        for part in parts
        if len(part.shapes) > 1
    ]
