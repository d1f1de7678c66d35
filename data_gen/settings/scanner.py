"""The scanners and scan settings that may be drawn."""

from dataclasses import dataclass

from jointwise.data_gen.settings.checks import Pair, check_pairs
from jointwise.joints.errors import InputError

TUBE_KV = tuple(range(80, 161, 10))
"""Tube voltages with a tabulated spectrum."""

STORAGE = ("float32", "uint16", "uint8")


@dataclass
class ScanSettings:
    """What scanners and settings may be drawn (upright board, full turn).

    Args:
        kvp: tube voltage, drawn among the tabulated ones within the range.
        filter_al_mm, filter_cu_mm: beam filter.
        voxels_per_ball: ball diameter over voxel size.
        views: projections over the full turn.
        photons_per_pixel: detected quanta per pixel in air (log-uniform).
        focal_spot_um, detector_blur_px: sizes of the unsharpness (blur as a standard deviation).
        pixels_mm: detector pixel sizes to choose from; sdd_mm: source-detector distance.
        scatter_fraction: scatter over primary in air-level units; scatter_sigma_mm its reach on the detector.
        gain_sd, read_noise: relative gain error per pixel; electronic noise in quanta.
        axis_offset_px: error of the rotation axis, either way, left after calibration.
        hann_cutoff: where the ramp filter's window reaches zero, in units of the Nyquist frequency.
        tilt_deg: tilt about x and y, either way; in_plane_deg: turn about the board normal, either way.
        storage: how the file holds the volume.
        centre_error_voxels, height_error_voxels, plane_error_deg, level_error: standard deviations of what
            the finder gets wrong: joint centre in plane and along z, board plane, grey levels.
    """

    kvp: tuple[int, int] = (100, 160)
    filter_al_mm: Pair = (0.5, 1.5)
    filter_cu_mm: Pair = (0.1, 0.6)
    voxels_per_ball: Pair = (16.0, 34.0)
    views: tuple[int, int] = (300, 600)
    photons_per_pixel: Pair = (4.0e3, 1.0e5)
    focal_spot_um: Pair = (2.0, 15.0)
    detector_blur_px: Pair = (0.2, 0.6)
    pixels_mm: tuple[float, ...] = (0.05, 0.075, 0.1, 0.127, 0.15, 0.2)
    sdd_mm: Pair = (250.0, 700.0)
    scatter_fraction: Pair = (0.0, 0.2)
    scatter_sigma_mm: Pair = (5.0, 20.0)
    gain_sd: Pair = (0.0, 0.004)
    read_noise: Pair = (1.0, 12.0)
    axis_offset_px: float = 0.15
    hann_cutoff: Pair = (0.7, 1.6)
    tilt_deg: float = 1.5
    in_plane_deg: float = 3.0
    storage: tuple[str, ...] = STORAGE
    centre_error_voxels: float = 0.5
    height_error_voxels: float = 0.5
    plane_error_deg: float = 0.15
    level_error: float = 0.02

    def __post_init__(self) -> None:
        """Refuse scanners that cannot be.

        Raises:
            InputError: a range runs backwards, no tabulated voltage, unknown storage, or a bad size.
        """
        object.__setattr__(self, "storage", tuple(self.storage))
        object.__setattr__(self, "pixels_mm", tuple(self.pixels_mm))
        check_pairs(self, "scanner")
        if not any(self.kvp[0] <= kv <= self.kvp[1] for kv in TUBE_KV):
            raise InputError(f"scanner.kvp: expected a range holding one of {TUBE_KV}, found {self.kvp}")
        unknown = [s for s in self.storage if s not in STORAGE]
        if unknown or not self.storage:
            raise InputError(
                f"scanner.storage: expected some of {', '.join(STORAGE)}, found {unknown or 'none'}"
            )
        if not self.pixels_mm or min(self.pixels_mm) <= 0:
            raise InputError(f"scanner.pixels_mm: expected pixel sizes above 0, found {list(self.pixels_mm)}")
        if self.voxels_per_ball[0] < 6 or self.views[0] < 60 or self.photons_per_pixel[0] < 100:
            raise InputError(
                "scanner: expected at least 6 voxels_per_ball, 60 views and 100 photons_per_pixel, found "
                f"{self.voxels_per_ball[0]}, {self.views[0]} and {self.photons_per_pixel[0]}"
            )
        if self.hann_cutoff[0] <= 0.2 or self.sdd_mm[0] < 50 or self.in_plane_deg >= 45:
            raise InputError(
                "scanner: expected hann_cutoff above 0.2, sdd_mm from 50 and in_plane_deg below 45, found "
                f"{self.hann_cutoff[0]}, {self.sdd_mm[0]} and {self.in_plane_deg}"
            )
