"""The record of one scan: everything random, as frozen JSON-safe dataclasses.

What is done with a record (shapes, truth, physics) is a pure function of it; only the pixel noise is
drawn later, from the record's own `noise_seed`. Lengths are mm unless the name says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ScannerRecord:
    """One scanner with its settings, and what the array finder will get wrong.

    The detector is just large enough for the array with a margin. `shift_voxels` places the board
    against the voxel lattice; angles turn the board against the file's axes. `mount` names how the board is
    held, `axis_tilt_deg` and `ray_deg` say it (see xray.geometry). `linearised`: solder's beam hardening is undone.
    `spot_drift_um` is the shift of the focal spot (u, v) over the scan; `hann_cutoff` the cutoff of any apodisation.
    """

    mount: str
    axis_tilt_deg: float
    ray_deg: float
    kvp: int
    filter_al_mm: float
    filter_cu_mm: float
    voxel_mm: float
    voxels_per_ball: float
    views: int
    first_angle_deg: float
    photons_per_pixel: float
    focal_spot_um: float
    pixel_mm: float
    sod_mm: float
    sdd_mm: float
    detector_rows: int
    detector_columns: int
    detector_blur_px: float
    scatter_fraction: float
    scatter_sigma_mm: float
    gain_sd: float
    gain_drift: float
    bad_columns: int
    bad_pixels: float
    bad_residual: float
    intensity_drift: float
    intensity_sd: float
    read_noise: float
    axis_offset_px: float
    jitter_deg: float
    spot_drift_um: tuple[float, float]
    apodisation: str
    hann_cutoff: float
    linearised: bool
    tilt_x_deg: float
    tilt_y_deg: float
    in_plane_deg: float
    shift_voxels: tuple[float, float, float]
    storage: str
    noise_seed: int
    plane_error_deg: tuple[float, float]
    level_error: tuple[float, float]
    glare_fraction: float = 0.0

    @property
    def magnification(self) -> float:
        """Source-detector over source-axis distance."""
        return self.sdd_mm / self.sod_mm


@dataclass(frozen=True)
class TraceRecord:
    """A straight copper trace on the board between two lands' rows: (x, y) of both ends, and its width."""

    start: tuple[float, float]
    end: tuple[float, float]
    width_mm: float


@dataclass(frozen=True)
class ViaRecord:
    """A plated through via at `place` (x, y): a copper tube `wall_mm` thick around a drilled hole, filled with resin.

    `pad_mm` is the diameter of the copper around its upper end.
    """

    place: tuple[float, float]
    drill_mm: float
    wall_mm: float
    pad_mm: float


@dataclass(frozen=True)
class ChipRecord:
    """A chip component on the board: (x, y) of its middle, its size (x, y, z), and the length of its end metal.

    The end metal lies at both ends along x if `along_x`, else along y. `below`: on the other side of the board.
    """

    place: tuple[float, float]
    size_mm: tuple[float, float, float]
    ends_mm: float
    along_x: bool
    below: bool


@dataclass(frozen=True)
class BoardRecord:
    """One board with one package on it.

    `height_mm` is the common land-to-land height; `warpage` (k1, k2, k3) adds k1 x^2 + k2 y^2 + k3 x y at
    (x, y) from the centre; `bow` (b1, b2) of the board takes b1 x^2 + b2 y^2 away. The board frame follows the
    board's surface, so its lands lie at z = 0. `package_offset` moves the package over the board. Planes are
    depths of copper layers below the board's surface. `die_mm` is (width x, width y, thickness); zeros for none.
    `paste_alloy` is the paste's alloy if it differs from the balls' (then `JointRecord.mix` says how far it
    reaches). `oblong` is (aspect, angle in rad): joints and lands are round ones stretched along that angle, areas
    kept; aspect 1 is round. `profile` is `capillary` or `quadric`, how the joints' sides are made. `flush`: solder
    mask level with the lands, which then lie in it. `stubs` are traces that end at lands or vias.
    """

    board_id: str
    component: str
    alloy: str
    paste_alloy: str | None
    pitch_mm: float
    rows: int
    cols: int
    ball_mm: float
    board_land_mm: float
    package_land_mm: float
    nominal_mm3: float
    height_mm: float
    warpage: tuple[float, float, float]
    bow: tuple[float, float]
    package_offset: tuple[float, float]
    copper_mm: float
    board_mm: float
    substrate_mm: float
    package_mm: float
    margin_mm: float
    planes_mm: tuple[float, ...]
    die_mm: tuple[float, float, float]
    traces: tuple[TraceRecord, ...]
    oblong: tuple[float, float]
    profile: str
    flush: bool = False
    stubs: tuple[TraceRecord, ...] = ()
    vias: tuple[ViaRecord, ...] = ()
    chips: tuple[ChipRecord, ...] = ()


