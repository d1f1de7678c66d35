"""Sub-volumes in one byte a voxel, and what that does to a detector's scores.

Every joint has its own two numbers: value = offset + level * code, code 0 to 255. Its whole range is kept, nothing is
clipped, and the rounding error is at most half a level.
"""

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.evaluation.judged import Tell, scores_of
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS

if TYPE_CHECKING:
    from jointwise.models.bench import Bench

CODES = 255


class Packed(NamedTuple):
    """Sub-volumes as bytes.

    Args:
        codes: (n, z, y, x), uint8.
        level: (n,) float32, step from one code to the next; 0 for a joint of one value.
        offset: (n,) float32, value of code 0.
    """

    codes: NDArray[np.uint8]
    level: NDArray[np.float32]
    offset: NDArray[np.float32]


def pack(volumes: NDArray[np.floating]) -> Packed:
    """Round sub-volumes (n, z, y, x) to bytes, joint by joint.

    Raises:
        InputError: a value is not finite.
    """
    if not np.isfinite(volumes).all():
        raise InputError("expected finite sub-volumes to store, found NaN or infinity; cut the scan again")
    values = volumes.reshape(len(volumes), -1).astype(np.float32)
    offset = values.min(axis=1)
    level = (values.max(axis=1) - offset) / np.float32(CODES)
    steps = (values - offset[:, None]) / np.where(level > 0, level, 1)[:, None]
    codes = np.clip(np.rint(steps), 0, CODES).astype(np.uint8)
    return Packed(codes.reshape(volumes.shape), level, offset)


def unpack(packed: Packed) -> NDArray[np.float16]:
    """Inverse of :func:`pack` up to half a level and the rounding of float16."""
    shape = (-1, 1, 1, 1)
    values = packed.offset.reshape(shape) + packed.level.reshape(shape) * packed.codes
    return np.asarray(values, dtype=np.float16)


def score_change(cut: Joints, stored: Joints, bench: "Bench", tell: Tell) -> pd.DataFrame:
    """How far the scores of the same joints differ when they are read back from bytes.

    Args:
        cut: as cut from the scan, float16.
        stored: as read back.
        bench: the detectors.
        tell: told how far the work is.

    Returns:
        One row per detector and kind: detector, kind, n, max_change, mean_change (absolute, of scores in [0, 1]),
        calls_changed (joints whose score crosses the detector's threshold).
    """
    before, after = scores_of(cut, bench, tell), scores_of(stored, bench, tell)
    rows = []
    for name, judge in bench.judges.items():
        change = np.abs(after[name] - before[name])
        calls = [judge.thresholds.called(scores, cut.table) for scores in (before[name], after[name])]
        crossed = calls[0] != calls[1]
        for column, kind in enumerate(KINDS):
            rows.append(
                {
                    "detector": name,
                    "kind": kind,
                    "n": len(cut),
                    "max_change": float(change[:, column].max()),
                    "mean_change": float(change[:, column].mean()),
                    "calls_changed": int(crossed[:, column].sum()),
                }
            )
    return pd.DataFrame(rows)
