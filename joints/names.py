"""Ball names: rows carry letters, columns numbers, A1 at row 0, column 0.

The letters I, O, Q, S, X and Z are skipped (IPC-7351, section 14.2.5, as quoted publicly); 20 letters are
left and after Y comes AA.
"""

from typing import Final

from jointwise.joints.errors import InputError

LETTERS: Final = "ABCDEFGHJKLMNPRTUVWY"


def row_letters(row: int) -> str:
    """Letters of a row counted from 0.

    Example:
        >>> row_letters(0), row_letters(8), row_letters(20)
        ('A', 'J', 'AA')
    """
    if row < 0:
        raise InputError(f"a ball's row counts from 0, found {row}")
    letters = ""
    number = row + 1
    while number:
        number, digit = divmod(number - 1, len(LETTERS))
        letters = LETTERS[digit] + letters
    return letters


def ball_name(row: int, col: int) -> str:
    """Name of the ball at (row, col), both counted from 0.

    Example:
        >>> ball_name(0, 0), ball_name(9, 11)
        ('A1', 'K12')
    """
    if col < 0:
        raise InputError(f"a ball's column counts from 0, found {col}")
    return f"{row_letters(row)}{col + 1}"


def parse_ball(name: str) -> tuple[int, int]:
    """Row and column, both from 0, of a ball's name; the inverse of :func:`ball_name`.

    Raises:
        InputError: the name is not letters of the rule followed by a number from 1.
    """
    letters = name.rstrip("0123456789")
    digits = name[len(letters) :]
    if not letters or not digits or int(digits) < 1 or any(c not in LETTERS for c in letters):
        raise InputError(
            f"expected a ball name such as B7 (letters without I, O, Q, S, X, Z, then a number from 1), found {name!r}"
        )
    number = 0
    for letter in letters:
        number = number * len(LETTERS) + LETTERS.index(letter) + 1
    return number - 1, int(digits) - 1
