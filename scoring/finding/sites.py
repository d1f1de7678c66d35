"""From a first look to sites: outlines at every site, the frame fitted to them, what is present and where."""

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.cutting import inside
from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice, Vector
from jointwise.joints.levels import Levels
from jointwise.scoring.finding.extent import found_span, possible_starts
from jointwise.scoring.finding.first_look import FEWEST_BALLS, FirstLook
from jointwise.scoring.finding.frame import Frame, first_frame, fit_frame
from jointwise.scoring.finding.not_found import NotFound
from jointwise.scoring.finding.refine import Shapes, see_shapes
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings

PRESENT_SHARE = 0.2  # of the usual metal, as in the definition of `present`
DIAMETERS = (0.7, 1.45)  # outline of a joint in nominal balls: reflow widens it, paste adds to it
OFF_SITE = 0.1  # median distance of joints from their sites, in pitches, at most
SPREAD = 0.25  # of the diameters, quartile to quartile, at most

HEIGHT_OFF = 0.15  # of the usual height: what is farther off has an end that is not its land

Index = NDArray[np.number]
"""Rows or columns of sites (n,): whole numbers, or fractions where a layout says so."""


@dataclass(frozen=True)
class Sites:
    """Sites of an array and what was seen at each.

    Args:
        row, col: (n,) place on the lattice.
        frame: where the lattice lies.
        shapes: outline, ends and metal at each.
    """

    row: Index
    col: Index
    frame: Frame
    shapes: Shapes

    @property
    def expected_mm(self) -> Vector:
        """(n, 3) where the lattice says that they are."""
        return self.frame.place(self.row, self.col)

    def present(self, array: ArraySettings) -> NDArray[np.bool_]:
        """Which sites hold at least a fifth of the usual metal."""
        return np.asarray(self.metal_share(array) >= PRESENT_SHARE)

    def metal_share(self, array: ArraySettings) -> Vector:
        """Metal of each site over that of the usual joint."""
        usual = float(np.median(self.shapes.metal_mm3[trust(self.shapes, array)]))
        return np.asarray(self.shapes.metal_mm3 / usual)


def rectangle(scan: Scan, look: FirstLook, array: ArraySettings) -> tuple[Index, Index, Frame]:
    """Rows and columns of all sites of the array's rectangle, and a first frame with (0, 0) at its lowest corner."""
    row, col, _ = look.lattice.sites(look.places_mm[look.own])
    first_rows, rows = possible_starts(row, array.rows)
    first_cols, cols = possible_starts(col, array.cols)
    all_rows, all_cols = np.divmod(np.arange(rows * cols), cols)
    frames = [
        first_frame(look.plane, look.lattice.moved(r, c))
        for r, c in itertools.product(first_rows, first_cols)
    ]
    within = [inside(scan.lattice, frame.place(all_rows, all_cols)).sum() for frame in frames]
    return all_rows, all_cols, frames[int(np.argmax(within))]


def look_closer(
    scan: Scan, array: ArraySettings, row: Index, col: Index, frame: Frame, levels: Levels
) -> Sites:
    """Outlines at every site, and the frame fitted to them; twice, since the first frame is coarse."""
    for _ in range(2):
        places = frame.place(row, col)
        shapes = see_shapes(scan, places, frame.axes, array.pitch_mm, array.ball_mm, levels)
        sound = trust(shapes, array)
        whole = sound & ~_end_hidden(shapes.height_mm, sound)
        weight = whole if whole.sum() >= 0.5 * sound.sum() else sound
        frame = fit_frame(shapes.centre_mm, weight.astype(float), row, col, frame)
    return Sites(row, col, frame, shapes)


def trust(shapes: Shapes, array: ArraySettings) -> NDArray[np.bool_]:
    """Sites whose outline and ends are those of a ball."""
    low, high = (share * array.ball_mm for share in DIAMETERS)
    with np.errstate(invalid="ignore"):
        round_enough = (shapes.diameter_mm > low) & (shapes.diameter_mm < high)
    return np.asarray(round_enough & np.isfinite(shapes.centre_mm).all(axis=1))


def without_strays(scan: Scan, array: ArraySettings, sites: Sites) -> Sites:
    """Drop outer rows and columns that hold nothing round, and what the scan does not reach.

    Some other part may happen to stand on the lattice, and the field may end amid the array. Where the user said how
    many rows or columns there are, none is dropped.
    """
    row, col = (np.asarray(index, np.int64) for index in (sites.row, sites.col))
    frame, shapes = sites.frame, sites.shapes
    within = inside(scan.lattice, frame.place(row, col))
    trusted = trust(shapes, array) & within
    first_row, rows = found_span(row[trusted]) if array.rows is None else (0, array.rows)
    first_col, cols = found_span(col[trusted]) if array.cols is None else (0, array.cols)
    keep = (row >= first_row) & (row < first_row + rows) & (col >= first_col) & (col < first_col + cols)
    keep &= within | (array.rows is not None or array.cols is not None)
    row, col, shapes = row[keep] - first_row, col[keep] - first_col, shapes.take(keep)
    if first_row or first_col:
        frame = fit_frame(shapes.centre_mm, trust(shapes, array).astype(float), row, col, frame)
    return Sites(row, col, frame, shapes)


