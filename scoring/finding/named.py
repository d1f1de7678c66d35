"""Rows, columns and names of the sites, by the rule for rectangles or by a layout."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.names import parse_ball
from jointwise.scoring.finding.layout import Layout, Lie, allowed, ranks
from jointwise.scoring.finding.naming import site_names
from jointwise.scoring.settings import A1_CORNERS, ArrayWanted


@dataclass(frozen=True)
class Named:
    """What the sites are called.

    Args:
        row, col: (n,) from 0 at the lowest y and x of the file.
        balls: names.
        a1_corner: corner of the file's frame where names start.
        assumed: nobody told where that is.
        words: sentences on it.
    """

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    balls: list[str]
    a1_corner: str
    assumed: bool
    words: tuple[str, ...]


def name_rectangle(row: NDArray[np.number], col: NDArray[np.number], array: ArrayWanted) -> Named:
    """Names by rows and columns."""
    rows, cols = (np.asarray(index, np.int64) for index in (row, col))
    corner, assumed = array.a1_corner or A1_CORNERS[0], array.a1_corner is None
    words = ("Where A1 is was not told; names are assumed to start at the file's lowest x and y.",)
    balls = site_names(rows, cols, corner, array.letters_along)
    return Named(rows, cols, balls, corner, assumed, words if assumed else ())


def name_layout(
    layout: Layout, found: Sequence[Lie], mirrored: bool, array: ArrayWanted
) -> tuple[Lie, Named]:
    """How the layout lies, seen from above the package or from below it, and its names.

    Raises:
        InputError: it fits only mirrored, or not with A1 in the corner that was told.
    """
    equal = allowed(found, mirrored)
    first = _first_ball(layout)
    corners = [_corner(lie, first) for lie in equal]
    if array.a1_corner is not None and array.a1_corner not in corners:
        raise InputError(
            f"array.a1_corner: expected a corner at which the layout {layout.path} fits ({', '.join(corners)}), found "
            f"{array.a1_corner}; correct one of them"
        )
    which = 0 if array.a1_corner is None else corners.index(array.a1_corner)
    assumed = array.a1_corner is None and len(equal) > 1
    words = (
        f"The layout fits in {len(equal)} turns alike; {layout.balls[first]} is assumed at {corners[which]}.",
    )
    row, col = ranks(equal[which])
    named = Named(row, col, list(layout.balls), corners[which], assumed, words if assumed else ())
    return equal[which], named


def _first_ball(layout: Layout) -> int:
    """Which ball comes first by its name: A1, or what is nearest to it; the first row where names follow no rule."""
    try:
        return int(np.argmin([sum(parse_ball(name)) for name in layout.balls]))
    except InputError:
        return 0


def _corner(lie: Lie, ball: int) -> str:
    """Corner of the file's frame next to a ball."""
    x = "x_low" if lie.col[ball] < (lie.col.min() + lie.col.max()) / 2 else "x_high"
    y = "y_low" if lie.row[ball] < (lie.row.min() + lie.row.max()) / 2 else "y_high"
    return f"{x}_{y}"
