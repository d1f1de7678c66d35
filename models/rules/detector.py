"""The rule detector: numbers from every rule, scores by monotone fits, measures for the table."""

import json
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.atomic import write_text
from jointwise.joints.batch import Joints
from jointwise.joints.cores import core_count
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import MEASURES
from jointwise.models.protocol import SIZE_COLUMNS, check_batch
from jointwise.models.rules.fit import MonotoneFit, fit_monotone
from jointwise.models.rules.numbers import NUMBERS, Examination, examine, numbers_of, suspect

FORMAT: Final = "jointwise-rules-1"
MOST_THREADS: Final = 8
CALLED: Final = 0.5
"""Score from which a gap is measured: without one the table's gap columns stay empty."""


@dataclass(frozen=True)
class RuleDetector:
    """Judges joints by rules; fitted, never learned: see :mod:`jointwise.models.rules`.

    Args:
        fits: one fit per kind, in the order of KINDS.

    Example:
        detector = RuleDetector.fit(joints, schema.truth_array(joints.table))
        scores = detector.score(others)
    """

    fits: tuple[MonotoneFit, ...]

    @property
    def name(self) -> str:
        """How tables call it."""
        return "rules"

    @classmethod
    def fit(cls, joints: Joints, truth: NDArray[np.float64]) -> "RuleDetector":
        """Fit the scores on joints with known truth.

        Args:
            joints: of the training or validation split.
            truth: (n, 4), 1, 0 or NaN (not counted).

        Raises:
            InputError: too few joints with or without some kind.
        """
        check_batch(joints)
        return cls.fit_numbers(measure_numbers(joints), truth)

    @classmethod
    def fit_numbers(
        cls, numbers: dict[str, NDArray[np.float64]], truth: NDArray[np.float64]
    ) -> "RuleDetector":
        """The same from numbers measured before (:func:`measure_numbers`)."""
        known = _measured(numbers, KINDS[0])
        return cls(
            tuple(
                fit_monotone(numbers[kind][known], truth[known, k], f"the kind {kind}")
                for k, kind in enumerate(KINDS)
            )
        )

    def score(self, joints: Joints) -> NDArray[np.float64]:
        """Scores (n, 4) in [0, 1]; 0 where no ball stands."""
        check_batch(joints)
        return self.score_numbers(measure_numbers(joints))

    def score_numbers(self, numbers: dict[str, NDArray[np.float64]]) -> NDArray[np.float64]:
        """The same from numbers measured before."""
        columns = []
        for kind, fit in zip(KINDS, self.fits, strict=True):
            known = _measured(numbers, kind)
            column = np.zeros(len(known))
            column[known] = fit(numbers[kind][known])
            columns.append(column)
        return np.stack(columns, axis=1)

    def measure(self, joints: Joints) -> pd.DataFrame:
        """Measures per joint (columns schema.MEASURES); gaps and necks only where one is called or found."""
        return self.score_and_measure(joints)[1]

    def score_and_measure(self, joints: Joints) -> tuple[NDArray[np.float64], pd.DataFrame]:
        """What :meth:`score` and :meth:`measure` give; each joint is looked at once."""
        check_batch(joints)
        every = _readings(joints)
        scores = self.score_numbers(_numbers(every))
        table = np.full((len(joints), len(MEASURES)), np.nan)
        for row, reading in enumerate(every):
            if reading is not None:
                for column, value in reading.measures(scores[row]).items():
                    table[row, MEASURES.index(column)] = value
        return scores, pd.DataFrame(table, columns=list(MEASURES))

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary of numbers and names."""
        return {
            "format": FORMAT,
            "numbers": {kind: list(NUMBERS[kind]) for kind in KINDS},
            "fits": {kind: fit.to_json() for kind, fit in zip(KINDS, self.fits, strict=True)},
        }

    @classmethod
    def from_json(cls, data: Any) -> "RuleDetector":
        """Inverse of :meth:`to_json`.

        Raises:
            InputError: other format, other numbers than this version measures, or a damaged fit.
        """
        found = data.get("format") if isinstance(data, dict) else type(data).__name__
        if found != FORMAT:
            raise InputError(
                f"expected fitted rules of the format {FORMAT}, found {found}; fit the rules again"
            )
        if data.get("numbers") != {kind: list(NUMBERS[kind]) for kind in KINDS}:
            raise InputError(
                "expected fits of the numbers this version measures, found fits of others; fit the rules again"
            )
        fits = tuple(MonotoneFit.from_json(data.get("fits", {}).get(kind)) for kind in KINDS)
        for kind, fit in zip(KINDS, fits, strict=True):
            if len(fit.knots) != len(NUMBERS[kind]):
                raise InputError(
                    f"expected a fit of {len(NUMBERS[kind])} numbers for {kind}, found {len(fit.knots)}; "
                    "fit the rules again"
                )
        return cls(fits)

    def save(self, path: Path) -> None:
        """Write the fits as JSON, atomically."""
        write_text(path, json.dumps(self.to_json(), indent=1))

    @classmethod
    def load(cls, path: Path) -> "RuleDetector":
        """Read what :meth:`save` wrote.

        Raises:
            InputError: no such file, no JSON, or not fitted rules.
        """
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise InputError(
                f"expected fitted rules as JSON in {path}, found none that reads ({error}); fit the rules again"
            ) from error
        return cls.from_json(data)


@dataclass(frozen=True)
class Reading:
    """What is kept of the examination of a joint: a few numbers, none of its volumes.

    Args:
        numbers: per kind, in the order of NUMBERS.
        sure: measures that every joint has.
        land_gap, pillow_gap: gap, µm, and share in contact, at the suspected land and at the darkest surface.
    """

    numbers: Mapping[str, tuple[float, ...]]
    sure: Mapping[str, float]
    land_gap: tuple[float, float]
    pillow_gap: tuple[float, float]

    @classmethod
    def of(cls, found: Examination) -> "Reading":
        """Read them off."""
        c = found.cavities
        sure = {
            "void_projected_area_pct": c.area_pct,
            "void_volume_pct": c.volume_pct,
            "void_largest_pct": c.largest_pct,
            "void_interface_pct": c.interface_pct,
        }
        if found.bridge.neck_um > 0:
            sure["bridge_neck_um"] = found.bridge.neck_um
        odd, even = suspect(found)
        return cls(numbers_of(found), sure, odd.gap(even), found.surface.gap())

    def measures(self, scores: NDArray[np.float64]) -> dict[str, float]:
        """The measures of a joint with these scores; gap and contact only where one is called."""
        open_score, pillow_score = scores[KINDS.index("non_wet")], scores[KINDS.index("head_in_pillow")]
        if max(open_score, pillow_score) < CALLED:
            return dict(self.sure)
        gap, contact = self.land_gap if open_score > pillow_score else self.pillow_gap
        return {**self.sure, "gap_um": gap, "contact_fraction": contact}


def measure_numbers(joints: Joints) -> dict[str, NDArray[np.float64]]:
    """Numbers per kind, (n, k) each, columns as in NUMBERS; NaN rows where no ball stands."""
    return _numbers(_readings(joints))


def _readings(joints: Joints) -> list[Reading | None]:
    """Every joint's, by itself; the compiled parts let go of the interpreter, so threads share the work."""
    pitch, ball = (joints.table[name].to_numpy(np.float64) for name in SIZE_COLUMNS)

    def read(row: int) -> Reading | None:
        found = examine(joints.volumes[row], joints.grid, float(pitch[row]), float(ball[row]))
        return None if found is None else Reading.of(found)

    threads = min(core_count(), MOST_THREADS, len(joints))
    if threads < 2:
        return [read(row) for row in range(len(joints))]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(read, range(len(joints))))


def _numbers(every: Sequence[Reading | None]) -> dict[str, NDArray[np.float64]]:
    numbers = {kind: np.full((len(every), len(names)), np.nan) for kind, names in NUMBERS.items()}
    for row, reading in enumerate(every):
        if reading is not None:
            for kind, values in reading.numbers.items():
                numbers[kind][row] = values
    return numbers


def _measured(numbers: dict[str, NDArray[np.float64]], kind: str) -> NDArray[np.bool_]:
    """(n,) rows that hold numbers: those where a ball stands."""
    return np.asarray(np.isfinite(numbers[kind]).all(axis=1))
