"""Let the detectors judge the joints, and write what they say into one table."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import COLUMNS, MEASURES, RULES, SCORES
from jointwise.models.bench import Bench, Judge
from jointwise.scoring.cut import CutArray, Progress, silent

MISSING, REVIEW = "missing", "review"
OFF_THE_SCAN = "its surroundings reach beyond the edge of the scan"


def judge_array(cut: CutArray, bench: Bench, batch: int, progress: Progress = silent) -> pd.DataFrame:
    """The scored table: one row per site, columns of the schema; empty where there is nothing to say.

    Args:
        cut: sites and sub-volumes.
        bench: the detectors.
        batch: joints handed over at once, as float32.
        progress: told after every batch.
    """
    table = cut.sites.copy()
    present = table["present"].to_numpy() == 1
    for judge, names in ((bench.learned, SCORES), (bench.rules, RULES)):
        scores = np.full((len(table), len(KINDS)), np.nan)
        if judge is not None:
            scores[present] = _score(judge, cut.joints, batch, progress)
        table[list(names)] = scores
    table[list(MEASURES)] = _measures(bench, cut.joints, present, batch)
    table["findings"] = _findings(table, bench, present)
    table["detector"] = bench.deciding.detector.name
    table["thresholds_id"] = bench.deciding.thresholds.identity
    reasons = _reasons(table, bench.deciding, present)
    table["out_of_envelope"] = [int(reason is not None) for reason in reasons]
    # An abstention: the findings stay, somebody looks at the joint whatever they say.
    table["disposition"] = [REVIEW if reason is not None else None for reason in reasons]
    table["reason"] = reasons
    return table.reindex(columns=list(COLUMNS))


def suspicion(table: pd.DataFrame, bench: Bench) -> NDArray[np.float64]:
    """How suspicious each row is, for sorting: -1 nothing at all, 0 just at a threshold, 1 certain, 2 missing.

    The largest over the kinds of the score's distance from its threshold, each side scaled to one.
    """
    names = SCORES if bench.learned is not None else RULES
    scores, limits = table[list(names)].to_numpy(dtype=np.float64), bench.deciding.thresholds.cuts(table)
    above = (scores - limits) / np.maximum(1 - limits, 1e-9)
    below = (scores - limits) / np.maximum(limits, 1e-9)
    margin = np.where(scores >= limits, above, below)
    missing = table["present"].to_numpy() == 0
    margin[missing] = 2.0
    return np.asarray(margin.max(axis=1))


def _score(judge: Judge, joints: Joints, batch: int, progress: Progress) -> NDArray[np.float64]:
    scores = np.zeros((len(joints), len(KINDS)))
    for rows in _batches(len(joints), batch):
        scores[rows] = judge.detector.score(_handed(joints, rows))
        progress(f"joints judged by {judge.detector.name}", int(rows[-1]) + 1, len(joints))
    return scores


def _measures(bench: Bench, joints: Joints, present: NDArray[np.bool_], batch: int) -> pd.DataFrame:
    """The deciding detector's measures; a column it leaves wholly empty comes from the other."""
    measured = pd.DataFrame(np.nan, index=np.arange(len(present)), columns=list(MEASURES))
    for judge in bench.judges.values():
        empty = [name for name in MEASURES if measured[name].isna().all()]
        if not empty:
            break
        parts = [judge.detector.measure(_handed(joints, rows)) for rows in _batches(len(joints), batch)]
        if parts:
            said = pd.concat(parts, ignore_index=True)[empty].to_numpy(dtype=np.float64, na_value=np.nan)
            measured.loc[present, empty] = said
    return measured


def _findings(table: pd.DataFrame, bench: Bench, present: NDArray[np.bool_]) -> list[str | None]:
    """Kinds at or over their threshold, `;`-separated; `missing`; nothing where nothing was found."""
    names = SCORES if bench.learned is not None else RULES
    called = bench.deciding.thresholds.called(table[list(names)].to_numpy(dtype=np.float64), table)
    words = [";".join(kind for kind, yes in zip(KINDS, row, strict=True) if yes) for row in called]
    return [(word or None) if there else MISSING for word, there in zip(words, present, strict=True)]


def _reasons(table: pd.DataFrame, judge: Judge, present: NDArray[np.bool_]) -> list[str | None]:
    """Why each present joint must be looked at: unlike what the detector was trained on, or cut by the scan's edge."""
    leaves = ~table["in_field"].to_numpy(dtype=bool)
    said = [
        "; ".join(filter(None, [OFF_THE_SCAN if edge else "", why]))
        for edge, why in zip(leaves, judge.reasons(table), strict=True)
    ]
    return [(words or None) if there else None for words, there in zip(said, present, strict=True)]


def _batches(n: int, batch: int) -> list[NDArray[np.int64]]:
    return [np.arange(first, min(first + batch, n)) for first in range(0, n, batch)]


def _handed(joints: Joints, rows: NDArray[np.int64]) -> Joints:
    some = joints.take(rows)
    return Joints(some.volumes.astype(np.float32), some.table, some.grid)
