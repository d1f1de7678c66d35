"""From scores to calls: the score at or above which a kind is called, chosen on validation joints.

The same function serves every detector, so that none is judged at a cut another had no chance to get. Noise moves the
scores of sound joints, so a cut may depend on it: validation joints are split into classes by the noise of their scan,
each with cuts of its own. A joint's noise is 1/cnr, the noise in units of the contrast of solder over air.
"""

import hashlib
import json
import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, N_KINDS
from jointwise.models.parted import BOTH, WAYS, eased, parted_score, parted_truth
from jointwise.models.recall_first import guarded_cut, share_cuts, share_cuts_parted
from jointwise.models.settings import ThresholdSettings
from jointwise.models.sizes import LIMIT_PCT

Floats = NDArray[np.float64]

AREA: Final = "void_projected_area_pct"

NEAR_PCT: Final = 3.0
"""Projected void area above which a sound joint is near the limit."""

PURPOSES: Final = {
    "f1": "misses and false calls of a kind weigh alike: best F1 of each kind",
    "false_calls": "find as much as a limit allows: each kind calls at most {limit} of the joints without it",
    "guarded_f1": "best F1 of each kind, but each calls at most {limit} of the plainly sound joints",
    "recall_first": "recall first: find as much as a limit allows, at most {limit} of the sound joints called at all",
}

GUARDED: Final = " (calls of voids of {near:g} to {limit:g} % of the area not counted)"
"""What the purpose says of a guard band."""

PerKind = tuple[float, ...]
Counts = tuple[int, ...]


