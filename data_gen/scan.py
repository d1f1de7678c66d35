"""One scan from its record: project, measure, reconstruct, store like a file, find with errors, cut.

A generated joint takes the road of a real one: it is reconstructed on the voxels of its scan, rounded as its file
would round it, and cut by the code that scoring uses, at the place and levels a finder would have given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.data_gen.drawing.record_json import to_json
from jointwise.data_gen.drawing.records import ScannerRecord, ScanRecord
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.occupancy import scene_masks
from jointwise.data_gen.shapes.scene import Infeasible, Scene, pack
from jointwise.data_gen.shapes.truth import joint_truth
from jointwise.data_gen.xray.detector import Detector, focal_blur_px, line_integrals
from jointwise.data_gen.xray.energies import Energies, linearisation, linearised, scan_energies
from jointwise.data_gen.xray.geometry import ConeBeam, Pose, Wobble
from jointwise.data_gen.xray.projector import project
from jointwise.data_gen.xray.reconstruct import (
    VIEWS_AT_ONCE,
    Filter,
    Runs,
    all_voxels,
    backproject,
    empty_volume,
    in_file_order,
    voxels_around,
)
from jointwise.data_gen.xray.threads import each
from jointwise.joints.batch import Joints
from jointwise.joints.cutting import resample, scale
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice, rotation
from jointwise.joints.levels import Levels, combine, lane_level, read_levels

SCINTILLATOR_MM = 0.55
"""Thickness of the CsI scintillator of every scanner drawn."""

CONVERTER_BITS = 16
MARGIN_VOXELS = 1.5
"""Voxels kept around a joint's box, so that interpolation at its edge finds neighbours."""

Volume = NDArray[Any]
Vectors = NDArray[np.float64]


@dataclass(frozen=True)
class Found:
    """Where a finder would have placed the joints: truth with the errors of the record.

    Args:
        centres_mm: (n, 3) in the file's frame.
        axes: (3, 3), columns are the grid's directions in the file's frame.
    """

    centres_mm: Vectors
    axes: Vectors


def simulate(record: ScanRecord, grid: Grid, masks: bool = False) -> Joints:
    """All kept joints of one scan on the grid, float16, with truth and record in the table.

    Args:
        record: what was drawn; the result is a pure function of it and the grid.
        grid: voxels of the sub-volumes.
        masks: tell where solder, gas, gaps and bridges lie, too.
    """
    scene = build_scene(record)
    volumes, levels = scanned(record, scene, grid)
    table = joint_table(record, scene, board_pose(record, scene), levels)
    told = scan_masks(record, scene, grid) if masks else None
    return Joints(volumes, table.assign(lane=scan_lane(volumes, grid, record)), grid, told)


def scanned(record: ScanRecord, scene: Scene, grid: Grid) -> tuple[NDArray[np.float16], Levels]:
    """What the record's scanner and finder make of a scene: sub-volumes and the levels as measured.

    Args:
        record: scanner, board and finder's errors.
        scene: the record's own, or one with other solids at its sites.
        grid: voxels of the sub-volumes.

    Returns:
        float16 (n, z, y, x), scaled with the record's error in the levels, and the levels without it.
    """
    boxes, levels = scan_boxes(record, scene, grid)
    return scale(boxes, mistaken(levels, record.scanner.level_error)).astype(np.float16), levels


def scan_boxes(record: ScanRecord, scene: Scene, grid: Grid) -> tuple[NDArray[np.float32], Levels]:
    """The joints' boxes on the grid in the file's grey values, float32 (n, z, y, x), and the levels as measured."""
    pose = board_pose(record, scene)
    found = found_joints(record, scene, pose)
    lattice, half = wanted_boxes(record, found, grid)
    runs = voxels_around(lattice, found.centres_mm, found.axes, half)
    volume = stored_like_file(reconstructed(record, scene, pose, runs), record.scanner.storage)
    boxes = np.empty((len(found.centres_mm), *grid.shape), np.float32)

    def cut(i: int) -> None:
        boxes[i] = _raw_box(volume, lattice, found.centres_mm[i], found.axes, grid, record)

    each(cut, ((i,) for i in range(len(boxes))))
    return boxes, scan_levels(boxes, grid, record)


