"""Quantiles are those of numpy, whatever the values' order, and however many are alike."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from jointwise.models.rules.ranks import quantile, quantile_about


def drawn(kind: str, n: int, seed: int) -> NDArray[Any]:
    """Values in an order that a selection may stumble over."""
    rng = np.random.default_rng(seed)
    values = {
        "any": rng.normal(size=n),
        "few different": rng.integers(0, 4, n).astype(np.float64),
        "alike": np.full(n, 0.25),
        "rising": np.arange(n, dtype=np.float64),
        "falling": -np.arange(n, dtype=np.float64),
        "one below": np.where(np.arange(n) == n // 2, -1.0, 1.0),
    }
    return values[kind]


KINDS = ("any", "few different", "alike", "rising", "falling", "one below")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("number", [np.float32, np.float64])
def test_a_quantile_is_numpys_and_leaves_the_smaller_in_front(kind: str, number: type) -> None:
    for n in (1, 2, 9, 10, 37, 400):
        for share in (0.0, 0.1, 0.25, 0.5, 0.77, 1.0):
            values = drawn(kind, n, n).astype(number)
            moved = np.append(values, number(-100))  # beyond the first n: counts nowhere, stays where it is
            found = quantile(moved, n, share)
            assert found == pytest.approx(float(np.quantile(values.astype(np.float64), share)), abs=1e-7)
            np.testing.assert_array_equal(np.sort(moved[:n]), np.sort(values))
            assert moved[n] == -100
            rank = min(int(share * (n - 1)) + 1, n - 1)
            assert moved[:rank].max(initial=-np.inf) <= moved[rank] <= moved[rank:n].min()


@pytest.mark.parametrize("kind", KINDS)
def test_a_guess_good_or_bad_changes_no_quantile(kind: str) -> None:
    for n in (1, 2, 12, 350):
        values = np.abs(drawn(kind, n, n))
        for share in (0.0, 0.3, 0.5, 1.0):
            expected = quantile(values.copy(), n, share)
            for guess in (0.0, 0.8 * expected, expected, 1.26 * expected, 2.0):
                assert quantile_about(values.copy(), n, share, guess) == expected


def test_there_is_no_quantile_of_nothing() -> None:
    assert np.isnan(quantile(np.empty(3), 0, 0.5))
