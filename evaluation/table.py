"""Per-kind tables of one or several detectors on the same joints: data frames, terminal, CSV, Parquet."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.measures import Bools, Counts, Floats, Guess
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, TITLES

ANY = "any"
"""The row of `escape_table` that asks only whether a joint is faulty, whatever its kind."""

NOTE = (
    "Ranges: 95 % Wilson intervals; they assume independent joints. Joints of one board are not, "
    "so the true ranges are wider."
)
NOTE_GUESS = (
    "guess: calls joints at random as often as the kind occurs and ranks them at random (mean values). "
    "n/a: nothing to divide by."
)
NOTE_ESCAPE = (
    "Escape: a faulty joint for which nothing is called. False call: a call on a joint sound in every kind."
)


def per_kind_table(
    truth: ArrayLike,
    present: ArrayLike,
    scores: Mapping[str, ArrayLike],
    thresholds: Mapping[str, ArrayLike],
    *,
    kinds: Sequence[str] = KINDS,
    guess_rates: ArrayLike | None = None,
) -> pd.DataFrame:
    """One row per kind and detector, kinds in the given order, detectors in the order of `scores`.

    Args:
        truth: (n, kinds) of 1, 0 or NaN (marginal or unknown: not counted).
        present: (n,) 0 or 1; a missing ball counts in no kind.
        scores: detector name -> (n, kinds); NaN only where present = 0.
        thresholds: detector name -> (kinds,), or (n, kinds) where each joint has its own; a score at or above it is
            a call.
        kinds: names of the columns.
        guess_rates: (kinds,) how often the guesser calls each kind; None takes the frequency in this set.

    Returns:
        Columns kind, detector, threshold and threshold_highest (where joints have their own: the lowest and highest
        of the joints counted), n (joints counted), unknown (present but not counted), faulty,
        tp, fp, fn, tn; precision, recall and false_positive_rate each with _low and _high (95 % Wilson); f1,
        ap, balanced_accuracy; guess_precision, guess_recall, guess_f1, guess_ap. NaN where nothing can be computed.

    Raises:
        InputError: if arrays do not fit each other, hold other values, or a threshold is missing.
    """
    labels, there = np.asarray(truth, dtype=np.float64), np.asarray(present, dtype=np.float64)
    known = _known(labels, there, kinds)
    called = _calls_of_all(labels, there, scores, thresholds, kinds)
    rates = None if guess_rates is None else np.asarray(guess_rates, dtype=np.float64)
    rows = []
    for column, kind in enumerate(kinds):
        mask = known[:, column]
        unknown = int(np.count_nonzero((there == 1) & ~mask))
        faulty = int(np.sum(labels[mask, column]))
        guess = measures.guess(faulty, int(mask.sum()), None if rates is None else float(rates[column]))
        for detector, score in scores.items():
            counts = measures.count(labels[mask, column], called[detector][mask, column])
            ap = measures.average_precision(labels[mask, column], np.asarray(score)[mask, column])
            limits = np.broadcast_to(np.asarray(thresholds[detector]), labels.shape)[mask, column]
            rows.append(
                {
                    "kind": kind,
                    "detector": detector,
                    "threshold": float(limits.min()) if len(limits) else math.nan,
                    "threshold_highest": float(limits.max()) if len(limits) else math.nan,
                    "n": counts.n,
                    "unknown": unknown,
                    **_rates(counts),
                    "f1": counts.f1,
                    "ap": ap,
                    "balanced_accuracy": counts.balanced_accuracy,
                    **_prefixed(guess),
                }
            )
    return pd.DataFrame(rows)


def escape_table(
    truth: ArrayLike,
    present: ArrayLike,
    scores: Mapping[str, ArrayLike],
    thresholds: Mapping[str, ArrayLike],
    *,
    kinds: Sequence[str] = KINDS,
) -> pd.DataFrame:
    """Escapes and false calls per kind and for any kind (last rows), per detector.

    An escape is a faulty joint for which the detector calls no kind at all; in a kind's row only joints with
    that kind are looked at. A false call is a call on a joint known to be sound in every kind; in a kind's
    row only calls of that kind are.

    Args: as for `per_kind_table`.

    Returns:
        Columns kind, detector, faulty, escapes, escape_rate, escape_rate_low, escape_rate_high, sound,
        false_calls, false_call_rate, false_call_rate_low, false_call_rate_high (95 % Wilson).

    Raises:
        InputError: as for `per_kind_table`.
    """
    labels, there = np.asarray(truth, dtype=np.float64), np.asarray(present, dtype=np.float64)
    _known(labels, there, kinds)
    called = _calls_of_all(labels, there, scores, thresholds, kinds)
    masks = {detector: stops(labels, there, call, kinds) for detector, call in called.items()}
    rows = []
    for kind in (*kinds, ANY):
        for detector in scores:
            one = masks[detector][kind]
            rows.append(
                {
                    "kind": kind,
                    "detector": detector,
                    **_share("faulty", one.faulty, "escapes", one.escape, "escape_rate"),
                    **_share("sound", one.sound, "false_calls", one.false_call, "false_call_rate"),
                }
            )
    return pd.DataFrame(rows)


class Stops(NamedTuple):
    """Who is stopped and who goes through, for one kind and detector.

    Args:
        faulty, escape: (n,) joints with the kind, and those of them for which nothing is called.
        sound, false_call: (n,) joints sound in every kind, and those of them called (for that kind).
    """

    faulty: Bools
    escape: Bools
    sound: Bools
    false_call: Bools


def stops(truth: Floats, present: ArrayLike, called: Bools, kinds: Sequence[str] = KINDS) -> dict[str, Stops]:
    """The masks behind :func:`escape_table`, for every kind and ANY.

    Args:
        truth: (n, kinds) of 1, 0 or NaN.
        present: (n,) 0 or 1.
        called: (n, kinds) bool, of one detector.
        kinds: names of the columns.
    """
    known, verdict = measures.counted(truth, present), measures.any_kind(truth, present)
    escape, false_call = measures.escapes(truth, called, present)
    found = {}
    for column, kind in enumerate(kinds):
        faulty = known[:, column] & (truth[:, column] == 1)
        found[kind] = Stops(faulty, escape & faulty, verdict == 0, false_call & called[:, column])
    return found | {ANY: Stops(verdict == 1, escape, verdict == 0, false_call)}


def terminal(per_kind: pd.DataFrame, escapes: pd.DataFrame, title: str) -> Group:
    """Both tables for the terminal (80 columns suffice), with guessing beside them and the notes below.

    Args:
        per_kind: from `per_kind_table`.
        escapes: from `escape_table`.
        title: what was judged, e.g. "240 simulated joints of 6 held-out boards".

    Example:
        >>> rich.print(terminal(per_kind, escapes, "240 simulated joints"))  # doctest: +SKIP
    """
    return Group(
        _per_kind_for_people(per_kind, title),
        Text(f"{NOTE}\n{NOTE_GUESS}\n", style="dim"),
        _escapes_for_people(escapes),
        Text(NOTE_ESCAPE, style="dim"),
    )


def _known(labels: Floats, there: Floats, kinds: Sequence[str]) -> Bools:
    known = measures.counted(labels, there)
    if labels.shape[1] != len(kinds):
        raise InputError(
            f"expected one truth column for each of {', '.join(kinds)}, found {labels.shape[1]} columns"
        )
    return known


def _calls_of_all(
    labels: Floats,
    there: Floats,
    scores: Mapping[str, ArrayLike],
    thresholds: Mapping[str, ArrayLike],
    kinds: Sequence[str],
) -> dict[str, Bools]:
    """Calls of every detector, after checking that all judge the same joints and kinds."""
    if not scores:
        raise InputError("expected scores of at least one detector, found none; score the set first")
    called = {}
    for detector, score in scores.items():
        if detector not in thresholds:
            raise InputError(
                f"expected thresholds of detector '{detector}', found only those of "
                f"{', '.join(thresholds) or 'nobody'}; choose them on the validation boards"
            )
        limits = np.shape(thresholds[detector])
        if np.shape(score) != labels.shape or limits not in ((len(kinds),), labels.shape):
            raise InputError(
                f"expected {labels.shape} scores and {len(kinds)} thresholds from detector '{detector}', found "
                f"{np.shape(score)} and {limits}; score the same joints with each detector"
            )
        called[detector] = measures.calls(score, thresholds[detector], there)
    return called


def _rates(counts: Counts) -> dict[str, float]:
    """The counts and the three rates with their intervals."""
    cells: dict[str, float] = {"faulty": counts.faulty, **counts._asdict()}
    for name, part, whole in (
        ("precision", counts.tp, counts.called),
        ("recall", counts.tp, counts.faulty),
        ("false_positive_rate", counts.fp, counts.sound),
    ):
        cells |= _with_interval(name, part, whole)
    return cells


def _with_interval(name: str, part: int, whole: int) -> dict[str, float]:
    low, high = measures.wilson(part, whole)
    return {name: measures.ratio(part, whole), f"{name}_low": low, f"{name}_high": high}


def _share(whole_name: str, whole: Bools, part_name: str, part: Bools, rate_name: str) -> dict[str, float]:
    n_whole, n_part = int(np.count_nonzero(whole)), int(np.count_nonzero(part))
    return {whole_name: n_whole, part_name: n_part} | _with_interval(rate_name, n_part, n_whole)


def _prefixed(guess: Guess) -> dict[str, float]:
    return {f"guess_{name}": value for name, value in guess._asdict().items()}


def _per_kind_for_people(per_kind: pd.DataFrame, title: str) -> Table:
    table = _plain_table(title)
    table.add_column("kind")
    table.add_column("by")
    for name in ("tp", "fp", "fn"):
        table.add_column(name, justify="right")
    # Left, so that a rate without a range (guess, n/a) stands under the rates.
    for name in ("precision", "recall", "F1", "AP"):
        table.add_column(name)
    for kind, rows in per_kind.groupby("kind", sort=False):
        # Kind and its counts share the first column; the guesser's row makes sure there are two lines.
        first = [str(TITLES.get(str(kind), kind)), f"{rows['faulty'].iloc[0]} of {rows['n'].iloc[0]}"]
        lines = [_detector_cells(row) for row in rows.to_dict("records")] + [_guess_cells(rows.iloc[0])]
        first += [""] * (len(lines) - len(first))
        for position, (head, cells) in enumerate(zip(first, lines, strict=True)):
            style = "dim" if position == len(lines) - 1 else None
            table.add_row(head, *cells, style=style, end_section=position == len(lines) - 1)
    return table


def _detector_cells(row: Mapping[str, Any]) -> list[str]:
    return [
        str(row["detector"]),
        *(str(row[name]) for name in ("tp", "fp", "fn")),
        *(_with_range(row, name) for name in ("precision", "recall")),
        *(_number(row[name]) for name in ("f1", "ap")),
    ]


def _guess_cells(row: Mapping[str, Any]) -> list[str]:
    precision, recall, f1, ap = (_number(row[f"guess_{name}"]) for name in Guess._fields)
    return ["guess", "", "", "", precision, recall, f1, ap]


def _escapes_for_people(escapes: pd.DataFrame) -> Table:
    table = _plain_table("Escapes and false calls")
    table.add_column("kind")
    table.add_column("by")
    for name in ("escapes", "false calls"):
        table.add_column(name, justify="right")
        table.add_column("rate")
    for kind, rows in escapes.groupby("kind", sort=False):
        title = "any kind" if kind == ANY else str(TITLES.get(str(kind), kind))
        for position, row in enumerate(rows.to_dict("records")):
            table.add_row(
                title if position == 0 else "",
                str(row["detector"]),
                f"{row['escapes']} of {row['faulty']}",
                _with_range(row, "escape_rate"),
                f"{row['false_calls']} of {row['sound']}",
                _with_range(row, "false_call_rate"),
                end_section=position == len(rows) - 1,
            )
    return table


def _plain_table(title: str) -> Table:
    return Table(
        title=title,
        title_justify="left",
        title_style="bold",
        header_style="bold",
        box=box.HORIZONTALS,
        show_edge=False,
        padding=0,
    )


def _with_range(row: Mapping[str, Any], name: str) -> str:
    if math.isnan(row[name]):
        return "n/a"
    return f"{row[name]:.2f} {row[f'{name}_low']:.2f}–{row[f'{name}_high']:.2f}"


def _number(value: float) -> str:
    return "n/a" if math.isnan(value) else f"{value:.2f}"
