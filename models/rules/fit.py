"""From numbers to a score by a monotone fit: more evidence never lowers the score.

log odds = bias + Σ over numbers of a rising, piecewise straight function. Each function is a sum of ramps between
knots with weights that are never negative; bias and weights maximise the likelihood with a light ridge. All of it is
plain numbers, written as JSON.
"""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from jointwise.joints.errors import InputError

Vector = NDArray[np.float64]

RAMPS: Final = 6
"""Straight pieces per number."""
RIDGE: Final = 0.3
"""Penalty on squared weights: keeps a separable set from infinite weights."""
LEAST: Final = 5
"""Least number of joints with and without a kind to fit its score."""


@dataclass(frozen=True)
class MonotoneFit:
    """Rising function of several numbers with values in (0, 1).

    Args:
        bias: log odds where every number is at its lowest.
        knots: per number, rising places between which the ramps run.
        weights: per number, one weight ≥ 0 per ramp.
    """

    bias: float
    knots: tuple[tuple[float, ...], ...]
    weights: tuple[tuple[float, ...], ...]

    def __call__(self, numbers: Vector) -> Vector:
        """Scores (n,) of numbers (n, k)."""
        odds = np.full(len(numbers), self.bias)
        for column, knots, weights in zip(numbers.T, self.knots, self.weights, strict=True):
            odds = odds + _ramps(column, np.asarray(knots)) @ np.asarray(weights)
        return np.asarray(1 / (1 + np.exp(-odds)))

    def to_json(self) -> dict[str, Any]:
        """Plain dictionary of numbers."""
        return {
            "bias": self.bias,
            "knots": [list(k) for k in self.knots],
            "weights": [list(w) for w in self.weights],
        }

    @classmethod
    def from_json(cls, data: Any) -> "MonotoneFit":
        """Inverse of :meth:`to_json`.

        Raises:
            InputError: a key is missing or holds something else than rising knots and weights ≥ 0.
        """
        try:
            bias = float(data["bias"])
            knots = tuple(tuple(float(v) for v in row) for row in data["knots"])
            weights = tuple(tuple(float(v) for v in row) for row in data["weights"])
        except (KeyError, TypeError, ValueError) as error:
            raise InputError(
                f"expected a fit with bias, knots and weights, found a damaged one ({type(error).__name__}: {error}); "
                "fit the rules again"
            ) from error
        sound = len(knots) == len(weights) and all(
            len(k) == len(w) + 1 > 1 and min(w) >= 0 and min(np.diff(k)) > 0
            for k, w in zip(knots, weights, strict=False)
        )
        if not (sound and np.isfinite([bias, *np.concatenate([*knots, *weights])]).all()):
            raise InputError(
                "expected rising knots and weights from 0 in a fit, found others; fit the rules again"
            )
        return cls(bias, knots, weights)


def fit_monotone(numbers: Vector, truth: Vector, what: str) -> MonotoneFit:
    """Fit scores to truth.

    Args:
        numbers: (n, k), finite.
        truth: (n,) 1, 0 or NaN (not counted).
        what: name of the kind, for messages.

    Raises:
        InputError: fewer than five joints with, or without, the kind.
    """
    known = np.isfinite(truth)
    y, x = truth[known] > 0.5, numbers[known]
    if min(y.sum(), (~y).sum()) < LEAST:
        raise InputError(
            f"expected at least {LEAST} joints with and {LEAST} without {what} to fit the rules, found {int(y.sum())} "
            f"and {int((~y).sum())}; take more joints"
        )
    knots = [_knots(column, y) for column in x.T]
    design = np.concatenate([_ramps(column, k) for column, k in zip(x.T, knots, strict=True)], axis=1)
    bias, flat = _maximise(design, y)
    weights, start = [], 0
    for k in knots:
        weights.append(tuple(float(v) for v in flat[start : start + len(k) - 1]))
        start += len(k) - 1
    return MonotoneFit(bias, tuple(tuple(float(v) for v in k) for k in knots), tuple(weights))


def _knots(column: Vector, positive: NDArray[np.bool_]) -> Vector:
    """Quantiles of both classes together, as if they were equally common."""
    share = np.linspace(0, 1, RAMPS // 2 + 2)
    places = np.concatenate([np.quantile(column[positive], share), np.quantile(column[~positive], share)])
    places = np.unique(places)
    wide = max(float(places[-1] - places[0]), 1e-6)
    kept = [float(places[0])]
    for place in places[1:]:
        if place - kept[-1] > 0.01 * wide:
            kept.append(float(place))
    return np.asarray(kept if len(kept) > 1 else [kept[0], kept[0] + 1.0])


def _ramps(column: Vector, knots: Vector) -> Vector:
    """(n, len(knots) - 1): 0 before each piece, 1 after it, straight within."""
    return np.asarray(np.clip((column[:, None] - knots[:-1]) / np.diff(knots), 0, 1))


def _maximise(design: Vector, y: NDArray[np.bool_]) -> tuple[float, Vector]:
    """Bias and weights ≥ 0 of the most likely logistic law with a ridge."""
    sign = np.where(y, 1.0, -1.0)
    columns = np.concatenate([np.ones((len(y), 1)), design], axis=1)
    ridge = np.full(columns.shape[1], RIDGE)
    ridge[0] = 0.0

    def loss(w: Vector) -> tuple[float, Vector]:
        margin = sign * (columns @ w)
        value = np.logaddexp(0, -margin).sum() + 0.5 * (ridge * w * w).sum()
        slope = columns.T @ (-sign / (1 + np.exp(np.clip(margin, -500, 500)))) + ridge * w
        return float(value), slope

    bounds = [(None, None)] + [(0.0, None)] * design.shape[1]
    start = np.zeros(columns.shape[1])
    found = optimize.minimize(
        loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 2000}
    )
    return float(found.x[0]), np.asarray(found.x[1:])
