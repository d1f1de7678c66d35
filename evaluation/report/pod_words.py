"""What detection curves come to, in words: from which size on a kind is found, what is proven, and what limits it."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from jointwise.evaluation.report.cells import written
from jointwise.evaluation.report.section import Paragraph
from jointwise.evaluation.report.words import listed
from jointwise.evaluation.targets import VOID_LIMIT_PCT

Row = Mapping[str, Any]
"""What is said of one detector and size: a row of the table of curves."""

VOXELS, MICROMETRES = "voxels", "µm"


def pod_findings(rows: Sequence[Row], several: bool) -> Iterator[Paragraph]:
    """Of each detector a sentence a kind on what its curve or its largest targets show, and one on what they do not.

    Args:
        rows: of all sets, detectors and sizes.
        several: whether sets must be told apart.
    """
    for name, who in dict.fromkeys((row["set"], row["detector"]) for row in rows):
        what = f"“{name}”, {who}" if several else str(who)
        told: list[list[Row]] = []
        refused: list[list[Row]] = []
        for pair in _lengths([row for row in rows if (row["set"], row["detector"]) == (name, who)]):
            (told if any(not row["refused"] or row["proven"] for row in pair) else refused).append(pair)
        yield from (Paragraph(f"{what}: {_told(pair)}.", "finding") for pair in told)
        if refused:
            yield Paragraph(f"{what}, no curve: {'; '.join(map(_refused, refused))}.", "warning")


def numbered(rows: Sequence[dict[str, Any]]) -> list[str]:
    """Give every row the numbers of its remarks as `note`; returns the remarks in that order, each once."""
    notes = list(dict.fromkeys(remark for row in rows for remark in row["remarks"]))
    for row in rows:
        row["note"] = ", ".join(str(notes.index(remark) + 1) for remark in row["remarks"])
    return notes


def _lengths(rows: Sequence[Row]) -> list[list[Row]]:
    """The rows of each length of a flaw: in voxels (where known), then in µm; shares of an area have none."""
    pairs: dict[str, list[Row]] = {}
    for unit in (VOXELS, MICROMETRES):
        for row in rows:
            if row["unit"] == unit:
                pairs.setdefault(f"{row['kind']} {row['title']}", []).append(row)
    return sorted(pairs.values(), key=lambda pair: rows.index(pair[-1]))


def _told(pair: Sequence[Row]) -> str:
    fitted = [row for row in pair if not row["refused"]]
    proven = [row for row in pair if row["proven"]]
    parts = [_reach(fitted)] if fitted else []
    if proven:
        parts.append(_proven(proven))
    row = pair[-1]
    said = f"{row['kind_title']} {', and '.join(parts)} ({row['title']}; n = {row['n']}, {_missed(row)})"
    if not fitted:
        return f"{said}, no curve: {_reason(row)}"
    limits = list(dict.fromkeys(name for one in fitted for name in one["limits"]))
    return f"{said}, but {listed(limits)}" if limits else said


def _missed(row: Row) -> str:
    if row["kind"] != "void" or not row["small_missed"]:
        return f"{row['misses']} missed"
    return (
        f"{row['misses']} missed, {row['small_missed']} of them under {VOID_LIMIT_PCT:g} % of the cross-section and "
        "so not wanted"
    )


def _refused(pair: Sequence[Row]) -> str:
    row = pair[-1]
    return f"{row['kind_title']}: {_reason(row)}, and {row['proof']} (n = {row['n']})"


def _reason(row: Row) -> str:
    return str(row["reason"]).replace("; ", ", ")


def _proven(pair: Sequence[Row]) -> str:
    row = pair[0]
    what = "without a miss" if not row["top_misses"] else f"with {row['top_misses']} missed"
    return f"proven at 95 % to be found 9 times of 10 among sizes from {_sizes(pair, 'top')} on: {row['top_n']} {what}"


def _reach(pair: Sequence[Row]) -> str:
    """From which size on, without a number where nothing was seen; the first unit decides."""
    row = pair[0]
    seen = f"at any size seen up to the largest, {_sizes(pair, 'largest')}"
    if row["a90"] > row["largest"]:
        return f"not found 9 times of 10 {seen}"
    surely = "surely (95 %) "
    surely += f"from {_sizes(pair, 'a90_95')} on" if row["a90_95"] <= row["largest"] else f"not {seen}"
    return f"found 9 times of 10 from {_sizes(pair, 'a90')} on, {surely}"


def _sizes(pair: Sequence[Row], name: str) -> str:
    """`0.500 voxel (12.0 µm)`; a second unit whose curve was not seen so far is left out."""
    seen = [row for row in pair if row is pair[0] or not row[name] > row["largest"]]
    first, *rest = [_size(float(row[name]), row["unit"]) for row in seen]
    return f"{first} ({rest[0]})" if rest else first


def _size(value: float, unit: str) -> str:
    word = "voxel" if unit == VOXELS and value <= 1 else unit
    return f"{written(value, 'number')} {word}"
