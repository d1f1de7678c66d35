"""What every possible threshold would have given: recall, precision and false-positive rate along the scores."""

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from jointwise.evaluation.statistics.measures import shares
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS

FALSE_POSITIVE_RATES: Final = (0.001, 0.01, 0.02, 0.05)
"""Shares of the joints without the kind at which recall is tabulated (our choice)."""


def curve(truth: ArrayLike, score: ArrayLike) -> pd.DataFrame:
    """One row per distinct score, highest first, as if every joint from it on were called.

    Args:
        truth: (n,) 0 or 1.
        score: (n,) finite.

    Returns:
        Columns threshold, called, tp, fp, recall, precision, false_positive_rate (share of the joints without the
        kind); NaN where there is no joint to be right or wrong about.
    """
    faulty, value = np.asarray(truth, dtype=np.float64), np.asarray(score, dtype=np.float64)
    order = np.argsort(-value, kind="stable")
    ends = np.flatnonzero(np.diff(value[order], append=-np.inf) != 0)
    called, tp = ends + 1.0, np.cumsum(faulty[order])[ends]
    fp = called - tp
    return pd.DataFrame(
        {
            "threshold": value[order][ends],
            "called": called.astype(np.int64),
            "tp": tp.astype(np.int64),
            "fp": fp.astype(np.int64),
            "recall": shares(tp, faulty.sum()),
            "precision": shares(tp, called),
            "false_positive_rate": shares(fp, len(faulty) - faulty.sum()),
        }
    )


def curve_table(verdicts: Verdicts) -> pd.DataFrame:
    """The curves of every kind and detector below each other: kind, detector and the columns of :func:`curve`."""
    parts = []
    for k, kind in enumerate(KINDS):
        rows = verdicts.known[:, k]
        for detector, score in verdicts.scores.items():
            one = curve(verdicts.truth[rows, k], score[rows, k])
            parts.append(one.assign(kind=kind, detector=detector))
    if not parts:
        return curve([], []).assign(kind="", detector="")
    return pd.concat(parts, ignore_index=True)


def operating_points(per_kind: pd.DataFrame, curves: pd.DataFrame) -> pd.DataFrame:
    """Where each detector stands on its curve, and what it could find at given false-positive rates.

    Args:
        per_kind: :func:`~jointwise.evaluation.table.per_kind_table` of the same joints, or more columns and rows.
        curves: from :func:`curve_table`.

    Returns:
        The rows of single kinds, and recall_at_X for every X of FALSE_POSITIVE_RATES: the highest recall of the curve
        at no more than that share of false positives.
    """
    one_kind = per_kind[per_kind["kind"].isin(KINDS)].reset_index(drop=True)
    parts = dict(list(curves.groupby(["kind", "detector"])))
    reached = [
        {
            f"recall_at_{rate:g}": recall_at(parts[key], rate) if key in parts else float("nan")
            for rate in FALSE_POSITIVE_RATES
        }
        for key in zip(one_kind["kind"], one_kind["detector"], strict=True)
    ]
    return pd.concat([one_kind, pd.DataFrame(reached, index=one_kind.index)], axis=1)


def recall_at(one: pd.DataFrame, false_positive_rate: float) -> float:
    """The highest recall of a curve at no more than a false-positive rate; NaN where it has no recall or no rate.

    Args:
        one: from :func:`curve`.
        false_positive_rate: 0 to 1.
    """
    if one["recall"].isna().all() or one["false_positive_rate"].isna().all():
        return float("nan")
    allowed = one["recall"][one["false_positive_rate"] <= false_positive_rate]
    return float(allowed.max()) if len(allowed) else 0.0
