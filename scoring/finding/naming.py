"""Names of sites, and which sites the part leaves empty on purpose."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.names import ball_name, parse_ball

NOTHING = "none"
"""As an entry of `depopulated`: the part has a ball at every site."""


def site_names(
    row: NDArray[np.integer], col: NDArray[np.integer], a1_corner: str, letters_along: str = "y"
) -> list[str]:
    """Names of all sites of a full rectangle, with A1 at the given corner of the file's frame.

    Args:
        row: (n,) rows from 0 at the lowest y.
        col: (n,) columns from 0 at the lowest x.
        a1_corner: one of `settings.A1_CORNERS`.
        letters_along: the axis along which letters run; x for a part mounted a quarter turned.
    """
    if "x_high" in a1_corner:
        col = col.max() - col
    if "y_high" in a1_corner:
        row = row.max() - row
    letters, numbers = (col, row) if letters_along == "x" else (row, col)
    return [ball_name(int(r), int(c)) for r, c in zip(letters, numbers, strict=True)]


def depopulated_sites(sites: pd.DataFrame, left_empty: Sequence[str]) -> NDArray[np.bool_]:
    """Which sites (n,) the part leaves empty on purpose.

    Args:
        sites: with the column `ball`.
        left_empty: ball names (`E5`) and rectangles of them (`E5:H8`).

    Raises:
        InputError: a name is none, or lies outside the array.
    """
    place = [parse_ball(name) for name in sites["ball"]]
    empty = np.zeros(len(sites), bool)
    for entry in left_empty:
        if entry.strip().lower() == NOTHING:
            continue
        ends = [parse_ball(name.strip()) for name in entry.split(":")]
        if len(ends) > 2:
            raise InputError(
                f"array.depopulated: expected a ball (E5) or a rectangle (E5:H8), found {entry!r}"
            )
        low, high = np.min(ends, axis=0), np.max(ends, axis=0)
        among = np.all((np.asarray(place) >= low) & (np.asarray(place) <= high), axis=1)
        if not among.any():
            raise InputError(
                f"array.depopulated: expected sites of the array ({sites['ball'].iloc[0]} to "
                f"{sites['ball'].iloc[-1]}), found {entry!r}"
            )
        empty |= among
    return empty
