"""From logits to probabilities, per kind, fitted on validation joints by one of three methods.

- platt: p = 1 / (1 + exp(-(slope · logit + offset))). The fit maximises the likelihood of Platt's smoothed targets,
  (N₊+1)/(N₊+2) for joints with the kind and 1/(N₋+2) for those without (J. Platt, Advances in Large Margin
  Classifiers, 1999), which keeps a separable set from an infinite slope.
- temperature: the same with offset 0, so that only boldness changes (C. Guo et al., ICML 2017, for each kind its own).
- isotonic: the rising curve closest to the smoothed targets (least squares; B. Zadrozny and C. Elkan, KDD 2002),
  straight between the middles of its steps and flat beyond the outer ones. It asks for more joints than a line and puts
  joints beyond its ends on one score, so their order is lost.

A kind with too few joints keeps slope 1 and offset 0.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, N_KINDS

Floats = NDArray[np.float64]

METHODS: Final = ("platt", "temperature", "isotonic")
LEAST: Final = 8
"""Joints with and without a kind from which two numbers can be fitted."""
LEAST_ISOTONIC: Final = 50
"""The same for a curve of many steps."""
BINS: Final = 10
DEFINITION: Final = (
    f"mean over joints of |share with the kind - mean probability| of their bin; {BINS} bins of as many joints each by "
    "probability; on the validation joints the calibration was fitted on; noise classes from the cleanest on"
)


Points = tuple[tuple[float, float], ...]


def demand_method(method: str, key: str = "calibration") -> None:
    """Refuse a method that is not known.

    Raises:
        InputError: names those there are.
    """
    if method not in METHODS:
        raise InputError(f"{key}: expected one of {', '.join(METHODS)}, found {method!r}; choose one")


@dataclass(frozen=True)
class Calibration:
    """One rising straight line per kind from logits to log odds, or one rising curve from logits to probabilities.

    Args:
        slopes: per kind in the order of KINDS, above 0.
        offsets: per kind.
        counted: validation joints each line was fitted on; 0 where too few had (or lacked) the kind.
        method: how it was fitted, one of METHODS.
        curves: per kind points (logit, probability), both rising; none where the line holds.
    """

    slopes: tuple[float, ...] = (1.0,) * N_KINDS
    offsets: tuple[float, ...] = (0.0,) * N_KINDS
    counted: tuple[int, ...] = (0,) * N_KINDS
    method: str = "platt"
    curves: tuple[Points, ...] = ((),) * N_KINDS

    def __post_init__(self) -> None:
        demand_method(self.method)
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
        if len(self.curves) != N_KINDS or not all(map(_rises, self.curves)):
            raise InputError(
                "expected points with rising logits and probabilities from 0 to 1 that do not fall in a calibration, "
                "found others; fit it again"
            )

    def __call__(self, logits: Floats) -> Floats:
        """Probabilities (n, 4) of logits (n, 4)."""
        value = np.asarray(logits, dtype=np.float64)
        p = special.expit(value * np.asarray(self.slopes) + np.asarray(self.offsets))
        for k, points in enumerate(self.curves):
            if points:
                p[:, k] = np.interp(value[:, k], *np.array(points).T)
        return np.asarray(p, dtype=np.float64)

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary of numbers and names."""
        lines = zip(KINDS, self.slopes, self.offsets, self.counted, self.curves, strict=True)
        return {"method": self.method} | {
            kind: {"slope": a, "offset": b, "n": n}
            | ({"points": [list(at) for at in points]} if points else {})
            for kind, a, b, n, points in lines
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> "Calibration":
        """Inverse of :meth:`to_json`; a card from before there were methods holds Platt's lines.

        Raises:
            KeyError, TypeError, ValueError: a part is missing or of another type.
            InputError: a value is no calibration.
        """
        curves = [[(float(x), float(p)) for x, p in data[kind].get("points", [])] for kind in KINDS]
        return cls(
            tuple(float(data[kind]["slope"]) for kind in KINDS),
            tuple(float(data[kind]["offset"]) for kind in KINDS),
            tuple(int(data[kind]["n"]) for kind in KINDS),
            str(data.get("method", "platt")),
            tuple(tuple(points) for points in curves),
        )


def fit_calibration(truth: Floats, logits: Floats, method: str = "platt") -> Calibration:
    """Fit one line, or curve, per kind.

    Args:
        truth: (n, 4) of 1, 0 or NaN (not counted), of the validation split.
        logits: (n, 4), finite.
        method: one of METHODS.

    Raises:
        InputError: another method.
    """
    demand_method(method, "method")
    if method == "isotonic":
        fitted = [_curve(truth[:, k], logits[:, k]) for k in range(N_KINDS)]
        return Calibration(
            counted=tuple(n for _, n in fitted), method=method, curves=tuple(c for c, _ in fitted)
        )
    lines = [_line(truth[:, k], logits[:, k], method) for k in range(N_KINDS)]
    slopes, offsets, counted = zip(*lines, strict=True)
    return Calibration(slopes, offsets, counted, method)


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


def _rises(points: Points) -> bool:
    x, p = np.array(points, dtype=np.float64).reshape(-1, 2).T
    return bool(
        np.isfinite(x).all()
        and (np.diff(x) > 0).all()
        and (np.diff(p) >= 0).all()
        and ((p >= 0) & (p <= 1)).all()
    )


def _targets(truth: Floats, x: Floats, least: int) -> tuple[Floats, Floats] | None:
    """Logits and Platt's smoothed targets of the joints that count; None where too few have, or lack, the kind."""
    known = ~np.isnan(truth)
    positive = truth[known] > 0.5
    with_kind, without = int(positive.sum()), int((~positive).sum())
    if min(with_kind, without) < least:
        return None
    return x[known], np.where(positive, (with_kind + 1) / (with_kind + 2), 1 / (without + 2))


def _line(truth: Floats, logits: Floats, method: str) -> tuple[float, float, int]:
    """Slope, offset and joints counted of one kind."""
    found = _targets(truth, logits, LEAST)
    if found is None:
        return 1.0, 0.0, 0
    x, target = found
    if method == "temperature":
        slope, offset = _boldness(x, target), 0.0
    else:
        # Centred and scaled logits keep the search well-conditioned, wherever they lie.
        middle, spread = float(x.mean()), max(float(x.std()), 1e-9)
        slope, offset = _most_likely((x - middle) / spread, target)
        slope, offset = slope / spread, offset - slope * middle / spread
    # A falling line would turn the detector's order round: rather leave its scores as they are.
    return (slope, offset, len(x)) if slope > 1e-6 else (1.0, 0.0, 0)


def _boldness(x: Floats, target: Floats) -> float:
    """The factor on logits that maximises the likelihood of targets in (0, 1); 0 where none above 0 does."""

    def rise(factor: float) -> float:
        return float(np.sum((target - special.expit(factor * x)) * x))

    high = 1.0
    while rise(high) > 0 and high < 1e6:
        high *= 2
    return float(optimize.brentq(rise, 0.0, high, xtol=1e-12)) if rise(0.0) > 0 > rise(high) else 0.0


def _curve(truth: Floats, logits: Floats) -> tuple[Points, int]:
    """Points of one kind's rising curve, and joints counted; none where too few, or where it does not rise."""
    found = _targets(truth, logits, LEAST_ISOTONIC)
    if found is None:
        return (), 0
    x, which = np.unique(found[0], return_inverse=True)
    n = np.bincount(which)
    step = optimize.isotonic_regression(np.bincount(which, found[1]) / n, weights=n)
    first = step.blocks[:-1]
    # Steps of one height are one: rounding alone keeps them apart.
    first = first[np.diff(step.x[first], prepend=-1.0) > 1e-9]
    # One point in the middle of each step: between them the curve rises, so joints keep their order.
    at, height = np.add.reduceat(x * n, first) / np.add.reduceat(n, first), step.x[first]
    if len(first) < 2:
        return (), 0
    return tuple(zip(at.tolist(), height.tolist(), strict=True)), len(found[0])


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
