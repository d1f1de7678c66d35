"""Drawing a scan's record: scanner, board and joints first, what is wrong with them last.

Every scan has its own random stream, `default_rng([seed, number])`, so records do not depend on the
order or the number of workers. Nuisances are drawn before the faults and never look at them.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from jointwise.data_gen import envelope as env
from jointwise.data_gen.draw_faults import (
    bridged_pairs,
    draw_bulges,
    draw_gap,
    draw_neck,
    draw_voids,
    draw_waist,
)
from jointwise.data_gen.drawing import disc_point, log_uniform, normal_within, signed, uniform
from jointwise.data_gen.records import (
    BoardRecord,
    BulgeRecord,
    JointRecord,
    NeckRecord,
    ScannerRecord,
    ScanRecord,
    TraceRecord,
)
from jointwise.data_gen.settings import (
    TUBE_KV,
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
    ProcessSettings,
    ScanSettings,
)

Site = tuple[int, int]


def draw_scan(settings: GeneratorSettings, seed: int, number: int) -> ScanRecord:
    """The record of scan `number` of the set with this seed; the same numbers give the same record."""
    rng = np.random.default_rng([seed, number])
    board = _draw_board(rng, settings.family, settings.process, f"board_{number:05d}")
    scanner = _draw_scanner(rng, settings.scan, board)
    joints = {
        (row, col): _draw_sound_joint(rng, settings, board, row, col)
        for row in range(board.rows)
        for col in range(board.cols)
    }
    bulges = draw_bulges(rng, settings.defects.near_bridge, board.rows, board.cols)
    joints = {site: _draw_fault(rng, settings.defects, joint, board) for site, joint in joints.items()}
    necks = _draw_necks(rng, settings.defects, joints, board)
    finished = _with_bulges(joints, necks, bulges)
    return ScanRecord(f"scan_{number:05d}", seed, number, scanner, board, finished, necks)


def _draw_board(
    rng: np.random.Generator, family: FamilySettings, process: ProcessSettings, board_id: str
) -> BoardRecord:
    rows, cols = (int(rng.integers(low, high + 1)) for low, high in (family.rows, family.cols))
    ball, land, opening = (
        uniform(rng, pair)
        for pair in (family.ball_range_mm, family.board_land_range_mm, family.package_land_range_mm)
    )
    nominal = math.pi * ball**3 / 6 + family.paste_mm3 * (ball / family.ball_mm) ** 3
    free = env.free_height(0.975 * land / 2, 0.975 * opening / 2, nominal)
    # Displacement at the corner, shared between the three shapes of warpage.
    half_x, half_y = max(cols - 1, 1) * family.pitch_mm / 2, max(rows - 1, 1) * family.pitch_mm / 2
    parts = rng.dirichlet((1.0, 1.0, 1.0)) * process.warpage * ball * rng.uniform(-1.0, 1.0, 3)
    offset = process.offset * land * np.asarray(disc_point(rng))
    package = uniform(rng, family.package_mm)
    substrate = uniform(rng, (0.2, 0.4))
    return BoardRecord(
        board_id=board_id,
        component=family.name,
        alloy=str(rng.choice(process.alloys)),
        pitch_mm=family.pitch_mm,
        rows=rows,
        cols=cols,
        ball_mm=ball,
        board_land_mm=land,
        package_land_mm=opening,
        nominal_mm3=nominal,
        height_mm=free * uniform(rng, process.height),
        warpage=(
            float(parts[0] / half_x**2),
            float(parts[1] / half_y**2),
            float(parts[2] / (half_x * half_y)),
        ),
        package_offset=(float(offset[0]), float(offset[1])),
        copper_mm=uniform(rng, process.copper_um) / 1000,
        board_mm=uniform(rng, family.board_mm),
        substrate_mm=substrate,
        package_mm=max(package, substrate + 0.3),
        margin_mm=uniform(rng, (0.5, 4.0)),
        planes_mm=_draw_planes(rng, process.plane_rate),
        die_mm=_draw_die(rng, process.die_rate, half_x, half_y, package - substrate),
        traces=_draw_traces(rng, process.trace_rate, family.pitch_mm, rows, cols, land),
    )


def _draw_planes(rng: np.random.Generator, rate: float) -> tuple[float, ...]:
    depths = sorted(float(d) for d in rng.uniform([0.2, 0.55], [0.45, 0.8]))
    count = int(rng.integers(1, 3))
    return tuple(depths[:count]) if rng.random() < rate else ()


def _draw_die(
    rng: np.random.Generator, rate: float, half_x: float, half_y: float, room: float
) -> tuple[float, float, float]:
    wide, deep, high = rng.uniform(0.5, 1.6), rng.uniform(0.5, 1.6), rng.uniform(0.3, 0.7)
    if rng.random() >= rate:
        return 0.0, 0.0, 0.0
    return float(wide * half_x), float(deep * half_y), float(high * max(room, 0.3))


def _draw_traces(
    rng: np.random.Generator, rate: float, pitch: float, rows: int, cols: int, land: float
) -> tuple[TraceRecord, ...]:
    """Straight traces midway between two rows or columns, where the lands leave room."""
    count, room = int(rng.integers(1, 5)), pitch - land
    traces: list[TraceRecord] = []
    for _ in range(count):
        along_x, width = rng.random() < 0.5, float(rng.uniform(0.15, 0.45) * room)
        across, along = (rows, cols) if along_x else (cols, rows)
        lane = (float(rng.integers(0, max(across - 1, 1))) - (across - 1) / 2 + 0.5) * pitch
        ends = np.sort(rng.uniform(-0.5, 0.5, 2)) * along * pitch
        start, end = (float(ends[0]), lane), (float(ends[1]), lane)
        taken = [t for t in traces if (t.start[1] == t.end[1]) != along_x or lane in (t.start[0], t.start[1])]
        if ends[1] - ends[0] > 0.5 * pitch and not taken:
            traces.append(
                TraceRecord(start if along_x else start[::-1], end if along_x else end[::-1], width)
            )
    return tuple(traces) if rng.random() < rate else ()


def _draw_scanner(rng: np.random.Generator, scan: ScanSettings, board: BoardRecord) -> ScannerRecord:
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


def _draw_sound_joint(
    rng: np.random.Generator,
    settings: GeneratorSettings,
    board: BoardRecord,
    row: int,
    col: int,
) -> JointRecord:
    """One joint with its nuisances and voids, before anything is wrong with its surfaces."""
    process, defects, scan = settings.process, settings.defects, settings.scan
    ball = math.pi * board.ball_mm**3 / 6
    paste = (board.nominal_mm3 - ball) * normal_within(rng, 1.0, process.paste_cv, 2.5)
    solder = ball * normal_within(rng, 1.0, process.ball_cv, 2.5) + paste
    jitter = rng.normal(0.0, process.offset_cv * board.board_land_mm, 2)
    found = rng.normal(0.0, 1.0, 3) * (
        [scan.centre_error_voxels, scan.centre_error_voxels, scan.height_error_voxels]
    )
    via = bool(rng.random() < defects.via_in_pad)
    waist = draw_waist(rng, defects, board.height_mm)
    waisted = rng.random() < defects.waist
    return JointRecord(
        row=row,
        col=col,
        recipe="waist" if waisted else "sound",
        site="joint",
        solder_mm3=solder,
        paste_mm3=paste,
        board_wetted=uniform(rng, process.wetted),
        package_wetted=uniform(rng, process.wetted),
        offset=(float(jitter[0]), float(jitter[1])),
        found_voxels=(float(found[0]), float(found[1]), float(found[2])),
        via_in_pad=via,
        waist=waist,
        gap=None,
        voids=draw_voids(rng, defects, free_diameter(board), via),
        bulges=(),
    )


def free_diameter(board: BoardRecord) -> float:
    """Dmax of the board's nominal joint without load."""
    a, b = board.board_land_mm / 2, board.package_land_mm / 2
    return env.largest_diameter(a, b, env.free_height(a, b, board.nominal_mm3))