@dataclass(frozen=True)
class VoidRecord:
    """One gas void, placed relative to the joint so that it fits whatever the joint's size becomes.

    Args:
        diameter_mm: its length; flatness: height over length.
        place: `bulk` (level 0-1 from board to package), `board` or `package` (level x 25 um off the land),
            `via` (a dome on the board land), `beside` (touches or merges with the void before it).
        level: see place; beside: 0 under, 0.5 level with, 1 above the void before.
        radial: 0-1 of the room to the side; beside: distance of both centres over the sum of their radii.
        azimuth_rad: direction.
        breadth: width over length.
        turn: three angles (about z, y, z) by which its axes length, breadth, height are turned, rad.
    """

    diameter_mm: float
    flatness: float
    place: str
    level: float
    radial: float
    azimuth_rad: float
    breadth: float = 1.0
    turn: tuple[float, float, float] = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class WaistRecord:
    """A ring-shaped notch at `level` (0-1 of the height); `split` weighs the volume below it.

    Above `opening` 0 it is a groove in a joint that is smooth otherwise, so wide at its mouth (over the height).
    """

    level: float
    depth_um: float
    split: float
    opening: float = 0.0


@dataclass(frozen=True)
class GapRecord:
    """A surface that did not join.

    Args:
        place: `interface` (inside the joint), `board` or `package` (at that land).
        form: `dish` or `dome` (pillow), `cap` (rounded free end over a bare land), `edge` (one side of a land
            not wetted).
        level: height of a pillow's rim, 0-1 of the joint's height; 0 at a land.
        gap_um: mean gap aimed at, over what is not bonded.
        curvature: pillow: ball radius over Dmax; cap: share of the gap that the rounding makes.
        tilt: (x, y). Pillow: displacement of the surface's vertex over the surface's radius. Cap: the end leans,
            its gap falls by this share of the mean from the middle to that edge of the land; beyond 1 it touches
            there. Edge: direction of the dry side, of length 1.
        contact: bonded share aimed at; patches: discs (x, y, radius) over the surface's radius that bond.
        wedge: (x, y). Pillow: the head leans in it, its gap falls by this share of the mean, below 1, from the middle
            to that side of the rim.
        follow: pillow: by how many gaps the head's ball is smaller than the pillow's: 0 a gap alike along z, 1 alike
            along the surface's normal.
    """

    place: str
    form: str
    level: float
    gap_um: float
    curvature: float
    tilt: tuple[float, float]
    contact: float
    patches: tuple[tuple[float, float, float], ...]
    wedge: tuple[float, float] = (0.0, 0.0)
    follow: float = 0.0


@dataclass(frozen=True)
class BulgeRecord:
    """A bulge towards the neighbour at (row + drow, col + dcol): `reach` over the air gap between the two.

    `level` is its height over the joint's, `thickness` its half-width over the joint's radius there, `squash` its
    height over its width at most.
    """

    drow: int
    dcol: int
    reach: float
    level: float
    thickness: float
    squash: float = 1.0


@dataclass(frozen=True)
class MixRecord:
    """How far the paste's alloy reaches up a joint: `level` (0-1 of the height) at the axis.

    Its upper face is a ball's cap of radius `curvature` joint heights, or a plane if 0; `lean` is its slope (x, y).
    """

    level: float
    curvature: float
    lean: tuple[float, float]


@dataclass(frozen=True)
class JointRecord:
    """One site of the array.

    Args:
        recipe: what was drawn, for audits only; labels come from geometry.
        site: `joint`, `bare` (nothing there) or `paste` (no ball, only the printed paste).
        solder_mm3: metal of the joint.
        paste_mm3: its part that came from paste.
        lift_mm: how much farther apart its two lands are than the board's height and warpage say: every land
            and ball differs a little, whatever becomes of the joint.
        offset: displacement of its package land besides the board's, (x, y).
        found_voxels: error of the finder's centre, (x, y, z) in voxels of the board frame.
        kept: whether it becomes a sample; the others only cast shadows.
    """

    row: int
    col: int
    recipe: str
    site: str
    solder_mm3: float
    paste_mm3: float
    lift_mm: float
    board_wetted: float
    package_wetted: float
    offset: tuple[float, float]
    found_voxels: tuple[float, float, float]
    via_in_pad: bool
    waist: WaistRecord | None
    mix: MixRecord
    gaps: tuple[GapRecord, ...]
    voids: tuple[VoidRecord, ...]
    bulges: tuple[BulgeRecord, ...]
    kept: bool = True


@dataclass(frozen=True)
class NeckRecord:
    """A bridge between neighbours (row, col) `first` and `second`.

    Args:
        diameter_mm: thickness of the neck, as the diameter of a circle of its least area.
        level: height of its axis over the joint's height (0-1).
        squash: height over width of its cross-section, at most.
        flare: radius where it meets the balls over its least radius.
    """

    first: tuple[int, int]
    second: tuple[int, int]
    diameter_mm: float
    level: float
    squash: float
    flare: float


@dataclass(frozen=True)
class ScanRecord:
    """One scan of one board, complete. Sites without ball and land have no joint."""

    scan: str
    seed: int
    number: int
    scanner: ScannerRecord
    board: BoardRecord
    joints: tuple[JointRecord, ...]
    necks: tuple[NeckRecord, ...]

    @property
    def kept(self) -> tuple[int, ...]:
        """Indices of the joints that become samples."""
        return tuple(i for i, joint in enumerate(self.joints) if joint.kept)
