"""The report's part on detection curves: from which size on a flaw is found 9 times of 10, and how surely."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from jointwise.evaluation.pictures.pod_picture import MOST_POINTS, Drawn, pod_picture
from jointwise.evaluation.pictures.svg import to_svg
from jointwise.evaluation.report.pod_words import numbered, pod_findings
from jointwise.evaluation.report.section import Block, Column, Figure, Grid, Paragraph, Section
from jointwise.evaluation.report.words import counted
from jointwise.evaluation.statistics.bootstrap import FEWEST_BOARDS
from jointwise.evaluation.statistics.pod import LEAST_TARGETS, Curve, NoCurve
from jointwise.evaluation.statistics.pod_boards import a90_of_boards
from jointwise.evaluation.statistics.pod_checks import (
    SURE,
    best_curve,
    goodness,
    lasting_misses,
    most_misses,
    proves,
)
from jointwise.evaluation.targets import SIZE_MEASURES, VOID_LIMIT_PCT, SizeMeasure, Targets, targets
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import TITLES

ROUNDS: Final = 1000
FEWEST_PROOF: Final = 29
"""Targets without a miss that prove a POD of 0.9: the largest group must hold as many to prove anything."""

INTRODUCTION: Final = (
    "A target is a joint that truly has the flaw, of known size; a hit is a call of that kind: a score at or above the "
    "detector's own cut. The curve gives the probability of detection (POD) over the size, fitted to hits and misses "
    "by maximum likelihood after MIL-HDBK-1823A and ASTM E2862 (logit, or probit where its AIC is lower by more "
    "than 2). a90 is the size found 9 times of 10; a90/95 is its upper one-sided 95 % bound by the profile "
    "likelihood: the figure to rely on. Where sound joints are called too, their share is the curve's floor "
    "(taken as known). Joints whose truth is marginal or unknown are left out."
)
INDEPENDENCE: Final = (
    "These bounds take joints as independent. Joints of one board share scan, noise and process, so true bounds "
    f"are wider. Beside a90 stands the 95 % interval from drawing whole boards anew ({ROUNDS} draws, sizes in "
    f"100 bins); with under {FEWEST_BOARDS} boards it is left out. "
    "Even of independent targets the bound is kept in 92 to 93 % of repetitions, not 95 %, with 60 to 120 of them "
    "(simulated)."
)
VOIDS: Final = (
    f"Voids count as targets from the smallest on, although only those that cover {VOID_LIMIT_PCT:g} % of the "
    "joint's largest cross-section are labelled and wanted: a low POD below that is intended. Diameter: of the "
    "disc as large as the largest void's shadow, ball diameter · √(void_largest_pct / 100), the nominal ball "
    "standing for the largest cross-section."
)
BRIDGES: Final = (
    "A bridge counts once, not as two joints, and is found where at least one of its joints is called; a chain "
    "of joined joints is one bridge, as thick as its thickest neck. The same bridges are counted among the measures."
)
NUMBERS: Final = (
    Column("set", "set"),
    Column("kind_title", "kind"),
    Column("size", "size"),
    Column("detector", "detector"),
    Column("n", "targets", "count"),
    Column("misses", "missed", "count"),
    Column("a50", "a50", "number"),
    Column("a90", "a90", "number"),
    Column("a90_95", "a90/95", "number"),
    Column("note", "note"),
)

FITTED: Final = ("a50", "a90", "a90_95", "intercept", "slope", "log_likelihood", "smallest", "largest")


@dataclass(frozen=True)
class Judged:
    """Everything that is said of one detector and size."""

    targets: Targets
    result: Curve | NoCurve
    row: dict[str, object]


def pod_section(verdicts: Verdicts | Sequence[Verdicts]) -> Section:
    """Detection curves of every detector against every size that the sets hold."""
    sets = [verdicts] if isinstance(verdicts, Verdicts) else list(verdicts)
    rows: list[dict[str, object]] = []
    figures = []
    numbers: dict[str, float] = {}
    for one in sets:
        for measure in SIZE_MEASURES:
            judged = {who: j for who in one.scores if (j := judge(one, who, measure)) is not None}
            rows += [j.row for j in judged.values()]
            numbers |= dict(_tracked(one.name, measure, judged))
            if measure.drawn and any(len(j.targets.size) for j in judged.values()):
                figures.append(_figure(one, measure, judged))
    blocks: list[Block] = [Paragraph(text) for text in (INTRODUCTION, INDEPENDENCE, VOIDS, BRIDGES)]
    if rows:
        notes = numbered(rows)
        blocks += pod_findings(rows, len(sets) > 1)
        blocks.append(_grid(rows, len(sets) > 1))
        blocks += [Paragraph(f"Note {number}: {text}.") for number, text in enumerate(notes, 1)]
    else:
        blocks.append(Paragraph("No set holds sizes of flaws, so there is no curve to draw.", "warning"))
    return Section("From which size on flaws are found", "detection-curves", [*blocks, *figures], numbers)


def judge(verdicts: Verdicts, detector: str, measure: SizeMeasure) -> Judged | None:
    """The curve of a detector against a size, or why there is none; None where the set does not hold that size."""
    found = targets(verdicts, detector, measure)
    if found is None:
        return None
    result, ahead = best_curve(found.size, found.hit, found.floor)
    row: dict[str, object] = {
        "set": verdicts.name, "kind": measure.kind, "kind_title": TITLES[measure.kind], "measure": measure.name,
        "size": f"{measure.title}, {measure.unit}", "title": measure.title, "unit": measure.unit, "detector": detector,
        "n": len(found.size), "small_missed": found.small_missed,
        "hits": int(found.hit.sum()), "misses": int(np.sum(~found.hit)), "boards": len(np.unique(found.boards)),
        "unknown_label": found.unknown_label, "unknown_size": found.unknown_size,
        "false_calls": found.false_calls, "sound": found.sound,
        **dict.fromkeys((*FITTED, "a90_low", "a90_high"), math.nan),
        "limits": [], "link": "",
        "aic_logit_less_probit": ahead, "fit_deviance": math.nan, "fit_df": math.nan, "fit_p": math.nan,
        "refused": result.key if isinstance(result, NoCurve) else "",
        "reason": result.reason if isinstance(result, NoCurve) else "",
    }  # fmt: skip
    remarks = [result.reason] if isinstance(result, NoCurve) else _numbers_of(result, found, row)
    if found.unknown_label:
        remarks.append(f"{found.unknown_label} of undecided truth left out")
    if found.unknown_size:
        remarks.append(f"{found.unknown_size} of unknown size left out")
    row |= _proof(found, measure.unit)
    if row["refused"] == "floor_too_high":
        row["proven"] = False  # calling nearly everything finds everything
    if row["proven"] or row["refused"]:
        remarks.append(str(row["proof"]))
    row["remarks"] = remarks
    return Judged(found, result, row)


def _numbers_of(curve: Curve, found: Targets, row: dict[str, object]) -> list[str]:
    """Fill a row with a curve's figures; returns what limits them."""
    for name in (*FITTED, "link"):
        row[name] = getattr(curve, name)
    if row["boards"] >= FEWEST_BOARDS:  # type: ignore[operator]
        row["a90_low"], row["a90_high"] = a90_of_boards(found.size, found.hit, found.boards, curve, ROUNDS)
    fit, lasting = goodness(found.size, found.hit, curve), lasting_misses(found.size, found.hit, curve)
    remarks, limits = [], []
    if curve.n < LEAST_TARGETS:
        limits.append(f"under {LEAST_TARGETS} targets")
        remarks.append(f"only {curve.n} targets, {LEAST_TARGETS} are asked for")
    if curve.extrapolated:
        remarks.append(
            f"POD does not reach 0.9 up to the largest target ({curve.largest:.3g}): a90 is extrapolated"
        )
    elif curve.bound_extrapolated:
        remarks.append(f"a90/95 lies beyond the largest target ({curve.largest:.3g}): extrapolated")
    if fit is None:
        remarks.append("too few to test the fit")
    else:
        row["fit_deviance"], row["fit_df"], row["fit_p"] = fit
        if fit.p < SURE:
            limits.append("the curve does not fit")
            remarks.append(
                f"the curve does not fit (deviance {fit.deviance:.1f} with {fit.df} degrees of freedom)"
            )
    if lasting:
        group, expected = lasting
        limits.append("misses last among the largest")
        remarks.append(
            f"misses last: of the {group.n} largest {group.n - group.hits} were missed where the curve expects "
            f"{expected:.1f}"
        )
    row["limits"] = limits
    return remarks