@dataclass(frozen=True)
class Thresholds:
    """One cut per kind in each class of noise, and what they were chosen from.

    Args:
        values: for each class, cleanest first, one cut per kind in the order of KINDS, in (0, 1].
        criterion: as in ThresholdSettings.
        false_calls: the limit, where the criterion is one; else None.
        with_kind: for each class, validation joints that have the kind.
        without_kind: for each class, validation joints that do not.
        edges: noise (1/cnr) up to which a class reaches, rising; one less than there are classes.
        floor: score below which nothing is called.
        parted: for each class, the sum of the scores of both ways of being parted from which the likelier one is
            called, see models/parted.py; empty: there is no such rule.
        void_guard: as in ThresholdSettings.
    """

    values: tuple[PerKind, ...]
    criterion: str
    false_calls: float | None
    with_kind: tuple[Counts, ...]
    without_kind: tuple[Counts, ...]
    edges: tuple[float, ...] = ()
    floor: float = 0.0
    parted: PerKind = ()
    void_guard: float = 0.0

    def __post_init__(self) -> None:
        lengths = {len(row) for rows in (self.values, self.with_kind, self.without_kind) for row in rows}
        numbers = [value for row in self.values for value in row]
        if lengths != {N_KINDS} or not all(0 < value <= 1 for value in numbers):
            raise InputError(
                f"expected one threshold above 0 and at most 1 for each of {', '.join(KINDS)}, "
                f"found {[list(row) for row in self.values]}; choose them on validation joints again"
            )
        classes = {len(self.values), len(self.with_kind), len(self.without_kind), len(self.edges) + 1}
        if len(classes) > 1 or not _rise(self.edges):
            raise InputError(
                f"expected thresholds of {len(self.values)} noise classes with rising noise between them, found edges "
                f"{list(self.edges)}; choose them on validation joints again"
            )
        if self.parted and not (
            len(self.parted) == len(self.values) and all(0 < cut <= BOTH for cut in self.parted)
        ):
            raise InputError(
                f"expected one threshold above 0 and at most 2 for parted joints in each of {len(self.values)} noise "
                f"classes, found {list(self.parted)}; choose them on validation joints again"
            )

    @property
    def identity(self) -> str:
        """Short name of exactly these cuts, for the column `thresholds_id`."""
        text = json.dumps(self.to_json(), sort_keys=True)
        return f"{self.criterion}-{hashlib.sha256(text.encode()).hexdigest()[:8]}"

    @property
    def purpose(self) -> str:
        """What these cuts are for, in words."""
        words = PURPOSES.get(self.criterion, self.criterion)
        band = GUARDED.format(near=LIMIT_PCT - self.void_guard, limit=LIMIT_PCT) if self.void_guard else ""
        return words.format(limit=f"{100 * (self.false_calls or 0):g} %") + band + ", on validation joints"

    def classes(self, table: pd.DataFrame) -> NDArray[np.int64]:
        """Noise class (n,) of each joint, 0 the cleanest, by its column `cnr`.

        A joint noisier than all validation joints, or of unknown noise, is in the noisiest class.
        """
        return _classes(self.edges, noise_of(table))

    def cuts(self, table: pd.DataFrame, scores: Floats | None = None) -> Floats:
        """The cuts that hold for each joint of a table, (n, 4).

        Args:
            table: the joints.
            scores: (n, 4): given these, the cuts that call exactly what :meth:`called` says; without, those of the
                kinds alone.
        """
        classes = self.classes(table)
        cuts = np.asarray(self.values, dtype=np.float64)[classes]
        if scores is None or not self.parted:
            return cuts
        return eased(cuts, scores, np.asarray(self.parted, dtype=np.float64)[classes])

    def called(self, scores: Floats, table: pd.DataFrame) -> NDArray[np.bool_]:
        """Which kinds are called, (n, 4), for scores (n, 4) of a table's joints; a NaN score calls nothing."""
        with np.errstate(invalid="ignore"):
            return np.asarray(scores >= self.cuts(table, scores))

    def unsure_which(self, scores: Floats, table: pd.DataFrame) -> NDArray[np.bool_]:
        """Joints (n,) called parted only for the sum of both ways of being so: which way is not sure."""
        alone, cuts = self.cuts(table), self.cuts(table, scores)
        with np.errstate(invalid="ignore"):
            return np.asarray(((scores >= cuts) & (cuts < alone)).any(axis=1))

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary of numbers and names; of a single class the one that versions without classes wrote."""
        rows = [
            {
                "values": dict(zip(KINDS, values, strict=True)),
                "with_kind": dict(zip(KINDS, with_kind, strict=True)),
                "without_kind": dict(zip(KINDS, without_kind, strict=True)),
            }
            | ({"parted": self.parted[number]} if self.parted else {})
            for number, (values, with_kind, without_kind) in enumerate(
                zip(self.values, self.with_kind, self.without_kind, strict=True)
            )
        ]
        rule: dict[str, Any] = {"criterion": self.criterion, "false_calls": self.false_calls}
        if self.floor:
            rule["floor"] = self.floor
        if self.void_guard:
            rule["void_guard"] = self.void_guard
        return rule | (rows[0] if len(rows) == 1 else {"edges": list(self.edges), "classes": rows})

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Thresholds":
        """Inverse of :meth:`to_json`; a card without noise classes gives one.

        Raises:
            KeyError, TypeError, ValueError: a part is missing or of another type.
            InputError: a value is no threshold.
        """
        limit, rows = data["false_calls"], data.get("classes", [data])
        return cls(
            tuple(tuple(float(row["values"][kind]) for kind in KINDS) for row in rows),
            str(data["criterion"]),
            None if limit is None else float(limit),
            tuple(tuple(int(row["with_kind"][kind]) for kind in KINDS) for row in rows),
            tuple(tuple(int(row["without_kind"][kind]) for kind in KINDS) for row in rows),
            tuple(float(edge) for edge in data.get("edges", [])),
            float(data.get("floor", 0.0)),
            tuple(float(row["parted"]) for row in rows) if "parted" in rows[0] else (),
            float(data.get("void_guard", 0.0)),
        )


def noise_of(table: pd.DataFrame) -> Floats:
    """Noise in units of the contrast, 1/cnr, (n,): 0 where there is no noise, infinite where it is not known."""
    if "cnr" not in table:
        return np.full(len(table), np.inf)
    cnr = table["cnr"].to_numpy(dtype=np.float64, na_value=np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(cnr > 0, 1 / cnr, np.inf))


def choose_thresholds(
    truth: Floats, scores: Floats, settings: ThresholdSettings, table: pd.DataFrame | None = None
) -> Thresholds:
    """Choose one cut per kind, in each class of noise, on validation joints.

    A cut always lies midway between two neighbouring distinct scores (0 and 1 count as such), so that no joint sits on
    it, and a score of exactly 0 is never called. With criterion `f1`: the cut with the best F1; of equally good ones
    that with most room around it. With `false_calls`: the lowest cut that calls at most that share of the joints
    without the kind. With `guarded_f1`: the higher of the best F1's cut and the lowest that calls at most that share of
    the joints of :func:`plainly_sound`: without such joints nothing is raised. With `recall_first`: those of
    :mod:`~jointwise.models.recall_first`. Where no joint has the kind, F1 says
    nothing, and the cut is the lowest that calls none of them.
    No cut lies below the floor: where a scan is clean, the lowest cut within a limit is that of the first sound joint.

    Args:
        truth: (n, 4) of 1, 0 or NaN (not counted).
        scores: (n, 4) in [0, 1].
        settings: the criterion, its limit and floor, the classes of noise.
        table: the joints' rows with `cnr`, needed for more than one class of noise, and the voids' area, for a guard
            band.

    Raises:
        InputError: shapes differ, a counted score is not in [0, 1], a kind has no joint with known truth, or the area
            is lacking for a guard band.
    """
    _check(truth, scores)
    noise = np.full(len(truth), np.inf) if table is None else noise_of(table)
    feared = _unguarded(truth, scores, settings, table)
    edges = _edges(noise, (truth == 0).all(axis=1), settings)
    place = _classes(edges, noise)
    limit = None if settings.criterion == "f1" else settings.false_calls
    guard = plainly_sound(truth, table) if settings.criterion == "guarded_f1" else None
    values, with_kind, without_kind, parted = [], [], [], []
    for part in (place == number for number in range(len(edges) + 1)):
        columns = [(truth[part, k], scores[part, k]) for k in range(N_KINDS)]
        counted = [(t[~np.isnan(t)] > 0.5, s[~np.isnan(t)]) for t, s in columns]
        cuts = [_cut(y, s, limit if guard is None else None) for y, s in counted]
        if guard is not None:
            spared = [guard[part, k][~np.isnan(t)] for k, (t, _) in enumerate(columns)]
            lowest = [_cut(~free, s, limit) for free, (_, s) in zip(spared, counted, strict=True)]
            cuts = [max(both) for both in zip(cuts, lowest, strict=True)]
        either = None
        if settings.criterion == "recall_first":
            given = truth[part], feared[part], settings.false_calls, settings.floor
            if settings.parted:
                shared, either = share_cuts_parted(*given)
            else:
                shared = share_cuts(*given)
            cuts = list(shared)
        values.append(tuple(max(cut, settings.floor) for cut in cuts))
        if either is None:
            # A sum under what one way alone would need is no surer than that way.
            alone = max(values[-1][way] for way in WAYS)
            either = max(_parted_cut(truth[part], scores[part], settings), alone)
        parted.append(either)
        with_kind.append(tuple(int(y.sum()) for y, _ in counted))
        without_kind.append(tuple(int((~y).sum()) for y, _ in counted))
    return Thresholds(
        tuple(values),
        settings.criterion,
        limit,
        tuple(with_kind),
        tuple(without_kind),
        edges,
        settings.floor,
        tuple(parted) if settings.parted else (),
        settings.void_guard,
    )


def _unguarded(
    truth: Floats, scores: Floats, settings: ThresholdSettings, table: pd.DataFrame | None
) -> Floats:
    """Scores (n, 4) by which calls are counted: a sound joint with a void in the guard band has 0 for that kind."""
    if not settings.void_guard:
        return scores
    if table is None or AREA not in table:
        raise InputError(
            f"thresholds.void_guard: expected validation joints with {AREA}, found none; set it to 0"
        )
    area = table[AREA].to_numpy(dtype=np.float64, na_value=np.nan)
    with np.errstate(invalid="ignore"):
        near = (truth == 0).all(axis=1) & (area >= LIMIT_PCT - settings.void_guard)
    feared = scores.copy()
    feared[near, KINDS.index("void")] = 0.0
    return feared


def plainly_sound(truth: Floats, table: pd.DataFrame | None) -> NDArray[np.bool_]:
    """Which joints (n, 4) no detector should call: those without any fault.

    For the kind void, also without a void that comes near the limit of 5 % (`NEAR_PCT`), where the table tells: to
    call a void of 4.9 % is no false alarm to speak of.
    """
    sound = np.repeat((truth == 0).all(axis=1)[:, None], N_KINDS, axis=1)
    if table is not None and AREA in table:
        area = table[AREA].to_numpy(dtype=np.float64, na_value=np.nan)
        with np.errstate(invalid="ignore"):
            sound[:, KINDS.index("void")] &= ~(area > NEAR_PCT)
    return sound


def _parted_cut(truth: Floats, scores: Floats, settings: ThresholdSettings) -> float:
    """The cut on the probability that a joint is parted, whichever way, by the same criterion as a kind's."""
    parted, p = parted_truth(truth), parted_score(scores)
    known = ~np.isnan(parted)
    best = _cut(parted[known] == 1, p[known], None)
    if settings.criterion == "f1":
        return best
    spared = parted == 0 if settings.criterion == "false_calls" else (truth == 0).all(axis=1)
    allowed = math.floor(settings.false_calls * spared.sum())
    lowest = guarded_cut(np.sort(p[spared])[::-1], p[known], allowed, BOTH)
    return lowest if settings.criterion == "false_calls" else max(best, lowest)


