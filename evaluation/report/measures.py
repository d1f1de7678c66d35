"""Section on what detectors are worth on one set: measures, escapes, thresholds, prevalence, bridges, confusion."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from jointwise.evaluation import measured
from jointwise.evaluation.bridges import bridge_table, can_group
from jointwise.evaluation.confusion import NOTHING, confusion_table, confusion_text
from jointwise.evaluation.measured import COMPOSED, MACRO, SINGLE
from jointwise.evaluation.report.outside import outside_findings
from jointwise.evaluation.report.section import Block, Column, Grid, Paragraph, Section
from jointwise.evaluation.report.thresholds import prevalence_blocks, threshold_blocks
from jointwise.evaluation.report.words import (
    BOARDS_NOTE,
    WHO,
    WILSON_NOTE,
    WORDS,
    counted,
    listed,
    slug,
    stem,
    titled,
)
from jointwise.evaluation.statistics.bootstrap import FEWEST_BOARDS, REPLICATES
from jointwise.evaluation.statistics.measures import Floats, fewest_to_rank
from jointwise.evaluation.table import ANY
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS

RANKING: Final = ("f1", "ap", "guess_ap", "balanced_accuracy")


def measures_section(
    verdicts: Verdicts,
    prevalence: Mapping[str, float] | None = None,
    chosen: Mapping[str, str] | None = None,
) -> Section:
    """Everything about how well each detector does on one set, with n, intervals and their methods.

    Args:
        verdicts: of one set.
        prevalence: kind -> share of joints that have it where the detector will be used.
        chosen: detector -> how its cuts were chosen, in plain words.

    Raises:
        InputError: prevalence of unknown kinds or out of range.
    """
    title, anchor = f"Measures: {verdicts.name}", f"measures-{slug(verdicts.name)}"
    if not verdicts.scores:
        return Section(
            title, anchor, [_judged(verdicts), Paragraph("No detector was judged on this set.", "warning")]
        )
    weights = measured.board_weights(verdicts)
    found = measured.resampled(verdicts, weights)
    table = measured.measured_table(verdicts, found)
    stopped = measured.stopped_table(verdicts, weights)
    blocks: list[Block] = [
        *outside_findings(verdicts),
        _judged(verdicts),
        *reservations(verdicts, table),
        *_in_words(stopped),
        *_measures(verdicts, table),
        *_escapes(verdicts, stopped),
        *threshold_blocks(verdicts, table, chosen or {}),
        *prevalence_blocks(verdicts, found, prevalence or {}),
        *_bridges(verdicts, weights),
        *_confusion(verdicts),
    ]
    return Section(title, anchor, blocks, _numbers(verdicts.name, table, stopped))


def reservations(verdicts: Verdicts, table: pd.DataFrame) -> list[Paragraph]:
    """What limits every figure of the set: few boards, kinds with few faulty joints.

    Args:
        verdicts: of one set.
        table: kind and faulty, for instance from :func:`~jointwise.evaluation.measured.measured_table`.
    """
    boards, fewest = measured.n_boards(verdicts), fewest_to_rank()
    notes = []
    if boards < 2:
        notes.append(
            "All joints are of one board: nothing can be said of how results differ from board to board, "
            "so measures other than single rates have no interval, and Wilson's intervals hold for this "
            "board only."
        )
    elif boards < FEWEST_BOARDS:
        notes.append(
            f"The set has only {counted(boards, 'board')}. Intervals from resampled boards are as a rule "
            f"too narrow under "
            f"{FEWEST_BOARDS} boards: they stand only where there is no other interval (F1, average precision, "
            "differences), never beside one that does without boards."
        )
    few = measured.too_few_to_rank(table)
    if few:
        notes.append(
            f"Too few faulty joints to rank two detectors: {listed(WORDS[kind] for kind in few)}. With "
            f"fewer than {fewest} joints on which two detectors differ, an exact two-sided McNemar test "
            "cannot go below 0.05."
        )
    return [Paragraph(note, "warning") for note in notes]


def _judged(verdicts: Verdicts) -> Paragraph:
    there, known = verdicts.present, verdicts.known
    faulty = (verdicts.truth == 1) & known
    kinds = listed(
        f"{int(faulty[:, k].sum())} of {int(known[:, k].sum())} {WORDS[kind]}" for k, kind in enumerate(KINDS)
    )
    return Paragraph(
        f"{counted(int(there.sum()), 'joint')} of {counted(measured.n_boards(verdicts), 'board')} and "
        f"{counted(verdicts.table['scan'].nunique(), 'scan')}; {counted(int((~there).sum()), 'place')} without a ball "
        f"left out. Faulty joints among those whose truth is known: {kinds}. Where scans and labels come "
        f"from: {verdicts.provenance.rstrip('.')}."
    )


def _in_words(stopped: pd.DataFrame) -> list[Paragraph]:
    return [
        Paragraph(
            f"{row['detector']} calls nothing on {row['escapes']} of {counted(row['faulty'], 'faulty joint')} "
            f"({_range(row, 'escape_rate')}) and calls {row['false_calls']} of {counted(row['sound'], 'sound joint')} "
            f"({_range(row, 'false_call_rate')}).",
            "finding",
        )
        for row in stopped[stopped["kind"] == ANY].to_dict("records")
    ]


def _range(row: Mapping[str, float], name: str) -> str:
    if np.isnan(row[name]):
        return "no such joint"
    value, low, high = (100 * row[name + end] for end in ("", "_low", "_high"))
    return f"{value:.1f} %, {low:.1f} to {high:.1f} %"


def _measures(verdicts: Verdicts, table: pd.DataFrame) -> list[Block]:
    shown = titled(table).assign(of=_of(verdicts, table))
    blocks: list[Block] = [
        Grid(
            shown,
            (
                *WHO,
                Column("of", "joints"),
                Column("faulty", "faulty", "count"),
                Column("precision", "precision", "rate"),
                Column("recall", "recall", "rate"),
                Column("false_positive_rate", "false-positive rate", "rate"),
            ),
            "Precision, recall, false-positive rate (joints without the kind that are called so): "
            f"{WILSON_NOTE}; every mean of the kinds: {BOARDS_NOTE}. Micro counts every decision on a joint and kind "
            "once; macro is the mean of the kinds that have a faulty joint, and n/a where one of them has no value.",
            stem("measures", verdicts),
        ),
        Grid(
            shown[["kind_title", "kind", "detector", *(name for name in shown if name.startswith(RANKING))]],
            (
                *WHO,
                Column("f1", "F1", "rate"),
                Column("ap", "average precision", "rate"),
                Column("guess_ap", "the same by guessing", "rate"),
                Column("balanced_accuracy", "balanced accuracy", "rate"),
            ),
            f"Measures composed of several rates, and of the ranking: {BOARDS_NOTE}. A measure that is 1 on every "
            "board has an interval without width: there the intervals of precision and recall say more.",
            stem("measures_composed", verdicts),
        ),
    ]
    if measured.n_boards(verdicts) >= FEWEST_BOARDS:
        blocks.append(
            Grid(
                shown[shown["kind"] != MACRO],
                (
                    *WHO,
                    Column("precision_boards", "precision", "rate"),
                    Column("recall_boards", "recall", "rate"),
                    Column("false_positive_rate_boards", "false-positive rate", "rate"),
                ),
                "The same single rates with intervals that do not take joints as independent: "
                f"{BOARDS_NOTE}.",
                stem("measures_by_boards", verdicts),
            )
        )
    return [*blocks, *_left_out(table)]


def _of(verdicts: Verdicts, table: pd.DataFrame) -> list[str]:
    """What every row is of: joints; in the rows of all kinds, decisions (a joint and a kind), several on each joint."""
    joints = counted(int(verdicts.known.any(axis=1).sum()), "joint")
    return [
        f"{row['n']:,}" if row["kind"] in KINDS else f"{row['n']:,} decisions on {joints}"
        for row in table.to_dict("records")
    ]


def _left_out(table: pd.DataFrame) -> list[Paragraph]:
    """Which intervals rest on fewer replicates than were drawn."""
    names = (*SINGLE, *COMPOSED)
    lost = table[[f"{name}_left_out" for name in names]].to_numpy()
    # What cannot be computed at all is n/a anyway and has no interval to warn of.
    most = np.where(table[list(names)].isna(), 0, lost).max(axis=1).astype(int)
    if not most.any():
        return []
    words = listed(
        f"{WORDS[kind]} by {detector} ({count})"
        for kind, detector, count in zip(table["kind"], table["detector"], most, strict=True)
        if count
    )
    return [
        Paragraph(
            "Resamplings in which a measure could not be computed, because no board with such a joint or "
            f"call was drawn, were left out of its interval; of {REPLICATES} at most: {words}.",
            "warning",
        )
    ]


def _escapes(verdicts: Verdicts, stopped: pd.DataFrame) -> list[Block]:
    beside = (
        Column("escape_rate_boards", "escape rate, by boards", "rate"),
        Column("false_call_rate_boards", "false-call rate, by boards", "rate"),
    )
    joints = int(stopped["joints"].iloc[0])
    rates = Grid(
        titled(stopped),
        (
            *WHO,
            Column("faulty", "faulty", "count"),
            Column("escapes", "escapes", "count"),
            Column("escape_rate", "escape rate", "rate"),
            Column("escape_ppm", "escapes, ppm of joints", "ppm"),
            Column("sound", "sound", "count"),
            Column("false_calls", "false calls", "count"),
            Column("false_call_rate", "false-call rate", "rate"),
            Column("false_call_ppm", "false calls, ppm of joints", "ppm"),
            *(beside if measured.n_boards(verdicts) >= FEWEST_BOARDS else ()),
        ),
        "Escape: a faulty joint for which nothing is called. False call: a call on a joint sound in every "
        f"kind. Rates are within the faulty and within the sound joints, ppm of the {joints} joints known "
        "to be faulty or sound; ppm hold for a set with this set's share of faulty joints only. "
        f"{WILSON_NOTE}"
        + (f"; by boards: {BOARDS_NOTE}." if measured.n_boards(verdicts) >= FEWEST_BOARDS else "."),
        stem("escapes", verdicts),
    )
    packages = Grid(
        titled(measured.package_table(verdicts)),
        (
            *WHO,
            Column("faulty_packages", "packages with a faulty joint", "count"),
            Column("escape_packages", "of them with an escape", "count"),
            Column("escape_share", "share with an escape", "rate"),
            Column("sound_packages", "packages with a sound joint", "count"),
            Column("false_call_packages", "of them with a false call", "count"),
            Column("false_call_share", "share with a false call", "rate"),
        ),
        "Packages (components of a board) with at least one escape or false call among their joints in "
        "this set. Shares depend on how many joints of a package are in the set and how many are faulty. "
        "Wilson interval, 95 %, which takes packages as independent.",
        stem("packages", verdicts),
    )
    return [rates, packages]


def _bridges(verdicts: Verdicts, weights: Floats) -> list[Block]:
    if not can_group(verdicts.table):
        return [
            Paragraph(
                "Bridges are counted as joints only: the set tells neither rows and columns nor which "
                "joints belong to one bridge.",
                "warning",
            )
        ]
    table = bridge_table(verdicts, weights)
    enough = measured.n_boards(verdicts) >= FEWEST_BOARDS
    return [
        Grid(
            table,
            (
                Column("detector", "detector"),
                Column("bridges", "bridges", "count"),
                Column("found_any", "found (any joint called)", "count"),
                Column("any_rate", "share found", "rate"),
                Column("found_all", "found (every joint called)", "count"),
                Column("all_rate", "share found whole", "rate"),
                *(
                    (
                        Column("any_rate_boards", "any, by boards", "rate"),
                        Column("all_rate_boards", "every, by boards", "rate"),
                    )
                    if enough
                    else ()
                ),
                Column("joints", "bridging joints", "count"),
                Column("found_joint", "called", "count"),
                Column("joint_rate", "share of joints called", "rate"),
                Column("false_bridges", "false bridges", "count"),
            ),
            "A bridge joins two or more joints; a chain of joined joints is one bridge, and only its "
            "joints in this set count. False bridges: groups of neighbouring joints called bridging that "
            "touch no true bridge. The detection curves count the same bridges, but only those whose neck "
            "is known. Wilson interval, 95 %, which takes bridges (joints) as independent; by "
            "boards: resampled boards.",
            stem("bridges", verdicts),
        )
    ]


def _confusion(verdicts: Verdicts) -> list[Block]:
    shown = confusion_text(confusion_table(verdicts))
    return [
        Grid(
            titled(shown, "truth"),
            (
                Column("kind_title", "truly"),
                Column("detector", "detector"),
                Column("joints", "joints", "count"),
                *(Column(kind, f"called {WORDS[kind]}") for kind in KINDS),
                Column(NOTHING, "nothing called"),
            ),
            "What is called on joints of each kind. A joint may carry several kinds: under another kind "
            "only joints known to be without it are counted. Intervals (Wilson) are in the table's file.",
            stem("confusion", verdicts),
        )
    ]


def _numbers(name: str, table: pd.DataFrame, stopped: pd.DataFrame) -> dict[str, float]:
    """SET/DETECTOR/KIND/MEASURE -> value; what is n/a is left out."""
    wanted: tuple[tuple[pd.DataFrame, Sequence[str]], ...] = (
        (table, ("n", "faulty", *SINGLE, *COMPOSED)),
        (
            stopped,
            ("escapes", "escape_rate", "escape_ppm", "false_calls", "false_call_rate", "false_call_ppm"),
        ),
    )
    values = {
        f"{name}/{row['detector']}/{row['kind']}/{measure}": float(row[measure])
        for frame, measures in wanted
        for row in frame.to_dict("records")
        for measure in measures
    }
    return {key: value for key, value in values.items() if not np.isnan(value)}
