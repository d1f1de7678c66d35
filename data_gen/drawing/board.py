"""Drawing a board: its package, heights and warpage, copper and die."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from jointwise.data_gen.drawing.numbers import disc_point, uniform
from jointwise.data_gen.drawing.records import (
    BoardRecord,
    TraceRecord,
)
from jointwise.data_gen.settings import (
    FamilySettings,
    ProcessSettings,
)
from jointwise.data_gen.settings.board import ALLOYS
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes.solids import Floats

Site = tuple[int, int]


def draw_board(
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
    bow = process.bow * ball * rng.dirichlet((1.0, 1.0)) * rng.uniform(-1.0, 1.0, 2)
    offset = _draw_offset(rng, process) * land
    package = uniform(rng, family.package_mm)
    substrate = uniform(rng, (0.2, 0.4))
    board = BoardRecord(
        board_id=board_id,
        component=family.name,
        alloy=str(rng.choice(process.alloys)),
        paste_alloy=None,
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
        bow=(float(bow[0] / half_x**2), float(bow[1] / half_y**2)),
        package_offset=(float(offset[0]), float(offset[1])),
        copper_mm=uniform(rng, process.copper_um) / 1000,
        board_mm=uniform(rng, family.board_mm),
        substrate_mm=substrate,
        package_mm=max(package, substrate + 0.3),
        margin_mm=uniform(rng, (0.5, 4.0)),
        planes_mm=_draw_planes(rng, process.plane_rate),
        die_mm=_draw_die(rng, process.die_rate, half_x, half_y, package - substrate),
        traces=_draw_traces(rng, process.trace_rate, family.pitch_mm, rows, cols, land),
        oblong=(1.0, 0.0),
        profile=process.profile,
    )
    return replace(
        board,
        paste_alloy=_draw_paste_alloy(rng, process.mixed, board.alloy),
        oblong=_draw_oblong(rng, process, board),
    )


def _draw_paste_alloy(rng: np.random.Generator, rate: float, balls: str) -> str | None:
    other = str(rng.choice([a for a in ALLOYS if a != balls]))
    return other if rng.random() < rate else None


def _draw_oblong(
    rng: np.random.Generator, process: ProcessSettings, board: BoardRecord
) -> tuple[float, float]:
    """Aspect and angle of lands and joints; the aspect no larger than the fullest, lowest joints leave room for."""
    lowest = board.height_mm - (process.warpage + 2 * process.lift) * board.ball_mm
    a, b = board.board_land_mm / 2, board.package_land_mm / 2
    fullest = env.piece_of(0.0, lowest, a, b, (1 + 2.5 * process.ball_cv) * board.nominal_mm3)
    room = (0.94 * board.pitch_mm / (2 * env.largest_radius((fullest,)))) ** 2
    aspect, angle = uniform(rng, (1.0, 1.3)), uniform(rng, (0.0, math.pi))
    return (max(min(aspect, room), 1.0), angle) if rng.random() < process.oblong else (1.0, 0.0)


def _draw_offset(rng: np.random.Generator, process: ProcessSettings) -> Floats:
    """The package's offset over the land's diameter: mostly small, on some boards up to and beyond the limit."""
    near, far = process.offset * np.asarray(disc_point(rng)), uniform(rng, process.offset_far)
    angle = uniform(rng, (0.0, 2 * math.pi))
    badly = rng.random() < process.offset_far_rate
    return np.array([far * math.cos(angle), far * math.sin(angle)]) if badly else near


def draw_sites(rng: np.random.Generator, family: FamilySettings, board: BoardRecord) -> list[Site]:
    """Rows and columns with a land: all, or a depopulated array of at least four sites."""
    rows, cols = board.rows, board.cols
    everywhere = [(row, col) for row in range(rows) for col in range(cols)]
    depopulated, form = rng.random() < family.depopulated, int(rng.integers(4))
    rings = int(rng.integers(2, 5))
    share_y, share_x, absent = rng.uniform(0.25, 0.55), rng.uniform(0.25, 0.55), rng.uniform(0.02, 0.15)
    here = rng.random((rows, cols)) >= absent

    def kept(row: int, col: int) -> bool:
        edge = min(row, col, rows - 1 - row, cols - 1 - col)
        off_y, off_x = abs(row - (rows - 1) / 2), abs(col - (cols - 1) / 2)
        block = off_y >= share_y * rows / 2 or off_x >= share_x * cols / 2
        return (edge < rings, block, (row, col) != (0, 0), bool(here[row, col]))[form]

    left = [site for site in everywhere if kept(*site)]
    return left if depopulated and len(left) >= 4 else everywhere


def draw_kept(rng: np.random.Generator, family: FamilySettings, sites: list[Site]) -> set[Site]:
    """The sites whose joints become samples."""
    order = rng.permutation(len(sites))
    count = len(sites) if family.kept == 0 else min(family.kept, len(sites))
    return {sites[i] for i in order[:count]}


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
