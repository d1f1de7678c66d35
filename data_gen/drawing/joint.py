"""Drawing a joint: its nuisances and voids first, what is wrong with its surfaces last."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from jointwise.data_gen.drawing.numbers import normal_within, uniform
from jointwise.data_gen.drawing.records import (
    BoardRecord,
    JointRecord,
)
from jointwise.data_gen.drawing.surfaces import draw_edge, draw_gap, draw_mix, draw_waist
from jointwise.data_gen.drawing.voids import Stand, draw_voids
from jointwise.data_gen.settings import (
    DefectSettings,
    GeneratorSettings,
)
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes.environment import site_height


def draw_sound_joint(
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
    lift = process.lift * board.ball_mm * normal_within(rng, 0.0, 1.0, 2.0)
    joint = JointRecord(
        row=row,
        col=col,
        recipe="waist" if waisted else "sound",
        site="joint",
        solder_mm3=solder,
        paste_mm3=paste,
        lift_mm=lift,
        board_wetted=uniform(rng, process.wetted),
        package_wetted=uniform(rng, process.wetted),
        offset=(float(jitter[0]), float(jitter[1])),
        found_voxels=(float(found[0]), float(found[1]), float(found[2])),
        via_in_pad=via,
        waist=waist if waisted else None,
        mix=draw_mix(rng),
        gaps=(),
        voids=(),
        bulges=(),
    )
    a, b = _wetted_radii(joint, board)
    stand = Stand(a, b, site_height(board, joint), solder)
    return replace(joint, voids=draw_voids(rng, defects, stand, free_diameter(board), via))


def _wetted_radii(joint: JointRecord, board: BoardRecord) -> tuple[float, float]:
    return board.board_land_mm / 2 * joint.board_wetted, board.package_land_mm / 2 * joint.package_wetted


def free_diameter(board: BoardRecord) -> float:
    """Dmax of the board's nominal joint without load."""
    a, b = board.board_land_mm / 2, board.package_land_mm / 2
    return env.largest_diameter(a, b, env.free_height(a, b, board.nominal_mm3))


def draw_fault(
    rng: np.random.Generator,
    defects: DefectSettings,
    joint: JointRecord,
    board: BoardRecord,
    likelier: float = 1.0,
) -> JointRecord:
    """The joint with what went wrong at its surfaces; its notch, its metal and its height stay as they are.

    A dry edge comes with every kind of joint alike; an open only pushes it to the other land.
    """
    # Opens and pillows are `likelier` times as common here as on the board's average.
    kind, site = rng.random() / max(likelier, 1e-9), rng.random()
    place, dry = ("board" if rng.random() < 0.5 else "package" for _ in range(2))
    edge = draw_edge(rng, defects, board.ball_mm) if rng.random() < defects.partial_wetting else None
    if site < defects.missing:
        name = "bare" if site < 0.5 * defects.missing else "paste"
        return replace(joint, recipe=name, site=name, voids=(), waist=None, via_in_pad=False)
    name, gaps, stand = joint.recipe, [], _stand(joint, board, defects.fullest)
    if kind < defects.head_in_pillow:
        name, gaps = "head_in_pillow", [draw_gap(rng, defects, "interface", *stand, joint.waist)]
    elif kind < defects.head_in_pillow + defects.non_wet:
        name, gaps = "non_wet", [draw_gap(rng, defects, place, *stand, None)]
    if edge is not None:
        other = {"board": "package", "package": "board"}[place]
        gaps.append(replace(edge, place=other if name == "non_wet" else dry))
        name = "partial_wetting" if len(gaps) == 1 else name
    return replace(joint, recipe=name, gaps=tuple(gaps))


def _stand(joint: JointRecord, board: BoardRecord, fullest: float) -> tuple[float, float]:
    """How high the joint stands, and the widest gap for which that is high enough, mm.

    Joints freeze apart where their lands are far apart. The height is drawn for all joints alike, so it is the gap
    that follows the height; a gap of g pushes as much solder outwards as some 0.8 g less height.
    """
    height = site_height(board, joint)
    a, b = _wetted_radii(joint, board)
    free = env.free_height(a, b, joint.solder_mm3)
    return height, max(height - fullest * free, 0.02 * free) / 0.8
