"""Halves are numpy's, bit for bit, also at the ends of what they hold, and the caller's numbers stay as they are."""

import numpy as np

from jointwise.models.halves import AT_ONCE, halved, widened


def test_halves_are_those_of_numpy_bit_for_bit() -> None:
    odd = [0.0, -0.0, 65504.0, 65519.9, -1e-8, 6e-8, 3e-5, 1 + 2**-11, 1 + 3 * 2**-11, 2049.0]
    values = np.random.default_rng(3).normal(0.5, 2.0, (7, AT_ONCE // 3)).astype(np.float32)
    values[0, : len(odd)] = odd
    half = halved(values[:, ::2])
    np.testing.assert_array_equal(half.view(np.uint16), values[:, ::2].astype(np.float16).view(np.uint16))
    np.testing.assert_array_equal(widened(half), half.astype(np.float32))


def test_what_may_not_be_written_is_read_and_a_copy_comes_back() -> None:
    values = np.ones((2, 3), np.float16)
    values.setflags(write=False)
    wide = widened(values)
    wide[:] = 2
    assert values.max() == 1
    floats = np.ones(4, np.float32)
    widened(floats)[:] = 3
    assert floats.max() == 1
