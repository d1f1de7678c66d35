"""Drawing what lies on and in the board around the lands: mask, dog-bones, traces that end at lands, chips.

Drawn so that no copper meets other copper: what would come too near is left out.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from jointwise.data_gen.drawing.numbers import uniform
from jointwise.data_gen.drawing.records import BoardRecord, ChipRecord, TraceRecord, ViaRecord
from jointwise.data_gen.settings import ProcessSettings
from jointwise.data_gen.shapes.environment import site_position
from jointwise.data_gen.shapes.solids import Floats

Site = tuple[int, int]
Point = tuple[float, float]

APART = 0.05
"""Least distance between coppers that do not belong together, mm."""

RING = 0.05
"""Least copper around a via's hole, mm."""

CHIPS_MM = ((0.6, 0.3, 0.3), (1.0, 0.5, 0.5), (1.6, 0.8, 0.8))
"""Common chip components: length, width, height."""


def with_surroundings(
    rng: np.random.Generator, process: ProcessSettings, board: BoardRecord, sites: list[Site]
) -> BoardRecord:
    """The board with its mask, vias, traces that end at lands, and chips."""
    flush = bool(rng.random() < process.flush_rate)
    vias, stubs = _draw_fanout(rng, process, board, sites)
    more = _draw_land_traces(rng, process, board, sites, vias, stubs)
    return replace(
        board, flush=flush, vias=tuple(vias), stubs=(*stubs, *more), chips=_draw_chips(rng, process, board)
    )


def _draw_fanout(
    rng: np.random.Generator, process: ProcessSettings, board: BoardRecord, sites: list[Site]
) -> tuple[list[ViaRecord], list[TraceRecord]]:
    """Dog-bones: from some lands a short trace to a through via in the middle of four, all the same way."""
    room = board.pitch_mm / math.sqrt(2) - board.board_land_mm / 2 - APART
    drill, wall = uniform(rng, process.via_drill_mm), uniform(rng, (0.018, 0.03))
    pad = min(drill + 2 * uniform(rng, (0.08, 0.13)), 2 * room, board.pitch_mm - APART)
    step = np.array([rng.choice([-1.0, 1.0]), rng.choice([-1.0, 1.0])])
    share, width = uniform(rng, (0.3, 1.0)), min(uniform(rng, (0.08, 0.15)), 0.6 * pad)
    chosen = [site for site, draw in zip(sites, rng.random(len(sites)), strict=True) if draw < share]
    if rng.random() >= process.fanout_rate or pad < drill + 2 * RING:
        return [], []
    vias, stubs = [], []
    for site in chosen:
        foot = site_position(board, *site)
        middle = foot + step * board.pitch_mm / 2
        along = step / math.sqrt(2)
        ends = _ends(foot + along * board.board_land_mm / 2, middle - along * pad / 2)
        stub = TraceRecord(*ends, width)
        if all(_distance(stub, t) > (width + t.width_mm) / 2 + APART for t in board.traces) and all(
            _distance(_spot(middle), t) > (pad + t.width_mm) / 2 + APART for t in board.traces
        ):
            vias.append(ViaRecord((float(middle[0]), float(middle[1])), drill, wall, pad))
            stubs.append(stub)
    return vias, stubs


def _draw_land_traces(
    rng: np.random.Generator,
    process: ProcessSettings,
    board: BoardRecord,
    sites: list[Site],
    vias: list[ViaRecord],
    stubs: list[TraceRecord],
) -> list[TraceRecord]:
    """Traces from a land to its neighbour (a bridge's look-alike in a flat image), or out of the array."""
    wanted, share, width = rng.random(), uniform(rng, (0.03, 0.25)), uniform(rng, (0.08, 0.2))
    width = min(width, 0.5 * board.board_land_mm)
    here, found = set(sites), []
    for site in sites:
        draws = rng.random(2)
        for draw, (drow, dcol) in zip(draws, ((0, 1), (1, 0)), strict=True):
            if draw < share:
                found += _land_trace(board, site, (drow, dcol), width, here)
    if wanted >= process.land_trace_rate:
        return []
    others = (*board.traces, *stubs)
    return [
        t
        for t in found
        if all(_distance(t, o) > (width + o.width_mm) / 2 + APART for o in others)
        and all(_distance(_spot(np.array(v.place)), t) > (v.pad_mm + width) / 2 + APART for v in vias)
    ]


