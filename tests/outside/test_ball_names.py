"""Ball names against the letter rule of IPC-7351, section 14.2.5 (as quoted on a public list, Nov 2020).

Guards against an off-by-one at the first two-letter row, and against I, O, Q, S, X, Z slipping in.
"""

import pytest

from jointwise.joints.names import row_letters


@pytest.mark.parametrize(
    ("row_from_1", "letters"),
    [
        (1, "A"), (8, "H"), (9, "J"), (14, "P"), (15, "R"), (20, "Y"), (21, "AA"), (40, "AY"), (41, "BA"),
        (420, "YY"), (421, "AAA"),
    ],
)  # fmt: skip
def test_letters_of_the_rule(row_from_1: int, letters: str) -> None:
    assert row_letters(row_from_1 - 1) == letters
