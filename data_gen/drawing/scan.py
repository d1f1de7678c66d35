"""Drawing a scan's record: scanner, board and joints first, what is wrong with them last.

Every scan has its own random stream, `default_rng([seed, number])`, so records do not depend on the
order or the number of workers. Nuisances are drawn before the faults and never look at them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from jointwise.data_gen.drawing.board import draw_board
from jointwise.data_gen.drawing.bridges import bridged_pairs, draw_bulges, draw_neck
from jointwise.data_gen.drawing.joint import draw_fault, draw_sound_joint
from jointwise.data_gen.drawing.records import (
    BoardRecord,
    BulgeRecord,
    JointRecord,
    NeckRecord,
    ScanRecord,
)
from jointwise.data_gen.drawing.scanner import draw_scanner
from jointwise.data_gen.settings import (
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
)

Site = tuple[int, int]


def draw_scan(settings: GeneratorSettings, seed: int, number: int) -> ScanRecord:
    """The record of scan `number` of the set with this seed; the same numbers give the same record."""
    rng = np.random.default_rng([seed, number])
    board = draw_board(rng, settings.family, settings.process, f"board_{number:05d}")
    scanner = draw_scanner(rng, settings.scan, board)
    joints = {
        (row, col): draw_sound_joint(rng, settings, board, row, col)
        for row in range(board.rows)
        for col in range(board.cols)
    }
    bulges = draw_bulges(rng, settings.defects.near_bridge, board.rows, board.cols)
    joints = {site: draw_fault(rng, settings.defects, joint, board) for site, joint in joints.items()}
    necks = _draw_necks(rng, settings.defects, joints, board)
    finished = _with_bulges(joints, necks, bulges)
    return ScanRecord(f"scan_{number:05d}", seed, number, scanner, board, finished, necks)


def most_sites(family: FamilySettings) -> int:
    """Sites of the largest array that a family's board may have."""
    return family.rows[1] * family.cols[1]


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
