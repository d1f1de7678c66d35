"""Circular cone-beam geometry: the source and its detector circle about an axis through the file's origin.

The file's frame stays with the board (z near its normal); the mount is how the axis and the central ray lie in it.

* Upright board: the axis is y. At view angle β the source stands at R·(sin β, 0, cos β), so it circles in the x-z
  plane and looks along the board's normal at β = 0. Detector columns run along u = (cos β, 0, -sin β), rows along y.
* Tilted board: the axis leans from y towards z by `axis_tilt_deg`; all of the above turns with it about x.
* Planar laminography: the axis is z (`axis_tilt_deg` 90) and the central ray meets it at `ray_deg` instead of 90°.

The axis' point at the origin projects onto the detector's middle; u stays square to the axis, v = -forward × u.
Lengths are millimetres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice


@dataclass(frozen=True, kw_only=True)
class ConeBeam:
    """A full-turn circular scan; :func:`cone_beam` fills in what follows from the rest.

    Args:
        source_axis_mm: distance R from the source to the rotation axis.
        source_detector_mm: distance from the source to the detector.
        pixel_mm: pixel of the detector.
        columns, rows: pixels across and along the axis.
        views: projections over 360°.
        first_angle_deg: angle of view 0.
        axis_tilt_deg: angle of the rotation axis out of the file's x-y plane, from y towards z.
        ray_deg: angle between the axis and the central ray; 90 but in laminography, and above it where the source
            stands on the other side of the board.
    """

    source_axis_mm: float
    source_detector_mm: float
    pixel_mm: float
    columns: int
    rows: int
    views: int
    first_angle_deg: float = 0.0
    axis_tilt_deg: float = 0.0
    ray_deg: float = 90.0

    def __post_init__(self) -> None:
        if not 5.0 <= self.ray_deg <= 175.0:
            raise InputError(
                f"expected ray_deg within 5 to 175 degrees of the axis, found {self.ray_deg:g}; correct it"
            )
        if not 0.0 < self.source_axis_mm < self.source_detector_mm or self.pixel_mm <= 0.0:
            raise InputError(
                "expected 0 < source_axis_mm < source_detector_mm and a positive pixel, found "
                f"{self.source_axis_mm:g}, {self.source_detector_mm:g} and {self.pixel_mm:g} mm; correct the scan"
            )
        if min(self.columns, self.rows, self.views) < 1:
            raise InputError(
                f"expected at least one column, row and view, found {self.columns}, {self.rows} and {self.views}"
            )

    @property
    def magnification(self) -> float:
        """Source-detector over source-axis distance."""
        return self.source_detector_mm / self.source_axis_mm

    @property
    def voxel_mm(self) -> float:
        """Pixel seen at the axis."""
        return self.pixel_mm / self.magnification

    @property
    def angles_rad(self) -> NDArray[np.float64]:
        """View angles, shape (views,)."""
        turns = np.arange(self.views) / self.views
        return np.asarray(math.radians(self.first_angle_deg) + 2.0 * math.pi * turns, np.float64)

    @property
    def view_radius_mm(self) -> float:
        """Radius of the cylinder about the axis that every view sees."""
        half = self.columns * self.pixel_mm / 2.0
        return float(self.source_axis_mm * np.sin(np.arctan2(half, self.source_detector_mm)))

    def u_mm(self) -> NDArray[np.float64]:
        """Positions of the columns on the detector, shape (columns,)."""
        return np.asarray((np.arange(self.columns) - (self.columns - 1) / 2.0) * self.pixel_mm, np.float64)

    def v_mm(self) -> NDArray[np.float64]:
        """Positions of the rows on the detector, along file y, shape (rows,)."""
        return np.asarray((np.arange(self.rows) - (self.rows - 1) / 2.0) * self.pixel_mm, np.float64)


def cone_beam(
    *,
    columns: int,
    rows: int,
    views: int,
    pixel_mm: float | None = None,
    voxel_mm: float | None = None,
    magnification: float | None = None,
    source_axis_mm: float | None = None,
    source_detector_mm: float | None = None,
    first_angle_deg: float = 0.0,
) -> ConeBeam:
    """A circular scan from any sufficient set of its sizes.

    magnification = source_detector_mm / source_axis_mm = pixel_mm / voxel_mm; what is left out is derived.

    Raises:
        InputError: the sizes do not determine the scan or contradict each other.

    Example:
        >>> cone_beam(columns=8, rows=8, views=4, pixel_mm=0.1, voxel_mm=0.02, source_axis_mm=40).source_detector_mm
        200.0
    """
    by_distance = _ratio(source_detector_mm, source_axis_mm)
    by_pixel = _ratio(pixel_mm, voxel_mm)
    known = {
        "magnification": magnification,
        "source_detector_mm/source_axis_mm": by_distance,
        "pixel_mm/voxel_mm": by_pixel,
    }
    given = {name: value for name, value in known.items() if value is not None}
    if not given:
        raise InputError(
            "expected magnification, both distances or both pixel_mm and voxel_mm, found none; give one of them"
        )
    enlargement = _agreed(given)
    near = _derived("source_axis_mm", source_axis_mm, source_detector_mm, 1.0 / enlargement)
    far = _derived("source_detector_mm", source_detector_mm, source_axis_mm, enlargement)
    pixel = _derived("pixel_mm", pixel_mm, voxel_mm, enlargement)
    return ConeBeam(
        source_axis_mm=near,
        source_detector_mm=far,
        pixel_mm=pixel,
        columns=columns,
        rows=rows,
        views=views,
        first_angle_deg=first_angle_deg,
    )


def _ratio(over: float | None, under: float | None) -> float | None:
    return None if over is None or under is None else over / under


def _agreed(given: dict[str, float]) -> float:
    """The one magnification all given sizes stand for."""
    (first, value), *others = given.items()
    for name, other in others:
        if not np.isclose(value, other, rtol=1e-6):
            raise InputError(
                f"{first} gives a magnification of {value:.6g} but {name} gives {other:.6g}; leave one of them out"
            )
    return value


def _derived(name: str, own: float | None, partner: float | None, factor: float) -> float:
    if own is not None:
        return float(own)
    if partner is None:
        raise InputError(f"expected {name} or the size it follows from, found neither; give one")
    return partner * factor


@dataclass(frozen=True)
class Pose:
    """Rigid transform from the board's frame to the file's: p_file = rotation @ p_board + shift_mm.

    Args:
        rotation: (3, 3), columns are the board's axes in the file's frame.
        shift_mm: (3,) place of the board's origin in the file's frame.
    """

    rotation: NDArray[np.float64]
    shift_mm: NDArray[np.float64]

    def to_file(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (…, 3) of the board's frame in the file's frame."""
        return np.asarray(points_mm @ self.rotation.T + self.shift_mm)

    def to_board(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Points (…, 3) of the file's frame in the board's frame."""
        return np.asarray((points_mm - self.shift_mm) @ self.rotation)


STILL = Pose(np.eye(3), np.zeros(3))
"""The board's frame is the file's frame."""


@dataclass(frozen=True, kw_only=True)
class Wobble:
    """How the scanner departs from its nominal geometry, unknown to the reconstruction; by default not at all.

    Args:
        detector_shift_mm: constant shift of the detector along u (error of the rotation axis).
        spot_drift_mm: shift of the focal spot along u and v that a warming tube reaches at the last view; it
            settles like 1 - exp(-3 t) over the scan.
        jitter_deg: standard deviation of the error of each view's angle.
        seed: of the jitter.
    """

    detector_shift_mm: float = 0.0
    spot_drift_mm: tuple[float, float] = (0.0, 0.0)
    jitter_deg: float = 0.0
    seed: int = 0


STEADY = Wobble()
"""A scanner that keeps its nominal geometry."""


def scan_frames(beam: ConeBeam, views: NDArray[np.intp] | slice = slice(None)) -> NDArray[np.float64]:
    """Nominal frames of some views in the file's frame, shape (n, 4, 3): source, u, v and forward (to the detector)."""
    return _frames(beam, beam.angles_rad[views])


def _frames(beam: ConeBeam, angles: NDArray[np.float64]) -> NDArray[np.float64]:
    rise, lean = math.radians(90.0 - beam.ray_deg), math.radians(beam.axis_tilt_deg)
    zero, one = np.zeros_like(angles), np.ones_like(angles)
    level = np.stack([np.sin(angles), zero, np.cos(angles)], axis=-1)
    across = np.stack([np.cos(angles), zero, -np.sin(angles)], axis=-1)
    up = np.stack([zero, one, zero], axis=-1)
    outward = math.cos(rise) * level + math.sin(rise) * up
    along = math.cos(rise) * up - math.sin(rise) * level
    frames = np.stack([outward * beam.source_axis_mm, across, along, -outward], axis=1)
    if lean == 0.0:
        return frames
    c, s = math.cos(lean), math.sin(lean)
    return np.asarray(frames @ np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]]))