def simulate_volume(record: ScanRecord, margin_mm: float = 0.5) -> tuple[Volume, Lattice, pd.DataFrame]:
    """The whole volume of one scan around its array, as its file would hold it, and the truth of its joints.

    Args:
        record: what was drawn.
        margin_mm: kept on all sides beyond the joints' bounding box.

    Returns:
        Volume (z, y, x) in the record's storage type, its voxels, and the table of joints without levels.
    """
    scene = build_scene(record)
    pose = board_pose(record, scene)
    centres = pose.to_file(np.array([joint.centre for joint in scene.joints]))
    half = record.board.pitch_mm / 2 + margin_mm
    high = record.board.ball_mm / 2 + margin_mm
    lattice = _lattice_around(centres, pose.rotation, (half, half, high), record.scanner.voxel_mm)
    volume = reconstructed(record, scene, pose, all_voxels(lattice))
    stored = np.ascontiguousarray(stored_like_file(volume, record.scanner.storage))
    return stored, lattice, joint_table(record, scene, pose, None)


def scan_beam(scanner: ScannerRecord) -> ConeBeam:
    """The nominal geometry of a scanner."""
    return ConeBeam(
        source_axis_mm=scanner.sod_mm,
        source_detector_mm=scanner.sdd_mm,
        pixel_mm=scanner.pixel_mm,
        columns=scanner.detector_columns,
        rows=scanner.detector_rows,
        views=scanner.views,
        first_angle_deg=scanner.first_angle_deg,
        axis_tilt_deg=scanner.axis_tilt_deg,
        ray_deg=scanner.ray_deg,
    )


def scan_wobble(scanner: ScannerRecord) -> Wobble:
    """How the scanner departs from its nominal geometry."""
    return Wobble(
        detector_shift_mm=scanner.axis_offset_px * scanner.pixel_mm,
        spot_drift_mm=(scanner.spot_drift_um[0] / 1000.0, scanner.spot_drift_um[1] / 1000.0),
        jitter_deg=scanner.jitter_deg,
        seed=scanner.noise_seed,
    )


def scan_detector(scanner: ScannerRecord) -> Detector:
    """The detector of a scanner with all its imperfections."""
    return Detector(
        photons=scanner.photons_per_pixel,
        focal_blur_px=focal_blur_px(scan_beam(scanner), scanner.focal_spot_um / 1000.0),
        scintillator_blur_px=scanner.detector_blur_px,
        scatter_fraction=scanner.scatter_fraction,
        scatter_sigma_px=scanner.scatter_sigma_mm / scanner.pixel_mm,
        glare_fraction=scanner.glare_fraction,
        gain_sd=scanner.gain_sd,
        gain_drift=scanner.gain_drift,
        bad_columns=scanner.bad_columns,
        bad_pixels=scanner.bad_pixels,
        bad_residual=scanner.bad_residual,
        intensity_drift=scanner.intensity_drift,
        intensity_sd=scanner.intensity_sd,
        read_noise=scanner.read_noise,
        bits=CONVERTER_BITS,
    )


def record_energies(record: ScanRecord) -> Energies:
    """Fitted energies of the record's tube, filters and alloys."""
    scanner, board = record.scanner, record.board
    return scan_energies(
        scanner.kvp,
        scanner.filter_al_mm,
        scanner.filter_cu_mm,
        SCINTILLATOR_MM,
        board.alloy,
        second_alloy=board.paste_alloy,
    )


def board_pose(record: ScanRecord, scene: Scene) -> Pose:
    """Board to file: turned as recorded, the array's middle at the axis but for the recorded shift."""
    scanner = record.scanner
    turn = rotation(scanner.tilt_x_deg, scanner.tilt_y_deg, scanner.in_plane_deg)
    middle = np.mean([joint.centre for joint in scene.joints], axis=0)
    return Pose(turn, np.asarray(scanner.shift_voxels) * scanner.voxel_mm - turn @ middle)


