"""Monotone fit: never falls, separates what can be separated, survives JSON bit for bit, refuses in words."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jointwise.joints.errors import InputError
from jointwise.models.rules.fit import MonotoneFit, fit_monotone


def _example(n: int = 400, seed: int = 2):
    rng = np.random.default_rng(seed)
    numbers = rng.normal(size=(n, 3))
    odds = 2 * numbers[:, 0] + np.maximum(numbers[:, 1], 0) - 0.5
    truth = (rng.random(n) < 1 / (1 + np.exp(-odds))).astype(float)
    return numbers, truth


FIT = fit_monotone(*_example(), "a kind")


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-6, 6), min_size=3, max_size=3),
    st.integers(0, 2),
    st.floats(0, 4),
)
def test_more_evidence_never_lowers_the_score(numbers, which, more) -> None:
    row = np.array([numbers])
    raised = row.copy()
    raised[0, which] += more
    assert FIT(raised)[0] >= FIT(row)[0] - 1e-12


def test_scores_are_close_to_the_true_chances() -> None:
    numbers, _ = _example(2000, seed=3)
    odds = 2 * numbers[:, 0] + np.maximum(numbers[:, 1], 0) - 0.5
    assert np.abs(FIT(numbers) - 1 / (1 + np.exp(-odds))).mean() < 0.07


def test_a_number_that_speaks_against_gets_no_weight() -> None:
    numbers, truth = _example()
    turned = fit_monotone(-numbers, truth, "a kind")
    assert max(turned.weights[0]) < 1e-6


def test_unknown_truth_does_not_count() -> None:
    numbers, truth = _example()
    more = np.concatenate([numbers, 100 * numbers[:50]])
    assert fit_monotone(more, np.concatenate([truth, np.full(50, np.nan)]), "a kind") == FIT


def test_json_gives_back_the_same_bits() -> None:
    again = MonotoneFit.from_json(json.loads(json.dumps(FIT.to_json())))
    numbers, _ = _example(50, seed=4)
    assert again == FIT
    np.testing.assert_array_equal(again(numbers), FIT(numbers))


def test_constant_numbers_are_harmless() -> None:
    numbers, truth = _example()
    numbers[:, 2] = 1.5
    assert np.isfinite(fit_monotone(numbers, truth, "a kind")(numbers)).all()


def test_too_few_joints_are_refused_by_name() -> None:
    numbers, truth = _example()
    truth[:] = 0
    truth[:3] = 1
    with pytest.raises(InputError, match="bridging to fit the rules, found 3"):
        fit_monotone(numbers, truth, "bridging")


@pytest.mark.parametrize(
    "damage",
    [
        {"bias": float("nan")},
        {"knots": [[0.0, 1.0]]},
        {"weights": [[-1.0], [0.0], [0.0]], "knots": [[0.0, 1.0]] * 3},
        {"knots": "none"},
        {"weights": [[1.0]] * 3, "knots": [[1.0, 0.0]] * 3},
        {"weights": [[]] * 3, "knots": [[1.0]] * 3},
    ],
)
def test_damaged_fits_are_refused(damage) -> None:
    with pytest.raises(InputError, match="fit the rules again"):
        MonotoneFit.from_json({**FIT.to_json(), **damage})
