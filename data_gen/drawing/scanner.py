"""Drawing a scanner and its settings for a board, and the errors its finder will make."""

from __future__ import annotations

import math

import numpy as np

from jointwise.data_gen.drawing.numbers import log_uniform, signed, uniform
from jointwise.data_gen.drawing.records import (
    BoardRecord,
    ScannerRecord,
)
from jointwise.data_gen.settings import (
    TUBE_KV,
    ScanSettings,
)


def draw_scanner(rng: np.random.Generator, scan: ScanSettings, board: BoardRecord) -> ScannerRecord:
    per_ball = uniform(rng, scan.voxels_per_ball)
    voxel = board.ball_mm / per_ball
    pixel = float(rng.choice(scan.pixels_mm))
    in_plane = signed(rng, scan.in_plane_deg)
    sod, sdd = _distances(pixel / voxel, uniform(rng, scan.sdd_mm), board)
    rows, columns = _detector_size(board, sod, voxel, abs(in_plane), scan.tilt_deg)
    errors = rng.normal(0.0, 1.0, 4)
    return ScannerRecord(
        kvp=int(rng.choice([kv for kv in TUBE_KV if scan.kvp[0] <= kv <= scan.kvp[1]])),
        filter_al_mm=uniform(rng, scan.filter_al_mm),
        filter_cu_mm=uniform(rng, scan.filter_cu_mm),
        voxel_mm=voxel,
        voxels_per_ball=per_ball,
        views=int(rng.integers(scan.views[0], scan.views[1] + 1)),
        first_angle_deg=uniform(rng, (0.0, 360.0)),
        photons_per_pixel=log_uniform(rng, scan.photons_per_pixel),
        # A spot much larger than a voxel would not be used at this magnification.
        focal_spot_um=min(uniform(rng, scan.focal_spot_um), 1000 * voxel),
        pixel_mm=pixel,
        sod_mm=sod,
        sdd_mm=sdd,
        detector_rows=rows,
        detector_columns=columns,
        detector_blur_px=uniform(rng, scan.detector_blur_px),
        scatter_fraction=uniform(rng, scan.scatter_fraction),
        scatter_sigma_mm=uniform(rng, scan.scatter_sigma_mm),
        gain_sd=uniform(rng, scan.gain_sd),
        read_noise=uniform(rng, scan.read_noise),
        axis_offset_px=signed(rng, scan.axis_offset_px),
        hann_cutoff=uniform(rng, scan.hann_cutoff),
        tilt_x_deg=signed(rng, scan.tilt_deg),
        tilt_y_deg=signed(rng, scan.tilt_deg),
        in_plane_deg=in_plane,
        shift_voxels=(signed(rng, 0.5), signed(rng, 0.5), signed(rng, 0.5)),
        storage=str(rng.choice(scan.storage)),
        noise_seed=int(rng.integers(0, 2**63)),
        plane_error_deg=(
            float(errors[0] * scan.plane_error_deg),
            float(errors[1] * scan.plane_error_deg),
        ),
        level_error=(float(errors[2] * scan.level_error), float(errors[3] * scan.level_error)),
    )


def _distances(magnification: float, sdd: float, board: BoardRecord) -> tuple[float, float]:
    """SOD and SDD such that the board's corner clears the tube while it turns."""
    half = max(board.cols, board.rows) * board.pitch_mm / 2 + board.margin_mm
    clear = math.hypot(half, board.board_mm + board.package_mm) + 3.0
    sod = max(sdd / magnification, clear)
    return sod, sod * magnification


def _detector_size(
    board: BoardRecord, sod: float, voxel: float, in_plane_deg: float, tilt_deg: float
) -> tuple[int, int]:
    """Rows and columns that see every joint's box in every view, with a margin of a dozen pixels."""
    turn = math.radians(in_plane_deg)
    half_x, half_y = ((n - 1) / 2 * board.pitch_mm + 0.85 * board.pitch_mm for n in (board.cols, board.rows))
    wide = half_x * math.cos(turn) + half_y * math.sin(turn)
    high = half_y * math.cos(turn) + half_x * math.sin(turn)
    thick = 0.8 * board.ball_mm + math.radians(tilt_deg) * (half_x + half_y)
    radius = math.hypot(wide, thick)
    high += math.radians(tilt_deg) * thick
    rows = 2 * math.ceil(high * sod / (sod - radius) / voxel) + 12
    columns = 2 * math.ceil(radius * sod / math.sqrt(sod**2 - radius**2) / voxel) + 12
    return rows, columns
