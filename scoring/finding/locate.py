"""Find the ball grid array in a scan: every site, named, with its place, and how the board lies."""

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from jointwise.joints.cutting import inside
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice, Vector
from jointwise.joints.levels import Levels
from jointwise.scoring.finding.extent import found_span, possible_starts
from jointwise.scoring.finding.first_look import FEWEST_BALLS, FirstLook, first_look
from jointwise.scoring.finding.frame import Frame, first_frame, fit_frame
from jointwise.scoring.finding.naming import depopulated_sites, site_names
from jointwise.scoring.finding.refine import Shapes, see_shapes
from jointwise.scoring.grey import array_levels
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings, ScoreSettings, check_array, check_score

ROUGH = Grid((24, 28, 28))  # to read first levels on: fast, and fine enough for medians
FEWEST_VOXELS_PER_BALL = 5.0
PRESENT_SHARE = 0.2  # of the usual metal, as in the definition of `present`
DIAMETERS = (0.7, 1.45)  # outline of a joint in nominal balls: reflow widens it, paste adds to it
OFF_SITE = 0.1  # median distance of joints from their sites, in pitches, at most
SPREAD = 0.25  # of the diameters, quartile to quartile, at most


@dataclass(frozen=True)
class ArrayFound:
    """A ball grid array as found in a scan.

    Args:
        sites: one row per site: row, col, ball, x_mm, y_mm, z_mm (half joint height, file's frame), present,
            diameter_mm, height_mm, metal_share (of the usual joint), in_field (its whole box lies in the scan).
        axes: (3, 3), columns are the grid's x, y and z directions in the file's frame; z from board to package.
        pitch_mm: pitch found, mm.
        residual_voxels: median distance of the joints from their lattice, in voxels.
        levels: air and solder level, noise.
        tilt_deg: between the board's normal and the file's z.
        turn_deg: of the columns' direction against the file's x.
        bend_um: height of the array's highest over its lowest site by the fitted surface, tilt taken off.
    """

    sites: pd.DataFrame
    axes: Vector
    pitch_mm: float
    residual_voxels: float
    levels: Levels
    tilt_deg: float
    turn_deg: float
    bend_um: float

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return int(self.sites["row"].max()) + 1, int(self.sites["col"].max()) + 1


def locate(scan: Scan, array: ArraySettings, settings: ScoreSettings) -> ArrayFound:
    """Find every site of the array.

    Args:
        scan: the scan.
        array: pitch, ball and, if known, rows and columns.
        settings: package side and largest tilt.

    Raises:
        InputError: voxels too coarse, no balls, another pitch, another ball size.
    """
    check_array(array)
    check_score(settings)
    per_ball = array.ball_mm / scan.lattice.voxel_mm
    if per_ball < FEWEST_VOXELS_PER_BALL:
        raise InputError(
            f"expected at least {FEWEST_VOXELS_PER_BALL:g} voxels across a ball, found {per_ball:.1f} "
            f"(array.ball_mm={array.ball_mm:g}, voxels of {1000 * scan.lattice.voxel_mm:.3g} µm in {scan.path}); "
            "scan finer, or check array= and the spacing in the file"
        )
    look = first_look(scan, array, settings.max_tilt_deg)
    row, col, frame = _sites(scan, look, array)
    places = frame.place(row, col)
    apart, _ = cKDTree(look.points_mm).query(places)
    levels = array_levels(scan, places[apart < 0.35 * array.pitch_mm], frame.axes, array, ROUGH)
    shapes, frame = _look_closer(scan, array, row, col, frame, levels)
    _check_balls(scan, array, shapes, look, frame.place(row, col))
    row, col, shapes, frame = _without_strays(scan, array, row, col, shapes, frame)
    return _found(scan, array, settings, row, col, shapes, frame, levels)


def _sites(
    scan: Scan, look: FirstLook, array: ArraySettings
) -> tuple[NDArray[np.int64], NDArray[np.int64], Frame]:
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


def _look_closer(
    scan: Scan,
    array: ArraySettings,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    frame: Frame,
    levels: Levels,
) -> tuple[Shapes, Frame]:
    """Outlines at every site, and the frame fitted to them; twice, since the first frame is coarse."""
    for _ in range(2):
        shapes = see_shapes(
            scan.volume,
            scan.lattice,
            frame.place(row, col),
            frame.axes,
            array.pitch_mm,
            array.ball_mm,
            levels,
        )
        frame = fit_frame(shapes.centre_mm, _trust(shapes, array).astype(float), row, col, frame)
    return shapes, frame


def _trust(shapes: Shapes, array: ArraySettings) -> NDArray[np.bool_]:
    """Sites whose outline and ends are those of a ball."""
    low, high = (share * array.ball_mm for share in DIAMETERS)
    with np.errstate(invalid="ignore"):
        round_enough = (shapes.diameter_mm > low) & (shapes.diameter_mm < high)
    return np.asarray(round_enough & np.isfinite(shapes.centre_mm).all(axis=1))


