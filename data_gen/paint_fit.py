"""A sound model of each joint that a lab's scan shows: measured on its sub-volume, rendered, measured again, corrected.

What is measured is biased by blur, hardening and the lands' copper. The model's own sub-volume is biased alike, so the
difference of the two readings corrects the model; two rounds are enough.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from jointwise.data_gen.drawing.records import BoardRecord, JointRecord, ScannerRecord, ScanRecord
from jointwise.data_gen.drawing.scanner import with_detector
from jointwise.data_gen.scan import scan_beam
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes.environment import site_height, site_position
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Vector

END_LEVEL = 0.6
"""Share of a joint's core value at which its column ends at a land: above copper, below solder."""

EDGE_20_80 = 1.683242
"""20-80 % width of an edge blurred by a Gaussian, in standard deviations (2 · 0.841621)."""
EDGE_10_90 = 2.563103
"""10-90 % width, likewise."""

WETTED = 0.975
"""Wetted radius over the land's, where a scan cannot tell."""


class Seen(NamedTuple):
    """What the sub-volumes show, mm, one entry a joint (NaN where it shows nothing of the kind).

    Attributes:
        diameter: of the largest section.
        low, high: heights of the two ends, from the box's centre.
        x, y: centre of the largest sections, from the box's centre.
        lean_x, lean_y: how far the axis moves sideways from the lower to the upper end.
        edge: 20-80 % width of the outline at the largest section.
    """

    diameter: Vector
    low: Vector
    high: Vector
    x: Vector
    y: Vector
    lean_x: Vector
    lean_y: Vector
    edge: Vector

    @property
    def height(self) -> Vector:
        """Distance of the two ends, mm."""
        return np.asarray(self.high - self.low)


def see(joints: Joints, pitch_mm: float, ball_mm: float) -> Seen:
    """Measure every sub-volume.

    Args:
        joints: sub-volumes at levels 0 and 1.
        pitch_mm, ball_mm: of the array.
    """
    offsets = joints.grid.offsets_mm(pitch_mm, ball_mm)
    rows = [_see_one(np.asarray(v, np.float32), offsets, ball_mm) for v in joints.volumes]
    return Seen(*(np.asarray(column, np.float64) for column in zip(*rows, strict=True)))


def _see_one(box: NDArray[np.float32], offsets: tuple[Vector, ...], ball: float) -> tuple[float, ...]:
    x, y, z = offsets
    yy, xx = np.meshgrid(y, x, indexing="ij")
    near = np.hypot(xx, yy) < 0.15 * ball
    column = box[:, near].mean(axis=1)
    core = float(np.median(column[np.abs(z) < 0.2 * ball]))
    nothing = (math.nan,) * len(Seen._fields)
    if core < 0.3:
        return nothing
    low, high = _ends(column / core, z)
    # A soft threshold counts the pixels of the outline in part, so areas are finer than pixels.
    share = np.clip((box / np.float32(core) - 0.3) / 0.4, 0.0, 1.0) * (np.hypot(xx, yy) < 0.7 * ball)
    area = share.sum(axis=(1, 2)) * (x[1] - x[0]) * (y[1] - y[0])
    inner = np.abs(z - (low + high) / 2) < 0.3 * (high - low)
    if not inner.sum() >= 5:
        return nothing
    widest = np.sort(area[inner])[-3:]
    centre_x = (share * xx).sum(axis=(1, 2))[inner] / share.sum(axis=(1, 2))[inner]
    centre_y = (share * yy).sum(axis=(1, 2))[inner] / share.sum(axis=(1, 2))[inner]
    slopes = [float(np.polyfit(z[inner], c, 1)[0]) * (high - low) for c in (centre_x, centre_y)]
    diameter = 2 * math.sqrt(float(widest.mean()) / math.pi)
    middle = float(centre_x.mean()), float(centre_y.mean())
    flat = box[inner][np.argsort(area[inner])[-3:]].mean(axis=0)
    edge = _edge(flat, np.hypot(xx - middle[0], yy - middle[1]), diameter / 2)
    return diameter, low, high, *middle, *slopes, edge


def _ends(column: Vector, z: Vector) -> tuple[float, float]:
    """Heights at which the column falls below the level, going outwards from its middle."""
    ends = []
    for sign in (-1, 1):
        order = np.argsort(sign * z)
        outward = order[np.searchsorted((sign * z)[order], 0.0) :]
        below = np.flatnonzero(column[outward] < END_LEVEL)
        if not len(below) or below[0] == 0:
            return math.nan, math.nan
        inside, outside = outward[below[0] - 1], outward[below[0]]
        share = (column[inside] - END_LEVEL) / (column[inside] - column[outside])
        ends.append(float(z[inside] + share * (z[outside] - z[inside])))
    return ends[0], ends[1]


