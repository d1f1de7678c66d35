"""The readers' part of the report: how far they agree, what they could not call, and who is nearer to the truth."""

from typing import Final

import pandas as pd

from jointwise.evaluation.labels.adjudication import RULES, independent, rule_for, rule_in_words
from jointwise.evaluation.labels.agreement import beats_table, kappa_table, open_joints, untold_table
from jointwise.evaluation.labels.readers import flat, readers_table
from jointwise.evaluation.report.section import Block, Column, Grid, Paragraph, Section
from jointwise.evaluation.report.words import counted, listed, slug
from jointwise.evaluation.statistics.bootstrap import FEWEST_BOARDS
from jointwise.evaluation.statistics.kappa import DRAWS
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS, TITLES

MOST_SHOWN: Final = 60
"""Joints without a settled label that are listed."""


def readers_section(verdicts: Verdicts, adjudication: str | None = None) -> Section | None:
    """What readers say of the joints of one set; None without readers.

    Args:
        verdicts: of one set.
        adjudication: `majority`, `consensus` or the name of the reader who settles; None takes the reader
            `adjudicated` where there is one, else majority.

    Raises:
        InputError: a rule that is neither.
    """
    if not verdicts.readers:
        return None
    rule = rule_for(verdicts.readers, adjudication)
    kappa, untold = kappa_table(verdicts, rule), untold_table(verdicts, rule)
    against, beats = readers_table(verdicts, rule), beats_table(verdicts, rule)
    blocks = [
        *_opening(verdicts, rule),
        *_agreement(kappa, verdicts),
        *_untold(untold, verdicts, rule),
        *_results(against, verdicts),
        *_beats(beats, verdicts),
    ]
    name = verdicts.name
    return Section(
        f"Readers: {name}", f"readers-{slug(name)}", blocks, _numbers(kappa, untold, against, beats)
    )


def _opening(verdicts: Verdicts, rule: str) -> list[Block]:
    own = independent(verdicts.readers, rule)
    there = int(verdicts.present.sum())
    boards = counted(_boards(verdicts), "board")
    words = f"{counted(there, 'joint')} of {boards}, read by {', '.join(own) or 'nobody else'}. "
    return [Paragraph(words + rule_in_words(rule)), Paragraph(verdicts.provenance, "warning")]


def _agreement(kappa: pd.DataFrame, verdicts: Verdicts) -> list[Block]:
    if kappa.empty:
        return [Paragraph("One reader alone: how far readers agree cannot be told.", "warning")]
    grid = Grid(
        _titled(kappa),
        [
            Column("kind_title", "kind"),
            Column("readers", "readers"),
            Column("statistic", "kappa of"),
            Column("n", "joints both or all could tell", "count"),
            Column("left_out", "left out", "count"),
            Column("observed", "agree", "rate"),
            Column("kappa", "kappa", "number"),
        ],
        "How far readers agree beyond chance (1 fully, 0 as by chance). Cohen's kappa for two, Fleiss' for three or "
        f"more; 95 % intervals by {DRAWS:,} draws of whole boards with replacement. n/a: one answer was given "
        "everywhere, or there is one board. Left out: joints that one of them could not tell.",
        f"kappa_{verdicts.name}",
    )
    blocks: list[Block] = [grid]
    if _boards(verdicts) < FEWEST_BOARDS:
        blocks.append(
            Paragraph(
                f"The intervals of kappa are too narrow: {counted(_boards(verdicts), 'board')}, fewer than "
                f"{FEWEST_BOARDS}.",
                "warning",
            )
        )
    return blocks


def _untold(untold: pd.DataFrame, verdicts: Verdicts, rule: str) -> list[Block]:
    grid = Grid(
        _titled(untold),
        [
            Column("kind_title", "kind"),
            Column("n", "joints looked at", "count"),
            Column("some", "a reader could not tell", "count"),
            Column("nobody", "nobody could tell", "count"),
            Column("share", "share nobody could tell", "rate"),
            Column("differ", "readers differ", "count"),
            Column("open", "no settled label", "count"),
        ],
        "Joints that readers could not call. 95 % Wilson intervals, as if joints were independent; joints of one board "
        "are not, so the true ranges are wider.",
        f"could_not_tell_{verdicts.name}",
    )
    left = open_joints(verdicts, rule)
    if left.empty:
        return [grid, Paragraph("Every joint has a settled label in every kind.")]
    shown = left.head(MOST_SHOWN)
    names = [Column(name, name) for name in verdicts.readers]
    more = f" The first {MOST_SHOWN} of {len(left)}." if len(left) > MOST_SHOWN else ""
    words = "Joints without a settled label, and what each reader says of the kinds named (1, 0, ? could not tell)."
    columns = [Column("scan", "scan"), Column("ball", "ball"), Column("kinds", "kinds"), *names]
    return [grid, Grid(shown, columns, words + more, f"not_settled_{verdicts.name}")]


