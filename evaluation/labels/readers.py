"""Detectors and readers against each other and against truth, kind by kind: who says what of the same joints.

A label is 1, 0 or NaN (cannot tell). A joint that either side cannot tell, that is marginal or of unknown truth does
not count; how many there are stands in the table.
"""

import math
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from jointwise.evaluation.labels.adjudication import independent, sides
from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, TITLES

TRUTH: Final = "truth"
NOTE: Final = (
    "Recall: found of the faulty by whom it is held against; precision: right of the called. "
    "Ranges: 95 % Wilson intervals; joints of one board are not independent, so the true ranges are wider. "
    "Precision holds for a set with as many faulty joints as this one, not for a line."
)


class Side(NamedTuple):
    """What one side says.

    Args:
        name: learned, rules, a reader, or truth.
        labels: (n, kinds) of 1, 0 or NaN.
    """

    name: str
    labels: ArrayLike


def readers_table(verdicts: Verdicts, rule: str) -> pd.DataFrame:
    """Every detector against every reader, the settled label and the truth; every reader against truth and the others.

    A joint that is marginal for a kind (`marginal` in the table, no truth) counts in no comparison of that kind, so
    that all are of the same joints.

    Args:
        verdicts: what everybody says.
        rule: how readers are settled (:mod:`jointwise.evaluation.labels.adjudication`).

    Returns:
        Rows of :func:`agreement`; none where nobody is there to compare. Comparisons with truth are left out where no
        truth is known.
    """
    there = verdicts.present
    readers = [Side(name, labels[there]) for name, labels in sides(verdicts.readers, rule).items()]
    detectors = [Side(name, verdicts.calls(name)[there]) for name in verdicts.scores]
    known = [Side(TRUTH, verdicts.truth[there])] if verdicts.known.any() else []
    own = independent(verdicts.readers, rule)
    pairs = [(one, other) for one in detectors for other in (*readers, *known)]
    pairs += [(one, other) for one in readers for other in known]
    pairs += [
        (one, other)
        for one in readers
        for other in readers
        if one.name != other.name and {one.name, other.name} <= own.keys()
    ]
    marginal = marginal_of(verdicts)[there]
    tables = [agreement(one, other, marginal) for one, other in pairs]
    return (
        pd.concat(tables, ignore_index=True)
        if tables
        else pd.DataFrame(columns=["judged", "against", "kind"])
    )


def marginal_of(verdicts: Verdicts) -> Bools:
    """Which joints are marginal for which kind, (n, 4): the table says marginal and the kind has no truth."""
    if "marginal" not in verdicts.table:
        return np.zeros(verdicts.truth.shape, dtype=bool)
    marginal = verdicts.table["marginal"].to_numpy(dtype=np.float64, na_value=0.0) == 1
    return np.asarray(marginal[:, None] & np.isnan(verdicts.truth))


def agreement(judged: Side, against: Side, marginal: ArrayLike) -> pd.DataFrame:
    """One side held against another, one row per kind.

    Args:
        judged: whose calls are counted.
        against: what they are held against.
        marginal: (n, 4) bool, joints left out of a kind.

    Returns:
        Columns judged, against, kind, n (joints counted), marginal, unknown (no truth) and cannot_tell (joints left
        out, each for the first of these reasons), faulty, tp, fp, fn, tn, precision and recall each with _low and
        _high (95 % Wilson); NaN where there is nothing to divide by.

    Raises:
        InputError: arrays that do not fit each other, or values other than 0, 1 and NaN.
    """
    calls, labels = _labels(judged), _labels(against)
    border = np.asarray(marginal, dtype=bool)
    if calls.shape != labels.shape or border.shape != labels.shape:
        raise InputError(
            f"expected labels of the same joints, found {calls.shape} from {judged.name}, {labels.shape} from "
            f"{against.name} and {border.shape} marginal; compare joints of one set"
        )
    unknown = np.isnan(labels) & ~border & (against.name == TRUTH)
    untold = (np.isnan(calls) | np.isnan(labels)) & ~border & ~unknown
    known = ~(border | unknown | untold)
    rows = []
    for column, kind in enumerate(KINDS):
        counted = known[:, column]
        counts = measures.count(labels[counted, column], calls[counted, column] == 1)
        row: dict[str, Any] = {"judged": judged.name, "against": against.name, "kind": kind, "n": counts.n}
        for name, mask in (("marginal", border), ("unknown", unknown), ("cannot_tell", untold)):
            row[name] = int(mask[:, column].sum())
        row |= {"faulty": counts.faulty, **counts._asdict()}
        for rate, whole in (("precision", counts.called), ("recall", counts.faulty)):
            row[rate] = measures.ratio(counts.tp, whole)
            row[f"{rate}_low"], row[f"{rate}_high"] = measures.wilson(counts.tp, whole)
        rows.append(row)
    return pd.DataFrame(rows)


