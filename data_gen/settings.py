"""Settings of the generator: what may be drawn and how often. Pure dataclasses, checked when made.

Ranges are (low, high) pairs; sizes carry their unit in the name. Nominal sizes follow the domain
document, section A; rates follow sections B and B7 (every nuisance has one distribution whatever the
defect, look-alikes are as common as defects). Not frozen: the configuration library cannot fill in lists of
a frozen class.
"""

from dataclasses import dataclass, field, fields
from typing import Any

from jointwise.joints.errors import InputError

Pair = tuple[float, float]

TUBE_KV = tuple(range(80, 161, 10))
"""Tube voltages with a tabulated spectrum."""

ALLOYS = ("SAC305", "Sn63Pb37", "Sn42Bi58")
STORAGE = ("float32", "uint16", "uint8")


def _check_pairs(settings: Any, group: str, *, positive: bool = True) -> None:
    """Make every field named as a range a tuple of two rising numbers."""
    for item in fields(settings):
        value = getattr(settings, item.name)
        if not isinstance(value, (list, tuple)) or item.name in {"alloys", "storage", "pixels_mm"}:
            continue
        numbers = len(value) == 2 and all(isinstance(v, (int, float)) for v in value)
        if not numbers or not value[0] <= value[1] or (positive and value[0] < 0):
            raise InputError(
                f"{group}.{item.name}: expected two numbers, low then high"
                f"{' and none below 0' if positive else ''}, found {list(value)}; correct the pair"
            )
        object.__setattr__(settings, item.name, (value[0], value[1]))


def _check_rates(settings: Any, group: str, names: tuple[str, ...]) -> None:
    for name in names:
        value = getattr(settings, name)
        if not isinstance(value, (int, float)) or not 0.0 <= value <= 1.0:
            raise InputError(f"{group}.{name}: expected a share between 0 and 1, found {value}; correct it")


@dataclass
class FamilySettings:
    """One family of ball grid arrays; diameters and metal as in table A of the domain document.

    Args:
        name: how the family is called, also the component's name in tables.
        pitch_mm: distance of ball centres.
        ball_mm, board_land_mm, package_land_mm: diameters (nominal).
        ball_range_mm, board_land_range_mm, package_land_range_mm: diameters a board may have.
        paste_mm3: solder metal that the paste adds, nominal.
        rows, cols: smallest and largest number of rows and columns.
        package_mm, board_mm: thickness of the package body and of the board.
    """

    name: str = "bga_0800"
    pitch_mm: float = 0.80
    ball_mm: float = 0.50
    board_land_mm: float = 0.40
    package_land_mm: float = 0.40
    ball_range_mm: Pair = (0.47, 0.53)
    board_land_range_mm: Pair = (0.36, 0.44)
    package_land_range_mm: Pair = (0.37, 0.42)
    paste_mm3: float = 0.0072
    rows: tuple[int, int] = (5, 7)
    cols: tuple[int, int] = (5, 7)
    package_mm: Pair = (1.2, 1.7)
    board_mm: Pair = (1.0, 1.6)

    def __post_init__(self) -> None:
        """Refuse sizes no board can have.

        Raises:
            InputError: a range runs backwards, a size is not positive or balls would touch.
        """
        _check_pairs(self, "family")
        for name in ("pitch_mm", "ball_mm", "board_land_mm", "package_land_mm", "paste_mm3"):
            if getattr(self, name) <= 0:
                raise InputError(f"family.{name}: expected a size above 0, found {getattr(self, name)}")
        if self.ball_range_mm[1] >= 0.85 * self.pitch_mm:
            raise InputError(
                f"family.ball_range_mm: expected balls below 0.85 pitch ({0.85 * self.pitch_mm:.3g} mm), "
                f"found up to {self.ball_range_mm[1]} mm; take smaller balls or a wider pitch"
            )
        if min(self.rows[0], self.cols[0]) < 1 or max(self.rows[1], self.cols[1]) > 60:
            raise InputError(
                f"family.rows and family.cols: expected 1 to 60, found {self.rows} and {self.cols}"
            )
        for land in (self.board_land_range_mm, self.package_land_range_mm):
            if land[0] <= 0.3 * self.ball_mm or land[1] >= self.ball_range_mm[0] * 1.05:
                raise InputError(
                    f"family: expected lands between 0.3 and 1.0 ball diameters, found {land} mm on "
                    f"{self.ball_mm} mm balls; correct board_land_range_mm or package_land_range_mm"
                )


