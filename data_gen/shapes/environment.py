"""What lies around the joints: lands, vias, traces, board, package, die. Nothing overlaps anything else.

Board frame: z = 0 is the top of the board lands, so the board's laminate begins one copper thickness
below, or at z = 0 where the solder mask is level with the lands: they are sunk then. The package's laminate begins
one copper thickness above the highest package land. Solder mask, resin in vias and mould count as laminate, the
ceramic of chips as silicon, their end metal as copper.
"""

from __future__ import annotations

import numpy as np

from jointwise.data_gen.drawing.records import (
    BoardRecord,
    ChipRecord,
    JointRecord,
    TraceRecord,
    ViaRecord,
)
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.scene import COPPER, LAMINATE, SILICON, Boxes
from jointwise.data_gen.shapes.solids import VOID, Floats, Solids

VIA_DIAMETER_MM = 0.10
VIA_DEPTH_MM = 0.09
"""A microvia in a land (domain document B1: diameter 75-150 um, depth 50-100 um); planes lie deeper."""

PLANE_MM = 0.018
"""Thickness of an inner copper plane."""

Range = tuple[float, float]


def site_position(board: BoardRecord, row: int, col: int) -> Floats:
    """Centre (x, y) of a site's board land: x grows with the column, y with the row, 0 in the middle."""
    return board.pitch_mm * np.array([col - (board.cols - 1) / 2, row - (board.rows - 1) / 2])


def site_height(board: BoardRecord, joint: JointRecord) -> float:
    """Height from board land to package land: common, less warpage of package and board, and the site's own lift."""
    x, y = site_position(board, joint.row, joint.col)
    k1, k2, k3 = board.warpage
    b1, b2 = board.bow
    return float(board.height_mm + (k1 - b1) * x**2 + (k2 - b2) * y**2 + k3 * x * y + joint.lift_mm)


def oblong_map(board: BoardRecord) -> Floats:
    """The (2, 2) map that makes the board's round lands oblong, area kept: symmetric, determinant 1."""
    aspect, angle = board.oblong
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s], [s, c]])
    return turn @ np.diag([aspect**0.5, aspect**-0.5]) @ turn.T if aspect != 1.0 else np.eye(2)


def build_copper(board: BoardRecord, joints: tuple[JointRecord, ...]) -> tuple[Solids, Solids]:
    """Copper in air (lands, traces, via pads) and copper sunk in laminate (vias; all on the board if flush)."""
    t = board.copper_mm
    feet = np.array([site_position(board, joint.row, joint.col) for joint in joints]).reshape(-1, 2)
    heads = feet + np.asarray(board.package_offset) + np.array([j.offset for j in joints]).reshape(-1, 2)
    h = np.array([site_height(board, joint) for joint in joints])
    surface = [_lands(board, feet, np.full(len(h), -t), np.zeros(len(h)), board.board_land_mm / 2)]
    lands = _lands(board, heads, h, h + t, board.package_land_mm / 2)
    in_pad = feet[[joint.via_in_pad for joint in joints]]
    vias = [sd.posts(in_pad, -t - VIA_DEPTH_MM, -t, VIA_DIAMETER_MM / 2)]
    surface += [_trace(trace, t) for trace in (*_uncrossed(board.traces), *board.stubs)]
    surface += [sd.cylinder((*v.place, -t), (*v.place, 0.0), v.pad_mm / 2) for v in board.vias]
    layers = [(z0, min(z1, -t)) for z0, z1, material in board_layers(board) if material == LAMINATE]
    vias += [_barrel(via, layer) for via in board.vias for layer in layers]
    if board.flush:
        return lands, sd.join(*surface, *vias)
    return sd.join(lands, *surface), sd.join(*vias)


def _barrel(via: ViaRecord, layer: Range) -> Solids:
    """A via's copper tube through one layer of laminate; copper planes between the layers carry it on."""
    low, high = ((*via.place, z) for z in layer)
    hole = sd.cylinder(low, high, via.drill_mm / 2 - via.wall_mm, role=VOID)
    return sd.join(sd.cylinder(low, high, via.drill_mm / 2), hole)


def _lands(board: BoardRecord, centres: Floats, low: Floats, high: Floats, radius: float) -> Solids:
    """Copper lands about `centres` (n, 2), each between two heights, as oblong as the board's."""
    if board.oblong[0] == 1.0:
        return sd.posts(centres, low, high, radius)
    linear = np.eye(3)
    linear[:2, :2] = oblong_map(board)
    discs = sd.affine(sd.posts(np.zeros(centres.shape), low, high, radius), linear)
    return discs._replace(origin=np.column_stack([centres, discs.origin[:, 2]]))