def _land_trace(
    board: BoardRecord, site: Site, step: Site, width: float, here: set[Site]
) -> list[TraceRecord]:
    """From a land to the next one along `step`, or, at the array's edge, out of it."""
    foot, along = site_position(board, *site), np.array([step[1], step[0]], float)
    start = foot + along * board.board_land_mm / 2
    if (site[0] + step[0], site[1] + step[1]) in here:
        return [TraceRecord(*_ends(start, foot + along * (board.pitch_mm - board.board_land_mm / 2)), width)]
    if site[0] + step[0] < board.rows and site[1] + step[1] < board.cols:
        return []  # a depopulated site lies there
    return [TraceRecord(*_ends(start, foot + along * (board.pitch_mm / 2 + 0.8 * board.margin_mm)), width)]


def _draw_chips(
    rng: np.random.Generator, process: ProcessSettings, board: BoardRecord
) -> tuple[ChipRecord, ...]:
    """One to three chips beside the package or under the board, apart from each other."""
    half = np.array([board.cols, board.rows]) * board.pitch_mm / 2
    body, edge = half + min(board.margin_mm, 0.5), half + board.margin_mm
    chips: list[ChipRecord] = []
    wanted, count = rng.random() < process.chip_rate, int(rng.integers(1, 4))
    for _ in range(count):
        long, wide, high = CHIPS_MM[int(rng.integers(len(CHIPS_MM)))]
        along_x, below, side = rng.random() < 0.5, rng.random() < 0.6, int(rng.integers(4))
        size = np.array([long, wide] if along_x else [wide, long])
        place = rng.uniform(-1.0, 1.0, 2) * np.maximum(edge - size / 2 - 0.05, 0.0)
        if not below:
            axis, sign = side // 2, (-1.0, 1.0)[side % 2]
            place[axis] = sign * (body[axis] + 0.1 + size[axis] / 2)
        fits = np.all(np.abs(place) + size / 2 <= edge)
        apart = all(
            c.below != below
            or np.any(np.abs(place - np.array(c.place)) >= (size + np.array(c.size_mm[:2])) / 2 + APART)
            for c in chips
        )
        ends = uniform(rng, (0.15, 0.3)) * long
        if fits and apart:
            sizes = float(size[0]), float(size[1]), high
            chips.append(ChipRecord((float(place[0]), float(place[1])), sizes, ends, along_x, below))
    return tuple(chips) if wanted else ()


def _ends(start: Floats, end: Floats) -> tuple[tuple[float, float], tuple[float, float]]:
    return (float(start[0]), float(start[1])), (float(end[0]), float(end[1]))


def _spot(place: Floats) -> TraceRecord:
    """A point as a trace of no length."""
    return TraceRecord(*_ends(place, place), 0.0)


def _distance(one: TraceRecord, other: TraceRecord) -> float:
    """Least distance of two traces' middle lines, mm; 0 if they cross."""
    a, b, c, d = one.start, one.end, other.start, other.end
    if _side(a, b, c) * _side(a, b, d) < 0 and _side(c, d, a) * _side(c, d, b) < 0:
        return 0.0
    return min(_to_line(a, c, d), _to_line(b, c, d), _to_line(c, a, b), _to_line(d, a, b))


def _side(a: Point, b: Point, p: Point) -> float:
    return (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0])


def _to_line(p: Point, a: Point, b: Point) -> float:
    """Distance of a point from a line between two points."""
    x, y, u, v = b[0] - a[0], b[1] - a[1], p[0] - a[0], p[1] - a[1]
    length = x * x + y * y
    share = min(max((u * x + v * y) / length, 0.0), 1.0) if length > 0.0 else 0.0
    return math.hypot(u - share * x, v - share * y)
