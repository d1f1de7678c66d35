"""The report's part on calibration: may a score be read as a probability, and would a refit on validation help."""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd
from scipy import special

from jointwise.evaluation.pictures.reliability_picture import reliability_picture
from jointwise.evaluation.pictures.svg import to_svg
from jointwise.evaluation.report.abstention import abstention_table
from jointwise.evaluation.report.section import Block, Column, Figure, Grid, Paragraph, Section
from jointwise.evaluation.report.words import counted, listed
from jointwise.evaluation.statistics.bootstrap import (
    FEWEST_BOARDS,
    METHOD,
    BoardInterval,
    Resampling,
    interval,
    resampled_sums,
)
from jointwise.evaluation.statistics.calibration import (
    BINS,
    Calibrated,
    judge_calibration,
    reliability_bins,
)
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.models.calibration import METHODS, fit_calibration

FEWEST: Final = 20
"""Joints with, and without, a kind under which a calibration error is said to tell nothing."""
SMALLEST: Final = 1e-6
"""Scores are kept so far from 0 and 1 before they are turned back into logits."""
AS_IS: Final = "as it is"

INTRODUCTION: Final = (
    "A score is calibrated if, of all joints given 0.8, eight of ten truly have the kind. The diagrams set the "
    f"share with the kind against the mean score in {BINS} bins of equal width, (low, high]; bars are Wilson 95 "
    "%. The expected calibration error (ECE) is the mean distance from the diagonal, weighted by joints; `by "
    "chance` is what exactly true scores would show with as many joints. The Brier score is the mean of (score "
    "- truth)²: 0 is perfect; reliability adds to it, resolution takes from it, and saying the kind's share "
    "every time scores the uncertainty."
)
INTERVALS: Final = (
    f"Intervals: 95 %, {METHOD}, 2,000 draws, bins held; that of an ECE is moved down by the draws' own bias. "
    "The share of a kind in a set moves its calibration: scores that are true where a kind is common are too "
    "high where it is rare."
)
KIND: Final = (
    Column("set", "set"),
    Column("kind_title", "kind"),
    Column("detector", "detector"),
)
NUMBERS: Final = (
    *KIND,
    Column("n", "joints", "count"),
    Column("positives", "with the kind", "count"),
    Column("ece", "ECE", "rate"),
    Column("chance", "by chance", "rate"),
    Column("ece_adaptive", "ECE, bins of equal count", "rate"),
    Column("brier", "Brier score", "rate"),
    Column("reliability", "reliability", "rate"),
    Column("resolution", "resolution", "rate"),
    Column("uncertainty", "uncertainty", "rate"),
    Column("skill", "skill", "rate"),
)
REFITS: Final = (
    *KIND,
    Column("method", "scores"),
    Column("fitted_on", "fitted on", "count"),
    Column("n", "judged on", "count"),
    Column("ece", "ECE", "rate"),
    Column("brier", "Brier score", "rate"),
    Column("brier_change", "Brier score less that of the scores as they are", "number"),
)


def calibration_section(
    verdicts: Verdicts | Sequence[Verdicts], validation: Verdicts | None = None
) -> Section:
    """Reliability, calibration error and Brier score of every detector and kind; refits where validation joints are.

    Args:
        verdicts: the sets that are judged.
        validation: joints on which refits may be fitted, by the same detectors; without, those rows of each set whose
            `split` is validation. Joints of the splits train and validation are never judged where others are there.
    """
    sets = [verdicts] if isinstance(verdicts, Verdicts) else list(verdicts)
    judged_sets = [_parts(one, validation)[0] for one in sets]
    rows: list[dict[str, object]] = []
    refits: list[dict[str, object]] = []
    figures: list[Block] = []
    notes: list[Block] = []
    for one in sets:
        held_out, fitting = _parts(one, validation)
        notes += _notes(one, held_out)
        resampling = _resampling(held_out)
        for k, kind in enumerate(KINDS):
            judged = {who: judge(held_out, who, k, resampling) for who in held_out.scores}
            rows += [_row(one.name, kind, who, found) for who, found in judged.items()]
            if any(found.n for found in judged.values()):
                figures.append(_figure(held_out, k, judged))
        refits += _refits(held_out, fitting, resampling) if fitting is not None else []
    blocks: list[Block] = [
        Paragraph(INTRODUCTION),
        Paragraph(INTERVALS),
        *notes,
        *_findings(rows, len(sets) > 1),
    ]
    if rows:
        blocks.append(
            Grid(
                pd.DataFrame(rows),
                NUMBERS[len(sets) < 2 :],
                f"Calibration of every kind. Intervals: {METHOD}.",
                "calibration",
            )
        )
    if any(one.scores for one in judged_sets):
        blocks.append(abstention_table(judged_sets, len(sets) > 1))
    blocks += [*figures, *_refit_blocks(refits, len(sets) > 1)]
    numbers = {
        f"{row['set']}.{row['detector']}.{row['kind']}.{name}": float(str(row[name]))
        for row in rows
        for name in ("ece", "brier")
        if math.isfinite(float(str(row[name])))
    }
    return Section("Whether scores are probabilities", "calibration", blocks, numbers)