def _edge(section: NDArray[np.float32], radius: Vector, half: float) -> float:
    """20-80 % width of the outline in a section, from the mean over rings; NaN if it is not seen whole."""
    step = 0.02 * half
    rings = np.arange(0.5 * half, 1.35 * half, step)
    width = 0.06 * half
    profile = np.array([section[np.abs(radius - r) < width].mean() for r in rings])
    top, bottom = float(profile[rings < 0.75 * half].mean()), float(profile[rings > 1.25 * half].mean())
    level = (profile - bottom) / max(top - bottom, 1e-6)
    last_high = np.flatnonzero(level > 0.8)
    first_low = np.flatnonzero(level < 0.2)
    if not len(last_high) or not len(first_low):
        return math.nan
    return float((first_low[0] - last_high[-1]) * step)


def fitted(seen: Seen, ball_mm: float) -> NDArray[np.bool_]:
    """Joints whose readings are those of one ball, (n,)."""
    with np.errstate(invalid="ignore"):
        like = (np.abs(seen.diameter / ball_mm - 1.05) < 0.35) & (np.abs(seen.height / ball_mm - 0.75) < 0.4)
    return np.asarray(like & np.isfinite(np.stack(seen)).all(axis=0))


def model_record(record: ScanRecord, joints: Joints, seen: Seen, axes: Vector) -> ScanRecord:
    """The record with a sound model joint wherever the scan shows a ball, and nothing elsewhere.

    Args:
        record: any drawn record of that family, array and scanner.
        joints: the joints of one scan; their `row` and `col` say where they stand.
        seen: what is believed of them.
        axes: (3, 3), the grid's directions in the file's frame.
    """
    places = {(int(r), int(c)): i for i, (r, c) in enumerate(joints.table[["row", "col"]].to_numpy())}
    good = fitted(seen, record.board.ball_mm)
    if not good.any():
        raise InputError(
            f"expected balls of about {record.board.ball_mm:g} mm in the joints to paint, found none that measures so; "
            "check that the store holds sound joints and family.ball_mm is theirs"
        )
    board = _model_board(record.board, joints, seen, good)
    sound = tuple(
        _model_joint(j, board, places.get((j.row, j.col)), seen, good, record.scanner) for j in record.joints
    )
    metal = float(np.median([j.solder_mm3 for j in sound if j.site == "joint"]))
    scanner = _turned(record.scanner, board, axes)
    return replace(record, scanner=scanner, board=replace(board, nominal_mm3=metal), joints=sound, necks=())


def _model_board(board: BoardRecord, joints: Joints, seen: Seen, good: NDArray[np.bool_]) -> BoardRecord:
    """Common height and its quadratic part over the array, and the package's offset."""
    rows, cols = joints.table["row"].to_numpy()[good], joints.table["col"].to_numpy()[good]
    x, y = np.array([site_position(board, int(r), int(c)) for r, c in zip(rows, cols, strict=True)]).T
    heights = seen.height[good]
    design = np.column_stack([np.ones_like(x), x * x, y * y, x * y])
    bend = np.array([float(np.median(heights)), 0.0, 0.0, 0.0])
    if len(heights) >= 12 and min(np.ptp(rows), np.ptp(cols)) >= 2:
        near = np.abs(heights - bend[0]) < 0.15 * bend[0]
        bend = np.linalg.lstsq(design[near], heights[near], rcond=None)[0]
    offset = float(np.median(seen.lean_x[good])), float(np.median(seen.lean_y[good]))
    warpage = float(bend[1]), float(bend[2]), float(bend[3])
    return replace(
        board, height_mm=float(bend[0]), warpage=warpage, bow=(0.0, 0.0), package_offset=offset, paste_alloy=None,
        oblong=(1.0, 0.0),
    )  # fmt: skip


