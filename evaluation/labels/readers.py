"""Detectors and readers against each other and against truth, kind by kind: who says what of the same joints.

Everything is a pure function of arrays. A label is 1, 0 or NaN (cannot tell). A joint that either side cannot tell, or
that is marginal, counts in no kind; how many there are stands in the table.
"""

import io
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from jointwise.evaluation.labels.labelled_set import LabelledSet
from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.joints.atomic import write_bytes
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.joints.schema import IDENTITY, POSITION

TRUTH: Final = "truth"
NOTE: Final = (
    "faulty: joints with the kind by whom it is held against. Ranges: 95 % Wilson intervals; joints of one board are "
    "not independent, so the true ranges are wider. Precision holds for a set with as many faulty joints as this one, "
    "not for a line."
)


class Side(NamedTuple):
    """What one side says.

    Args:
        name: learned, rules, a reader, or truth.
        labels: (n, kinds) of 1, 0 or NaN.
    """

    name: str
    labels: ArrayLike


def readers_table(
    detectors: Mapping[str, ArrayLike],
    readers: Mapping[str, ArrayLike],
    truth: ArrayLike,
    marginal: ArrayLike,
) -> pd.DataFrame:
    """Every detector against every reader and the truth, then every reader against the truth.

    Args:
        detectors: name -> calls (n, 4), bool or 0/1.
        readers: name -> labels (n, 4) of 1, 0 or NaN, adjudicated rows among them.
        truth: (n, 4) of 1 or 0.
        marginal: (n,) bool, joints left out.

    Returns:
        Rows of :func:`agreement`.

    Raises:
        InputError: as :func:`agreement`; or nobody to judge.
    """
    known = Side(TRUTH, truth)
    against = [*(Side(*item) for item in readers.items()), known]
    pairs = [(Side(*item), other) for item in detectors.items() for other in against]
    pairs += [(Side(*item), known) for item in readers.items()]
    if not pairs:
        raise InputError("expected a detector or a reader to compare, found none; give some")
    return pd.concat([agreement(one, other, marginal) for one, other in pairs], ignore_index=True)


def agreement(judged: Side, against: Side, marginal: ArrayLike) -> pd.DataFrame:
    """One side held against another, one row per kind.

    Args:
        judged: whose calls are counted.
        against: what they are held against.
        marginal: (n,) bool, joints left out.

    Returns:
        Columns judged, against, kind, n (joints counted), cannot_tell and marginal (joints left out, marginal ones
        first), faulty, tp, fp, fn, tn, precision and recall each with _low and _high (95 % Wilson); NaN where there is
        nothing to divide by.

    Raises:
        InputError: arrays that do not fit each other, or values other than 0, 1 and NaN.
    """
    calls, labels = _labels(judged), _labels(against)
    border = np.asarray(marginal, dtype=bool)
    if calls.shape != labels.shape or border.shape != labels.shape[:1]:
        raise InputError(
            f"expected labels of the same joints, found {calls.shape} from {judged.name}, {labels.shape} from "
            f"{against.name} and {border.shape} marginal; compare joints of one set"
        )
    untold: Bools = np.asarray(np.isnan(np.hstack([calls, labels])).any(axis=1))
    known = ~untold & ~border
    left_out = {"cannot_tell": int((untold & ~border).sum()), "marginal": int(border.sum())}
    rows = []
    for column, kind in enumerate(KINDS):
        counts = measures.count(labels[known, column], calls[known, column] == 1)
        row: dict[str, Any] = {"judged": judged.name, "against": against.name, "kind": kind, "n": counts.n}
        row |= {**left_out, "faulty": counts.faulty, **counts._asdict()}
        for rate, whole in (("precision", counts.called), ("recall", counts.faulty)):
            row[rate] = measures.ratio(counts.tp, whole)
            row[f"{rate}_low"], row[f"{rate}_high"] = measures.wilson(counts.tp, whole)
        rows.append(row)
    return pd.DataFrame(rows)


def terminal(table: pd.DataFrame, title: str, provenance: str) -> Group:
    """The table for people, 100 columns wide at most: one block per kind, who was left out, and the notes.

    Args:
        table: from :func:`readers_table`.
        title: what was judged.
        provenance: where scans and labels come from.
    """
    page = Table(
        title=title, title_justify="left", title_style="bold", header_style="bold",
        box=box.HORIZONTALS, show_edge=False, padding=0,
    )  # fmt: skip
    for name in ("kind", "by", "against"):
        page.add_column(name, no_wrap=True)
    for name in ("n", "faulty", "tp", "fp", "fn"):
        page.add_column(name, justify="right", no_wrap=True)
    for name in ("precision", "recall"):
        page.add_column(name, no_wrap=True)
    for kind, rows in table.groupby("kind", sort=False):
        for place, row in enumerate(rows.to_dict("records")):
            head = TITLES.get(str(kind), str(kind)) if place == 0 else ""
            page.add_row(head, *_cells(row), end_section=place == len(rows) - 1)
    notes = f"{_left_out(table)}\n{NOTE}"
    return Group(
        Text(provenance, style="bold"), page, Text(notes, style="dim"), Text(provenance, style="bold")
    )