def found_joints(record: ScanRecord, scene: Scene, pose: Pose) -> Found:
    """Centres of the joints that are kept, and axes, with the errors that the record gives the finder."""
    on_board = found_on_board(record, scene)
    return Found(pose.to_file(on_board.centres_mm), pose.rotation @ on_board.axes)


def found_on_board(record: ScanRecord, scene: Scene) -> Found:
    """`found_joints` in the board frame."""
    errors = np.array([record.joints[i].found_voxels for i in record.kept]) * record.scanner.voxel_mm
    centres = np.array([scene.joints[i].centre for i in record.kept]) + errors
    return Found(centres, rotation(*record.scanner.plane_error_deg, 0.0))


def scan_masks(record: ScanRecord, scene: Scene, grid: Grid) -> NDArray[np.uint8]:
    """Masks (n, mask, z, y, x) of the joints that are kept, on their grids as cut; see `joints.masks`."""
    found, board = found_on_board(record, scene), record.board
    return scene_masks(scene, record.kept, found.centres_mm, found.axes, grid, board.pitch_mm, board.ball_mm)


def reconstructed(record: ScanRecord, scene: Scene, pose: Pose, runs: Runs) -> NDArray[np.float32]:
    """Attenuation per mm of the wanted voxels (z, y, x), zero elsewhere; views pass through in small groups."""
    scanner = record.scanner
    beam, detector, energies = scan_beam(scanner), scan_detector(scanner), record_energies(record)
    packed, ramp = pack(scene), Filter(beam, scanner.hann_cutoff, scanner.apodisation)
    straight = linearisation(energies) if scanner.linearised else None
    volume = empty_volume(runs.lattice)
    for first in range(0, beam.views, VIEWS_AT_ONCE):
        views = project(
            packed,
            beam,
            energies,
            pose=pose,
            views=slice(first, first + VIEWS_AT_ONCE),
            wobble=scan_wobble(scanner),
        )
        integrals = line_integrals(views, detector, scanner.noise_seed, first, beam.views)
        if straight is not None:
            integrals = linearised(integrals, straight)
        backproject(ramp(integrals), beam, first, runs, volume)
    return in_file_order(volume)


def stored_like_file(volume: NDArray[np.float32], storage: str) -> Volume:
    """The volume as float32, or as whole grey values of uint16 or uint8 over its range.

    The range runs from the 0.05 to the 99.95 percentile of what was reconstructed (exact zeros were not), a tenth
    wider at both ends; values beyond it are clipped, as export programs do.
    """
    if storage == "float32":
        return volume
    dtype = np.dtype(storage)
    filled = volume[volume != 0.0]
    low, high = (float(v) for v in np.percentile(filled, (0.05, 99.95)))
    room = 0.1 * (high - low)
    steps = np.iinfo(dtype).max
    grey = (volume - np.float32(low - room)) * np.float32(steps / (high - low + 2.0 * room))
    return np.asarray(np.clip(np.rint(grey), 0, steps), dtype)


def wanted_boxes(record: ScanRecord, found: Found, grid: Grid) -> tuple[Lattice, tuple[float, float, float]]:
    """The scan's voxels around all joints, and half the size of each joint's box in mm with its margin."""
    board, voxel = record.board, record.scanner.voxel_mm
    margin = MARGIN_VOXELS * voxel
    wide, high = grid.pitches * board.pitch_mm / 2, grid.balls * board.ball_mm / 2
    half = (wide + margin, wide + margin, high + margin)
    return _lattice_around(found.centres_mm, found.axes, half, voxel), half


def _lattice_around(
    centres_mm: Vectors, axes: Vectors, half_mm: tuple[float, float, float], voxel_mm: float
) -> Lattice:
    """The scan's voxels (their corners meet on the rotation axis) that cover equal boxes around the centres."""
    reach = np.abs(axes) @ np.asarray(half_mm)
    low = np.floor((centres_mm.min(axis=0) - reach) / voxel_mm).astype(int)
    high = np.ceil((centres_mm.max(axis=0) + reach) / voxel_mm).astype(int)
    nx, ny, nz = (int(n) for n in high - low + 1)
    x, y, z = (float(v) for v in (low + 0.5) * voxel_mm)
    return Lattice((nz, ny, nx), (x, y, z), (voxel_mm, voxel_mm, voxel_mm))


