"""Drawing a scanner and its settings for a board, and the errors its finder will make."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

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
from jointwise.data_gen.shapes.solids import Floats
from jointwise.data_gen.xray.geometry import ConeBeam, scan_frames
from jointwise.joints.lattice import rotation

LEAST_MAGNIFICATION = 1.2
"""A detector's pixels are binned until the board is shown at least so much larger."""

_CLEARANCE_MM = 3.0
_MOST_READ_NOISE = 0.03


def draw_scanner(rng: np.random.Generator, scan: ScanSettings, board: BoardRecord) -> ScannerRecord:
    """A scanner, its settings and its finder's errors for a board; never looks at what is wrong with the joints."""
    per_ball = log_uniform(rng, scan.voxels_per_ball)
    voxel = board.ball_mm / per_ball
    mount, axis_tilt, ray = _draw_mount(rng, scan)
    # A stream of its own, which leaves everything else that a seed draws as it was before there were these two.
    apart = rng.spawn(1)[0]
    if mount == "laminography" and apart.spawn(1)[0].random() < scan.below:
        ray = 180.0 - ray
    in_plane = _turned(apart, scan, signed(rng, scan.in_plane_deg))
    tilt = (signed(rng, scan.tilt_deg), signed(rng, scan.tilt_deg))
    pixel = _binned(float(rng.choice(scan.pixels_mm)), voxel)
    beam = _beam(board, pixel, voxel, uniform(rng, scan.sdd_mm), axis_tilt, ray)
    beam = with_detector(beam, board, rotation(*tilt, in_plane))
    photons = log_uniform(rng, scan.photons_per_pixel)
    errors = rng.normal(0.0, 1.0, 4)
    # A spot much larger than a voxel would not be used at this magnification, nor one that drifts farther.
    drift = min(scan.spot_drift_um, 1000 * voxel)
    return ScannerRecord(
        mount=mount,
        axis_tilt_deg=axis_tilt,
        ray_deg=ray,
        kvp=int(rng.choice([kv for kv in TUBE_KV if scan.kvp[0] <= kv <= scan.kvp[1]])),
        filter_al_mm=uniform(rng, scan.filter_al_mm),
        filter_cu_mm=uniform(rng, scan.filter_cu_mm),
        voxel_mm=voxel,
        voxels_per_ball=per_ball,
        views=round(log_uniform(rng, scan.views)),
        first_angle_deg=uniform(rng, (0.0, 360.0)),
        photons_per_pixel=photons,
        focal_spot_um=min(uniform(rng, scan.focal_spot_um), 1000 * voxel),
        pixel_mm=pixel,
        sod_mm=beam.source_axis_mm,
        sdd_mm=beam.source_detector_mm,
        detector_rows=beam.rows,
        detector_columns=beam.columns,
        detector_blur_px=uniform(rng, scan.detector_blur_px),
        scatter_fraction=uniform(
            rng, (math.sqrt(scan.scatter_fraction[0]), math.sqrt(scan.scatter_fraction[1]))
        )
        ** 2,
        scatter_sigma_mm=uniform(rng, scan.scatter_sigma_mm),
        gain_sd=uniform(rng, scan.gain_sd),
        gain_drift=uniform(rng, scan.gain_drift),
        bad_columns=int(rng.integers(scan.bad_columns[0], scan.bad_columns[1] + 1)),
        bad_pixels=uniform(rng, scan.bad_pixels),
        bad_residual=uniform(rng, scan.bad_residual),
        intensity_drift=signed(rng, scan.intensity_drift),
        intensity_sd=uniform(rng, scan.intensity_sd),
        read_noise=min(_log_or_even(rng, scan.read_noise), _MOST_READ_NOISE * photons),
        axis_offset_px=signed(rng, scan.axis_offset_px),
        jitter_deg=uniform(rng, scan.jitter_deg),
        spot_drift_um=(signed(rng, drift), signed(rng, drift)),
        apodisation=str(rng.choice(scan.apodisations)),
        hann_cutoff=uniform(rng, scan.hann_cutoff),
        linearised=bool(rng.random() < scan.linearised),
        tilt_x_deg=tilt[0],
        tilt_y_deg=tilt[1],
        in_plane_deg=in_plane,
        shift_voxels=(signed(rng, 0.5), signed(rng, 0.5), signed(rng, 0.5)),
        storage=str(rng.choice(scan.storage)),
        noise_seed=int(rng.integers(0, 2**63)),
        plane_error_deg=(
            float(errors[0] * scan.plane_error_deg),
            float(errors[1] * scan.plane_error_deg),
        ),
        level_error=(float(errors[2] * scan.level_error), float(errors[3] * scan.level_error)),
        glare_fraction=uniform(apart, scan.glare_fraction),
    )


