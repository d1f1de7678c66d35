"""The scanners and scan settings that may be drawn."""

from dataclasses import dataclass

from jointwise.data_gen.settings.checks import Pair, check_pairs, check_rates
from jointwise.joints.errors import InputError

TUBE_KV = tuple(range(80, 161, 10))
"""Tube voltages with a tabulated spectrum."""

STORAGE = ("float32", "uint16", "uint8")

MOUNTS = ("upright", "tilted", "laminography")
"""How a board may be held: its plane along the axis, leaning against it, or across it under slanting rays."""

APODISATIONS = ("ramlak", "shepp_logan", "cosine", "hamming", "hann")
"""Windows on the ramp filter; the same names as in xray.reconstruct."""


@dataclass
class ScanSettings:
    """What scanners and settings may be drawn (full turn).

    Args:
        mounts: how the board is held, drawn among `upright`, `tilted` and `laminography`, more often if named more
            than once. Laminography never measures
            frequencies near the board normal, so it is worst at flat gaps (non-wet opens, flat pillows); ask for it.
        axis_tilt_deg: tilted: angle of the axis out of the board plane.
        ray_deg: laminography: angle of the rays from the board normal; below: share of such scans whose source stands
            on the board's side, not on the package's.
        kvp: tube voltage, drawn among the tabulated ones within the range.
        filter_al_mm, filter_cu_mm: beam filter.
        voxels_per_ball: ball diameter over voxel size (log-uniform).
        views: projections over the full turn (log-uniform).
        photons_per_pixel: detected quanta per pixel in air (log-uniform).
        focal_spot_um, detector_blur_px: sizes of the unsharpness (blur as a standard deviation).
        pixels_mm: detector pixel sizes to choose from; sdd_mm: source-detector distance.
        scatter_fraction: scatter over what the object takes from the beam, in air-level units (small ones more
            often: the square root is uniform); scatter_sigma_mm its reach on the detector.
        glare_fraction: share of the signal that the detector spreads as far as scatter reaches.
        gain_sd: relative gain error per pixel; gain_drift: what it gains over the scan.
        read_noise: electronic noise in quanta (log-uniform), at most 3 % of the air level.
        bad_columns, bad_pixels, bad_residual: number of bad columns, share of bad pixels, and the relative error of
            the values that the scanner fills in for them.
        intensity_drift: change of the tube's output over the scan, either way; intensity_sd: from view to view.
        axis_offset_px: error of the rotation axis, either way, left after calibration.
        jitter_deg: standard deviation of the angle of a view; spot_drift_um: drift of the focal spot along u and v,
            either way, at most a voxel.
        apodisations: windows on the ramp filter to choose from.
        hann_cutoff: where the window ends, in units of the Nyquist frequency (of any window, not only Hann's).
        linearised: share of scans whose beam hardening is corrected for solder.
        tilt_deg: tilt about x and y, either way; in_plane_deg: turn about the board normal, either way.
        square: share of scans whose rows stand square to the axis instead, turned by square_deg at most: who mounts a
            board lines it up, and the rays along a whole row are then starved.
        storage: how the file holds the volume.
        centre_error_voxels, height_error_voxels, plane_error_deg, level_error: standard deviations of what
            the finder gets wrong: joint centre in plane and along z, board plane, grey levels.
    """

    mounts: tuple[str, ...] = ("upright", "tilted")
    axis_tilt_deg: Pair = (10.0, 45.0)
    ray_deg: Pair = (20.0, 60.0)
    below: float = 0.0
    kvp: tuple[int, int] = (80, 160)
    filter_al_mm: Pair = (0.25, 2.0)
    filter_cu_mm: Pair = (0.0, 1.0)
    voxels_per_ball: Pair = (12.0, 40.0)
    views: tuple[int, int] = (180, 1200)
    photons_per_pixel: Pair = (15.0, 6.0e4)
    focal_spot_um: Pair = (2.0, 15.0)
    detector_blur_px: Pair = (0.2, 1.0)
    pixels_mm: tuple[float, ...] = (0.05, 0.075, 0.1, 0.127, 0.15, 0.2)
    sdd_mm: Pair = (250.0, 700.0)
    scatter_fraction: Pair = (0.0, 0.5)
    scatter_sigma_mm: Pair = (5.0, 20.0)
    glare_fraction: Pair = (0.0, 0.12)
    gain_sd: Pair = (0.0, 0.004)
    gain_drift: Pair = (0.0, 0.002)
    bad_columns: tuple[int, int] = (0, 3)
    bad_pixels: Pair = (0.0, 5.0e-4)
    bad_residual: Pair = (0.0, 0.02)
    intensity_drift: float = 0.02
    intensity_sd: Pair = (0.0, 0.003)
    read_noise: Pair = (0.5, 12.0)
    axis_offset_px: float = 0.15
    jitter_deg: Pair = (0.0, 0.03)
    spot_drift_um: float = 6.0
    apodisations: tuple[str, ...] = APODISATIONS
    hann_cutoff: Pair = (0.5, 1.6)
    linearised: float = 0.3
    tilt_deg: float = 3.0
    in_plane_deg: float = 20.0
    square: float = 0.3
    square_deg: float = 2.0
    storage: tuple[str, ...] = STORAGE
    centre_error_voxels: float = 0.5
    height_error_voxels: float = 0.5
    plane_error_deg: float = 0.15
    level_error: float = 0.02

    def __post_init__(self) -> None:
        """Refuse scanners that cannot be.

        Raises:
            InputError: a range runs backwards, no tabulated voltage, an unknown name, or a bad size.
        """
        check_pairs(self, "scanner")
        check_rates(self, "scanner", ("linearised", "square", "below"))
        _check_choices(self)
        if not any(self.kvp[0] <= kv <= self.kvp[1] for kv in TUBE_KV):
            raise InputError(f"scanner.kvp: expected a range holding one of {TUBE_KV}, found {self.kvp}")
        if not self.pixels_mm or min(self.pixels_mm) <= 0:
            raise InputError(f"scanner.pixels_mm: expected pixel sizes above 0, found {list(self.pixels_mm)}")
        if self.voxels_per_ball[0] < 6 or self.views[0] < 60 or self.photons_per_pixel[0] < 10:
            raise InputError(
                "scanner: expected at least 6 voxels_per_ball, 60 views and 10 photons_per_pixel, found "
                f"{self.voxels_per_ball[0]}, {self.views[0]} and {self.photons_per_pixel[0]}"
            )
        _check_angles(self)
        if self.hann_cutoff[0] <= 0.2 or self.sdd_mm[0] < 50 or abs(self.intensity_drift) > 0.3:
            raise InputError(
                "scanner: expected hann_cutoff above 0.2, sdd_mm from 50 and intensity_drift up to 0.3, found "
                f"{self.hann_cutoff[0]}, {self.sdd_mm[0]} and {self.intensity_drift}"
            )


