"""Agreement: pairs that count, classes of size, and lists that are no pairs."""

import numpy as np
import pytest

from jointwise.evaluation.statistics.bland_altman import agreement, agreement_by_size
from jointwise.joints.errors import InputError

NAN = float("nan")


def test_only_pairs_of_which_both_are_known_count() -> None:
    """And from two differences nothing is told."""
    full = agreement([1.0, 2.0, 4.0], [1.0, 1.0, 1.0])
    assert agreement([1.0, NAN, 2.0, 4.0, 9.0], [1.0, 5.0, 1.0, 1.0, NAN]) == full
    assert full.n == 3
    few = agreement([1.0, 2.0], [0.0, 0.0])
    assert few.n == 2
    assert np.isnan([few.bias, few.sd, few.low, *few.high_interval]).all()
    with pytest.raises(InputError, match="one length"):
        agreement([1.0, 2.0], [1.0])


def test_classes_are_of_the_true_size_and_count_what_was_missed() -> None:
    """An edge belongs to the class above; the first row is all of them."""
    true = np.array([1.0, 2.0, 3.0, 10.0, 11.0, 12.0, 13.0, 30.0])
    off = np.array([0.0, 0.1, 0.2, 1.0, 2.0, 3.0, NAN, 5.0])
    table = agreement_by_size(true + off, true, (0.0, 10.0, 20.0))
    assert table[["from", "to", "n", "missed"]].to_numpy().tolist() == [
        [0, 20, 6, 1],
        [0, 10, 3, 0],
        [10, 20, 3, 1],
    ]
    np.testing.assert_allclose(table["bias"], [1.05, 0.1, 2.0])
    assert table.loc[1, "low"] == pytest.approx(0.1 - 1.959964 * 0.1)
    assert (table["high_from"] < table["high"]).all()
    assert len(agreement_by_size(true + off, true, (0.0, np.inf))) == 1