def _model_joint(
    joint: JointRecord,
    board: BoardRecord,
    place: int | None,
    seen: Seen,
    good: NDArray[np.bool_],
    scanner: ScannerRecord,
) -> JointRecord:
    bare = replace(
        joint, recipe="sound", waist=None, gaps=(), voids=(), bulges=(), via_in_pad=False, offset=(0.0, 0.0),
        lift_mm=0.0, board_wetted=WETTED, package_wetted=WETTED, found_voxels=(0.0, 0.0, 0.0),
    )  # fmt: skip
    if place is None:
        return replace(bare, recipe="bare", site="bare")
    known = bool(good[place])
    diameter = float(seen.diameter[place] if known else np.median(seen.diameter[good]))
    middle = (
        [seen.x[place], seen.y[place], (seen.low[place] + seen.high[place]) / 2] if known else [0.0, 0.0, 0.0]
    )
    x, y, z = (float(-m / scanner.voxel_mm) for m in middle)
    smooth = site_height(board, bare)
    lift = float(seen.height[place]) - smooth if known else 0.0
    metal = solder_of(diameter, smooth + lift, board)
    return replace(bare, site="joint", solder_mm3=metal, lift_mm=lift, found_voxels=(x, y, z))


def solder_of(diameter_mm: float, height_mm: float, board: BoardRecord) -> float:
    """Metal of the sound joint of that largest diameter and height on the board's lands, mm³."""
    a, b = board.board_land_mm / 2 * WETTED, board.package_land_mm / 2 * WETTED

    def too_wide(metal: float) -> float:
        return 2 * env.largest_radius((env.piece_of(0.0, height_mm, a, b, metal),)) - diameter_mm

    least = math.pi * height_mm * max(a, b) ** 2
    most = math.pi * height_mm * board.pitch_mm**2 / 4
    if too_wide(least) > 0:
        raise InputError(
            f"expected joints wider than their lands ({2000 * max(a, b):.0f} µm wetted), found "
            f"{1000 * diameter_mm:.0f} µm; give the lands' size in family.board_land_mm and family.package_land_mm"
        )
    return float(brentq(lambda metal: too_wide(metal), least, most, xtol=1e-9))


def _turned(scanner: ScannerRecord, board: BoardRecord, axes: Vector) -> ScannerRecord:
    """The scanner without noise, the board as it lies in the file, a detector that sees the array in every view.

    A scan of few views has streaks, and where they run depends on the angle of the first view, which no file tells.
    The model then takes twice the views, so that the change has no streaks rather than wrong ones.
    """
    tilt_y = math.asin(float(np.clip(axes[0, 2], -1, 1)))
    tilt_x = math.atan2(-axes[1, 2], axes[2, 2])
    in_plane = math.atan2(-axes[0, 1], axes[0, 0])
    half = math.hypot(board.cols * board.pitch_mm, board.rows * board.pitch_mm) / 2
    if half > 0.7 * scanner.sod_mm:
        raise InputError(
            f"expected the source farther from the axis than the array's reach of {half:.1f} mm, found "
            f"{scanner.sod_mm:.1f} mm; give scanner.sdd_mm and scanner.pixels_mm of the scan"
        )
    few = (
        scanner.views * scanner.voxel_mm < 2 * math.pi * half
    )  # views are farther apart than voxels at the rim
    scanner = replace(scanner, views=2 * scanner.views if few else scanner.views)
    beam = with_detector(scan_beam(scanner), board, axes)
    return replace(
        scanner, tilt_x_deg=math.degrees(tilt_x), tilt_y_deg=math.degrees(tilt_y), in_plane_deg=math.degrees(in_plane),
        detector_rows=beam.rows, detector_columns=beam.columns, plane_error_deg=(0.0, 0.0), level_error=(0.0, 0.0),
        photons_per_pixel=1e15, read_noise=0.0, gain_sd=0.0, gain_drift=0.0, bad_columns=0, bad_pixels=0.0,
        intensity_drift=0.0, intensity_sd=0.0, axis_offset_px=0.0, jitter_deg=0.0, spot_drift_um=(0.0, 0.0),
        storage="float32",
    )  # fmt: skip


def corrected(believed: Seen, of_lab: Seen, of_model: Seen) -> Seen:
    """What to believe of the joints after the model was rendered and measured: its error taken off."""
    return Seen(*(b + (lab - model) for b, lab, model in zip(believed, of_lab, of_model, strict=True)))


def blur_px(now_px: float, edge_lab_mm: float, edge_model_mm: float, voxel_mm: float) -> float:
    """Blur on the detector (standard deviation, pixels) that gives the model the scan's 20-80 % edge width."""
    more = (edge_lab_mm**2 - edge_model_mm**2) / EDGE_20_80**2 / voxel_mm**2
    return math.sqrt(max(now_px**2 + more, 0.0))