def _proof(found: Targets, unit: str) -> dict[str, object]:
    """What the largest targets prove on their own: a quarter of all, 29 at least."""
    n = len(found.size)
    if n < FEWEST_PROOF:
        text = f"{counted(n, 'target')} cannot prove a POD of 0.9 at any size ({FEWEST_PROOF} without a miss would)"
        return {"proven": False, "top": math.nan, "top_n": 0, "top_misses": 0, "proof": text}
    limit = float(np.sort(found.size)[-max(FEWEST_PROOF, n // 4)])
    top = found.size >= limit
    count, misses = int(top.sum()), int(np.sum(~found.hit[top]))
    proven = proves(count, misses)
    text = (
        f"{misses} missed of the {count} from {limit:.3g} {unit} on: {'proves' if proven else 'does not prove'} a POD "
        f"of 0.9 at 95 % among such sizes (at most {most_misses(count)} may be missed)"
    )
    return {"proven": proven, "top": limit, "top_n": count, "top_misses": misses, "proof": text}


def _grid(rows: Sequence[dict[str, object]], several: bool) -> Grid:
    caption = (
        "Detection curves. a50, a90 and a90/95 in the unit of the size; in brackets beside a90 the 95 % interval by "
        "drawing boards anew. Where no curve is given, its note below says why. The table's file also holds which "
        "curve was fitted, its test (deviance of groups of similar size, not corrected for joints of one board) and "
        "the calls on sound joints."
    )
    columns = NUMBERS if several else NUMBERS[1:]
    kept = [row | {name: "; ".join(row[name]) for name in ("remarks", "limits")} for row in rows]  # type: ignore[arg-type]
    return Grid(pd.DataFrame(kept), columns, caption, "detection_curves")


def _figure(verdicts: Verdicts, measure: SizeMeasure, judged: Mapping[str, Judged]) -> Figure:
    drawn = {who: Drawn(j.targets.size, j.targets.hit, j.result) for who, j in judged.items()}
    limit = VOID_LIMIT_PCT if measure.name == "void_area_pct" else None
    kind, most = TITLES[measure.kind], max(len(j.targets.size) for j in judged.values())
    said = "; ".join(f"{who} {_said(j)}" for who, j in judged.items())
    thinned = (
        f" Of more than {MOST_POINTS} found or missed, an even choice is drawn." if most > MOST_POINTS else ""
    )
    return Figure(
        to_svg(pod_picture(drawn, measure.title, measure.unit, limit)),
        f"“{verdicts.name}”: {kind} against {measure.title} ({measure.unit}), n = {most}. Thick: POD; thin: lower "
        "one-sided 95 % bound by the profile. Bars: share found in groups of similar size, Wilson 95 %. Filled "
        f"mark at 0.9: a90, open mark: a90/95. Top and bottom: targets found and missed.{thinned}",
        f"Probability that {kind} is detected over {measure.title} in {measure.unit}: {said}.",
    )


def _said(judged: Judged) -> str:
    curve = judged.result
    if isinstance(curve, NoCurve):
        return f"no curve, {curve.reason}"
    return f"a90 {curve.a90:.3g}, a90/95 {curve.a90_95:.3g}, {curve.n} targets, {curve.misses} missed"


def _tracked(name: str, measure: SizeMeasure, judged: Mapping[str, Judged]) -> Iterator[tuple[str, float]]:
    for who, j in judged.items():
        if isinstance(j.result, Curve):
            for key in ("a90", "a90_95"):
                if math.isfinite(value := getattr(j.result, key)):
                    yield f"{name}.{who}.{measure.name}.{key}", value
