"""Section on parts of a set: where a detector is strong, where it is weak, and where too few joints tell."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from jointwise.evaluation import measured
from jointwise.evaluation.report.measures import reservations
from jointwise.evaluation.report.section import Block, Column, Grid, Paragraph, Section
from jointwise.evaluation.report.words import WHO, WILSON_NOTE, WORDS, listed, slug, stem, titled
from jointwise.evaluation.slices import Slicing, slice_table, slicings
from jointwise.evaluation.statistics.bootstrap import FEWEST_BOARDS
from jointwise.evaluation.statistics.measures import fewest_to_rank
from jointwise.evaluation.table import per_kind_table
from jointwise.evaluation.verdicts import Verdicts

WANTED = {
    "pitch": "pitch",
    "voxels_per_ball": "voxels per ball",
    "cnr": "noise",
    "gap": "gap in voxels",
    "void": "void size",
    "position": "place in the array",
    "kvp": "tube voltage",
    "mount": "mount",
    "readers": "readers' agreement",
}
"""Every slicing by its name, as the report speaks of it."""


def slices_section(verdicts: Verdicts) -> Section:
    """Recall and false calls by pitch, sampling, noise, gap, void size, place, scan settings and readers' agreement.

    Args:
        verdicts: of one set.
    """
    title, anchor = f"By parts of the set: {verdicts.name}", f"slices-{slug(verdicts.name)}"
    if not verdicts.scores:
        return Section(title, anchor, [Paragraph("No detector was judged on this set.", "warning")])
    weights = measured.board_weights(verdicts)
    tables = {one.name: (one, slice_table(verdicts, one, weights)) for one in slicings(verdicts)}
    cut = {name: pair for name, pair in tables.items() if len(pair[1]) and pair[1]["slice"].nunique() > 1}
    whole = per_kind_table(verdicts.truth, verdicts.present, verdicts.scores, verdicts.cuts)
    blocks: list[Block] = [
        *reservations(verdicts, whole),
        *_not_cut(tables, set(cut)),
        *_weakest(verdicts, whole, list(cut.values())),
        *(_grid(verdicts, *pair) for pair in cut.values()),
    ]
    return Section(title, anchor, blocks, _numbers(verdicts.name, cut))


def _not_cut(tables: Mapping[str, tuple[Slicing, pd.DataFrame]], cut: set[str]) -> list[Paragraph]:
    """Which of the slices are missing and why."""
    unknown = [words for name, words in WANTED.items() if name not in tables]
    single = [
        f"{WANTED[name]} ({table['slice'].iloc[0]})" if len(table) else f"{WANTED[name]} (no joint)"
        for name, (_, table) in tables.items()
        if name not in cut
    ]
    notes = []
    if unknown:
        notes.append(f"Not known of this set, so not looked at: {listed(unknown)}.")
    if single:
        notes.append(f"The same for every joint that counts, so nothing to compare: {listed(single)}.")
    return [Paragraph(note) for note in notes]


def _weakest(
    verdicts: Verdicts, whole: pd.DataFrame, cut: list[tuple[Slicing, pd.DataFrame]]
) -> list[Paragraph]:
    """Where each detector falls most below the whole set, judged by the upper bound so that few joints cannot win."""
    overall = {(row["detector"], row["kind"]): row["recall"] for row in whole.to_dict("records")}
    found, even, parts = [], [], 0
    for detector in verdicts.scores:
        rows: list[tuple[float, str, dict[str, Any]]] = [
            (row["recall_high"] - overall[detector, row["kind"]], one.title, row)
            for one, table in cut
            for row in table[(table["detector"] == detector) & (table["rank"] == "")].to_dict("records")
        ]
        if not rows:
            continue
        parts = len(rows)  # the same for every detector: parts depend on the joints only
        below, title, worst = min(rows, key=lambda row: row[0])
        if below >= 0:
            even.append(detector)
            continue
        found.append(
            f"{detector} is weakest at {title} {worst['slice']}, {WORDS[worst['kind']]}: {worst['found']} of "
            f"{worst['faulty']} found ({worst['recall']:.3f}, {worst['recall_low']:.3f} to {worst['recall_high']:.3f}) "
            f"where it finds {overall[detector, worst['kind']]:.3f} of the whole set; of {parts} parts and kinds the "
            "one whose interval lies lowest below it."
        )
    if even:
        found.append(
            f"{listed(even)}: of {parts} parts and kinds none has a recall whose interval lies below that of the whole "
            "set."
        )
    return [Paragraph(text, "finding") for text in found]


def _grid(verdicts: Verdicts, one: Slicing, table: pd.DataFrame) -> Grid:
    enough = measured.n_boards(verdicts) >= FEWEST_BOARDS
    sound = (
        "sound joints of the same part"
        if one.own_sound
        else "sound joints of the scans in which the faulty ones are"
    )
    boards = " By boards: resampled boards, n/a where fewer than ten have such a joint." if enough else ""
    return Grid(
        titled(table),
        (
            Column("slice", one.title),
            *WHO,
            Column("faulty", "faulty", "count"),
            Column("found", "found", "count"),
            Column("recall", "recall", "rate"),
            *((Column("recall_boards", "recall, by boards", "rate"),) if enough else ()),
            Column("sound", "sound", "count"),
            Column("false_calls", "false calls", "count"),
            Column("false_call_rate", "false-call rate", "rate"),
            *((Column("false_call_rate_boards", "false-call rate, by boards", "rate"),) if enough else ()),
            Column("rank", f"under {fewest_to_rank()} faulty"),
        ),
        f"By {one.title}. False calls: calls of the kind on {sound}. {WILSON_NOTE}.{boards} Under "
        f"{fewest_to_rank()} faulty joints two detectors cannot be ranked (exact McNemar).",
        stem(f"slices_{one.name}", verdicts),
    )


def _numbers(name: str, cut: Mapping[str, tuple[Slicing, pd.DataFrame]]) -> dict[str, float]:
    """SET/DETECTOR/KIND/recall by SLICING PART -> value, only where there are joints enough to rank."""
    values = {}
    for slicing, (one, table) in cut.items():
        for row in table[table["rank"] == ""].to_dict("records"):
            part = f"{slicing}_{one.labels.index(row['slice'])}"
            values[f"{name}/{row['detector']}/{row['kind']}/recall_{part}"] = float(row["recall"])
    return {key: value for key, value in values.items() if not np.isnan(value)}