def judge(verdicts: Verdicts, detector: str, k: int, resampling: Resampling) -> Calibrated:
    """Calibration of one kind (by its place in KINDS)."""
    known = verdicts.known[:, k]
    return judge_calibration(
        verdicts.truth[known, k], verdicts.scores[detector][known, k], verdicts.boards[known], resampling
    )


def refitted(
    fitting: Verdicts, judged: Verdicts, detector: str, method: str
) -> tuple[Floats, tuple[int, ...]]:
    """Scores (n, 4) of the judged joints after a refit on other joints, and on how many each kind was fitted."""
    truth = np.where(fitting.known, fitting.truth, np.nan)
    fit = fit_calibration(truth, _logits(fitting.scores[detector]), method)
    scores = fit(_logits(judged.scores[detector]))
    # A kind that could not be fitted keeps its scores to the last digit.
    return np.where(np.array(fit.counted) > 0, scores, judged.scores[detector]), fit.counted


def _logits(scores: Floats) -> Floats:
    return np.asarray(special.logit(np.clip(np.nan_to_num(scores, nan=0.5), SMALLEST, 1 - SMALLEST)))


def _parts(one: Verdicts, validation: Verdicts | None) -> tuple[Verdicts, Verdicts | None]:
    """The joints that are judged, and those on which a refit may be fitted."""
    if "split" not in one.table:
        return one, validation
    split = one.table["split"].astype(str).to_numpy()
    seen = np.isin(split, ("train", "validation"))
    own = (
        one.take(split == "validation")
        if validation is None and (split == "validation").any()
        else validation
    )
    return (one, validation) if seen.all() else (one.take(~seen), own)


def _notes(one: Verdicts, held_out: Verdicts) -> Iterator[Paragraph]:
    if (
        "split" in held_out.table
        and np.isin(held_out.table["split"].astype(str), ("train", "validation")).any()
    ):
        yield Paragraph(
            f"“{one.name}” holds only joints that detectors were fitted on: its calibration flatters.",
            "warning",
        )
    boards = len(np.unique(held_out.boards))
    if boards < FEWEST_BOARDS:
        yield Paragraph(
            f"“{one.name}”: {counted(boards, 'board')}; intervals from under {FEWEST_BOARDS} are too narrow "
            f"to be relied on.",
            "warning",
        )


def _resampling(verdicts: Verdicts) -> Resampling:
    return Resampling(int(verdicts.boards.max(initial=-1)) + 1)


def _row(name: str, kind: str, detector: str, found: Calibrated) -> dict[str, object]:
    return {
        "set": name, "kind": kind, "kind_title": TITLES[kind], "detector": detector, "n": found.n,
        "positives": found.positives, "boards": found.boards, **_spread("ece", found.error), "chance": found.chance,
        **_spread("ece_adaptive", found.error_adaptive), **_spread("brier", found.brier_interval),
        "reliability": found.brier.reliability, "resolution": found.brier.resolution,
        "uncertainty": found.brier.uncertainty, "within": found.brier.within, "skill": found.brier.skill,
    }  # fmt: skip


def _spread(name: str, found: BoardInterval) -> dict[str, float]:
    return {name: found.value, f"{name}_low": found.low, f"{name}_high": found.high}


def _few(row: Mapping[str, object]) -> bool:
    n, positives = int(str(row["n"])), int(str(row["positives"]))
    return min(positives, n - positives) < FEWEST


def _findings(rows: Sequence[Mapping[str, object]], several: bool) -> Iterator[Paragraph]:
    """Of each detector: how far the scores of each kind lie off; kinds with too few joints to tell."""
    for name, who in dict.fromkeys((row["set"], row["detector"]) for row in rows):
        own = [row for row in rows if (row["set"], row["detector"]) == (name, who)]
        told = [row for row in own if not _few(row)]
        few = [str(row["kind_title"]) for row in own if _few(row)]
        said = [
            f"{row['kind_title']} {row['ece']:.3f} ({row['ece_low']:.3f} to {row['ece_high']:.3f}, exact scores "
            f"would show {row['chance']:.3f})"
            for row in told
        ]
        what = f"“{name}”, {who}" if several else str(who)
        n = sorted({int(str(row["n"])) for row in told})
        joints = f", {' to '.join(map(str, dict.fromkeys((n[0], n[-1]))))} joints" if n else ""
        text = (
            f"{what}{joints}: on average scores differ from the share that truly has the kind by {listed(said)}."
            if said
            else f"{what}:"
        )
        rest = f" Too few joints with or without (under {FEWEST}) to tell: {listed(few)}." if few else ""
        yield Paragraph(text + rest, "finding" if said else "warning")


