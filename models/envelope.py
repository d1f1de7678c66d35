"""Where a detector may be believed: the ranges of scan quality that its training scans spanned."""

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.schema import require_columns

COLUMNS: Final = ("voxels_per_ball", "cnr")
"""Ball diameter in voxels of the scan, and contrast of solder over air in units of the noise."""
UNLIKE: Final = "unlike"
OPTIONAL: Final = ("lane", UNLIKE)
"""Levels between neighbours over the step from air to solder, and how unlike training joints a scan looks to the
network in units of its limit (models/familiar.py); left out where the training joints do not tell them, and not looked
at in tables that lack them."""
WORDS: Final = {
    "voxels_per_ball": "voxels per ball",
    "cnr": "contrast of solder over air in units of the noise",
    "lane": "level between neighbours, 0 as air, 1 as solder",
    UNLIKE: "unlikeness to the training joints, 1 being the limit",
}
SCAN: Final = ("board_id", "scan")
BEYOND: Final = 0.005
"""Share of the training scans beyond either end, so that an odd scan among hundreds does not widen a range."""


@dataclass(frozen=True)
class Envelope:
    """A range per column; an end that is None is open.

    Args:
        ranges: (low, high) per column of COLUMNS, and of OPTIONAL where known.
        scans: training scans the ranges were taken from; 0 where a card does not say.
    """

    ranges: dict[str, tuple[float | None, float | None]]
    scans: int = 0

    @classmethod
    def of(cls, table: pd.DataFrame) -> "Envelope":
        """The ranges of a table's scans, each scan counted once by its joints' median whatever its size.

        An end is the value of a scan: of the outermost among up to a hundred, else of the one at 0.5 % from there.
        Noise-free scans (infinite cnr) may leave the upper end open.

        Raises:
            InputError: a column is missing or holds no number.
        """
        require_columns(table, (*COLUMNS, *SCAN), "the table of joints")
        # A store that was not wholly written with a column does not tell its range.
        known = (*COLUMNS, *(name for name in OPTIONAL if name in table and table[name].notna().all()))
        scans = table.groupby(list(SCAN), dropna=False)[list(known)].median()
        return cls({name: _span(scans[name].to_numpy(np.float64), name) for name in known}, len(scans))

    def with_features(self) -> "Envelope":
        """The same, with a limit on how unlike training joints a scan may look to the network."""
        return replace(self, ranges={**self.ranges, UNLIKE: (None, 1.0)})

    def outside(self, table: pd.DataFrame) -> NDArray[np.bool_]:
        """Whether each joint (n,) lies outside in any column; a value that is not known is outside.

        Raises:
            InputError: a column is missing.
        """
        return np.asarray(np.logical_or.reduce(list(self._beyond(table).values())), dtype=np.bool_)

    def distance(self, table: pd.DataFrame) -> NDArray[np.float64]:
        """How far each joint's scan (n,) lies from the middle of the training scans: a graded form of `outside`.

        For each column 0 in the middle half of its range, 1 at either end, growing evenly from there on, without bound;
        `voxels_per_ball` and `cnr` are measured on a logarithmic scale. A range with one open end counts 0 from a
        factor of two off its other end on. A value that is not known is infinitely far. The farthest column counts, so
        a joint is outside exactly where this is above 1.

        Raises:
            InputError: a column is missing.
        """
        beyond = self._beyond(table)
        values = {name: table[name].to_numpy(dtype=np.float64, na_value=np.nan) for name in beyond}
        far = np.array([_far(values[name], *self.ranges[name], name in COLUMNS) for name in beyond])
        out = np.array(list(beyond.values()))
        # Rounding must not put an end of the range outside.
        kept = np.where(out, np.maximum(far, np.nextafter(1.0, 2.0)), np.minimum(far, 1.0))
        return np.asarray(kept.max(axis=0))

    def reasons(self, table: pd.DataFrame) -> list[str]:
        """For each joint, in words: which quantity lies outside, its value and the range; empty for those inside.

        Raises:
            InputError: a column is missing.
        """
        beyond = self._beyond(table)
        values = {name: table[name].to_numpy(dtype=np.float64, na_value=np.nan) for name in beyond}
        return [
            "; ".join(
                f"{WORDS[name]}: {_number(values[name][i])}{_trained(name, *self.ranges[name])}"
                for name in beyond
                if beyond[name][i]
            )
            for i in range(len(table))
        ]

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary of numbers and nulls."""
        return {**{name: list(ends) for name, ends in self.ranges.items()}, "scans": self.scans}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Envelope":
        """Inverse of :meth:`to_json`; also reads cards that do not say of how many scans, or nothing of OPTIONAL.

        Raises:
            KeyError, TypeError, ValueError: a column is missing or no pair of numbers.
        """
        told = (*COLUMNS, *(name for name in OPTIONAL if name in data))
        ranges = {name: (_end(data[name][0]), _end(data[name][1])) for name in told}
        return cls(ranges, int(data.get("scans", 0)))

    def _beyond(self, table: pd.DataFrame) -> dict[str, NDArray[np.bool_]]:
        """For each column, whether each joint (n,) lies outside its range; one of OPTIONAL may be absent."""
        require_columns(table, COLUMNS, "the table of joints")
        beyond = {}
        for name, (low, high) in self.ranges.items():
            if name not in table:
                continue
            values = table[name].to_numpy(dtype=np.float64, na_value=np.nan)
            least, most = (-math.inf if low is None else low), (math.inf if high is None else high)
            beyond[name] = ~((values >= least) & (values <= most))
        return beyond


def _far(
    values: NDArray[np.float64], low: float | None, high: float | None, logarithmic: bool
) -> NDArray[np.float64]:
    """Distance of values (n,) from the middle half of one range, 1 at its ends; see `Envelope.distance`."""
    with np.errstate(divide="ignore", invalid="ignore"):
        x, ends = (np.log(v) if logarithmic else v for v in (values, np.array([low, high], np.float64)))
    if low is None and high is None:
        far = np.zeros(len(values))
    elif low is None or high is None:
        into = x - ends[0] if high is None else ends[1] - x
        far = np.maximum(1.0 - into / math.log(2.0), 0.0)
    else:
        half = max((ends[1] - ends[0]) / 2, 1e-9)  # a single training scan has a range without width
        far = np.maximum(2.0 * np.abs(x - ends.mean()) / half - 1.0, 0.0)
    return np.asarray(np.where(np.isnan(x), np.inf, far))


def span(low: float | None, high: float | None) -> str:
    """A range in words; an end that is None is open."""
    if low is None or high is None:
        return "any" if low is high else f"from {low:.3g}" if high is None else f"up to {high:.3g}"
    return f"{low:.3g} to {high:.3g}"


def _trained(name: str, low: float | None, high: float | None) -> str:
    """The range that a value lies outside of; of unlikeness the name holds the limit."""
    return "" if name == UNLIKE else f", trained on {span(low, high)}"


def _span(values: NDArray[np.float64], name: str) -> tuple[float | None, float | None]:
    known = np.sort(values[~np.isnan(values)])
    if not len(known):
        raise InputError(
            f"expected numbers in the column {name} of the table of joints, found none; fill it in"
        )
    out = round(BEYOND * (len(known) - 1))
    low, high = float(known[out]), float(known[-1 - out])
    return (low if math.isfinite(low) else None), (high if math.isfinite(high) else None)


def _number(value: float) -> str:
    return "not known" if math.isnan(value) else "without noise" if math.isinf(value) else f"{value:.3g}"


def _end(value: Any) -> float | None:
    return None if value is None else float(value)