def _draw_fault(
    rng: np.random.Generator, defects: DefectSettings, joint: JointRecord, board: BoardRecord
) -> JointRecord:
    """The joint with what went wrong at its surfaces; a notch stays only where drawn or where a pillow is."""
    kind, site = rng.random(), rng.random()
    partial = rng.random() < defects.partial_wetting
    if site < defects.missing:
        name = "bare" if site < 0.5 * defects.missing else "paste"
        return replace(joint, recipe=name, site=name, voids=(), waist=None, via_in_pad=False)
    if kind < defects.head_in_pillow:
        gap = draw_gap(rng, defects, "interface", board.ball_mm)
        return replace(joint, recipe="head_in_pillow", gap=gap)
    kept = joint if joint.recipe == "waist" else replace(joint, waist=None)
    place = "board" if rng.random() < 0.5 else "package"
    if kind < defects.head_in_pillow + defects.non_wet:
        return replace(kept, recipe="non_wet", gap=draw_gap(rng, defects, place, board.ball_mm))
    if partial:
        gap = draw_gap(rng, defects, place, board.ball_mm, edge=True)
        return replace(kept, recipe="partial_wetting", gap=gap)
    return kept


def _draw_necks(
    rng: np.random.Generator,
    defects: DefectSettings,
    joints: dict[Site, JointRecord],
    board: BoardRecord,
) -> tuple[NeckRecord, ...]:
    pairs = bridged_pairs(rng, defects.bridging, board.rows, board.cols)
    necks = [draw_neck(rng, defects, first, second, board.ball_mm) for first, second in pairs]
    return tuple(n for n in necks if joints[n.first].site == "joint" == joints[n.second].site)


def _with_bulges(
    joints: dict[Site, JointRecord],
    necks: tuple[NeckRecord, ...],
    bulges: dict[Site, tuple[BulgeRecord, ...]],
) -> tuple[JointRecord, ...]:
    """Bulges where both sites hold a joint and no bridge joins them already."""
    joined = {(n.first, n.second) for n in necks} | {(n.second, n.first) for n in necks}

    def free(site: Site, bulge: BulgeRecord) -> bool:
        other = site[0] + bulge.drow, site[1] + bulge.dcol
        return joints[other].site == "joint" and (site, other) not in joined

    return tuple(
        replace(joint, bulges=tuple(b for b in bulges.get(site, ()) if free(site, b)))
        if joint.site == "joint"
        else joint
        for site, joint in joints.items()
    )
