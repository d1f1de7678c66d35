"""Which points are the array's own, and which rows and columns it has."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from jointwise.joints.lattice import Vector
from jointwise.scoring.finding.ball_lattice import ON_SITE, BallLattice

NEIGHBOURHOOD = 1.6  # pitches: the eight next sites
OWN_SHARE = 0.45  # of the points around an own point lie on the lattice; beside another part far fewer do
BRIDGED_GAP = 2  # up to twice as many empty lines lie within one part; what is farther off is another
FEWEST_SHARE = 0.25  # an outer row holds at least this share of a usual row, or it is something else


def own_points(lattice: BallLattice, places_mm: Vector) -> NDArray[np.bool_]:
    """Which points (n,) belong to the array: on the lattice, among points on the lattice, in its largest part.

    Another part in the field, even of the same pitch, has a lattice of its own, on which few points happen to fit.
    """
    row, col, off = lattice.sites(places_mm)
    on = off < ON_SITE
    around = cKDTree(places_mm).query_ball_point(places_mm, NEIGHBOURHOOD * lattice.pitch_mm)
    own = on & np.array([on[near].mean() >= OWN_SHARE for near in around], dtype=bool)
    if own.any():
        own[own] = _largest_part(row[own], col[own])
    return np.asarray(own, dtype=np.bool_)


def _largest_part(row: NDArray[np.int64], col: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which sites (n,) are in the rectangle of the largest connected part: arrays may be hollow, with an island."""
    grid = np.zeros((int(np.ptp(row)) + 1, int(np.ptp(col)) + 1), bool)
    r, c = row - row.min(), col - col.min()
    grid[r, c] = True
    grown = ndimage.binary_dilation(np.pad(grid, BRIDGED_GAP), np.ones((3, 3), bool), BRIDGED_GAP)
    parts, _ = ndimage.label(grown, np.ones((3, 3), bool))
    part = parts[r + BRIDGED_GAP, c + BRIDGED_GAP]
    largest = part == np.bincount(part).argmax()
    within = [(i >= i[largest].min()) & (i <= i[largest].max()) for i in (r, c)]
    return np.asarray(within[0] & within[1], dtype=np.bool_)


def found_span(index: NDArray[np.int64]) -> tuple[int, int]:
    """First row and number of rows (or columns) from the rows of all balls; rows with very few do not count."""
    first = int(index.min())
    count = np.bincount(index - first)
    full = np.flatnonzero(count >= max(1.0, FEWEST_SHARE * float(np.median(count[count > 0]))))
    return first + int(full[0]), int(full[-1] - full[0]) + 1


def possible_starts(index: NDArray[np.int64], wanted: int | None) -> tuple[list[int], int]:
    """First rows that the array may have, and its number of rows.

    Args:
        index: (n,) row of each ball.
        wanted: how many rows there are, if known: then every span of so many rows that holds most balls is possible;
            where rows are empty, it is open on which side they lie.
    """
    if wanted is None:
        first, count = found_span(index)
        return [first], count
    first = int(index.min())
    held = np.convolve(np.pad(np.bincount(index - first), wanted), np.ones(wanted, int), mode="valid")
    return [int(s) + first - wanted for s in np.flatnonzero(held == held.max())[::-1]], wanted