def _without_strays(
    scan: Scan,
    array: ArraySettings,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    shapes: Shapes,
    frame: Frame,
) -> tuple[NDArray[np.int64], NDArray[np.int64], Shapes, Frame]:
    """Drop outer rows and columns that hold nothing round, and what the scan does not reach.

    Some other part may happen to stand on the lattice, and the field may end amid the array. Where the user said how
    many rows or columns there are, none is dropped.
    """
    within = inside(scan.lattice, frame.place(row, col))
    trusted = _trust(shapes, array) & within
    first_row, rows = found_span(row[trusted]) if array.rows is None else (0, array.rows)
    first_col, cols = found_span(col[trusted]) if array.cols is None else (0, array.cols)
    keep = (row >= first_row) & (row < first_row + rows) & (col >= first_col) & (col < first_col + cols)
    keep &= within | (array.rows is not None or array.cols is not None)
    row, col, shapes = row[keep] - first_row, col[keep] - first_col, shapes.take(keep)
    if first_row or first_col:
        frame = fit_frame(shapes.centre_mm, _trust(shapes, array).astype(float), row, col, frame)
    return row, col, shapes, frame


def _check_balls(
    scan: Scan, array: ArraySettings, shapes: Shapes, look: FirstLook, places_mm: Vector
) -> None:
    """Whether what stands on the lattice is round, in its place, of the right size, and whole."""
    enough = max(FEWEST_BALLS, 0.5 * look.own.sum())
    solid = np.isfinite(shapes.diameter_mm) & ~np.isnan(shapes.height_mm)
    diameter = shapes.diameter_mm[solid]
    off = np.linalg.norm(shapes.centre_mm - places_mm, axis=1)[solid & np.isfinite(shapes.height_mm)]
    if len(diameter) < enough or (len(off) and np.median(off) > OFF_SITE * array.pitch_mm):
        raise InputError(look.no_balls(scan))
    low, middle, high = np.percentile(diameter, [25, 50, 75])
    if not DIAMETERS[0] * array.ball_mm <= middle <= DIAMETERS[1] * array.ball_mm:
        raise InputError(
            f"expected joints about {1.1 * array.ball_mm:.2g} mm wide (array.ball_mm={array.ball_mm:g}), found "
            f"{middle:.2g} mm in {scan.path}; set array.ball_mm to the ball's diameter before reflow, "
            f"about {middle / 1.1:.2g}"
        )
    if np.isposinf(shapes.height_mm).sum() >= enough:
        raise InputError(
            f"expected joints with both ends, at the board and at the package, in {scan.path}, found balls whose ends "
            "do not show; reconstruct the scan farther along z, to half a ball beyond the lands"
        )
    if high - low > SPREAD * middle:
        raise InputError(look.no_balls(scan))


def _found(
    scan: Scan,
    array: ArraySettings,
    settings: ScoreSettings,
    row: NDArray[np.int64],
    col: NDArray[np.int64],
    shapes: Shapes,
    frame: Frame,
    levels: Levels,
) -> ArrayFound:
    expected = frame.place(row, col)
    trusted = _trust(shapes, array)
    share = shapes.metal_mm3 / float(np.median(shapes.metal_mm3[trusted]))
    present = share >= PRESENT_SHARE
    centre = _settle(shapes, expected, trusted & present, frame.axes, array.ball_mm)
    _check_in_scan(scan, row, col, centre)
    off = np.linalg.norm((centre - expected)[trusted & present], axis=1)
    sites = pd.DataFrame(
        {
            "row": row,
            "col": col,
            "ball": site_names(row, col, array.a1_corner),
            "x_mm": centre[:, 0],
            "y_mm": centre[:, 1],
            "z_mm": centre[:, 2],
            "present": present.astype(int),
            "diameter_mm": shapes.diameter_mm,
            "height_mm": np.where(np.isfinite(shapes.height_mm), shapes.height_mm, np.nan),
            "metal_share": share,
        }
    )
    axes = frame.axes * [1, -1, -1] if settings.package_side == "low" else frame.axes
    sites["in_field"] = _in_field(scan.lattice, centre, axes, array)
    sites = sites[~depopulated_sites(sites, array.depopulated)].reset_index(drop=True)
    return ArrayFound(
        sites,
        axes,
        frame.lattice.pitch_mm,
        float(np.median(off)) / scan.lattice.voxel_mm,
        levels,
        frame.tilt_deg,
        frame.turn_deg,
        1000 * frame.bent_mm(row, col),
    )


def _check_in_scan(scan: Scan, row: NDArray[np.int64], col: NDArray[np.int64], centre: Vector) -> None:
    out = ~inside(scan.lattice, centre)
    if out.any():
        first = int(np.flatnonzero(out)[0])
        raise InputError(
            f"expected all {row.max() + 1} rows and {col.max() + 1} columns within {scan.path}, found {int(out.sum())} "
            f"sites beyond its edge, the first at row {row[first]}, column {col[first]}; scan the whole array, or "
            "correct array.rows and array.cols (none = as many as are found)"
        )


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
    local[~seen | (up > far_up), 2] = 0.0
    return np.asarray(expected + local @ axes.T)


def _in_field(lattice: Lattice, centres: Vector, axes: Vector, array: ArraySettings) -> NDArray[np.bool_]:
    """Whether the corners of the box that is cut (1.5 pitches, 1.3 balls) lie in the scan."""
    half = np.array([0.75 * array.pitch_mm, 0.75 * array.pitch_mm, 0.65 * array.ball_mm])
    signs: Any = np.array(np.meshgrid([-1, 1], [-1, 1], [-1, 1])).reshape(3, -1).T
    corners = centres[:, None] + (signs * half) @ axes.T
    return np.asarray(inside(lattice, corners).all(axis=1))
