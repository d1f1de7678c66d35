"""What a development board is like: sizes, scanner, rates of faults, and the presets."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

KINDS = ("void", "non_wet", "bridging", "head_in_pillow")


@dataclass
class Board:
    """What a preset chooses; lengths in mm unless the name says otherwise, shares of all joints."""

    rows: int = 10
    cols: int = 10
    pitch: float = 0.8
    ball: float = 0.5
    board_land: float = 0.40
    package_land: float = 0.38
    oblong: float = 1.0  # length over width of lands and joints
    paste: float = 0.0072  # mm³ of metal
    pressed: tuple[float, float] = (
        0.92,
        1.0,
    )  # height over that without load, at the array's middle and corner
    unusual: float = 0.1  # joints whose volume or height is far from the others'
    offset: float = 0.02  # package against board, sideways
    voxel: float = 0.02
    kvp: float = 130.0
    filter_al: float = 1.0
    filter_cu: float = 0.4
    views: int = 400
    photons: float = 2000.0  # open-beam quanta a pixel
    focal_um: float = 6.0
    blur_px: float = 0.4
    scatter: float = 0.08
    gain_sd: float = 0.002
    read_noise: float = 1.0  # in quanta
    axis_px: float = 0.1
    hann: float = 1.3
    bad_columns: int = 0  # of the detector, off by `bad_residual` (standard deviation): rings
    bad_residual: float = 0.02
    pixel: float = 0.1
    sdd: float = 400.0
    ray_deg: float = 90.0  # rays against the axis: 90 upright; below, the axis is the file's z (laminography)
    tilt: tuple[float, float] = (0.8, -0.6)  # degrees about x and y
    turn: float = 2.0  # degrees about the board's normal
    rates: dict = field(default_factory=dict)  # share of joints by recipe; the rest is sound
    also_void: float = 0.35  # faulty joints (bridged ones too) that have voids or a layer besides
    notch: float = 0.3  # pillows with a notch round the rim; a tenth of that share of the rest has a waist
    gap_voxels: tuple[float, float] = (0.5, 4.0)
    leaning: float = 0.6  # free ends and pillow gaps that are wedges
    oblique: float = 10.0  # most degrees by which a pillow's surface leans
    rim: float = 0.0  # pillows bonded along their rim
    mound: float = 0.0  # pillows of a ball that never sank in, on a narrow mound
    waist: float = 0.0  # sound joints with a deep narrow waist, or as if grown together on such a mound
    slipped: float = 0.0  # pillows (of those on no mound) whose ball stands beside the middle of its paste
    lopsided: float = 0.0  # sound joints (with no waist) whose solder was drawn to one side
    seam: float = 0.0  # sound joints (neither of these) grown together within, with a step or crease outside
    land_void: float = 0.0  # joints with a void where it is a dome or a film on a land
    burst: float = 0.0  # joints with another void where it broke through the outline
    void_area: tuple[float, float] = (0.05, 0.3)
    layer_cover: tuple[float, float] = (0.03, 0.4)  # share of the land under a layer of microvoids
    neck: tuple[float, float] = (0.1, 0.5)  # least thickness over ball
    spurs: float = 0.06  # near-bridges
    traces: float = 0.6  # lands with a trace
    vias: float = 0.15  # of the places amid four lands
    missing: int = 1
    depopulated: tuple[int, int] = (0, 0)  # rows and columns of an empty centre
    seed: int = 1

    def left_empty(self, i: int) -> bool:
        """Whether the part has no ball at site i (counted along rows) on purpose."""
        row, col = divmod(i, self.cols)
        rows, cols = self.depopulated
        return abs(2 * row + 1 - self.rows) < rows and abs(2 * col + 1 - self.cols) < cols


MIXED = {
    "void": 0.12,
    "small_void": 0.06,
    "layer": 0.12,
    "non_wet": 0.14,
    "head_in_pillow": 0.15,
    "bridge": 0.08,
}
NONE = {"spurs": 0.0, "traces": 0.0, "vias": 0.0, "unusual": 0.0, "notch": 0.0, "missing": 0}
P065 = {"pitch": 0.65, "ball": 0.4, "board_land": 0.30, "package_land": 0.32, "paste": 0.0038}
P100 = {"pitch": 1.0, "ball": 0.6, "board_land": 0.45, "package_land": 0.50, "paste": 0.0091}
P050 = {"pitch": 0.5, "ball": 0.3, "board_land": 0.25, "package_land": 0.25, "paste": 0.0026}
P127 = {"pitch": 1.27, "ball": 0.75, "board_land": 0.55, "package_land": 0.60, "paste": 0.0160}
P080 = {"pitch": 0.8, "ball": 0.45, "board_land": 0.35, "package_land": 0.38, "paste": 0.0058}
P040 = {"pitch": 0.4, "ball": 0.24, "board_land": 0.20, "package_land": 0.21, "paste": 0.0014}
APART100 = {"pitch": 1.0, "ball": 0.5, "board_land": 0.40, "package_land": 0.42, "paste": 0.0078}
FULL050 = {"pitch": 0.5, "ball": 0.32, "board_land": 0.24, "package_land": 0.26, "paste": 0.0025}
P075 = {"pitch": 0.75, "ball": 0.44, "board_land": 0.34, "package_land": 0.35, "paste": 0.0052}
APART127 = {"pitch": 1.27, "ball": 0.68, "board_land": 0.52, "package_land": 0.54, "paste": 0.0145}
WIDE065 = {"pitch": 0.65, "ball": 0.42, "board_land": 0.32, "package_land": 0.34, "paste": 0.0041}
PLAIN = MIXED | {"void": 0.14, "small_void": 0.04, "layer": 0.07, "bridge": 0.07}
OFTEN = {"rim": 0.25, "oblique": 15.0}
BUILDS = OFTEN | {"mound": 0.45, "waist": 0.15}
SOUND_BUILDS = {"waist": 0.08, "lopsided": 0.25, "seam": 0.25}
NEWER = OFTEN | SOUND_BUILDS | {"mound": 0.3, "slipped": 0.5, "land_void": 0.4, "burst": 0.3}
THIN = {"gap_voxels": (0.25, 1.5), "void_area": (0.04, 0.12), "neck": (0.06, 0.2)}
CLEAN = Board(rates=MIXED, seed=2)
# Gaps from a tenth of a voxel, voids about the limit of 5 %, necks from about one voxel (0.06 of the ball).
HARD = Board(
    voxel=0.03,
    views=320,
    photons=50.0,
    read_noise=0.5,
    scatter=0.15,
    hann=1.0,
    seed=3,
    rates=MIXED,
    gap_voxels=(0.1, 2.0),
    void_area=(0.03, 0.09),
    neck=(0.06, 0.2),
    missing=2,
)
PRESETS = {
    "sound": Board(rows=5, cols=6, **NONE),
    "clean": CLEAN,
    "fine": replace(CLEAN, rows=8, cols=8, views=300, voxel=0.012, scatter=0.03, turn=6.0, seed=8, **P050),
    "hard": HARD,
    "hard_2": replace(HARD, photons=35.0, scatter=0.08, turn=-3.0, seed=13),
    "low_kv": Board(
        rows=9, cols=9, views=300, kvp=80.0, filter_cu=0.1, photons=1500.0, scatter=0.12, turn=0.7, seed=4,
        rates=MIXED, gap_voxels=(0.3, 3.0), void_area=(0.035, 0.25),
    ),
    "oblong": Board(
        rows=9, cols=9, oblong=1.3, views=300, photons=400.0, scatter=0.1, turn=-4.0, seed=5,
        rates=MIXED, gap_voxels=(0.3, 3.0), void_area=(0.035, 0.25), **P065,
    ),
    "tilted": Board(
        rows=7, cols=7, tilt=(8.0, -5.0), turn=20.0, views=300, photons=400.0, scatter=0.1, seed=6, rates=MIXED,
        gap_voxels=(0.3, 3.0), void_area=(0.035, 0.25),
    ),
    "plain_a": Board(
        rows=11, cols=11, depopulated=(3, 3), voxel=0.0155, views=240, kvp=110.0, photons=900.0, scatter=0.1,
        tilt=(-1.6, 1.1), turn=-7.0, offset=0.03, pressed=(1.02, 0.93), missing=2, seed=71004, rates=PLAIN,
        vias=0.3, **P065, **OFTEN, gap_voxels=(0.5, 3.0), void_area=(0.05, 0.3),
    ),
    "plain_b": Board(
        voxel=0.0235, views=260, kvp=150.0, filter_cu=0.7, photons=1200.0, scatter=0.12, focal_um=9.0,
        tilt=(1.9, 1.3), turn=11.0, missing=3, seed=58213, rates=PLAIN, traces=0.8, blur_px=0.6, unusual=0.15,
        **P100, **OFTEN, gap_voxels=(0.5, 3.0), void_area=(0.05, 0.3),
    ),
    "hard_a": Board(
        voxel=0.0294, views=220, kvp=80.0, filter_cu=0.1, photons=24.0, read_noise=1.0, scatter=0.15,
        gain_sd=0.005, bad_columns=3, hann=1.0, tilt=(-0.7, -1.2), turn=4.5, missing=2, seed=90317, rates=MIXED,
        **OFTEN, **THIN,
    ),
    "hard_b": Board(
        voxel=0.0176, views=180, kvp=120.0, photons=15.0, read_noise=0.5, scatter=0.1, hann=1.0,
        ray_deg=55.0, tilt=(0.9, -0.6), turn=-13.0, missing=2, seed=33461, rates=MIXED, **P050, **OFTEN, **THIN,
    ),
    "plain_c": Board(
        rows=9, cols=10, voxel=0.031, views=280, kvp=160.0, filter_cu=0.6, photons=1500.0, scatter=0.1,
        focal_um=12.0, tilt=(-2.4, 1.7), turn=16.0, offset=0.04, pressed=(0.90, 1.0), missing=2, seed=46182,
        rates=PLAIN | {"head_in_pillow": 0.17}, vias=0.25, **P127, **BUILDS, gap_voxels=(0.4, 2.5),
    ),
    "plain_d": Board(
        rows=11, cols=11, depopulated=(3, 3), voxel=0.0104, views=260, kvp=90.0, filter_cu=0.15, photons=1300.0,
        scatter=0.06, focal_um=3.0, tilt=(1.2, -2.1), turn=-9.0, offset=0.012, pressed=(1.05, 0.97), missing=3,
        seed=20759, rates=PLAIN | {"head_in_pillow": 0.17}, traces=0.7, **P040, **BUILDS, gap_voxels=(0.5, 3.0),
    ),
    "hard_c": Board(
        rows=10, cols=11, voxel=0.027, views=240, kvp=100.0, filter_cu=0.2, photons=40.0, read_noise=0.7,
        scatter=0.12, gain_sd=0.004, hann=1.0, tilt=(6.2, -4.4), turn=24.0, pressed=(0.97, 0.91), missing=2,
        seed=85530, rates=MIXED | {"head_in_pillow": 0.17}, **WIDE065, **BUILDS, **THIN,
    ),
    "hard_d": Board(
        rows=10, cols=9, voxel=0.0268, views=200, kvp=140.0, filter_cu=0.5, photons=9.0, read_noise=0.5,
        scatter=0.08, focal_um=8.0, hann=1.0, ray_deg=60.0, tilt=(-1.1, 0.8), turn=7.0, missing=1, seed=13967,
        rates=MIXED | {"head_in_pillow": 0.17}, vias=0.3, **P080, **BUILDS, **THIN,
    ),
    "plain_e": Board(
        voxel=0.0223, views=240, kvp=140.0, filter_cu=0.5, photons=1400.0, scatter=0.09, focal_um=7.0,
        tilt=(1.4, -2.7), turn=13.5, offset=0.025, pressed=(0.94, 1.01), missing=2, seed=61427,
        rates=PLAIN | {"head_in_pillow": 0.18}, traces=0.75, **APART100, **NEWER, gap_voxels=(0.5, 3.0),
    ),
    "plain_f": Board(
        rows=11, cols=9, voxel=0.0121, views=250, kvp=100.0, filter_cu=0.25, photons=1200.0, scatter=0.07,
        focal_um=4.0, blur_px=0.5, tilt=(-2.2, 0.7), turn=-18.0, offset=0.015, pressed=(1.03, 0.95), missing=1,
        seed=37708, rates=PLAIN | {"head_in_pillow": 0.18}, vias=0.2, **FULL050, **NEWER, gap_voxels=(0.5, 3.0),
    ),
    "hard_e": Board(
        rows=9, cols=11, voxel=0.0288, views=200, kvp=110.0, filter_cu=0.3, photons=32.0, read_noise=0.8,
        scatter=0.13, gain_sd=0.004, hann=1.0, tilt=(-7.3, 5.1), turn=-27.0, pressed=(0.93, 1.0), missing=2,
        seed=94153, rates=MIXED | {"head_in_pillow": 0.18}, **P075, **NEWER, **THIN,
    ),
    "hard_f": Board(
        rows=10, cols=10, voxel=0.044, views=160, kvp=150.0, filter_cu=0.6, photons=12.0, read_noise=0.6,
        scatter=0.1, focal_um=11.0, hann=1.0, ray_deg=50.0, tilt=(0.6, 1.5), turn=21.0, missing=2, seed=52896,
        rates=MIXED | {"head_in_pillow": 0.18}, vias=0.25, **APART127, **NEWER, **THIN,
    ),
}  # fmt: skip
