"""What every detector does, whatever it is inside."""

from typing import Final, NamedTuple, Protocol, runtime_checkable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.batch import Joints, check_finite
from jointwise.joints.errors import InputError
from jointwise.joints.schema import MEASURES, require_columns

SIZE_COLUMNS: Final = ("pitch_mm", "ball_mm")
"""Columns that tell how large a grid step is: a detector that speaks in µm needs them."""


@runtime_checkable
class Detector(Protocol):
    """Judges joints one by one; what it says of a joint never depends on the rest of the batch."""

    @property
    def name(self) -> str:
        """Short name that stands in tables and reports."""
        ...

    def score(self, joints: Joints) -> NDArray[np.float64]:
        """Scores (n, 4) in [0, 1], columns in the order of :data:`jointwise.joints.kinds.KINDS`.

        Raises:
            InputError: the batch is refused by :func:`check_batch`.
        """
        ...

    def measure(self, joints: Joints) -> pd.DataFrame:
        """n rows, index 0 … n-1, columns :data:`jointwise.joints.schema.MEASURES`; NaN where not measured.

        Raises:
            InputError: the batch is refused by :func:`check_batch`.
        """
        ...


@runtime_checkable
class InOnePass(Protocol):
    """A detector that scores and measures in one look, for about the cost of one of them."""

    def score_and_measure(self, joints: Joints) -> tuple[NDArray[np.float64], pd.DataFrame]:
        """What `score` and `measure` give."""
        ...


def score_and_measure(detector: Detector, joints: Joints) -> tuple[NDArray[np.float64], pd.DataFrame]:
    """What a detector scores and measures of a batch, in one look where it can.

    Raises:
        InputError: the batch is refused by :func:`check_batch`.
    """
    if isinstance(detector, InOnePass):
        return detector.score_and_measure(joints)
    return detector.score(joints), detector.measure(joints)


class Look(NamedTuple):
    """What one look at n joints gives.

    Args:
        scores, measures: what `score` and `measure` give.
        apart: (n,) distance from training joints by the detector's own features; None where it knows none.
    """

    scores: NDArray[np.float64]
    measures: pd.DataFrame
    apart: NDArray[np.float64] | None


@runtime_checkable
class TellsApart(Protocol):
    """A detector that may know, in the same look, how far joints lie from those it was trained on."""

    def look(self, joints: Joints) -> Look:
        """All of it at once."""
        ...


def look(detector: Detector, joints: Joints) -> Look:
    """What a detector scores and measures of a batch, and how far the joints lie from its training where it can tell.

    Raises:
        InputError: the batch is refused by :func:`check_batch`.
    """
    return (
        detector.look(joints)
        if isinstance(detector, TellsApart)
        else Look(*score_and_measure(detector, joints), None)
    )


def check_batch(joints: Joints) -> None:
    """Refuse a batch no detector can judge: values that are not finite, sizes that are missing or absurd.

    Raises:
        InputError: says which joint and what to do.
    """
    check_finite(joints)
    require_columns(joints.table, SIZE_COLUMNS, "the table of joints")
    for column in SIZE_COLUMNS:
        sizes = joints.table[column].to_numpy(dtype=np.float64)
        bad = ~(np.isfinite(sizes) & (sizes > 0))
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            raise InputError(
                f"expected a positive {column} in every row of the table of joints, found {sizes[row]} in row {row}; "
                "give the part's pitch and ball diameter"
            )


def empty_measures(n: int) -> pd.DataFrame:
    """A table of n rows in which nothing has been measured yet: all NaN."""
    return pd.DataFrame(np.full((n, len(MEASURES)), np.nan), columns=list(MEASURES))
