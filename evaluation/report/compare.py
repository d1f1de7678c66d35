"""Rules against learning: the section of the report that sets detectors against each other on the same joints."""

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from jointwise.evaluation.comparison import (
    SHOWN_RATIOS,
    cost_curves,
    cost_table,
    mcnemar_table,
    questions,
    recall_table,
)
from jointwise.evaluation.pictures.cost_curves import draw_costs
from jointwise.evaluation.pictures.svg import to_svg
from jointwise.evaluation.report.compare_words import kind_words, pair_findings
from jointwise.evaluation.report.section import Block, Column, Figure, Grid, Paragraph, Section
from jointwise.evaluation.report.words import WORDS, counted, listed, slug
from jointwise.evaluation.set_up import SetUp
from jointwise.evaluation.statistics.bootstrap import FEWEST_BOARDS
from jointwise.evaluation.statistics.paired import DRAWS
from jointwise.evaluation.verdicts import Verdicts


def compare_section(
    verdicts: Verdicts,
    setup: Mapping[str, SetUp] | None = None,
    prevalence: Mapping[str, float] | None = None,
    draws: int = DRAWS,
) -> Section:
    """Every two detectors of a set against each other.

    Args:
        verdicts: of two detectors or more; of fewer, the section says so.
        setup: what each detector was fitted on, from evaluation.set_up; those not in it are n/a.
        prevalence: kind -> share of joints with it that costs are stated for; of others the set's share counts.
        draws: bootstrap draws.
    """
    title, anchor = f"Detectors against each other: {verdicts.name}", f"compare-{slug(verdicts.name)}"
    costs = _set_up_grid(verdicts, setup or {})
    if len(verdicts.scores) < 2:
        alone = Paragraph("One detector alone: nothing to compare it with.", "warning")
        return Section(title, anchor, [alone, costs])
    right, recall = mcnemar_table(verdicts, draws), recall_table(verdicts, draws=draws)
    prices = cost_table(verdicts, prevalence, draws)
    blocks: list[Block] = [
        Paragraph(_introduction(verdicts)),
        *_warnings(verdicts),
        *(Paragraph(text, "finding") for text in pair_findings(right, recall)),
        *(Paragraph(text) for text in kind_words(right, recall, prices)),
        _mcnemar_grid(right),
        _recall_grid(recall),
        _cost_figure(verdicts, prevalence),
        _cost_grid(prices, prevalence),
        costs,
    ]
    return Section(title, anchor, blocks, _numbers(right, recall, prices))


def _introduction(verdicts: Verdicts) -> str:
    present, boards = int(verdicts.present.sum()), len(set(verdicts.boards.tolist()))
    return (
        f"The detectors {listed(verdicts.scores)} judged the same {counted(present, 'joint')} of "
        f"{counted(boards, 'board')} ({verdicts.provenance.rstrip('.')}). A detector is right about "
        "a joint and a kind where its call agrees with the truth; any kind asks only whether a joint is faulty and "
        "whether it is called at all. '20 joints to 1': on 20 joints only the named detector is right, on 1 only the "
        "other. P-values are of the exact McNemar test and take joints as independent; intervals are 95 "
        "% and resample "
        "whole boards. No correction is made for asking about several kinds and pairs."
    )


def _warnings(verdicts: Verdicts) -> list[Paragraph]:
    boards = len(set(verdicts.boards.tolist()))
    if boards >= FEWEST_BOARDS:
        return []
    text = f"Only {counted(boards, 'board')}: intervals over boards are too narrow under {FEWEST_BOARDS}."
    return [Paragraph(text, "warning")]


def _mcnemar_grid(right: pd.DataFrame) -> Grid:
    frame = right.assign(kind=right["kind"].map(WORDS))
    columns = [
        Column("kind", "kind"), Column("one", "one"), Column("other", "other"), Column("joints", "joints"),
        Column("n", "n", "count"), Column("both_right", "both right", "count"),
        Column("only_one", "only the one right", "count"), Column("only_other", "only the other right", "count"),
        Column("neither", "neither right", "count"), Column("p", "p", "p"),
        Column("difference", "share right, one less other", "number"),
    ]  # fmt: skip
    caption = (
        "Who is right, on all joints, on those with the kind (right: found) and on those without (right: "
        "not called). "
        "p: exact McNemar test, two-sided, joints taken as independent. Difference of the share right: 95 % interval "
        "by bootstrap over boards."
    )
    return Grid(frame, columns, caption, "mcnemar")


def _recall_grid(recall: pd.DataFrame) -> Grid:
    frame = recall.assign(kind=recall["kind"].map(WORDS))
    columns = [
        Column("kind", "kind"), Column("one", "one"), Column("other", "other"),
        Column("rate", "false-positive rate at most", "rate"), Column("allowed", "false positives allowed", "count"),
        Column("faulty", "faulty", "count"), Column("recall_one", "recall, one", "rate"),
        Column("recall_other", "recall, other", "rate"), Column("difference", "difference", "number"),
    ]  # fmt: skip
    caption = (
        "Recall at equal false-positive rates: of each detector the best cut (score from which it calls) that "
        "calls no more than that share of the joints without the kind. The cuts are chosen on these very "
        "joints, which flatters both alike. 95 % interval "
        "of the difference by bootstrap over boards, the same boards for both, cuts chosen anew in each draw."
    )
    return Grid(frame, columns, caption, "recall_at_equal_false_calls")


