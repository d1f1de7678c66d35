"""Detectors of one evaluation set against each other, pair by pair, on the same joints.

Frames of figures from :class:`~jointwise.evaluation.verdicts.Verdicts`; what they say in words is
:mod:`jointwise.evaluation.report.compare`.
"""

import math
from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from jointwise.evaluation.statistics import cost, measures
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.statistics.paired import (
    DRAWS,
    draw_boards,
    paired,
    percentiles,
    recall_at,
    recalls_at,
    right,
    share_difference,
)
from jointwise.evaluation.table import ANY
from jointwise.evaluation.verdicts import KEY, Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS

RATES: Final = (0.01, 0.05, 0.1)
"""False-positive rates at which recall is compared."""
SHOWN_RATIOS: Final = (1.0, 10.0, 100.0, 1000.0)
NOBODY: Final = "not told apart"
GROUPS: Final = ("all", "faulty", "sound")


class Question(NamedTuple):
    """One kind's truth and what each detector calls, or whether a joint is faulty at all.

    Args:
        kind: one of KINDS, or `any`.
        truth: (n,) 1, 0 or NaN (not counted).
        called: detector -> (n,).
        scores: detector -> (n,); for `any` how far the most suspicious kind lies beyond its cut, see :func:`suspicion`.
    """

    kind: str
    truth: Floats
    called: Mapping[str, Bools]
    scores: Mapping[str, Floats]


def questions(verdicts: Verdicts) -> list[Question]:
    """One per kind, and `any` at the end."""
    truth = np.where(verdicts.known, verdicts.truth, np.nan)
    calls = {who: verdicts.calls(who) for who in verdicts.scores}
    every = [
        Question(
            kind,
            truth[:, k],
            {who: called[:, k] for who, called in calls.items()},
            {who: np.asarray(score)[:, k] for who, score in verdicts.scores.items()},
        )
        for k, kind in enumerate(KINDS)
    ]
    whole = measures.any_kind(truth, verdicts.present)
    called = {who: np.asarray(each.any(axis=1)) for who, each in calls.items()}
    return [*every, Question(ANY, whole, called, {who: suspicion(verdicts, who) for who in calls})]


def suspicion(verdicts: Verdicts, detector: str) -> Floats:
    """How suspicious each joint is to a detector, (n,): -1 not at all, from 0 on it calls something, 1 certain.

    The largest over the kinds of the score's distance from its cut, each side scaled to one.
    """
    score, cut = np.asarray(verdicts.scores[detector]), np.asarray(verdicts.cuts[detector])
    ever = np.isfinite(cut)
    limit = np.where(ever, cut, 1.0)
    above, below = (score - limit) / np.maximum(1 - limit, 1e-9), (score - limit) / np.maximum(limit, 1e-9)
    margin = np.where(score >= limit, above, below)
    return np.asarray(np.where(ever, margin, -1.0).max(axis=1))


def pairs(verdicts: Verdicts) -> list[tuple[str, str]]:
    """Every two detectors, in their order."""
    return list(combinations(verdicts.scores, 2))


