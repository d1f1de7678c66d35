"""Blocks of the section on measures: operating points, threshold curves, and precision at another prevalence."""

from collections.abc import Mapping

import pandas as pd

from jointwise.evaluation import measured
from jointwise.evaluation.pictures.svg import to_svg
from jointwise.evaluation.pictures.threshold_curves import draw_threshold_curves
from jointwise.evaluation.report.cells import written
from jointwise.evaluation.report.section import Block, Column, Figure, Grid, Paragraph
from jointwise.evaluation.report.words import BOARDS_NOTE, WHO, WILSON_NOTE, WORDS, listed, stem, titled
from jointwise.evaluation.threshold_curves import FALSE_POSITIVE_RATES, curve_table, operating_points
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS


def threshold_blocks(verdicts: Verdicts, table: pd.DataFrame, chosen: Mapping[str, str]) -> list[Block]:
    """Operating points, what other cuts would have given, and the curves of every kind with a faulty joint.

    Args:
        verdicts: of one set.
        table: from :func:`~jointwise.evaluation.measured.measured_table`.
        chosen: detector -> how its cuts were chosen, in plain words.
    """
    curves = curve_table(verdicts)
    points = operating_points(table, curves)
    words = [f"{who}: {chosen[who]}" for who in verdicts.scores if who in chosen]
    told = (
        "How the cuts were chosen: " + "; ".join(words) if words else "How the cuts were chosen was not told"
    )
    grid = Grid(
        titled(points),
        (
            *WHO,
            Column("threshold", "lowest cut", "number"),
            Column("threshold_highest", "highest cut", "number"),
            Column("recall", "recall", "rate"),
            Column("false_positive_rate", "false-positive rate", "rate"),
            *(
                Column(f"recall_at_{rate:g}", f"recall at {100 * rate:g} % false positives", "rate")
                for rate in FALSE_POSITIVE_RATES
            ),
        ),
        "Operating points, and the recall that some cut would have given on this set at no more than a rate "
        "of false positives (joints without the kind that are called so). A cut may follow the noise of the "
        f"scan, hence lowest and highest. {WILSON_NOTE}; recall at a rate was read off this set's curve, is "
        "therefore a little too good, and has no interval; with fewer than 1000 joints without the kind, "
        "0.1 % means none.",
        stem("operating_points", verdicts),
    )
    return [Paragraph(f"{told}."), grid, *_pictures(curves, points)]


def _pictures(curves: pd.DataFrame, points: pd.DataFrame) -> list[Figure]:
    figures = []
    for kind in KINDS:
        own = points[points["kind"] == kind]
        if not own["faulty"].any():
            continue
        n, faulty = int(own["n"].iloc[0]), int(own["faulty"].iloc[0])
        title = f"{WORDS[kind]}: {faulty} faulty of {n} joints"
        picture = draw_threshold_curves(curves[curves["kind"] == kind], own, title)
        spots = listed(
            f"{row['detector']} at recall {written(row['recall'], 'rate')}, precision "
            f"{written(row['precision'], 'rate')} and false-positive rate {written(row['false_positive_rate'], 'rate')}"
            for row in own.to_dict("records")
        )
        caption = (
            f"Precision against recall, and recall against false-positive rate, for {title}. Markers: "
            "operating points. Staircases through every distinct score, without interpolation."
        )
        figures.append(
            Figure(to_svg(picture), caption, f"Threshold curves for {title}; operating points: {spots}.")
        )
    return figures


def prevalence_blocks(
    verdicts: Verdicts, found: Mapping[str, measured.Resampled], prevalence: Mapping[str, float]
) -> list[Block]:
    """Precision where kinds are as frequent as given, or a word on what is missing.

    Args:
        verdicts: of one set.
        found: from :func:`~jointwise.evaluation.measured.resampled`.
        prevalence: kind -> share of joints that have it.
    """
    if not prevalence:
        return [
            Paragraph(
                "Precision above holds for the share of faulty joints in this set. On a line with fewer "
                "faults the same detector's calls are right less often; give a prevalence per kind to see "
                "how often."
            )
        ]
    table = measured.prevalence_table(verdicts, found, prevalence)
    return [
        *_at_home(table),
        Grid(
            titled(table),
            (
                *WHO,
                Column("prevalence", "prevalence given", "number"),
                Column("share", "share in this set", "rate"),
                Column("faulty", "faulty", "count"),
                Column("not_faulty", "without the kind", "count"),
                Column("precision", "precision there", "rate"),
                Column("missed_ppm", "missed, ppm of joints", "ppm"),
                Column("false_call_ppm", "false positives, ppm of joints", "ppm"),
            ),
            "Precision restated by Bayes from recall and false-positive rate of this set, as if defects "
            f"were as severe as here but as frequent as given; {BOARDS_NOTE}. Where there was no false positive every "
            "draw of boards would give 1: there the interval is from Wilson's bounds of recall and of the "
            "false-positive rate.",
            stem("prevalence", verdicts),
        ),
    ]


def _at_home(table: pd.DataFrame) -> list[Paragraph]:
    """How often a call is right at the frequency given, a sentence for each kind."""
    found = []
    for kind, rows in table.groupby("kind", sort=False):
        each = [
            f"{row['detector']} "
            + (
                "calls none"
                if pd.isna(row["precision"])
                else f"{row['precision']:.3f} ({row['precision_low']:.3f} to {row['precision_high']:.3f})"
            )
            for row in rows.to_dict("records")
        ]
        share = f"{100 * rows['prevalence'].iloc[0]:.3g}"
        found.append(
            Paragraph(
                f"Where {share} % of the joints are {WORDS[str(kind)]}, as given, a call of it is right in "
                f"this share of calls: {listed(each)}; {rows['faulty'].iloc[0]} with and "
                f"{rows['not_faulty'].iloc[0]} without were judged.",
                "finding",
            )
        )
    return found