def _results(against: pd.DataFrame, verdicts: Verdicts) -> list[Block]:
    if against.empty:
        return [Paragraph("No detector, second reader or truth to hold the reader against.", "warning")]
    grid = Grid(
        _titled(against),
        [
            Column("kind_title", "kind"),
            Column("judged", "by"),
            Column("against", "against"),
            Column("n", "joints", "count"),
            Column("cannot_tell", "cannot tell", "count"),
            Column("faulty", "faulty", "count"),
            Column("tp", "found", "count"),
            Column("fn", "missed", "count"),
            Column("fp", "false", "count"),
            Column("precision", "precision", "rate"),
            Column("recall", "recall", "rate"),
        ],
        "Everybody against everybody: detectors against each reader, the settled label and, where it is known, the "
        "truth; readers against the truth and each other. Faulty: joints with the kind by whom it is held against. "
        "95 % Wilson intervals, as if joints were independent. Precision holds for a set with as many faulty joints as "
        f"this one. Marginal joints count nowhere ({int(against['marginal'].max())} at most in a kind).",
        f"readers_{verdicts.name}",
    )
    return [grid]


def _beats(beats: pd.DataFrame, verdicts: Verdicts) -> list[Block]:
    if beats.empty:
        return [
            Paragraph(
                "Without a detector or known truth it cannot be told whether a detector beats a reader."
            )
        ]
    grid = Grid(
        _titled(beats),
        [
            Column("kind_title", "kind"),
            Column("detector", "detector"),
            Column("reader", "reader"),
            Column("n", "joints", "count"),
            Column("left_out", "reader could not tell", "count"),
            Column("detector_only", "only the detector right", "count"),
            Column("reader_only", "only the reader right", "count"),
            Column("p", "p (exact McNemar)", "p"),
            Column("better", "better"),
        ],
        "Detector or reader nearer to the truth, on the joints whose truth is known and that the reader could tell. "
        "Better: the one with p < 0.05; too few: fewer than six joints on which only one is right, which can prove "
        f"nothing. {len(beats)} comparisons: about one in twenty falls below 0.05 by chance alone. The test takes "
        "joints for independent; joints of one board are not.",
        f"detector_or_reader_{verdicts.name}",
    )
    return [*_findings(beats), grid]


def _findings(beats: pd.DataFrame) -> list[Block]:
    """One sentence for each detector and reader."""
    blocks: list[Block] = []
    for (detector, side), rows in beats.groupby(["detector", "reader"], sort=False):
        said = []
        reader = f"the settled label ({side})" if side in RULES else side
        for verdict, words in (
            ("detector", f"{detector} is nearer to the truth for"),
            ("reader", f"{reader} is nearer for"),
            ("neither", "neither is shown to be nearer for"),
            ("too few", "too few joints differ to tell for"),
        ):
            kinds = [TITLES[kind] for kind in rows.loc[rows["better"] == verdict, "kind"]]
            if kinds:
                said.append(f"{words} {listed(kinds)}")
        blocks.append(Paragraph(f"{detector} against {reader}: {'; '.join(said)}.", "finding"))
    return blocks


def _numbers(
    kappa: pd.DataFrame, untold: pd.DataFrame, against: pd.DataFrame, beats: pd.DataFrame
) -> dict[str, float]:
    numbers = flat(against)
    for row in kappa.dropna(subset="kappa").to_dict("records"):
        numbers[f"kappa/{row['readers'].replace(' ', '_')}/{row['kind']}"] = float(row["kappa"])
    for row in untold.dropna(subset="share").to_dict("records"):
        numbers[f"nobody_could_tell/{row['kind']}"] = float(row["share"])
    for row in beats.to_dict("records"):
        numbers[f"{row['detector']}/or_{row['reader']}/{row['kind']}/p"] = float(row["p"])
    return numbers


def _titled(frame: pd.DataFrame) -> pd.DataFrame:
    """With kinds in words, rows in the order of the kinds."""
    order = frame["kind"].map({kind: place for place, kind in enumerate(KINDS)})
    rows = frame.iloc[order.argsort(kind="stable")].reset_index(drop=True)
    return rows.assign(kind_title=rows["kind"].map(TITLES))


def _boards(verdicts: Verdicts) -> int:
    return int(verdicts.table.loc[verdicts.present, "board_id"].nunique())