def mcnemar_table(verdicts: Verdicts, draws: int = DRAWS) -> pd.DataFrame:
    """Who is right about how many joints, kind by kind.

    Returns:
        Per pair, kind and group of joints (all, those with the kind, those without): one, other, kind, joints, n,
        both_right, only_one, only_other, neither, discordant, p (exact McNemar, joints taken as independent),
        difference of the share right (one less other) with _low and _high (95 %, bootstrap over boards).
    """
    weights, boards = draw_boards(verdicts.boards, draws), verdicts.boards
    rows: list[dict[str, Any]] = []
    for (one, other), asked in _every(verdicts):
        a, b = (right(asked.truth, asked.called[who]) for who in (one, other))
        parts = (~np.isnan(asked.truth), asked.truth == 1, asked.truth == 0)
        for group, part in zip(GROUPS, parts, strict=True):
            left, over = np.where(part, a, np.nan), np.where(part, b, np.nan)
            found = paired(left, over)
            value, (low, high) = share_difference(left, over, boards, weights)
            rows.append(
                {
                    "one": one, "other": other, "kind": asked.kind, "joints": group, "n": found.n,
                    "both_right": found.both, "only_one": found.only_one, "only_other": found.only_other,
                    "neither": found.neither, "discordant": found.discordant, "p": found.p,
                    "difference": value, "difference_low": low, "difference_high": high,
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def recall_table(verdicts: Verdicts, rates: Sequence[float] = RATES, draws: int = DRAWS) -> pd.DataFrame:
    """Recall of both at the same false-positive rates, each with the best cut within the rate.

    Returns:
        Per pair, kind and rate: one, other, kind, rate, faulty, sound, allowed (false positives the rate allows),
        recall_one, recall_other, difference (one less other) with _low and _high (95 %, bootstrap over boards, the same
        boards for both, cuts chosen anew in each draw).
    """
    weights, boards = draw_boards(verdicts.boards, draws), verdicts.boards
    drawn = {
        (asked.kind, who): recalls_at(asked.truth, score, rates, boards, weights)
        for asked in questions(verdicts)
        for who, score in asked.scores.items()
    }
    rows: list[dict[str, Any]] = []
    for (one, other), asked in _every(verdicts):
        for place, rate in enumerate(rates):
            values = {who: recall_at(asked.truth, asked.scores[who], rate) for who in (one, other)}
            gap = drawn[asked.kind, one][:, place] - drawn[asked.kind, other][:, place]
            low, high = percentiles(gap)
            sound = int(np.count_nonzero(asked.truth == 0))
            rows.append(
                {
                    "one": one, "other": other, "kind": asked.kind, "rate": rate,
                    "faulty": int(np.count_nonzero(asked.truth == 1)), "sound": sound,
                    "allowed": math.floor(rate * sound * (1 + 1e-12)),
                    "recall_one": values[one], "recall_other": values[other],
                    "difference": values[one] - values[other], "difference_low": low, "difference_high": high,
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def cost_curves(verdicts: Verdicts, prevalence: Mapping[str, float] | None = None) -> pd.DataFrame:
    """Expected cost of a joint over the ratio of prices, in units of one false positive.

    Args:
        verdicts: of the detectors.
        prevalence: kind -> share of joints with it where the detectors will be used; of others the set's share counts.

    Returns:
        Per kind, detector and ratio: kind, detector, ratio, shipped (at the shipped cuts), best (at the best cut for
        that ratio, chosen on these very joints, which flatters), trivial (the cheaper of calling all or none).
    """
    frames = []
    for asked in questions(verdicts):
        share = (prevalence or {}).get(asked.kind)
        trivial = _trivial(asked, verdicts, share)
        for who, called in asked.called.items():
            shipped = cost.expected_cost(_errors(asked, called, verdicts).total, cost.RATIOS, share)[0]
            best = cost.best_cost(asked.truth, asked.scores[who], cost.RATIOS, share)
            columns = {"ratio": cost.RATIOS, "shipped": shipped, "best": best, "trivial": trivial}
            frames.append(pd.DataFrame({"kind": asked.kind, "detector": who, **columns}))
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def cost_table(
    verdicts: Verdicts, prevalence: Mapping[str, float] | None = None, draws: int = DRAWS
) -> pd.DataFrame:
    """Which of two detectors is cheaper at the shipped cuts, over the ratio of prices.

    Args:
        verdicts: of both.
        prevalence: as for :func:`cost_curves`.
        draws: bootstrap draws.

    Returns:
        Per pair, kind and ratio of statistics.cost.RATIOS: one, other, kind, ratio, n, cost_one, cost_other, difference
        (one less other) with _low and _high (95 %, bootstrap over boards), trivial (calling all joints or none, the
        cheaper), cheaper (a name, or "not told apart" where the interval holds 0), equal_at (ratio at which both cost
        the same; NaN where one is cheaper at every ratio).
    """
    weights = draw_boards(verdicts.boards, draws)
    frames = []
    for (one, other), asked in _every(verdicts):
        share = (prevalence or {}).get(asked.kind)
        found = [_errors(asked, asked.called[who], verdicts) for who in (one, other)]
        costs = [cost.expected_cost(part.total, cost.RATIOS, share)[0] for part in found]
        drawn = [cost.expected_cost(part.weighted(weights), cost.RATIOS, share) for part in found]
        ends = [percentiles(column) for column in (drawn[0] - drawn[1]).T]
        low, high = (np.array([end[i] for end in ends]) for i in (0, 1))
        frames.append(
            pd.DataFrame(
                {
                    "one": one, "other": other, "kind": asked.kind, "ratio": cost.RATIOS,
                    "n": int(np.count_nonzero(~np.isnan(asked.truth))),
                    "cost_one": costs[0], "cost_other": costs[1], "difference": costs[0] - costs[1],
                    "difference_low": low, "difference_high": high,
                    "trivial": _trivial(asked, verdicts, share),
                    "cheaper": np.where(high < 0, one, np.where(low > 0, other, NOBODY)),
                    "equal_at": cost.equal_cost_ratio(found[0], found[1], share),
                }
            )
        )  # fmt: skip
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def discordant(verdicts: Verdicts, one: str, other: str) -> pd.DataFrame:
    """The joints about which exactly one of two detectors is right, kind by kind, the clearest first.

    Args:
        verdicts: of both.
        one, other: names of detectors.

    Returns:
        Per joint and kind: row (in the verdicts), the joint's key, kind, truth (1 or 0), right and wrong (names), what
        (`missed` or `called in vain`, of the wrong one), right_score, right_cut, wrong_score, wrong_cut. Sorted by kind
        and by how far the wrong one's score lies on the wrong side of its cut.

    Raises:
        InputError: an unknown detector, or twice the same.
    """
    for who in (one, other):
        if who not in verdicts.scores or one == other:
            raise InputError(
                f"expected two of the detectors {', '.join(verdicts.scores)}, found {one} and {other}; choose others"
            )
    truth, key = np.where(verdicts.known, verdicts.truth, np.nan), [k for k in KEY if k in verdicts.table]
    frames = []
    for k, kind in enumerate(KINDS):
        a, b = (right(truth[:, k], verdicts.calls(who)[:, k]) for who in (one, other))
        rows = np.flatnonzero((a != b) & ~np.isnan(truth[:, k]))
        first = a[rows] == 1
        pick = {who: (verdicts.scores[who][rows, k], verdicts.cuts[who][rows, k]) for who in (one, other)}
        sides = [np.where(side, pick[one][i], pick[other][i]) for side in (first, ~first) for i in (0, 1)]
        columns = {
            "kind": kind,
            "truth": truth[rows, k],
            "right": np.where(first, one, other),
            "wrong": np.where(first, other, one),
            "what": np.where(truth[rows, k] == 1, "missed", "called in vain"),
        }
        frame = verdicts.table.loc[rows, key].assign(
            **columns,
            **dict(zip(("right_score", "right_cut", "wrong_score", "wrong_cut"), sides, strict=True)),
        )
        frame.insert(0, "row", rows)
        far = np.abs(frame["wrong_score"] - frame["wrong_cut"]).to_numpy()
        frames.append(frame.iloc[np.argsort(-far, kind="stable")])
    return pd.concat(frames, ignore_index=True)


def _every(verdicts: Verdicts) -> list[tuple[tuple[str, str], Question]]:
    asked = questions(verdicts)
    return [(pair, one) for pair in pairs(verdicts) for one in asked]


def _trivial(asked: Question, verdicts: Verdicts, prevalence: float | None) -> Floats:
    """Cost of calling every joint or none, whichever is cheaper, (ratios,)."""
    ends = [_errors(asked, np.full(len(verdicts), called), verdicts).total for called in (True, False)]
    return np.asarray(np.minimum(*(cost.expected_cost(end, cost.RATIOS, prevalence)[0] for end in ends)))


def _errors(asked: Question, called: Bools, verdicts: Verdicts) -> cost.Errors:
    return cost.errors(asked.truth, called, verdicts.boards)