def write_table(table: pd.DataFrame, provenance: str, folder: Path, stem: str) -> list[Path]:
    """Write the table as CSV (n/a = empty cell) and Parquet, with the provenance in every row.

    Args:
        table: from :func:`readers_table` or :func:`joint_table`.
        provenance: where scans and labels come from.
        folder: made if absent.
        stem: of the two files.
    """
    told = table.assign(provenance=provenance)
    parquet = io.BytesIO()
    told.to_parquet(parquet, index=False)
    files = {f"{stem}.csv": told.to_csv(index=False).encode(), f"{stem}.parquet": parquet.getvalue()}
    for name, data in files.items():
        write_bytes(folder / name, data)
    return [folder / name for name in files]


def joint_table(
    labelled: LabelledSet, scores: Mapping[str, Floats], calls: Mapping[str, ArrayLike]
) -> pd.DataFrame:
    """One row per joint: what truth, every reader and every detector say of it.

    Columns: who and where it is, marginal, truth_KIND, READER_KIND, READER_cannot_tell, DETECTOR_KIND (the score) and
    DETECTOR_calls_KIND.

    Args:
        labelled: the set.
        scores: detector -> (n, 4).
        calls: detector -> (n, 4) bool.
    """
    joints = labelled.joints.table
    table = joints[[name for name in (*IDENTITY, *POSITION) if name in joints]].copy()
    table["marginal"] = labelled.marginal.astype(int)
    table[_columns(TRUTH)] = labelled.truth.astype(int)
    for reader, answers in labelled.answers.items():
        table[_columns(reader)] = answers.astype(int)
        table[f"{reader}_cannot_tell"] = labelled.cannot_tell[reader].astype(int)
    for detector, score in scores.items():
        table[_columns(detector)] = score
        table[_columns(f"{detector}_calls")] = np.asarray(calls[detector]).astype(int)
    return table


def flat(table: pd.DataFrame) -> dict[str, float]:
    """The table as flat numbers for a tracking server, `JUDGED/against_AGAINST/KIND/MEASURE`; what is n/a is left out.

    Args:
        table: from :func:`readers_table`.
    """
    measured = ("n", "cannot_tell", "marginal", "faulty", "tp", "fp", "fn", "precision", "recall")
    return {
        f"{row['judged']}/against_{row['against']}/{row['kind']}/{name}": float(row[name])
        for row in table.to_dict("records")
        for name in measured
        if not math.isnan(row[name])
    }


def _columns(who: str) -> list[str]:
    return [f"{who}_{kind}" for kind in KINDS]


def _labels(side: Side) -> Floats:
    labels = np.asarray(side.labels, dtype=np.float64)
    told = labels[~np.isnan(labels)]
    if labels.ndim != 2 or labels.shape[1] != len(KINDS) or not np.isin(told, (0.0, 1.0)).all():
        raise InputError(
            f"expected 0, 1 or empty for each of {', '.join(KINDS)} from {side.name}, found an array of "
            f"{labels.shape} with other values or columns; correct the labels"
        )
    return labels


def _cells(row: Mapping[str, Any]) -> list[str]:
    counts = [str(row[name]) for name in ("n", "faulty", "tp", "fp", "fn")]
    return [
        str(row["judged"]),
        str(row["against"]),
        *counts,
        *(_rate(row, r) for r in ("precision", "recall")),
    ]


def _rate(row: Mapping[str, Any], name: str) -> str:
    if math.isnan(row[name]):
        return "n/a"
    return f"{row[name]:.2f} {row[f'{name}_low']:.2f}–{row[f'{name}_high']:.2f}"


def _left_out(table: pd.DataFrame) -> str:
    """Who could not be counted, in a sentence; every reader is named once, however many are held against them."""
    untold = {}
    for row in table[table["cannot_tell"] > 0].to_dict("records"):
        reader = row["judged"] if row["against"] == TRUTH else row["against"]
        untold[reader] = f"{row['cannot_tell']} of {reader}"
    return (
        f"Counted in no kind: {int(table['marginal'].iloc[0])} marginal joints (an open or a pillow bonded over more "
        "than a quarter); besides, where their label is needed, joints they cannot tell: "
        f"{', '.join(untold.values()) or 'none'}."
    )
