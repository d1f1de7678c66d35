"""How unlike the training joints a scan looks to the network itself.

What the last layer of a network is given, one number per channel, lies in one cloud per kind for training joints. The
distance of a joint is that to the nearest cloud's centre in units of the spread within clouds (Mahalanobis distance;
K. Lee et al., NeurIPS 2018), by a covariance that is shrunk (O. Ledoit and M. Wolf, J. Multivariate Analysis 88, 2004).
Channels are means of rectified numbers, whose spread grows with their size: their square roots are compared. It knows
nothing of faults: it tells of other scans, and of joints like none before.

One joint's distance says little; the median over a scan's joints says much. Both have a limit, taken from joints whose
own scan was left out when the clouds were measured, so that neither flatters.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.covariance import ledoit_wolf

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import N_KINDS
from jointwise.models.envelope import SCAN

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

SCANS_INSIDE: Final = 0.99
"""Share of the scans measured whose median joint lies within the limit of scans."""
JOINTS_INSIDE: Final = 0.999
"""Share of the joints measured that lie within the limit of joints."""
LEAST: Final = 20
"""Joints of a kind from which its cloud has a centre of its own."""
LEAST_SCANS: Final = 10
"""Under a hundred or so the limit is that of the oddest scan measured, and new usual ones pass it too often."""
FOLDS: Final = 5


@dataclass(frozen=True)
class Familiar:
    """Clouds of training joints in d channels, and from which distance on a joint or a scan is unlike them.

    Args:
        centres: (c, d) of sound joints and of each kind with enough joints, of square roots.
        root: (d, d) matrix whose product with its own transpose is the inverse of the covariance within clouds.
        scan_limit: for the median distance of a scan's joints.
        joint_limit: for one joint's.
        joints, scans: how many it was measured on.
    """

    centres: Singles
    root: Singles
    scan_limit: float
    joint_limit: float
    joints: int
    scans: int

    def distance(self, features: NDArray[np.floating]) -> Floats:
        """Distance (n,) of joints from the nearest centre, of features (n, d)."""
        root = self.root.astype(np.float64)
        x, centres = _rooted(features) @ root, self.centres.astype(np.float64) @ root
        apart = (x**2).sum(axis=1)[:, None] - 2 * x @ centres.T + (centres**2).sum(axis=1)
        return np.asarray(np.sqrt(np.maximum(apart.min(axis=1), 0)))

    def unlike(self, distance: Floats, table: pd.DataFrame) -> Floats:
        """How unlike the training joints each joint (n,) or its scan is, in units of the limit: outside above 1.

        Args:
            distance: (n,) from :meth:`distance`; NaN where there is no joint.
            table: their rows; without `board_id` and `scan` all are of one scan.
        """
        scan = medians(distance, table) / self.scan_limit
        return np.asarray(np.fmax(scan, distance / self.joint_limit))

    def to_json(self) -> dict[str, Any]:
        """Its numbers; the tensors have a file of their own."""
        return {
            "scan_limit": self.scan_limit,
            "joint_limit": self.joint_limit,
            "scans_inside": SCANS_INSIDE,
            "joints_inside": JOINTS_INSIDE,
            "joints": self.joints,
            "scans": self.scans,
        }

    @property
    def tensors(self) -> dict[str, Singles]:
        """What stands in the file of tensors."""
        return {"centres": self.centres, "root": self.root}

    @classmethod
    def from_parts(cls, data: dict[str, Any], tensors: dict[str, Singles]) -> "Familiar":
        """Inverse of :meth:`to_json` and :attr:`tensors`.

        Raises:
            KeyError, TypeError, ValueError: a part is missing or of another type.
        """
        limits = float(data["scan_limit"]), float(data["joint_limit"])
        return cls(tensors["centres"], tensors["root"], *limits, int(data["joints"]), int(data["scans"]))


def medians(distance: Floats, table: pd.DataFrame) -> Floats:
    """For each joint (n,) the median distance of its scan's joints."""
    names = [name for name in SCAN if name in table]
    values = pd.Series(distance)
    if not names:
        return np.full(len(values), values.median() if len(values) else np.nan)
    keys = [table[name].to_numpy() for name in names]
    return np.asarray(values.groupby(keys, dropna=False).transform("median"), dtype=np.float64)


def fit_familiar(features: NDArray[np.floating], truth: Floats, table: pd.DataFrame) -> Familiar:
    """Measure clouds and limits.

    Args:
        features: (n, d) of joints like those of training.
        truth: (n, 4) of 1, 0 or NaN.
        table: their rows, with `board_id` and `scan`.

    Raises:
        InputError: too few scans or joints, or features that are all alike.
    """
    scan = table.groupby(list(SCAN), dropna=False).ngroup().to_numpy()
    count = int(scan.max(initial=-1)) + 1
    kind = _kinds(truth)
    if count < LEAST_SCANS or np.count_nonzero(kind == 0) < FOLDS * LEAST:
        raise InputError(
            f"expected at least {LEAST_SCANS} scans and {FOLDS * LEAST} sound joints to measure what the network knows "
            f"by, found {count} and {np.count_nonzero(kind == 0)}; give a store with more boards"
        )
    x = _rooted(features)
    apart = np.empty(len(x))
    for fold in range(FOLDS):
        held = scan % FOLDS == fold
        apart[held] = Familiar(*_clouds(x[~held], kind[~held]), 1.0, 1.0, 0, 0).distance(features[held])
    middle = medians(apart, table)[np.unique(scan, return_index=True)[1]]
    limits = np.quantile(middle, SCANS_INSIDE), np.quantile(apart, JOINTS_INSIDE)
    return Familiar(*_clouds(x, kind), float(limits[0]), float(limits[1]), len(x), count)


def _rooted(features: NDArray[np.floating]) -> Floats:
    x = np.asarray(features, dtype=np.float64)
    return np.asarray(np.sign(x) * np.sqrt(np.abs(x)))


def _kinds(truth: Floats) -> NDArray[np.int64]:
    """Which cloud (n,) a joint belongs to: 0 sound, 1 to 4 the first of its kinds, -1 where that is not known."""
    first = np.argmax(truth == 1, axis=1) + 1
    sound = np.where((truth == 0).all(axis=1), 0, -1)
    return np.where((truth == 1).any(axis=1), first, sound)


def _clouds(x: Floats, kind: NDArray[np.int64]) -> tuple[Singles, Singles]:
    """Centres and the root of the inverse covariance within clouds."""
    there = [k for k in range(N_KINDS + 1) if np.count_nonzero(kind == k) >= LEAST]
    centres = np.array([x[kind == k].mean(axis=0) for k in there])
    left = np.concatenate([x[kind == k] - centre for k, centre in zip(there, centres, strict=True)])
    spread, _ = ledoit_wolf(left, assume_centered=True)
    try:
        # A channel that never speaks has no spread of its own but for the shrinkage.
        root = np.linalg.cholesky(np.linalg.inv(spread))
    except np.linalg.LinAlgError as error:
        raise InputError(
            "expected features that differ from joint to joint, found copies; take other joints"
        ) from error
    return centres.astype(np.float32), np.ascontiguousarray(root, np.float32)