@dataclass
class ProcessSettings:
    """Spread of the shop floor, the same for sound and faulty joints.

    Args:
        alloys: solders a board may have, equally likely.
        ball_cv, paste_cv: relative spread of ball and paste metal from joint to joint.
        height: board's common height over the height without load.
        warpage: displacement at the array's corner over the ball diameter, either way.
        offset: package offset over the board land's diameter, at most; `offset_cv` its spread per joint.
        wetted: wetted radius over the land's radius.
        copper_um: thickness of lands and planes.
        die_rate, plane_rate, trace_rate: share of boards with a die, a copper plane, traces.
    """

    alloys: tuple[str, ...] = ("SAC305",)
    ball_cv: float = 0.02
    paste_cv: float = 0.12
    height: Pair = (0.86, 1.06)
    warpage: float = 0.06
    offset: float = 0.08
    offset_cv: float = 0.015
    wetted: Pair = (0.95, 1.0)
    copper_um: Pair = (18.0, 35.0)
    die_rate: float = 0.5
    plane_rate: float = 0.7
    trace_rate: float = 0.5

    def __post_init__(self) -> None:
        """Refuse impossible spreads.

        Raises:
            InputError: unknown alloy, range backwards, rate outside 0 to 1, height or warpage too large.
        """
        object.__setattr__(self, "alloys", tuple(self.alloys))
        _check_pairs(self, "process")
        _check_rates(self, "process", ("die_rate", "plane_rate", "trace_rate"))
        unknown = [a for a in self.alloys if a not in ALLOYS]
        if unknown or not self.alloys:
            raise InputError(
                f"process.alloys: expected some of {', '.join(ALLOYS)}, found {unknown or 'none'}"
            )
        if self.height[0] < 0.75 or self.height[1] > 1.12 or self.warpage > 0.08:
            raise InputError(
                "process.height: expected 0.75 to 1.12 with warpage at most 0.08 (beyond, joints touch or pinch "
                f"off), found {self.height} and {self.warpage}"
            )
        if self.ball_cv > 0.05 or self.paste_cv > 0.3 or self.wetted[0] < 0.9 or self.wetted[1] > 1.0:
            raise InputError(
                "process: expected ball_cv up to 0.05, paste_cv up to 0.3 and wetted within 0.9 to 1, found "
                f"{self.ball_cv}, {self.paste_cv} and {self.wetted}"
            )


@dataclass
class DefectSettings:
    """How often each fault and each look-alike is drawn, and its sizes.

    The mechanisms are drawn independently of each other (open or pillow per joint, bridge per pair,
    voids per joint), so any of them can meet.

    Args:
        head_in_pillow, non_wet: share of joints; what is left has no open surface.
        bridging: share of joints that carry a bridge (drawn as pairs of neighbours).
        missing: share of sites without a ball.
        voids_finding: share of joints with voids scaled above 5 % area; voids_near: to 3-4.9 %;
            voids_small: to 0.3-3 %; voids_free: 1-5 voids of the plain law (median 0.15 Dmax);
            voids_sheet: a layer of microvoids at a land. The rest has none.
        void_area: area share aimed at by voids_finding.
        pillow_gap_um, open_gap_um: mean gap (log-uniform).
        contact: bonded share of a failed surface; `bare` of them have none at all.
        neck_mm_per_ball: thickness of a thick bridge over the ball diameter; `slender` of the bridges are
            drawn log-uniform from slender_um up to there instead.
        waist: share of joints with a ring-shaped notch but no gap; waist_um its depth (pillows have one too).
        near_bridge: share of unjoined neighbour pairs with a bulge towards each other.
        partial_wetting: share of sound joints with one land wetted to 0.84-0.95 only.
        via_in_pad: share of joints on a microvia.
    """

    head_in_pillow: float = 0.20
    non_wet: float = 0.20
    bridging: float = 0.20
    missing: float = 0.01
    voids_finding: float = 0.07
    voids_near: float = 0.13
    voids_small: float = 0.12
    voids_free: float = 0.11
    voids_sheet: float = 0.12
    void_area: Pair = (0.055, 0.35)
    pillow_gap_um: Pair = (3.0, 50.0)
    open_gap_um: Pair = (3.0, 100.0)
    contact: Pair = (0.02, 0.28)
    bare: float = 0.5
    neck_mm_per_ball: Pair = (0.2, 0.75)
    slender: float = 0.12
    slender_um: float = 20.0
    waist: float = 0.35
    waist_um: Pair = (5.0, 40.0)
    near_bridge: float = 0.12
    partial_wetting: float = 0.15
    via_in_pad: float = 0.12

    def __post_init__(self) -> None:
        """Refuse rates that are no rates and sizes that no joint has.

        Raises:
            InputError: a rate or a sum of rates outside 0 to 1, or a range that runs backwards.
        """
        _check_pairs(self, "defects")
        rates = tuple(f.name for f in fields(self) if f.type is float and f.name != "slender_um")
        _check_rates(self, "defects", rates)
        if self.head_in_pillow + self.non_wet > 1.0 or self.bridging > 0.5:
            raise InputError(
                "defects: expected head_in_pillow + non_wet at most 1 and bridging at most 0.5, found "
                f"{self.head_in_pillow + self.non_wet:.3g} and {self.bridging:.3g}"
            )
        voids = sum(getattr(self, f"voids_{name}") for name in ("finding", "near", "small", "free", "sheet"))
        if voids > 1.0 + 1e-9:
            raise InputError(f"defects.voids_*: expected shares that sum to at most 1, found {voids:.3g}")
        if self.pillow_gap_um[0] < 0.5 or self.open_gap_um[0] < 1.5 or self.slender_um <= 0:
            raise InputError(
                "defects: expected pillow_gap_um from 0.5, open_gap_um from 1.5 and slender_um above 0, found "
                f"{self.pillow_gap_um[0]}, {self.open_gap_um[0]} and {self.slender_um}"
            )
        if self.neck_mm_per_ball[1] > 0.8 or self.void_area[1] > 0.5 or self.contact[1] > 0.6:
            raise InputError(
                "defects: expected neck_mm_per_ball up to 0.8, void_area up to 0.5 and contact up to 0.6, found "
                f"{self.neck_mm_per_ball[1]}, {self.void_area[1]} and {self.contact[1]}"
            )


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
        _check_pairs(self, "scanner")
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


@dataclass
class GeneratorSettings:
    """All that a set of generated scans depends on, besides its seed and number of scans."""

    family: FamilySettings = field(default_factory=FamilySettings)
    process: ProcessSettings = field(default_factory=ProcessSettings)
    defects: DefectSettings = field(default_factory=DefectSettings)
    scan: ScanSettings = field(default_factory=ScanSettings)
