"""Joints as a table from outside hands them over, and what a detector says of them, as one table.

Asked is a table of joints with the columns `volume` (a sub-volume (z, y, x) on the detector's grid, 0 = air, 1 = solder
of the scan, as an array or nested lists), `pitch_mm` and `ball_mm`; `cnr` and `voxels_per_ball` belong to it too, or
the joint counts as one of a scan that the detector does not know. A table of the one column `store` asks for all
joints of the stores at these paths instead.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import IDENTITY, present_array, require_columns
from jointwise.joints.store import Store
from jointwise.models.bench import Judge
from jointwise.models.envelope import COLUMNS
from jointwise.models.protocol import SIZE_COLUMNS

STORE: Final = "store"
VOLUME: Final = "volume"


def answers(judge: Judge, asked: pd.DataFrame, grid: Grid) -> pd.DataFrame:
    """What a detector says of all joints asked about.

    Args:
        judge: the detector with its cuts.
        asked: as this module's text says.
        grid: the detector's.

    Returns:
        One row per joint: what names it (`scan`, `ball`, … where given), `score_KIND` (probability, NaN where no ball
        is), `call_KIND` (0 or 1), `findings` (kinds called, `;` between), `out_of_envelope` (0 or 1) with `reason`, and
        `detector` and `thresholds_id`.

    Raises:
        InputError: a column is missing, sub-volumes of another shape, no store there, or joints nobody can judge.
    """
    parts = [answer(judge, joints) for joints in joints_of(asked, grid)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def joints_of(asked: pd.DataFrame, grid: Grid) -> Iterator[Joints]:
    """The joints of a table, a batch at a time.

    Raises:
        InputError: as :func:`answers`.
    """
    if STORE in asked:
        for path in asked[STORE]:
            yield from Store(Path(str(path))).shard_by_shard()
        return
    require_columns(asked, (VOLUME, *SIZE_COLUMNS), "the table of joints asked about")
    table = asked.drop(columns=VOLUME).reset_index(drop=True)
    yield Joints(_volumes(asked[VOLUME].tolist(), grid), table, grid)


def answer(judge: Judge, joints: Joints) -> pd.DataFrame:
    """What a detector says of a batch: :func:`answers` of it.

    Raises:
        InputError: joints nobody can judge.
    """
    # What is not told of the scan is not known: the envelope then holds the joint to lie outside.
    table = joints.table.assign(**{name: np.nan for name in COLUMNS if name not in joints.table})
    there = present_array(table) if "present" in table else np.ones(len(table), bool)
    scores = np.where(there[:, None], judge.detector.score(joints), np.nan)
    called = judge.thresholds.called(scores, table)
    said = table[[name for name in IDENTITY if name in table]].copy()
    said[[f"score_{kind}" for kind in KINDS]] = scores
    said[[f"call_{kind}" for kind in KINDS]] = called.astype(np.int64)
    said["findings"] = [";".join(np.array(KINDS)[row]) for row in called]
    said["out_of_envelope"] = judge.outside(table).astype(np.int64)
    said["reason"] = judge.reasons(table)
    return said.assign(detector=judge.detector.name, thresholds_id=judge.thresholds.identity)


def _volumes(given: list[Any], grid: Grid) -> NDArray[np.float32]:
    volumes = np.empty((len(given), *grid.shape), np.float32)
    for row, one in enumerate(given):
        try:
            volume = np.asarray(one, dtype=np.float32)
        except (TypeError, ValueError) as error:
            raise InputError(
                f"expected sub-volumes of numbers in the column {VOLUME}, found something else in row {row}; "
                "give arrays (z, y, x)"
            ) from error
        if volume.shape != grid.shape:
            raise InputError(
                f"expected sub-volumes of shape {grid.shape} in the column {VOLUME}, found {volume.shape} in row "
                f"{row}; cut the scan on the detector's grid"
            )
        volumes[row] = volume
    return volumes
