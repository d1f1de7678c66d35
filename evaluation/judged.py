"""Detectors on joints with known truth: scores, tables and the picture, from one batch of joints."""

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from jointwise.evaluation.pictures import contact_sheet
from jointwise.evaluation.statistics.measures import Floats
from jointwise.evaluation.table import escape_table, per_kind_table, write_tables
from jointwise.joints.atomic import replacing
from jointwise.joints.batch import Joints
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import IDENTITY, present_array, truth_array
from jointwise.models.bench import Bench

PIECE = 64
SCORES_FILE, PICTURE = "scores.parquet", "contact_sheet.png"

Tell = Callable[[int, int, str], None]


class Judged(NamedTuple):
    """Joints, what each detector says of them, and how far that is right.

    Args:
        joints: the batch.
        scores: detector -> (n, 4) in [0, 1].
        thresholds: detector -> (n, 4), the cut that holds for each joint.
        per_kind, escapes: the two tables of :mod:`jointwise.evaluation.table`.
    """

    joints: Joints
    scores: dict[str, Floats]
    thresholds: dict[str, Floats]
    per_kind: pd.DataFrame
    escapes: pd.DataFrame


def judge(joints: Joints, bench: Bench, tell: Tell) -> Judged:
    """Let every detector score the joints and tabulate what that is worth.

    Args:
        joints: with truth in the table.
        bench: the detectors.
        tell: told after every few joints how far it is.
    """
    scores = scores_of(joints, bench, tell)
    thresholds = {name: one.thresholds.cuts(joints.table) for name, one in bench.judges.items()}
    truth, present = truth_array(joints.table), present_array(joints.table)
    per_kind = per_kind_table(truth, present, scores, thresholds)
    return Judged(joints, scores, thresholds, per_kind, escape_table(truth, present, scores, thresholds))


def scores_of(joints: Joints, bench: Bench, tell: Tell) -> dict[str, Floats]:
    """What every detector says of the joints, detector -> (n, 4) in [0, 1].

    Args:
        joints: truth is not needed.
        bench: the detectors.
        tell: told after every few joints how far it is.
    """
    judges = bench.judges
    scores: dict[str, Floats] = {name: np.empty((len(joints), len(KINDS))) for name in judges}
    total = len(joints) * len(judges)
    for place, (name, one) in enumerate(judges.items()):
        for start in range(0, len(joints), PIECE):
            rows = np.arange(start, min(start + PIECE, len(joints)))
            scores[name][rows] = one.detector.score(joints.take(rows))
            tell(place * len(joints) + int(rows[-1]) + 1, total, name)
    return scores


def write_evaluation(judged: Judged, folder: Path, title: str) -> list[Path]:
    """Write both tables as CSV and Parquet, every joint's scores, and the contact sheet; returns the files.

    Args:
        judged: from :func:`judge`.
        folder: made if absent; files of the same names are replaced.
        title: over the picture.
    """
    files = write_tables(judged.per_kind, judged.escapes, folder)
    with replacing(folder / SCORES_FILE) as aside:
        score_table(judged).to_parquet(aside, index=False)
    sheet = contact_sheet.contact_sheet(judged.joints, judged.scores, judged.thresholds, title=title)
    return [*files, folder / SCORES_FILE, contact_sheet.save(sheet, folder / PICTURE)]


def score_table(judged: Judged) -> pd.DataFrame:
    """One row per joint: who it is, its truth, and each detector's scores as `DETECTOR_KIND`."""
    names = [name for name in (*IDENTITY, "present", *KINDS) if name in judged.joints.table]
    table = judged.joints.table[names].copy()
    for detector, scores in judged.scores.items():
        table[[f"{detector}_{kind}" for kind in KINDS]] = scores
    return table
