"""The shortcut audit: can a trivial classifier guess a label from what was drawn before the fault, or from mass?

Domain document B7: if it can, a network will, and the generator has a bug. Predictions are out of fold with whole
boards held out. Only pairs of the same fold are compared: pooled over folds, the intercepts alone (high where the
held-out share is low) would push the AUC of a blameless feature below 0.5. Intervals come from a bootstrap of boards,
widened by the square root of 2: a chance agreement of two folds counts in both, once with either as the held-out one,
so under no effect the variance of the mean over folds is twice what the bootstrap of fixed predictions sees. In a
simulation without effect (80 sets of 2,000 joints on 100 boards, 40 features) 84 % of the intervals of the logistic
regression held 0.5 without that factor and 94 % with it; the tree's, 94 and 99 %.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import rankdata
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.tree import DecisionTreeClassifier

from jointwise.data_gen.nuisances import usable
from jointwise.joints.kinds import KINDS

BAND = (0.45, 0.55)
LEAST_JOINTS, LEAST_BOARDS = 2000, 100
LEAST_TO_NAME = 30
"""Boards from which on a single feature's standard error is good enough to call it a leak."""
FOLDS = 5
DRAWS = 2000
"""Bootstrap draws of boards."""
SHARED_FOLDS = math.sqrt(2.0)
"""Factor on the interval of predictions whose classifiers were trained on each other's held-out boards."""

Floats = NDArray[np.float64]


def classifiers() -> dict[str, Any]:
    """The trivial classifiers: logistic regression on standardised features and a tree of depth 4."""
    return {
        "logistic": make_pipeline(StandardScaler(), LogisticRegression(max_iter=1000)),
        "tree": DecisionTreeClassifier(max_depth=4, min_samples_leaf=20, random_state=0),
    }


def audit(
    sets: dict[str, pd.DataFrame],
    truth: Floats,
    boards: NDArray[Any],
    *,
    barred: tuple[str, ...],
    seed: int = 0,
) -> pd.DataFrame:
    """How well each classifier guesses each label from each set of features.

    Args:
        sets: name -> (n, features), without NaN.
        truth: (n, kinds) 1, 0 or NaN (not counted).
        boards: (n,) which board a joint is on.
        barred: sets whose AUC must stay within the band; the others are only reported.
        seed: of folds and bootstrap.

    Returns:
        One row per set, kind and classifier: auc with its 95 % interval (low, high), joints, faulty, boards,
        verdict (pass, fail, too few, reported) and note.
    """
    rows = []
    for name, features in sets.items():
        for k, kind in enumerate(KINDS):
            known = ~np.isnan(truth[:, k])
            columns = usable(list(features.columns), kind)
            values = features.loc[known, columns].to_numpy(float)
            for classifier, model in classifiers().items():
                row = _one(model, values, truth[known, k] > 0.5, boards[known], seed)
                row |= _verdict(row, name in barred, int(known.sum()), len(np.unique(boards[known])))
                rows.append({"features": name, "kind": kind, "classifier": classifier} | row)
    return pd.DataFrame(rows)


def single_features(features: pd.DataFrame, truth: Floats, boards: NDArray[Any]) -> pd.DataFrame:
    """AUC of every feature by itself, farthest from 0.5 first within each kind.

    Returns:
        Columns kind, feature, auc, se (clustered by board), z, and `leak`: |z| beyond what the largest of all these
        comparisons reaches by chance (5 %, Bonferroni).
    """
    rows = []
    for k, kind in enumerate(KINDS):
        known = ~np.isnan(truth[:, k])
        faulty, groups = truth[known, k] > 0.5, boards[known]
        for name in usable(list(features.columns), kind):
            auc, se = clustered_auc(features.loc[known, name].to_numpy(float), faulty, groups)
            z = (auc - 0.5) / se if se > 0 else math.nan
            rows.append({"kind": kind, "feature": name, "auc": auc, "se": se, "z": z})
    table = pd.DataFrame(rows)
    limit = NormalDist().inv_cdf(1.0 - 0.025 / max(len(table), 1))
    enough = len(np.unique(boards)) >= LEAST_TO_NAME
    table = table.assign(leak=(table["z"].abs() > limit) & enough, order=-(table["auc"] - 0.5).abs())
    table["place"] = table["kind"].map(KINDS.index)
    return table.sort_values(["place", "order"], kind="stable").drop(columns=["place", "order"])


def clustered_auc(score: Floats, faulty: NDArray[np.bool_], boards: NDArray[Any]) -> tuple[float, float]:
    """AUC over all pairs and its standard error clustered by board (Obuchowski 1997, from placement values).

    Args:
        score: (n,); faulty: (n,); boards: (n,) cluster of each joint.

    Returns:
        Both NaN where a class is empty.
    """
    n1, n0 = int(faulty.sum()), int((~faulty).sum())
    if not n1 or not n0:
        return math.nan, math.nan
    ranks, own = rankdata(score), np.empty(len(score))
    own[faulty], own[~faulty] = rankdata(score[faulty]), rankdata(score[~faulty])
    placed = np.where(faulty, (ranks - own) / n0, 1.0 - (ranks - own) / n1)
    auc = float(placed[faulty].mean())
    influence = (placed - auc) / np.where(faulty, n1, n0)
    _, group = np.unique(boards, return_inverse=True)
    sums = np.bincount(group, influence)
    clusters = len(sums)
    se = math.sqrt(clusters / (clusters - 1) * float((sums**2).sum())) if clusters > 1 else math.nan
    return auc, se