def _uncrossed(traces: tuple[TraceRecord, ...]) -> list[TraceRecord]:
    """Traces of the first one's direction: two that cross would count their copper twice."""
    if not traces:
        return []
    level = traces[0].start[1] == traces[0].end[1]
    return [t for t in traces if (t.start[1] == t.end[1]) == level]


def _trace(trace: TraceRecord, thickness: float) -> Solids:
    """A trace as an elliptic rod of its width and the copper's thickness; on the board's laminate."""
    start, end = (np.array([*p, -thickness / 2]) for p in (trace.start, trace.end))
    length = float(np.linalg.norm(end - start))
    along = (end - start) / length
    sideways = np.array([-along[1], along[0], 0.0])
    matrix = np.stack([sideways / (trace.width_mm / 2), np.array([0, 0, 2 / thickness]), along])
    return sd.segment((1.0, 0.0, 0.0), (0.0, length), origin=start, matrix=matrix)


def build_boxes(board: BoardRecord, joints: tuple[JointRecord, ...]) -> Boxes:
    """Board with its copper planes, package substrate, die and mould compound around it."""
    half = np.array([(n - 1) / 2 * board.pitch_mm + board.pitch_mm / 2 for n in (board.cols, board.rows)])
    parts: list[tuple[Floats, Floats, int]] = []

    def add(size: Floats, z: Range, material: int, centre: tuple[float, float] = (0.0, 0.0)) -> None:
        if z[1] > z[0] and min(size) > 0:
            middle = np.asarray(centre)
            parts.append((np.array([*(middle - size), z[0]]), np.array([*(middle + size), z[1]]), material))

    for z0, z1, material in board_layers(board):
        add(half + board.margin_mm, (z0, z1), material)
    highest = max(site_height(board, joint) for joint in joints)
    bottom = highest + board.copper_mm
    body = half + min(board.margin_mm, 0.5)
    middle = bottom + board.substrate_mm
    add(body, (bottom, middle), LAMINATE)
    _add_mould(add, board, body, (middle, bottom + board.package_mm))
    for chip in board.chips:
        _add_chip(add, board, chip)
    low, high = (np.array([p[i] for p in parts]) for i in (0, 1))
    return Boxes(low, high, np.array([p[2] for p in parts], np.int8))


def board_layers(board: BoardRecord) -> list[tuple[float, float, int]]:
    """The board from top to bottom: (lower z, upper z, material) of its laminate and its copper planes."""
    top, layers = 0.0 if board.flush else -board.copper_mm, []
    bottom = -board.copper_mm - board.board_mm
    for depth in board.planes_mm:
        plane = -board.copper_mm - depth
        if plane - PLANE_MM <= bottom:
            break
        layers += [(plane, top, LAMINATE), (plane - PLANE_MM, plane, COPPER)]
        top = plane - PLANE_MM
    return [*layers, (bottom, top, LAMINATE)]


def _add_chip(add, board: BoardRecord, chip: ChipRecord) -> None:  # type: ignore[no-untyped-def]
    """Body and end metal of a chip, standing on its lands beside the package or hanging under the board."""
    x, y = chip.place
    z0 = board_layers(board)[-1][0] - chip.size_mm[2] if chip.below else 0.0
    z = z0, z0 + chip.size_mm[2]
    half, end = np.array(chip.size_mm[:2]) / 2, chip.ends_mm / 2
    axis = np.array([1.0, 0.0] if chip.along_x else [0.0, 1.0])
    add(half - 2 * end * axis, z, SILICON, (x, y))
    metal = np.where(axis > 0, end, half)
    for sign in (-1.0, 1.0):
        middle = np.array([x, y]) + sign * (half - end) * axis
        add(metal, z, COPPER, (float(middle[0]), float(middle[1])))


def _add_mould(add, board: BoardRecord, body: Floats, z: Range) -> None:  # type: ignore[no-untyped-def]
    """Die on the substrate with mould around and above; mould alone without a die. Mould counts as laminate."""
    wide, deep, thick = board.die_mm
    die = np.minimum(np.array([wide, deep]) / 2, 0.8 * body)
    top = min(z[0] + thick, z[1] - 0.1)
    if min(die) <= 0 or top <= z[0]:
        add(body, z, LAMINATE)
        return
    add(die, (z[0], top), SILICON)
    side = (body - die) / 2
    for sign in (-1.0, 1.0):
        add(np.array([side[0], body[1]]), (z[0], top), LAMINATE, (sign * (die[0] + side[0]), 0.0))
        add(np.array([die[0], side[1]]), (z[0], top), LAMINATE, (0.0, sign * (die[1] + side[1])))
    add(body, (top, z[1]), LAMINATE)
