"""Drawing a scan's record: scanner, board and joints first, what is wrong with them last.

Every scan has its own random stream, `default_rng([seed, number])`, so records do not depend on the
order or the number of workers. Nuisances are drawn before the faults and never look at them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from jointwise.data_gen.drawing.board import draw_board, draw_kept, draw_sites
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
from jointwise.data_gen.drawing.surroundings import with_surroundings
from jointwise.data_gen.settings import (
    DefectSettings,
    GeneratorSettings,
)
from jointwise.data_gen.shapes.environment import site_height

Site = tuple[int, int]

_WITHOUT_VOIDS: dict[str, Any] = dict.fromkeys(
    (*(f"voids_{kind}" for kind in ("finding", "near", "small", "free", "sheet", "shrinkage")), "via_void"),
    0.0,
)


def draw_scan(settings: GeneratorSettings, seed: int, number: int, attempt: int = 0) -> ScanRecord:
    """The record of scan `number` of the set with this seed; the same numbers give the same record.

    Should its scan turn out not to be feasible, the next `attempt` draws all of it anew.
    """
    rng = np.random.default_rng([seed, number, attempt] if attempt else [seed, number])
    families = settings.families or (settings.family,)
    family = families[int(rng.integers(len(families)))]
    board = draw_board(rng, family, settings.process, f"board_{number:05d}")
    sites = draw_sites(rng, family, board)
    board = with_surroundings(rng, settings.process, board, sites)
    kept = draw_kept(rng, family, sites)
    scanner = draw_scanner(rng, settings.scan, board)
    solid = replace(settings, defects=replace(settings.defects, **_WITHOUT_VOIDS))
    joints = {
        site: draw_sound_joint(rng, settings, board, *site)
        if site in kept
        else _shadow(draw_sound_joint(rng, solid, board, *site))
        for site in sites
    }
    bulges = draw_bulges(rng, settings.defects, board.rows, board.cols)
    likelier = _likelier(settings.defects.opens_follow_warpage, board, joints)
    joints = {
        site: draw_fault(rng, settings.defects, joint, board, likelier[site]) if joint.kept else joint
        for site, joint in joints.items()
    }
    necks = _draw_necks(rng, settings.defects, joints, board)
    finished = _with_bulges(joints, necks, bulges)
    return ScanRecord(f"scan_{number:05d}", seed, number, scanner, board, finished, necks)


def _shadow(joint: JointRecord) -> JointRecord:
    """A joint that is no sample and only casts its shadow: solid and smooth."""
    return replace(joint, recipe="sound", waist=None, kept=False)


def _likelier(follow: float, board: BoardRecord, joints: dict[Site, JointRecord]) -> dict[Site, float]:
    """How much likelier than on average a surface fails at each site: 1 on a flat board or without `follow`."""
    heights = np.array([site_height(board, joint) for joint in joints.values()])
    away = heights - heights.mean()
    most = np.abs(away).max()
    factors = 1.0 + follow * away / most if most > 0.0 else np.ones(len(joints))
    return {site: float(f) for site, f in zip(joints, factors, strict=True)}


def most_samples(settings: GeneratorSettings) -> int:
    """Most samples that one board may give."""
    families = settings.families or (settings.family,)
    return max(f.kept or f.rows[1] * f.cols[1] for f in families)


def _draw_necks(
    rng: np.random.Generator,
    defects: DefectSettings,
    joints: dict[Site, JointRecord],
    board: BoardRecord,
) -> tuple[NeckRecord, ...]:
    pairs = bridged_pairs(rng, defects, board.rows, board.cols)
    necks = [draw_neck(rng, defects, first, second, board.ball_mm) for first, second in pairs]
    return tuple(n for n in necks if _stand(joints, n.first, n.second))


def _stand(joints: dict[Site, JointRecord], one: Site, other: Site) -> bool:
    """Whether both sites hold a joint, and one of them becomes a sample."""
    pair = [joints[s] for s in (one, other) if s in joints]
    return len(pair) == 2 and all(j.site == "joint" for j in pair) and any(j.kept for j in pair)


def _with_bulges(
    joints: dict[Site, JointRecord],
    necks: tuple[NeckRecord, ...],
    bulges: dict[Site, tuple[BulgeRecord, ...]],
) -> tuple[JointRecord, ...]:
    """Bulges where both sites hold a joint and no bridge joins them already."""
    joined = {(n.first, n.second) for n in necks} | {(n.second, n.first) for n in necks}

    def free(site: Site, bulge: BulgeRecord) -> bool:
        other = site[0] + bulge.drow, site[1] + bulge.dcol
        return _stand(joints, site, other) and (site, other) not in joined

    return tuple(
        replace(joint, bulges=tuple(b for b in bulges.get(site, ()) if free(site, b)))
        if joint.site == "joint"
        else joint
        for site, joint in joints.items()
    )
