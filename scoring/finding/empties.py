"""Sites without a ball that form a regular pattern: left empty on purpose, not lost."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

SMALLEST_REGION = 4  # sites: fewer in one place may well be balls that fell off
CHEQUERED = 0.9  # of every other site empty, and as many of the others held
FEWEST_LINES = 4


def left_empty(
    row: NDArray[np.int64], col: NDArray[np.int64], present: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which sites (n,) of a full rectangle are taken for left empty on purpose.

    Parts look the same turned by half a turn but for a corner mark; lost balls do not. So an empty region of four or
    more sites counts if the half-turned array is empty there too, as do all four corners together, and every other
    site. An isolated empty site is a missing ball.
    """
    rows, cols = int(row.max()) + 1, int(col.max()) + 1
    empty = np.zeros((rows, cols), bool)
    empty[row, col] = ~present
    if min(rows, cols) < FEWEST_LINES or not empty.any():
        return np.zeros(len(row), bool)
    return np.asarray((_chequered(empty) | _regions(empty & empty[::-1, ::-1]))[row, col])


def _chequered(empty: NDArray[np.bool_]) -> NDArray[np.bool_]:
    parity = np.indices(empty.shape).sum(axis=0) % 2
    for this in (0, 1):
        if empty[parity == this].mean() >= CHEQUERED and empty[parity != this].mean() <= 1 - CHEQUERED:
            return np.asarray(empty & (parity == this))
    return np.zeros_like(empty)


def _regions(symmetric: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Of the sites that are empty in both senses: large regions, and the corners if all four are empty."""
    label, count = ndimage.label(symmetric)
    size = np.bincount(label.ravel(), minlength=count + 1)
    keep = size >= SMALLEST_REGION
    corners = label[[0, 0, -1, -1], [0, -1, 0, -1]]
    if corners.all():
        keep[corners] = True
    keep[0] = False
    return np.asarray(keep[label])