def terminal(table: pd.DataFrame, title: str, provenance: str) -> Group:
    """The table for people, 80 columns wide at most: one block per kind, who was left out, and the notes.

    Readers against each other are not printed: how far they agree is told by kappa.

    Args:
        table: from :func:`readers_table`.
        title: what was judged.
        provenance: where scans and labels come from.
    """
    page = Table(
        title=title, title_justify="left", title_style="bold", header_style="bold",
        box=box.HORIZONTALS, show_edge=False, padding=0,
    )  # fmt: skip
    for name in ("by", "against", "n"):
        page.add_column(name, no_wrap=True)
    for name in ("recall", "precision"):
        page.add_column(name, no_wrap=True)
    never_held_against = set(table["judged"]) - set(table["against"])
    shown = table[(table["against"] == TRUTH) | table["judged"].isin(never_held_against)]
    for kind, rows in shown.groupby("kind", sort=False):
        page.add_row(TITLES.get(str(kind), str(kind)), style="bold")
        for place, row in enumerate(rows.to_dict("records")):
            page.add_row(*_cells(row), end_section=place == len(rows) - 1)
    notes = f"{_left_out(shown)}\n{NOTE}"
    return Group(
        Text(provenance, style="bold"), page, Text(notes, style="dim"), Text(provenance, style="bold")
    )


def flat(table: pd.DataFrame) -> dict[str, float]:
    """The table as flat numbers for a tracking server, `JUDGED/against_AGAINST/KIND/MEASURE`; what is n/a is left out.

    Args:
        table: from :func:`readers_table`.
    """
    measured = ("n", "cannot_tell", "unknown", "marginal", "faulty", "tp", "fp", "fn", "precision", "recall")
    return {
        f"{row['judged']}/against_{row['against']}/{row['kind']}/{name}": float(row[name])
        for row in table.to_dict("records")
        for name in measured
        if not math.isnan(row[name])
    }


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
    """Recall and precision with what they are made of."""
    names = [str(row[name]) for name in ("judged", "against", "n")]
    return [*names, _share(row, row["faulty"], "recall"), _share(row, row["tp"] + row["fp"], "precision")]


def _share(row: Mapping[str, Any], whole: int, rate: str) -> str:
    if math.isnan(row[rate]):
        return f"{row['tp']}/{whole} n/a"
    low, high = row[f"{rate}_low"], row[f"{rate}_high"]
    return f"{row['tp']}/{whole} {row[rate]:.2f} {low:.2f}–{high:.2f}"


def _left_out(table: pd.DataFrame) -> str:
    """Who could not be counted, in a sentence; every reader is named once, however many are held against them."""
    untold: dict[str, int] = {}
    for row in table.to_dict("records"):
        who = row["judged"] if row["against"] == TRUTH else row["against"]
        untold[who] = max(untold.get(who, 0), int(row["cannot_tell"]))
    named = ", ".join(f"{n} of {who}" for who, n in untold.items() if n)
    unknown = int(table["unknown"].max())
    return (
        f"Counted in no kind: {int(table['marginal'].max())} marginal joints (an open or a pillow bonded over more "
        f"than a quarter){f', {unknown} of unknown truth' * (unknown > 0)}; besides, where their label is needed, "
        f"joints they cannot tell: {named or 'none'}."
    )
