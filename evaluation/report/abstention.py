"""The report's table on abstention: what is left wrong, and how true scores are, if a detector may pass on joints."""

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
import pandas as pd

from jointwise.evaluation.report.section import Column, Grid
from jointwise.evaluation.statistics.measures import Bools, Floats, any_kind, escapes, ratio, wilson
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import N_KINDS
from jointwise.models.calibration import calibration_error

SHARES: Final = (0.95, 0.9, 0.8, 0.5)
EDGE: Final = 1e-6
"""Scores and cuts are kept so far from 0 and 1 before their log odds are compared."""

COLUMNS: Final = (
    Column("set", "set"),
    Column("detector", "detector"),
    Column("kept", "judged"),
    Column("n", "joints", "count"),
    Column("share", "of all", "rate"),
    Column("wrong", "wrong in some kind", "rate"),
    Column("escaped", "faulty ones that escape", "rate"),
    Column("false", "sound ones called", "rate"),
    Column("ece", "calibration error, mean over kinds", "rate"),
)
CAPTION: Final = (
    "What is left wrong if a detector may pass joints on to a person. Inside: joints of scans like those of its "
    "training. The surest: those whose nearest score lies farthest from its cut, in log odds. Wrong: a kind is called "
    "falsely or missed, of joints with a known kind. Calibration error: in ten bins of equal count, mean over kinds. "
    "Ranges: Wilson 95 %, joints taken as independent."
)


def abstention_table(sets: Sequence[Verdicts], several: bool) -> Grid:
    """One row for all joints, for those inside what each detector knows, and for the surest shares of all."""
    rows = [row for one in sets for who in one.scores for row in _rows(one, who)]
    return Grid(pd.DataFrame(rows), COLUMNS[not several :], CAPTION, "abstention")


def doubt(scores: Floats, cuts: Floats) -> Floats:
    """How near joints (n,) come to another call: the least distance of their log odds from a cut, turned round.

    Args:
        scores, cuts: (n, 4); a cut of infinity never calls and leaves no doubt.
    """
    p, c = np.clip(scores, EDGE, 1 - EDGE), np.clip(cuts, EDGE, 1 - EDGE)
    apart = np.abs(np.log(p / (1 - p)) - np.log(c / (1 - c)))
    return np.asarray(-np.where(np.isinf(cuts), np.inf, apart).min(axis=1))


def _rows(one: Verdicts, who: str) -> Iterator[dict[str, object]]:
    there = one.present & one.known.any(axis=1)
    yield _row(one, who, "all", there, there)
    if who in one.outside:
        yield _row(one, who, "inside", there & ~one.outside[who], there)
    how = doubt(np.where(there[:, None], one.scores[who], 0.0), one.cuts[who])
    order = np.argsort(how[there], kind="stable")
    places = np.flatnonzero(there)[order]
    for share in SHARES:
        kept = np.zeros(len(there), dtype=np.bool_)
        kept[places[: round(share * len(places))]] = True
        yield _row(one, who, f"the surest {100 * share:g} %", kept, there)


def _row(one: Verdicts, who: str, name: str, kept: Bools, there: Bools) -> dict[str, object]:
    """What is left of one detector among the joints it keeps."""
    called, truth = one.calls(who)[kept], np.where(one.known, one.truth, np.nan)[kept]
    wrong = ((called != (truth == 1)) & ~np.isnan(truth)).any(axis=1)
    escape, false = escapes(truth, called, np.ones(len(truth)))
    faulty = any_kind(truth, np.ones(len(truth)))
    errors = [calibration_error(truth[:, k], one.scores[who][kept, k]) for k in range(N_KINDS)]
    n = int(kept.sum())
    return {
        "set": one.name, "detector": who, "kept": name, "n": n, "share": ratio(n, int(there.sum())),
        **_rate("wrong", int(wrong.sum()), n), **_rate("escaped", int(escape.sum()), int((faulty == 1).sum())),
        **_rate("false", int(false.sum()), int((faulty == 0).sum())),
        "ece": float(np.mean(errors)) if n else float("nan"),
    }  # fmt: skip


def _rate(name: str, part: int, whole: int) -> dict[str, float]:
    low, high = wilson(part, whole)
    return {name: ratio(part, whole), f"{name}_low": low, f"{name}_high": high}