def _cost_figure(verdicts: Verdicts, prevalence: Mapping[str, float] | None) -> Figure:
    counts = {
        asked.kind: (int((asked.truth == 1).sum()), int((~np.isnan(asked.truth)).sum()))
        for asked in questions(verdicts)
    }
    titles = {kind: f"{WORDS[kind]}, {faulty} faulty of {n}" for kind, (faulty, n) in counts.items()}
    svg = to_svg(draw_costs(cost_curves(verdicts, prevalence), titles))
    caption = (
        "Expected cost over the price of a miss, in false positives. Thick with markers: at each detector's own cuts. "
        "Thin: at the best cut for "
        "that price, chosen on these very joints, so it flatters. Dotted: calling every joint or none, whichever is "
        f"cheaper; a detector above it is worth nothing at that price. Share of faulty joints {_share(prevalence)}."
    )
    alt = f"Cost against the price of a miss for {', '.join(verdicts.scores)}; the figures are in the table below."
    return Figure(svg, caption, alt)


def _cost_grid(prices: pd.DataFrame, prevalence: Mapping[str, float] | None) -> Grid:
    shown = prices[np.isclose(prices["ratio"].to_numpy()[:, None], SHOWN_RATIOS).any(axis=1)]
    frame = shown.assign(kind=shown["kind"].map(WORDS)).reset_index(drop=True)
    columns = [
        Column("kind", "kind"), Column("one", "one"), Column("other", "other"),
        Column("ratio", "price of a miss, false positives", "number"), Column("n", "n", "count"),
        Column("cost_one", "cost per joint, one", "number"), Column("cost_other", "cost per joint, other", "number"),
        Column("difference", "difference", "number"), Column("cheaper", "cheaper"),
        Column("equal_at", "equal at", "number"),
    ]  # fmt: skip
    caption = (
        "Expected cost of a joint at each detector's own cuts, in the price of one false positive (a call "
        "on a joint without the kind). 95 % interval of the "
        "difference by bootstrap "
        "over boards. Equal at: price of a miss at which both cost the same. Share of faulty joints "
        f"{_share(prevalence)}."
    )
    return Grid(frame, columns, caption, "cost")


def _set_up_grid(verdicts: Verdicts, setup: Mapping[str, SetUp]) -> Grid:
    rows = []
    for who in verdicts.scores:
        told = setup.get(who, SetUp())
        simulated = {True: "simulated", False: "labelled", None: "n/a"}[told.simulated]
        seconds = verdicts.seconds.get(who, math.nan)
        rows.append(
            {
                "detector": who, "milliseconds": 1000 * seconds, "training_joints": _number(told.training_joints),
                "validation_joints": _number(told.validation_joints), "origin": simulated,
                "labelled_joints": _number(told.labelled_joints), "fit_minutes": _number(told.fit_seconds) / 60,
            }
        )  # fmt: skip
    columns = [
        Column("detector", "detector"), Column("milliseconds", "run time per joint, ms", "number"),
        Column("training_joints", "fitted on joints", "count"),
        Column("validation_joints", "cuts chosen on joints", "count"), Column("origin", "these joints are"),
        Column("labelled_joints", "labelled joints a new package needs", "count"),
        Column("fit_minutes", "time to fit, min", "number"),
    ]  # fmt: skip
    caption = (
        "Run time on the machine of this evaluation, and what each detector was fitted on, as its files tell; n/a "
        "where they do not. Fitted anew for a new package in the same way, a detector fitted on "
        "simulated joints needs "
        "no labelled ones, though nobody then knows how well it does on real scans. The novelty detector's fitting "
        "joints need only be known to be sound."
    )
    return Grid(pd.DataFrame(rows), columns, caption, "set_up")


def _numbers(right: pd.DataFrame, recall: pd.DataFrame, prices: pd.DataFrame) -> dict[str, float]:
    """Flat figures; those that are n/a are left out."""
    flat: dict[str, float] = {}
    for row in right[right["joints"] == "all"].to_dict("records"):
        name = f"compare/{row['one']}_{row['other']}/{row['kind']}"
        flat |= {f"{name}/{key}": float(row[key]) for key in ("only_one", "only_other", "p", "difference")}
    for row in recall.to_dict("records"):
        name = f"compare/{row['one']}_{row['other']}/{row['kind']}"
        flat[f"{name}/recall_difference_at_{row['rate']:g}"] = float(row["difference"])
    for row in prices.drop_duplicates(["one", "other", "kind"]).to_dict("records"):
        flat[f"compare/{row['one']}_{row['other']}/{row['kind']}/equal_cost_ratio"] = float(row["equal_at"])
    return {name: value for name, value in flat.items() if not math.isnan(value)}


def _share(prevalence: Mapping[str, float] | None) -> str:
    given = ", ".join(f"{WORDS[kind]} {share:g}" for kind, share in (prevalence or {}).items())
    return f"{given}, as given; else as in this set" if given else "as in this set"


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)
