"""What was drawn of a joint before anything went wrong with it, as numbers a classifier can be fed with.

Everything of the scanner and the board is a nuisance, and everything of the joint but what makes or mimics a fault.
A new field of a record is taken up by itself; one that a fault brings along is to be named in `FAULTS_OWN`.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from jointwise.data_gen.drawing.record_json import from_json
from jointwise.data_gen.drawing.records import BoardRecord, JointRecord, ScannerRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.generate import feasible
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.environment import site_height
from jointwise.data_gen.shapes.truth import joint_truth
from jointwise.joints.batch import Joints
from jointwise.joints.kinds import KINDS

NAMES = ("board_id", "component", "noise_seed")
"""Fields that name or seed and measure nothing."""

FAULTS_OWN = ("recipe", "site", "gaps", "voids", "bulges", "kept", "row", "col")
"""Fields of a joint that are told otherwise below, or are what went wrong."""

LABEL_OF = {"voids.": "void", "bulges.": "bridging"}
"""Features that make one label, and so are left out where that label is guessed; nuisances to all others."""

TRUTH_COLUMNS = ("board_id", "ball", "present", "metal_mm3", *KINDS)


class Drawn(NamedTuple):
    """Joints of an audit.

    Args:
        truth: (n rows) board_id, ball, present, metal_mm3 and the labels.
        nuisances: (n rows) numbers; NaN where a joint has no such thing.
        metal: (n rows) true metal in mm3 and over the board's nominal.
    """

    truth: pd.DataFrame
    nuisances: pd.DataFrame
    metal: pd.DataFrame


def drawn_board(settings: GeneratorSettings, seed: int, number: int, step_mm: float) -> Drawn:
    """The joints of one board straight from the drawing code: record, solids and truth, no X-rays.

    Args:
        settings: what may be drawn; seed, number: which board.
        step_mm: distance of the rays that take the truth; coarser is faster and blurs only labels at a border.

    A board that cannot be built is drawn anew, as it is when a store is generated.
    """

    def attempted(attempt: int) -> Drawn:
        record = draw_scan(settings, seed, number, attempt)
        truth = joint_truth(build_scene(record), record, step_mm)
        samples = tuple(record.joints[i] for i in record.kept)
        return _drawn(truth, record.scanner, record.board, samples)

    return feasible(attempted, number)


def stored_board(table: pd.DataFrame) -> Drawn:
    """The joints of one scan's table of a store, from the records it carries.

    Raises:
        InputError: records of another version of the generator.
    """
    first = table.iloc[0]
    scanner = from_json(first["scanner_record"], ScannerRecord)
    board = from_json(first["board_record"], BoardRecord)
    joints = tuple(from_json(text, JointRecord) for text in table["joint_record"])
    return _drawn(table, scanner, board, joints)


def joined(parts: list[Drawn]) -> Drawn:
    """All joints of several boards."""
    return Drawn(
        *(pd.concat([part[i] for part in parts], ignore_index=True) for i in range(len(Drawn._fields)))
    )


def _drawn(
    truth: pd.DataFrame, scanner: ScannerRecord, board: BoardRecord, joints: tuple[JointRecord, ...]
) -> Drawn:
    common = numbers(dataclasses.asdict(scanner), "scanner") | numbers(dataclasses.asdict(board), "board")
    rows = [common | _of_joint(joint, board) for joint in joints]
    metal = truth["metal_mm3"].to_numpy(float)
    masses = pd.DataFrame({"metal_mm3": metal, "metal_over_nominal": metal / board.nominal_mm3})
    return Drawn(truth[list(TRUTH_COLUMNS)].reset_index(drop=True), pd.DataFrame(rows), masses)


def _of_joint(joint: JointRecord, board: BoardRecord) -> dict[str, float]:
    own = {k: v for k, v in dataclasses.asdict(joint).items() if k not in FAULTS_OWN}
    return numbers(own, "joint") | _place(joint, board) | _lookalikes(joint)


def _place(joint: JointRecord, board: BoardRecord) -> dict[str, float]:
    """Where in the array: signed and unsigned distances from its middle (1 = outermost row), and the height there."""
    across = 2.0 * joint.col / max(board.cols - 1, 1) - 1.0
    up = 2.0 * joint.row / max(board.rows - 1, 1) - 1.0
    height = site_height(board, joint)
    return {
        "place.across": across,
        "place.up": up,
        "place.outermost": max(abs(across), abs(up)),
        "place.corner": min(abs(across), abs(up)),
        "place.radius": math.hypot(across, up),
        "place.height_mm": height,
        "place.lift_mm": height - board.height_mm,
        "place.height_over_ball": height / board.ball_mm,
        "joint.offset_total_mm": math.hypot(*(np.add(joint.offset, board.package_offset))),
        "joint.solder_over_nominal": joint.solder_mm3 / board.nominal_mm3,
    }


def _lookalikes(joint: JointRecord) -> dict[str, float]:
    sizes = np.array([void.diameter_mm for void in joint.voids])
    found = {"voids.count": float(len(sizes)), "bulges.count": float(len(joint.bulges))}
    found["voids.sum_mm2"] = float((sizes**2).sum())
    return found | {"bulges.reach": float(sum(bulge.reach for bulge in joint.bulges))}


def numbers(value: Any, name: str) -> dict[str, float]:
    """A record's fields as numbers: a word becomes `name=word` with the value 1, None nothing, a list also its length.

    Example:
        >>> numbers({"kvp": 120, "storage": "uint8", "shift": (0.1,), "die": None}, "scanner")
        {'scanner.kvp': 120.0, 'scanner.storage=uint8': 1.0, 'scanner.shift.count': 1.0, 'scanner.shift.0': 0.1}
    """
    if isinstance(value, dict):
        parts = [numbers(v, f"{name}.{key}") for key, v in value.items() if key not in NAMES]
    elif isinstance(value, list | tuple):
        parts = [{f"{name}.count": float(len(value))}]
        if all(isinstance(v, int | float) for v in value):
            parts += [numbers(v, f"{name}.{i}") for i, v in enumerate(value)]
    elif isinstance(value, str):
        return {f"{name}={value}": 1.0}
    else:
        return {} if value is None else {name: float(value)}
    return {key: number for part in parts for key, number in part.items()}


def filled(features: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Features without gaps and without constants, so that no value tells that there was none.

    A word that a joint does not have counts 0. Where a joint has no such thing (no notch, no die) the value of
    another joint is put in at random: the value's own effect stays, its absence says nothing.
    """
    rng = np.random.default_rng(seed)
    columns = {}
    for name, column in features.items():
        values = column.to_numpy(float).copy()
        gaps = np.isnan(values)
        if gaps.all():
            continue
        values[gaps] = 0.0 if "=" in str(name) else rng.choice(values[~gaps], int(gaps.sum()))
        if np.ptp(values) > 0.0:
            columns[str(name)] = values
    return pd.DataFrame(columns)


def usable(columns: list[str], kind: str) -> list[str]:
    """The features that do not themselves make the label `kind`."""
    return [c for c in columns if not any(c.startswith(p) and k == kind for p, k in LABEL_OF.items())]


def grey_measures(joints: Joints) -> pd.DataFrame:
    """Mean grey of each sub-volume and its reconstructed mass: the sum of grey above air over solder, in mm3."""
    pitch, ball = (float(joints.table[name].iloc[0]) for name in ("pitch_mm", "ball_mm"))
    grey = joints.volumes.reshape(len(joints), -1).astype(np.float32)
    voxel_mm3 = math.prod(joints.grid.spacing_mm(pitch, ball))
    mass = np.clip(grey, 0.0, None).sum(axis=1) * voxel_mm3
    return pd.DataFrame({"mean_grey": grey.mean(axis=1), "reconstructed_mm3": mass}).astype(float)
