"""Where a detector may be believed: the ranges of scan quality that its training joints spanned."""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.schema import require_columns

COLUMNS: Final = ("voxels_per_ball", "cnr")
"""Ball diameter in voxels of the scan, and contrast of solder over air in units of the noise."""


@dataclass(frozen=True)
class Envelope:
    """A range per column; an end that is None is open.

    Args:
        ranges: (low, high) per column of COLUMNS.
    """

    ranges: dict[str, tuple[float | None, float | None]]

    @classmethod
    def of(cls, table: pd.DataFrame) -> "Envelope":
        """The ranges that the joints of a table span; noise-free joints (infinite cnr) leave the upper end open.

        Raises:
            InputError: a column is missing or holds no number.
        """
        require_columns(table, COLUMNS, "the table of joints")
        return cls({name: _span(table[name].to_numpy(dtype=np.float64), name) for name in COLUMNS})

    def outside(self, table: pd.DataFrame) -> NDArray[np.bool_]:
        """Whether each joint (n,) lies outside in any column; a value that is not known is outside.

        Raises:
            InputError: a column is missing.
        """
        require_columns(table, self.ranges, "the table of joints")
        beyond = np.zeros(len(table), dtype=np.bool_)
        for name, (low, high) in self.ranges.items():
            values = table[name].to_numpy(dtype=np.float64)
            least, most = (-math.inf if low is None else low), (math.inf if high is None else high)
            beyond |= ~((values >= least) & (values <= most))
        return beyond

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary of numbers and nulls."""
        return {name: list(ends) for name, ends in self.ranges.items()}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Envelope":
        """Inverse of :meth:`to_json`.

        Raises:
            KeyError, TypeError, ValueError: a column is missing or no pair of numbers.
        """
        return cls({name: (_end(data[name][0]), _end(data[name][1])) for name in COLUMNS})


def _span(values: NDArray[np.float64], name: str) -> tuple[float | None, float | None]:
    known = values[~np.isnan(values)]
    if not len(known):
        raise InputError(
            f"expected numbers in the column {name} of the table of joints, found none; fill it in"
        )
    low, high = float(known.min()), float(known.max())
    return (low if math.isfinite(low) else None), (high if math.isfinite(high) else None)


def _end(value: Any) -> float | None:
    return None if value is None else float(value)