def view_frames(
    beam: ConeBeam, pose: Pose, views: NDArray[np.intp] | slice, wobble: Wobble = STEADY
) -> NDArray[np.float64]:
    """Frames of some views as they really are, in the board's frame, shape (n, 4, 3): source, u, v and forward."""
    angles = beam.angles_rad
    if wobble.jitter_deg > 0.0:
        # Drawn for the whole scan, so that a view's error does not depend on the range asked for.
        errors = np.random.default_rng([wobble.seed, 0, 1]).standard_normal(beam.views)
        angles = angles + math.radians(wobble.jitter_deg) * errors
    frames = _frames(beam, angles[views])
    drift = _spot_drift(beam, views, wobble)
    frames[:, 0] += drift[:, :1] * frames[:, 1] + drift[:, 1:] * frames[:, 2]
    turned = frames @ pose.rotation
    turned[:, 0] = pose.to_board(frames[:, 0])
    return np.asarray(turned)


def detector_shifts(beam: ConeBeam, views: NDArray[np.intp] | slice, wobble: Wobble) -> NDArray[np.float64]:
    """Where each view's detector lies along u and v, seen from its source's foot, against nominal, mm, shape (n, 2)."""
    return np.array([wobble.detector_shift_mm, 0.0]) - _spot_drift(beam, views, wobble)


def _spot_drift(beam: ConeBeam, views: NDArray[np.intp] | slice, wobble: Wobble) -> NDArray[np.float64]:
    share = np.arange(beam.views)[views] / max(beam.views - 1, 1)
    settled = np.expm1(-3.0 * share) / math.expm1(-3.0)
    return np.asarray(settled[:, None] * np.asarray(wobble.spot_drift_mm))


def centred_lattice(shape: tuple[int, int, int], voxel_mm: float) -> Lattice:
    """Cubic voxels (z, y, x) centred on the rotation axis and the detector's middle row."""
    nz, ny, nx = shape
    x, y, z = (-(n - 1) / 2.0 * voxel_mm for n in (nx, ny, nz))
    return Lattice((nz, ny, nx), (x, y, z), (voxel_mm, voxel_mm, voxel_mm))
