"""How a card is written: Markdown tables, figures with interval and n, and where each came from."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import pandas as pd

from jointwise.evaluation.model_card.sources import Source
from jointwise.evaluation.report.cells import written
from jointwise.evaluation.report.section import Format
from jointwise.evaluation.statistics.measures import ratio, wilson

NOT_MEASURED: Final = "not measured"
Lines = list[str]


def share(part: int, whole: int) -> str:
    """`0.870 (0.679 to 0.955), 20 of 23`, the interval by Wilson; without a whole `not measured`."""
    if not whole:
        return NOT_MEASURED
    return f"{between(ratio(part, whole), *wilson(part, whole))}, {part:,} of {whole:,}"


def between(value: float, low: float, high: float, form: Format = "rate") -> str:
    """`value (low to high)`; the value alone where there is no interval."""
    if pd.isna(value):
        return NOT_MEASURED
    if pd.isna(low) and pd.isna(high):
        return f"{written(value, form)} (no interval)"
    return f"{written(value, form)} ({written(low, form)} to {written(high, form)})"


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Lines:
    """A Markdown table; signs that would end a cell are put aside."""
    lines = [list(head), ["---"] * len(head), *rows]
    return [f"| {' | '.join(str(cell).replace('|', '/') for cell in line)} |" for line in lines] + [""]


def section(
    title: str, sources: Sequence[Source], weights: str, root: Path, write: Callable[[Source, Path], Lines]
) -> Lines:
    """A section of what one or more files hold, or that it was not measured.

    Args:
        title: its heading.
        sources: its files; none where it was not measured.
        weights: SHA-256 of the card's weights.
        root: where the files' paths begin.
        write: what a file says; gets the source and the file's place.
    """
    lines = [f"## {title}", ""]
    if not sources:
        return [*lines, "Not measured.", ""]
    for source in sources:
        path = root / source.file
        if not source.is_of(weights):
            lines += [
                f"Not measured with these weights: `{source.file}` holds figures of others "
                f"(`{source.weights[:8]}…`, {source.date}).",
                "",
            ]
        elif not path.is_file():
            lines += [f"Not measured: there is no `{source.file}`.", ""]
        else:
            lines += [*write(source, path), *origin(source)]
    return lines


def origin(source: Source) -> Lines:
    """The line that says which command made the figures above it."""
    note = f" {source.note}" if source.note else ""
    return [f"From `{source.file}` ({source.date}), by `{source.command}`.{note}", ""]


def plain_table(source: Source, path: Path) -> Lines:
    """The rows and columns of a CSV that its source names, intervals beside their values."""
    frame = pd.read_csv(path)
    for column, wanted in source.where.items():
        frame = frame[frame[column].isin([*wanted] if isinstance(wanted, (list, tuple)) else [wanted])]
    shown: Mapping[str, str] = source.columns or {
        name: name for name in map(str, frame) if not name.endswith(("low", "high"))
    }
    rows = [[_cell(row, name) for name in shown] for row in frame.to_dict("records")]
    return table(list(shown.values()), rows) if rows else ["Not measured: no row of that file is meant.", ""]


def _cell(row: Mapping[Any, Any], name: str) -> str:
    value = row[name]
    if isinstance(value, str) or pd.isna(value):
        return "" if pd.isna(value) else str(value)
    ends = [f"{name}_low", f"{name}_high"] if f"{name}_low" in row else ["low", "high"]
    if (name == "value" or f"{name}_low" in row) and all(end in row for end in ends):
        return between(value, row[ends[0]], row[ends[1]], "number")
    return written(value, "count" if float(value).is_integer() else "number")
