"""From logits to probabilities: Platt's straight line per kind, fitted on validation joints.

p = 1 / (1 + exp(-(slope · logit + offset))). The fit maximises the likelihood of Platt's smoothed targets,
(N₊+1)/(N₊+2) for joints with the kind and 1/(N₋+2) for those without (J. Platt, Advances in Large Margin Classifiers,
1999), which keeps a separable set from an infinite slope. A kind with too few joints keeps slope 1 and offset 0.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, N_KINDS

Floats = NDArray[np.float64]

LEAST: Final = 8
"""Joints with and without a kind from which two numbers can be fitted."""
BINS: Final = 10
DEFINITION: Final = (
    f"mean over joints of |share with the kind - mean probability| of their bin; {BINS} bins of as many joints each by "
    "probability; on the validation joints the calibration was fitted on; noise classes from the cleanest on"
)


@dataclass(frozen=True)
class Calibration:
    """One rising straight line per kind from logits to log odds.

    Args:
        slopes: per kind in the order of KINDS, above 0.
        offsets: per kind.
        counted: validation joints each line was fitted on; 0 where too few had (or lacked) the kind.
    """

    slopes: tuple[float, ...] = (1.0,) * N_KINDS
    offsets: tuple[float, ...] = (0.0,) * N_KINDS
    counted: tuple[int, ...] = (0,) * N_KINDS

    def __post_init__(self) -> None:
        numbers = np.array([*self.slopes, *self.offsets], dtype=np.float64)
        if len(self.slopes) != N_KINDS or len(self.offsets) != N_KINDS or len(self.counted) != N_KINDS:
            raise InputError(
                f"expected a calibration of {N_KINDS} kinds, found {len(self.slopes)}; fit it again"
            )
        if not np.isfinite(numbers).all() or min(self.slopes) <= 0:
            raise InputError(
                f"expected finite offsets and slopes above 0 in a calibration, found slopes {list(self.slopes)} and "
                f"offsets {list(self.offsets)}; fit it again"
            )

    def __call__(self, logits: Floats) -> Floats:
        """Probabilities (n, 4) of logits (n, 4)."""
        odds = np.asarray(logits, dtype=np.float64) * np.asarray(self.slopes) + np.asarray(self.offsets)
        return np.asarray(special.expit(odds), dtype=np.float64)

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary of numbers and names."""
        lines = zip(KINDS, self.slopes, self.offsets, self.counted, strict=True)
        return {kind: {"slope": a, "offset": b, "n": n} for kind, a, b, n in lines}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Calibration":
        """Inverse of :meth:`to_json`.

        Raises:
            KeyError, TypeError, ValueError: a part is missing or of another type.
            InputError: a value is no calibration.
        """
        return cls(
            tuple(float(data[kind]["slope"]) for kind in KINDS),
            tuple(float(data[kind]["offset"]) for kind in KINDS),
            tuple(int(data[kind]["n"]) for kind in KINDS),
        )


def fit_calibration(truth: Floats, logits: Floats) -> Calibration:
    """Fit one line per kind.

    Args:
        truth: (n, 4) of 1, 0 or NaN (not counted), of the validation split.
        logits: (n, 4), finite.
    """
    lines = [_line(truth[:, k], logits[:, k]) for k in range(N_KINDS)]
    slopes, offsets, counted = zip(*lines, strict=True)
    return Calibration(slopes, offsets, counted)


def calibration_error(truth: Floats, scores: Floats) -> float:
    """Expected calibration error of one kind's probabilities; NaN where no joint counts.

    Joints are sorted by score into ten bins of as many joints each (equal scores share a bin). In each, the share of
    joints that have the kind is set against the mean score; their distance is averaged over the joints. Perfect
    probabilities do not give 0 but what chance leaves in bins of n/10 joints.

    Args:
        truth: (n,) of 1, 0 or NaN (not counted).
        scores: (n,) in [0, 1].
    """
    known = ~np.isnan(truth)
    positive, p = truth[known] > 0.5, scores[known]
    if not len(p):
        return float("nan")
    ends = np.quantile(p, np.arange(1, BINS) / BINS, method="lower")
    place = np.searchsorted(np.unique(ends), p, side="left")
    distance = np.bincount(place, weights=positive - p)
    return float(np.abs(distance).sum() / len(p))


def reliability(truth: Floats, scores: Floats, classes: NDArray[np.int64]) -> dict[str, Any]:
    """How far probabilities can be trusted: the calibration error of each kind, and in each class of noise; JSON-safe.

    Args:
        truth: (n, 4) of 1, 0 or NaN.
        scores: (n, 4) calibrated.
        classes: (n,) noise class of each joint, 0 the cleanest.
    """
    parts = [classes == number for number in range(int(classes.max(initial=0)) + 1)]
    kinds = {}
    for k, kind in enumerate(KINDS):
        by_class = [_error(truth[part, k], scores[part, k]) for part in parts]
        kinds[kind] = _error(truth[:, k], scores[:, k]) | {"by_noise_class": by_class}
    return {"definition": DEFINITION, **kinds}


def _error(truth: Floats, scores: Floats) -> dict[str, Any]:
    n = int(np.count_nonzero(~np.isnan(truth)))
    return {"calibration_error": calibration_error(truth, scores) if n else None, "n": n}


def _line(truth: Floats, logits: Floats) -> tuple[float, float, int]:
    """Slope, offset and joints counted of one kind."""
    known = ~np.isnan(truth)
    positive, x = truth[known] > 0.5, logits[known]
    with_kind, without = int(positive.sum()), int((~positive).sum())
    if min(with_kind, without) < LEAST:
        return 1.0, 0.0, 0
    target = np.where(positive, (with_kind + 1) / (with_kind + 2), 1 / (without + 2))
    # Centred and scaled logits keep the search well-conditioned, wherever they lie.
    middle, spread = float(x.mean()), max(float(x.std()), 1e-9)
    slope, offset = _most_likely((x - middle) / spread, target)
    slope, offset = slope / spread, offset - slope * middle / spread
    # A falling line would turn the detector's order round: rather leave its scores as they are.
    return (slope, offset, len(x)) if slope > 1e-6 else (1.0, 0.0, 0)


def _most_likely(x: Floats, target: Floats) -> tuple[float, float]:
    """Slope and offset that maximise the likelihood of targets in (0, 1)."""

    def loss(line: Floats) -> tuple[float, Floats]:
        odds = line[0] * x + line[1]
        value = np.sum(np.logaddexp(0, odds) - target * odds)
        error = special.expit(odds) - target
        return float(value), np.array([np.sum(error * x), np.sum(error)])

    rate = float(target.mean())
    start = np.array([1.0, np.log(rate / (1 - rate))])
    found = optimize.minimize(loss, start, jac=True, method="BFGS", options={"gtol": 1e-7 * len(x)})
    return float(found.x[0]), float(found.x[1])