def _raw_box(
    volume: Volume, lattice: Lattice, centre: Vectors, axes: Vectors, grid: Grid, record: ScanRecord
) -> NDArray[np.float32]:
    """One joint's box on the grid in the file's grey values; cut out of the voxels around it alone."""
    pitch, ball = record.board.pitch_mm, record.board.ball_mm
    part = lattice.block(centre, grid.half_diagonal_mm(pitch, ball) + 2.0 * lattice.voxel_mm)
    low = np.rint(lattice.to_index(np.asarray(part.origin_mm))).astype(int)
    (x0, y0, z0), (z1, y1, x1) = np.maximum(low, 0), low[::-1] + part.shape
    block = np.ascontiguousarray(volume[z0:z1, y0:y1, x0:x1])
    origin = np.asarray(lattice.origin_mm) + np.array([x0, y0, z0]) * lattice.voxel_mm
    place = Lattice(block.shape, (float(origin[0]), float(origin[1]), float(origin[2])), lattice.spacing_mm)
    return resample(block, place, centre, axes, grid, pitch, ball)


def scan_levels(
    boxes: Sequence[NDArray[np.float32]] | NDArray[np.float32], grid: Grid, record: ScanRecord
) -> Levels:
    """Air and solder level of the scan, measured as scoring measures them.

    Raises:
        Infeasible: the scan is too poor to show metal.
    """
    pitch, ball = record.board.pitch_mm, record.board.ball_mm
    offsets = grid.offsets_mm(pitch, ball)
    readings = [read_levels(box, offsets, pitch, ball) for box in boxes]
    try:
        return combine(readings)
    except InputError as error:
        raise Infeasible(f"no levels: {error}") from error


def scan_lane(volumes: NDArray[np.float16], grid: Grid, record: ScanRecord) -> float:
    """Darkness of the lanes of the scan, measured as scoring measures it."""
    pitch, ball = record.board.pitch_mm, record.board.ball_mm
    return lane_level(volumes, grid.offsets_mm(pitch, ball), pitch, ball)


def mistaken(levels: Levels, errors: tuple[float, float]) -> Levels:
    """Levels off by the given shares of their difference (air, solder)."""
    span = levels.solder - levels.air
    return Levels(levels.air + errors[0] * span, levels.solder + errors[1] * span, levels.noise)


def joint_table(record: ScanRecord, scene: Scene, pose: Pose, levels: Levels | None) -> pd.DataFrame:
    """One row per joint that is kept: truth, position in the file's frame, scan settings and the record as JSON."""
    return joint_truth(scene, record).assign(**scan_columns(record, scene, pose, levels))


def scan_columns(record: ScanRecord, scene: Scene, pose: Pose, levels: Levels | None) -> dict[str, Any]:
    """The columns of `joint_table` besides truth; `lane` is known only once the joints are."""
    centres = pose.to_file(np.array([scene.joints[i].centre for i in record.kept]))
    board, scanner = record.board, record.scanner
    extra: dict[str, Any] = dict(zip(("x_mm", "y_mm", "z_mm"), centres.T, strict=True))
    extra |= {
        "pitch_mm": board.pitch_mm,
        "ball_mm": board.ball_mm,
        "voxel_um": 1000.0 * scanner.voxel_mm,
        "voxels_per_ball": board.ball_mm / scanner.voxel_mm,
        "cnr": np.nan if levels is None or not math.isfinite(levels.cnr) else levels.cnr,
        "lane": np.nan,
        "alloy": board.alloy,
        "kvp": scanner.kvp,
        "views": scanner.views,
        "photons_per_pixel": scanner.photons_per_pixel,
        "storage": scanner.storage,
        "scanner_record": to_json(scanner),
        "board_record": to_json(board),
        "joint_record": [to_json(record.joints[i]) for i in record.kept],
        "neck_records": "[" + ",".join(to_json(neck) for neck in record.necks) + "]",
        "seed": record.seed,
        "scan_number": record.number,
    }
    return extra
