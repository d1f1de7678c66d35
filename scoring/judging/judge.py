"""Let the detectors judge the joints, and write what they say into one table."""

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import COLUMNS, MEASURES, RULES, SCORES
from jointwise.models.bench import Bench, Judge
from jointwise.models.halves import widened
from jointwise.models.protocol import look
from jointwise.scoring.clock import Clock
from jointwise.scoring.cut import CutArray, Progress, silent

Answer = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
MISSING, REVIEW = "missing", "review"
OFF_THE_SCAN = "its surroundings reach beyond the edge of the scan"
WHICH_WAY = "parted; which way is not sure"
"""Reason of a joint that is called only for both ways of being parted together; its finding names the likelier one."""


def judge_array(
    cut: CutArray, bench: Bench, batch: int, progress: Progress = silent, clock: Clock | None = None
) -> pd.DataFrame:
    """The scored table: one row per site, columns of the schema; empty where there is nothing to say.

    Args:
        cut: sites and sub-volumes.
        bench: the detectors; each looks at every joint once.
        batch: joints handed over at once, as float32.
        progress: told after every batch.
        clock: told how long the detectors take.
    """
    clock = clock or Clock()
    table = cut.sites.copy()
    present = table["present"].to_numpy() == 1
    measured = np.full((len(table), len(MEASURES)), np.nan)
    apart = np.full(len(table), np.nan)
    answers = _asked(
        [judge for judge in (bench.learned, bench.rules) if judge], cut.joints, batch, progress, clock
    )
    for judge, names in ((bench.learned, SCORES), (bench.rules, RULES)):
        scores = np.full((len(table), len(KINDS)), np.nan)
        if judge is not None:
            scores[present], said, far = answers.pop(0)
            apart[present] = far if judge is bench.deciding else apart[present]
            # The deciding detector's measures; a column that it leaves wholly empty comes from the other.
            empty = np.isnan(measured).all(axis=0)
            measured[np.ix_(present, empty)] = said[:, empty]
        table[list(names)] = scores
    table[list(MEASURES)] = measured
    table["findings"] = _findings(table, bench, present)
    table["detector"] = bench.deciding.detector.name
    table["thresholds_id"] = bench.deciding.thresholds.identity
    known = bench.deciding.told(table, None if np.isnan(apart).all() else apart)
    reasons = _reasons(known, bench.deciding, present)
    table["out_of_envelope"] = [int(reason is not None) for reason in reasons]
    unsure = bench.deciding.thresholds.unsure_which(_deciding(table, bench), table)
    reasons = [reason or (WHICH_WAY if way else None) for reason, way in zip(reasons, unsure, strict=True)]
    # An abstention: the findings stay, somebody looks at the joint whatever they say.
    table["disposition"] = [REVIEW if reason is not None else None for reason in reasons]
    table["reason"] = reasons
    return table.reindex(columns=list(COLUMNS))


def suspicion(table: pd.DataFrame, bench: Bench) -> NDArray[np.float64]:
    """How suspicious each row is, for sorting: -1 nothing at all, 0 just at a threshold, 1 certain, 2 missing.

    The largest over the kinds of the score's distance from its threshold, each side scaled to one.
    """
    scores = _deciding(table, bench)
    limits = bench.deciding.thresholds.cuts(table, scores)
    above = (scores - limits) / np.maximum(1 - limits, 1e-9)
    below = (scores - limits) / np.maximum(limits, 1e-9)
    margin = np.where(scores >= limits, above, below)
    missing = table["present"].to_numpy() == 0
    margin[missing] = 2.0
    return np.asarray(margin.max(axis=1))


def _asked(judges: list[Judge], joints: Joints, batch: int, progress: Progress, clock: Clock) -> list[Answer]:
    """What each says of all joints. They go on side by side, so that none waits where another works on one core."""
    names = " and ".join(judge.detector.name for judge in judges)
    lock, done = threading.Lock(), [0] * len(judges)

    def ask(number: int) -> Answer:
        def tell(joints_done: int) -> None:
            with lock:
                done[number] = joints_done
                progress(f"joints judged by {names}", min(done), len(joints))

        return _ask(judges[number], joints, batch, tell)

    with clock.step(f"judged by {names}"), ThreadPoolExecutor(max(len(judges), 1)) as pool:
        return list(pool.map(ask, range(len(judges))))


def _ask(judge: Judge, joints: Joints, batch: int, tell: Callable[[int], None]) -> Answer:
    """Scores (n, 4), measures (n, 7) and distances from training (n,) of all joints; NaN where not told."""
    scores, measures = np.zeros((len(joints), len(KINDS))), np.full((len(joints), len(MEASURES)), np.nan)
    apart = np.full(len(joints), np.nan)
    for rows in _batches(len(joints), batch):
        found = look(judge.detector, _handed(joints, rows))
        scores[rows] = found.scores
        measures[rows] = found.measures.to_numpy(dtype=np.float64, na_value=np.nan)
        apart[rows] = np.nan if found.apart is None else found.apart
        tell(int(rows[-1]) + 1)
    return scores, measures, apart


def _deciding(table: pd.DataFrame, bench: Bench) -> NDArray[np.float64]:
    """Scores (n, 4) of the detector that decides."""
    names = SCORES if bench.learned is not None else RULES
    return np.asarray(table[list(names)], dtype=np.float64)


def _findings(table: pd.DataFrame, bench: Bench, present: NDArray[np.bool_]) -> list[str | None]:
    """Kinds at or over their threshold, `;`-separated; `missing`; nothing where nothing was found."""
    called = bench.deciding.thresholds.called(_deciding(table, bench), table)
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
    return Joints(widened(some.volumes), some.table, some.grid)