def held_out_scores(model: Any, values: Floats, faulty: NDArray[np.bool_], fold: NDArray[np.int64]) -> Floats:
    """Scores (n,) of joints by a classifier that saw only the other folds."""
    scores = np.zeros(len(values))
    for number in range(FOLDS):
        held = fold == number
        if held.any() and len(np.unique(faulty[~held])) == 2:
            model.fit(values[~held], faulty[~held])
            scores[held] = model.predict_proba(values[held])[:, 1]
    return scores


def board_folds(boards: NDArray[Any], seed: int) -> NDArray[np.int64]:
    """Fold (n,) of each joint; a board is in one fold."""
    _, group = np.unique(boards, return_inverse=True)
    order = np.random.default_rng(seed).permutation(int(group.max()) + 1)
    return np.asarray(order[group] % FOLDS, np.int64)


def pair_counts(
    scores: Floats, faulty: NDArray[np.bool_], group: NDArray[np.int64], fold: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """For boards a, b of one fold: pairs (faulty on a, sound on b) ranked right, ties half; and all such pairs.

    Returns:
        Two (boards, boards) arrays, zero between folds.
    """
    size = int(group.max()) + 1
    right, pairs = np.zeros((size, size)), np.zeros((size, size))
    for board in range(size):
        ours = scores[faulty & (group == board)]
        others = ~faulty & (fold == fold[group == board][0])
        if not len(ours) or not others.any():
            continue
        below = scores[others]
        wins = (ours[:, None] > below).sum(0) + 0.5 * (ours[:, None] == below).sum(0)
        right[board] = np.bincount(group[others], wins, size)
        pairs[board] = len(ours) * np.bincount(group[others], minlength=size)
    return right, pairs


def bootstrap_interval(
    right: Floats, pairs: Floats, seed: int, draws: int = DRAWS
) -> tuple[float, float, float]:
    """AUC and its 95 % interval when boards are drawn with replacement."""
    size = len(right)
    if not pairs.sum():
        return math.nan, math.nan, math.nan
    times = np.random.default_rng(seed).multinomial(size, np.full(size, 1.0 / size), draws).astype(float)
    whole = np.einsum("ij,ij->i", times @ pairs, times)
    found = np.einsum("ij,ij->i", times @ right, times)[whole > 0] / whole[whole > 0]
    low, high = (float(v) for v in np.percentile(found, (2.5, 97.5)))
    return float(right.sum() / pairs.sum()), low, high


def _one(
    model: Any, values: Floats, faulty: NDArray[np.bool_], boards: NDArray[Any], seed: int
) -> dict[str, Any]:
    names, group = np.unique(boards, return_inverse=True)
    fold = board_folds(boards, seed)
    scores = held_out_scores(model, values, faulty, fold)
    auc, low, high = bootstrap_interval(*pair_counts(scores, faulty, group, fold), seed)
    low, high = (float(np.clip(auc + SHARED_FOLDS * (end - auc), 0.0, 1.0)) for end in (low, high))
    counts = {"joints": len(faulty), "faulty": int(faulty.sum()), "boards": len(names)}
    return {"auc": auc, "low": low, "high": high, **counts}


def _verdict(row: dict[str, Any], barred: bool, joints: int, boards: int) -> dict[str, str]:
    """Pass only when the whole interval lies within the band and there are joints and boards enough to say so."""
    low, high = row["low"], row["high"]
    if not barred:
        return {"verdict": "reported", "note": ""}
    if math.isnan(low):
        return {"verdict": "too few", "note": "a class is empty"}
    if joints < LEAST_JOINTS or boards < LEAST_BOARDS:
        return {"verdict": "too few", "note": ""}
    if BAND[0] < low and high < BAND[1]:
        return {"verdict": "pass", "note": ""}
    leak = low > 0.5 or high < 0.5
    return {"verdict": "fail", "note": "leak" if leak else "interval too wide: more boards"}


def expected_half_width(joints: int, prevalence: float, design_effect: float = 1.0) -> float:
    """Half width of the 95 % interval of an AUC of 0.5 (Hanley and McNeil 1982, Mann-Whitney under no effect).

    Args:
        joints: how many; prevalence: share of faulty ones; design_effect: variance over that of independent joints.

    Example:
        >>> [round(expected_half_width(n, 0.2), 3) for n in (800, 2000, 5000)]
        [0.05, 0.032, 0.02]
    """
    n1, n0 = joints * prevalence, joints * (1.0 - prevalence)
    return 1.959964 * math.sqrt(design_effect * (joints + 1) / (12.0 * n1 * n0))