def check_balls(scan: Scan, array: ArraySettings, sites: Sites, look: FirstLook) -> None:
    """Whether what stands on the lattice is round, in its place, of the right size, and whole."""
    shapes, places_mm = sites.shapes, sites.expected_mm
    enough = max(FEWEST_BALLS, 0.5 * look.own.sum())
    solid = np.isfinite(shapes.diameter_mm) & ~np.isnan(shapes.height_mm)
    diameter = shapes.diameter_mm[solid]
    off = np.linalg.norm(shapes.centre_mm - places_mm, axis=1)[solid & np.isfinite(shapes.height_mm)]
    if len(diameter) < enough or (len(off) and np.median(off) > OFF_SITE * array.pitch_mm):
        raise NotFound(look.no_balls(scan), look.seen(scan))
    low, middle, high = np.percentile(diameter, [25, 50, 75])
    if not DIAMETERS[0] * array.ball_mm <= middle <= DIAMETERS[1] * array.ball_mm:
        raise NotFound(
            f"expected joints about {1.1 * array.ball_mm:.2g} mm wide (array.ball_mm={array.ball_mm:g}), found "
            f"{middle:.2g} mm in {scan.path}; set array.ball_mm to the ball's diameter before reflow, "
            f"about {middle / 1.1:.2g}",
            look.seen(scan),
        )
    if np.isposinf(shapes.height_mm).sum() >= enough:
        raise NotFound(
            f"expected joints with both ends, at the board and at the package, in {scan.path}, found balls whose ends "
            "do not show; reconstruct the scan farther along z, to half a ball beyond the lands",
            look.seen(scan),
        )
    if high - low > SPREAD * middle:
        raise NotFound(look.no_balls(scan), look.seen(scan))


def settled(sites: Sites, array: ArraySettings) -> tuple[Vector, float]:
    """Centres (n, 3), mm, and the median distance of the sound ones from their lattice, mm."""
    expected, seen = sites.expected_mm, trust(sites.shapes, array) & sites.present(array)
    centre = _settle(sites.shapes, expected, seen, sites.frame.axes, array.ball_mm)
    return centre, float(np.median(np.linalg.norm((centre - expected)[seen], axis=1)))


def _settle(shapes: Shapes, expected: Vector, seen: NDArray[np.bool_], axes: Vector, ball: float) -> Vector:
    """Each joint's own centre where it is credible, else the lattice's.

    A gap at a land or a void that opens to one side moves what is seen of a joint, not the joint: what lies far off
    the array's own scatter is held back, in the plane and along the normal separately.
    """
    local = (np.where(np.isfinite(shapes.centre_mm), shapes.centre_mm, expected) - expected) @ axes
    flat, up = np.hypot(local[:, 0], local[:, 1]), np.abs(local[:, 2])
    far_flat = max(5 * float(np.median(flat[seen])), 0.06 * ball)
    far_up = max(4 * float(np.median(up[seen])), 0.015 * ball)
    local[~seen | (flat > far_flat), :2] = 0.0
    local[~seen | (up > far_up) | _end_hidden(shapes.height_mm, seen), 2] = 0.0
    return np.asarray(expected + local @ axes.T)


def _end_hidden(height: Vector, seen: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Joints (n,) so much taller or lower than usual that one end is not the land but a gap, or lies behind it."""
    known = seen & np.isfinite(height)
    if not known.any():
        return np.zeros(len(height), bool)
    usual = float(np.median(height[known]))
    return np.asarray(~known | (np.abs(height - usual) > HEIGHT_OFF * usual))


def check_in_scan(scan: Scan, row: NDArray[np.int64], col: NDArray[np.int64], centre: Vector) -> None:
    out = ~inside(scan.lattice, centre)
    if out.any():
        first = int(np.flatnonzero(out)[0])
        raise InputError(
            f"expected all {row.max() + 1} rows and {col.max() + 1} columns within {scan.path}, found {int(out.sum())} "
            f"sites beyond its edge, the first at row {row[first]}, column {col[first]}; scan the whole array, or "
            "correct array.rows and array.cols (none = as many as are found)"
        )


def in_field(lattice: Lattice, centres: Vector, axes: Vector, array: ArraySettings) -> NDArray[np.bool_]:
    """Whether the corners of the box that is cut (1.5 pitches, 1.3 balls) lie in the scan."""
    half = np.array([0.75 * array.pitch_mm, 0.75 * array.pitch_mm, 0.65 * array.ball_mm])
    signs: Any = np.array(np.meshgrid([-1, 1], [-1, 1], [-1, 1])).reshape(3, -1).T
    corners = centres[:, None] + (signs * half) @ axes.T
    return np.asarray(inside(lattice, corners).all(axis=1))