def _draw_mount(rng: np.random.Generator, scan: ScanSettings) -> tuple[str, float, float]:
    """Name of the mount, tilt of the axis and angle between axis and rays, in degrees."""
    mount = str(rng.choice(scan.mounts))
    axis_tilt, ray = uniform(rng, scan.axis_tilt_deg), uniform(rng, scan.ray_deg)
    return {
        "upright": (mount, 0.0, 90.0),
        "tilted": (mount, axis_tilt, 90.0),
        "laminography": (mount, 90.0, ray),
    }[mount]


def _turned(rng: np.random.Generator, scan: ScanSettings, turn: float) -> float:
    """Turn about the board normal in degrees: the given one, on some scans nearly none instead."""
    square = signed(rng, min(scan.square_deg, scan.in_plane_deg))
    return square if rng.random() < scan.square else turn


def _log_or_even(rng: np.random.Generator, pair: tuple[float, float]) -> float:
    """Log-uniform, but uniform for a range that starts at zero."""
    return log_uniform(rng, pair) if pair[0] > 0.0 else uniform(rng, pair)


def _binned(pixel: float, voxel: float) -> float:
    """The pixel, binned by the least whole number that magnifies the board enough for its voxel."""
    return pixel * max(1, math.ceil(LEAST_MAGNIFICATION * voxel / pixel))


def _beam(
    board: BoardRecord, pixel: float, voxel: float, sdd: float, axis_tilt: float, ray: float
) -> ConeBeam:
    """A beam of that voxel whose source every part of the turning board clears; its detector is sized later."""
    magnification = pixel / voxel
    half_x, half_y = ((n * board.pitch_mm) / 2 + board.margin_mm for n in (board.cols, board.rows))
    high = board.board_mm + board.package_mm
    # Seen from the axis, the farthest that the board reaches towards the source.
    rise = math.radians(abs(90.0 - ray))
    reach = math.cos(rise) * math.hypot(half_x, half_y, high) + math.sin(rise) * high
    sod = max(sdd / magnification, reach + _CLEARANCE_MM)
    return ConeBeam(
        source_axis_mm=sod,
        source_detector_mm=sod * magnification,
        pixel_mm=pixel,
        columns=1,
        rows=1,
        views=180,
        axis_tilt_deg=axis_tilt,
        ray_deg=ray,
    )


def with_detector(beam: ConeBeam, board: BoardRecord, turn: Floats) -> ConeBeam:
    """The beam with a detector that sees every joint's box in every view, with a margin of half a dozen pixels."""
    half = np.array([(n - 1) / 2 * board.pitch_mm + 0.85 * board.pitch_mm for n in (board.cols, board.rows)])
    signs = np.array(list(itertools.product((-1.0, 1.0), repeat=3)))
    corners = (signs * np.array([*half, 0.8 * board.ball_mm])) @ turn.T
    frames = scan_frames(beam)
    u, v, depth = (
        np.sum((corners[None] - frames[:, None, 0]) * frames[:, None, i], axis=-1) for i in (1, 2, 3)
    )
    scale = beam.source_detector_mm / beam.pixel_mm / depth
    columns, rows = (2 * math.ceil(float(np.abs(side * scale).max())) + 12 for side in (u, v))
    return replace(beam, columns=columns, rows=rows)
