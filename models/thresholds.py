"""From scores to calls: the score at or above which a kind is called, chosen on validation joints.

The same function serves every detector, so that none is judged at a cut another had no chance to get.
"""

import hashlib
import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, N_KINDS
from jointwise.models.settings import ThresholdSettings

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Thresholds:
    """One cut per kind, and what it was chosen from.

    Args:
        values: per kind in the order of KINDS, in (0, 1].
        criterion: as in ThresholdSettings.
        false_calls: the limit, where the criterion is one; else None.
        with_kind: validation joints that have the kind.
        without_kind: validation joints that do not.
    """

    values: tuple[float, ...]
    criterion: str
    false_calls: float | None
    with_kind: tuple[int, ...]
    without_kind: tuple[int, ...]

    def __post_init__(self) -> None:
        lengths = {len(self.values), len(self.with_kind), len(self.without_kind)}
        if lengths != {N_KINDS} or not all(0 < value <= 1 for value in self.values):
            raise InputError(
                f"expected one threshold above 0 and at most 1 for each of {', '.join(KINDS)}, "
                f"found {list(self.values)}; choose them on validation joints again"
            )

    @property
    def identity(self) -> str:
        """Short name of exactly these cuts, for the column `thresholds_id`."""
        text = json.dumps(self.to_json(), sort_keys=True)
        return f"{self.criterion}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"

    def array(self) -> Floats:
        """The cuts, (4,)."""
        return np.asarray(self.values, dtype=np.float64)

    def called(self, scores: Floats) -> NDArray[np.bool_]:
        """Which kinds are called, (n, 4), for scores (n, 4); a NaN score calls nothing."""
        with np.errstate(invalid="ignore"):
            return np.asarray(scores >= self.array())

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary of numbers and names."""
        return {
            "criterion": self.criterion,
            "false_calls": self.false_calls,
            "values": dict(zip(KINDS, self.values, strict=True)),
            "with_kind": dict(zip(KINDS, self.with_kind, strict=True)),
            "without_kind": dict(zip(KINDS, self.without_kind, strict=True)),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Thresholds":
        """Inverse of :meth:`to_json`.

        Raises:
            KeyError, TypeError, ValueError: a part is missing or of another type.
            InputError: a value is no threshold.
        """
        limit = data["false_calls"]
        return cls(
            tuple(float(data["values"][kind]) for kind in KINDS),
            str(data["criterion"]),
            None if limit is None else float(limit),
            tuple(int(data["with_kind"][kind]) for kind in KINDS),
            tuple(int(data["without_kind"][kind]) for kind in KINDS),
        )


def choose_thresholds(truth: Floats, scores: Floats, settings: ThresholdSettings) -> Thresholds:
    """Choose one cut per kind on validation joints.

    A cut always lies midway between two neighbouring distinct scores (0 and 1 count as such), so that no joint sits on
    it, and a score of exactly 0 is never called. With criterion `f1`: the cut with the best F1; of equally good ones
    that with most room around it. With `false_calls`: the lowest cut that calls at most that share of the joints
    without the kind. Where no joint has the kind, F1 says nothing, and the cut is the lowest that calls none of them.

    Args:
        truth: (n, 4) of 1, 0 or NaN (not counted).
        scores: (n, 4) in [0, 1].
        settings: the criterion and its limit.

    Raises:
        InputError: shapes differ, a counted score is not in [0, 1], or a kind has no joint with known truth.
    """
    _check(truth, scores)
    columns = [(truth[:, k], scores[:, k]) for k in range(N_KINDS)]
    counted = [(t[~np.isnan(t)] > 0.5, s[~np.isnan(t)]) for t, s in columns]
    limit = settings.false_calls if settings.criterion == "false_calls" else None
    return Thresholds(
        tuple(_cut(y, s, limit) for y, s in counted),
        settings.criterion,
        limit,
        tuple(int(y.sum()) for y, _ in counted),
        tuple(int((~y).sum()) for y, _ in counted),
    )


def _check(truth: Floats, scores: Floats) -> None:
    if truth.shape != scores.shape or truth.ndim != 2 or truth.shape[1] != N_KINDS:
        raise InputError(f"expected truth and scores (n, {N_KINDS}), found {truth.shape} and {scores.shape}")
    known = ~np.isnan(truth)
    with np.errstate(invalid="ignore"):
        bad = known & ~((scores >= 0) & (scores <= 1))
    if bad.any():
        raise InputError(
            f"expected scores from 0 to 1 for every joint with known truth, found {int(bad.sum())} others; "
            "score the validation joints again"
        )
    empty = [kind for kind, column in zip(KINDS, known.T, strict=True) if not column.any()]
    if empty:
        raise InputError(
            f"expected validation joints with known truth of {', '.join(empty)}, found none; "
            "generate more boards or label some joints"
        )


def _cut(positive: NDArray[np.bool_], scores: Floats, limit: float | None) -> float:
    """The cut of one kind; `limit` None asks for the best F1."""
    levels = np.unique(np.concatenate([[0.0], scores, [1.0]]))
    cuts, room = (levels[1:] + levels[:-1]) / 2, np.diff(levels)
    hits = np.array([np.count_nonzero(positive & (scores >= cut)) for cut in cuts])
    false = np.array([np.count_nonzero(~positive & (scores >= cut)) for cut in cuts])
    if limit is not None or not positive.any():
        allowed = (limit or 0.0) * np.count_nonzero(~positive)
        within = np.flatnonzero(false <= allowed)
        # Scores of exactly 1 leave no cut between them and 1: then the cut is 1 itself.
        return float(cuts[within[0]]) if len(within) else 1.0
    f1 = 2 * hits / (hits + false + positive.sum())
    best = np.flatnonzero(f1 == f1.max())
    return float(cuts[best[np.argmax(room[best])]])