def _rise(edges: tuple[float, ...]) -> bool:
    return all(low < high for low, high in pairwise((*edges, np.inf))) and min(edges, default=0.0) >= 0


def _classes(edges: tuple[float, ...], noise: Floats) -> NDArray[np.int64]:
    return np.searchsorted(np.asarray(edges, dtype=np.float64), noise, side="left").astype(np.int64)


def _edges(noise: Floats, sound: NDArray[np.bool_], settings: ThresholdSettings) -> tuple[float, ...]:
    """Noise between the classes: at quantiles, midway between two scans; classes with few sound joints are merged."""
    known = np.unique(noise[np.isfinite(noise)])
    shares = np.arange(1, settings.noise_classes) / settings.noise_classes
    below = np.quantile(noise[np.isfinite(noise)], shares, method="lower") if len(known) else known
    edges = [float(low + known[known > low].min()) / 2 for low in np.unique(below) if low < known[-1]]
    while edges:
        counts = np.bincount(_classes(tuple(edges), noise[sound]), minlength=len(edges) + 1)
        weak = int(np.argmin(counts))
        if counts[weak] >= settings.least_sound:
            break
        # The weakest class joins the weaker of its neighbours.
        up = weak == 0 or (weak < len(edges) and counts[weak + 1] < counts[weak - 1])
        edges.pop(weak if up else weak - 1)
    return tuple(edges)


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