def _figure(verdicts: Verdicts, k: int, judged: Mapping[str, Calibrated]) -> Figure:
    known, drawn = verdicts.known[:, k], {}
    for who, found in judged.items():
        bins = reliability_bins(verdicts.truth[known, k], verdicts.scores[who][known, k])
        drawn[who] = (f"{who}: ECE {found.error.value:.3f}, Brier {found.brier.score:.3f}", bins)
    kind, n = TITLES[KINDS[k]], int(known.sum())
    positives = next(iter(judged.values())).positives
    return Figure(
        to_svg(reliability_picture(drawn, kind)),
        f"“{verdicts.name}”: reliability of {kind}, n = {n}, {positives} have it. Marks: mean score and share of each "
        "bin with Wilson 95 % (independent joints); below: joints in each bin, logarithmic.",
        f"Share of joints with {kind} over the score given: {'; '.join(words for words, _ in drawn.values())}.",
    )


def _refits(held_out: Verdicts, fitting: Verdicts, resampling: Resampling) -> Iterator[dict[str, object]]:
    """Rows of every detector and kind: the scores as they are and after each refit, on the same draws of boards."""
    for who in held_out.scores:
        if who not in fitting.scores:
            continue
        tried: dict[str, tuple[Floats, tuple[int, ...]]] = {AS_IS: (held_out.scores[who], (0,) * len(KINDS))}
        tried |= {method: refitted(fitting, held_out, who, method) for method in METHODS}
        for k, kind in enumerate(KINDS):
            known = held_out.known[:, k]
            truth, boards = held_out.truth[known, k], held_out.boards[known]
            if not len(truth):
                continue
            before = tried[AS_IS][0][known, k]
            for method, (scores, fitted) in tried.items():
                found = judge_calibration(truth, scores[known, k], boards, resampling)
                change = _change(truth, before, scores[known, k], boards, resampling)
                yield {
                    "set": held_out.name, "kind": kind, "kind_title": TITLES[kind], "detector": who, "method": method,
                    "fitted_on": fitted[k] if method != AS_IS else math.nan, "n": found.n,
                    **_spread("ece", found.error), **_spread("brier", found.brier_interval),
                    **_spread("brier_change", change),
                }  # fmt: skip


def _change(
    truth: Floats, before: Floats, after: Floats, boards: Bools, resampling: Resampling
) -> BoardInterval:
    """Brier score after less before, on the same draws."""
    weights = resampling.weights
    with np.errstate(divide="ignore", invalid="ignore"):
        sums = resampled_sums((after - truth) ** 2 - (before - truth) ** 2, boards, weights)
        mean = sums / resampled_sums(np.ones(len(truth)), boards, weights)
    return interval(mean, len(np.unique(boards)))


def _refit_blocks(refits: Sequence[Mapping[str, object]], several: bool) -> Iterator[Block]:
    if not refits:
        yield Paragraph(
            "No validation joints were given, so no refit was tried. A refit may only use joints that nothing is "
            "judged on."
        )
        return
    tries = sum(row["method"] != AS_IS for row in refits)
    better: dict[str, list[str]] = {}
    for row in refits:
        if float(str(row["brier_change_high"])) < 0:
            where = f"{row['set']}, " if several else ""
            better.setdefault(f"{where}{row['detector']}, {row['kind_title']}", []).append(str(row["method"]))
    told = "; ".join(f"{what} ({', '.join(methods)})" for what, methods in better.items())
    yield Paragraph(
        "Refits on validation joints that surely (95 %) lower the Brier score on the judged ones: "
        f"{told or 'none'}. Of {tries} tried, about one in forty would be named by chance.",
        "finding",
    )
    yield Grid(
        pd.DataFrame(refits), REFITS[not several :],
        "Scores as they are and refitted on validation joints only (platt: a line; temperature: a factor; isotonic: a "
        f"rising curve), judged on other joints. Intervals: {METHOD}, the same draws for all.",
        "calibration_refits",
    )  # fmt: skip
