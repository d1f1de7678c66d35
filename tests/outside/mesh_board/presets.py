"""What a development board is like: sizes, scanner, rates of faults, and the presets."""

from __future__ import annotations

from dataclasses import dataclass, field

KINDS = ("void", "non_wet", "bridging", "head_in_pillow")


@dataclass
class Board:
    """What a preset chooses; lengths in mm unless the name says otherwise."""

    rows: int = 5
    cols: int = 6
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
    voxel: float = 0.02
    kvp: float = 130.0
    filter_al: float = 1.0
    filter_cu: float = 0.4
    views: int = 400
    photons: float = 3e4
    focal_um: float = 6.0
    blur_px: float = 0.4
    scatter: float = 0.08
    gain_sd: float = 0.002
    read_noise: float = 4.0
    axis_px: float = 0.1
    hann: float = 1.3
    pixel: float = 0.1
    sdd: float = 400.0
    tilt: tuple[float, float] = (0.8, -0.6)  # degrees about x and y
    turn: float = 2.0  # degrees about the board's normal
    rates: dict = field(default_factory=dict)  # share of joints by recipe; the rest is sound
    gap_voxels: tuple[float, float] = (0.7, 3.0)
    void_area: tuple[float, float] = (0.07, 0.3)
    neck: tuple[float, float] = (0.2, 0.6)  # least thickness over ball
    missing: int = 0
    seed: int = 1


MIXED = {
    "void": 0.15,
    "small_void": 0.1,
    "sheet": 0.06,
    "non_wet": 0.13,
    "head_in_pillow": 0.15,
    "bridge": 0.07,
}
PRESETS = {
    "sound": Board(),
    "clean": Board(rows=6, rates=MIXED, missing=1, seed=2),
    "hard": Board(
        rows=6, voxel=0.03, views=320, photons=2500.0, read_noise=10.0, scatter=0.15, hann=1.0, seed=3, missing=1,
        rates=MIXED | {"sheet": 0.15}, gap_voxels=(0.1, 2.0), void_area=(0.03, 0.09), neck=(0.04, 0.15),
    ),
    "shifted": Board(
        rows=6, oblong=1.25, board_land=0.34, package_land=0.36, kvp=90.0, filter_cu=0.1, tilt=(3.5, -2.5), turn=8.0,
        views=360, photons=1e4, scatter=0.12, seed=4, missing=1, rates=MIXED,
    ),
}  # fmt: skip