def _check_choices(settings: ScanSettings) -> None:
    """Lists of names become tuples; all names must be known and at least one given."""
    object.__setattr__(settings, "pixels_mm", tuple(settings.pixels_mm))
    for name, known in (("storage", STORAGE), ("mounts", MOUNTS), ("apodisations", APODISATIONS)):
        chosen = tuple(getattr(settings, name))
        object.__setattr__(settings, name, chosen)
        unknown = [c for c in chosen if c not in known]
        if unknown or not chosen:
            raise InputError(
                f"scanner.{name}: expected some of {', '.join(known)}, found {unknown or 'none'}"
            )


def _check_angles(settings: ScanSettings) -> None:
    if not 0 <= settings.tilt_deg <= 15 or not 0 <= settings.in_plane_deg <= 45:
        raise InputError(
            "scanner: expected tilt_deg from 0 to 15 and in_plane_deg from 0 to 45, found "
            f"{settings.tilt_deg} and {settings.in_plane_deg}"
        )
    if not 0 <= settings.square_deg <= 45 or settings.glare_fraction[1] > 0.3:
        raise InputError(
            "scanner: expected square_deg from 0 to 45 and glare_fraction up to 0.3, found "
            f"{settings.square_deg} and {settings.glare_fraction}"
        )
    if settings.axis_tilt_deg[1] > 60 or settings.ray_deg[0] < 10 or settings.ray_deg[1] > 80:
        raise InputError(
            "scanner: expected axis_tilt_deg up to 60 and ray_deg within 10 to 80, found "
            f"{settings.axis_tilt_deg} and {settings.ray_deg}"
        )
