"""Pairs for an observer study: the same board with and without one known fault in its judged joints.

A board is drawn as always, with all its nuisances, and made sound. Every second site is judged, like the black fields
of a chessboard, so that the direct neighbours of a judged joint stay as they are. The board is scanned once as it is
and once for each task, with that task's fault in every judged joint: a head-in-pillow gap, a free end over its land,
or a void, always of the same form at the same place of its joint. What differs between both members of a pair is the
fault, what it does to the joint's outline (metal is conserved) and the noise of another scan by the same scanner. Grey
levels are those of the sound member for both: on a board most joints are sound, and levels read off nothing but faulty
ones would give the fault away.

Some boards are scanned without noise instead, both members alike but for the fault: they tell what signal there is to
know, and are never judged (`split` is `train` there, `test` on the judged boards).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from jointwise.data_gen.drawing.records import (
    BoardRecord,
    GapRecord,
    JointRecord,
    ScannerRecord,
    ScanRecord,
    VoidRecord,
)
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.drawing.voids import HIGHEST, Stand
from jointwise.data_gen.generate import ahead, feasible, process_pool
from jointwise.data_gen.scan import board_pose, joint_table, mistaken, scan_boxes, scan_lane
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.data_gen.settings.pairs import GAPS, PairSettings, Task
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.environment import site_height
from jointwise.joints.batch import Joints
from jointwise.joints.cutting import scale
from jointwise.joints.grid import Grid
from jointwise.joints.levels import Levels
from jointwise.joints.store import Shard, StoreWriter, write_shard

SOUND: Final = "sound"
"""Task of the members without a fault."""

PILLOW: Final = GapRecord("interface", "dish", 0.5, 0.0, 1.5, (0.0, 0.0), 0.0, ())
"""A dish at half the height, one and a half balls in radius, bonded nowhere."""
FREE_END: Final = GapRecord("board", "cap", 0.0, 0.0, 0.3, (0.0, 0.0), 0.0, ())
"""A level, slightly rounded end over a bare board land."""
VOID: Final = VoidRecord(0.0, 1.0, "bulk", 0.5, 0.0, 0.0)
"""A ball in the middle of its joint."""

ENDLESS_QUANTA: Final = 1.0e9
"""Quanta a pixel of a scan without noise."""


def sound_board(record: ScanRecord) -> ScanRecord:
    """The record's board without any fault or look-alike of one; every second site is judged, nuisances stay."""
    joints = tuple(
        replace(
            joint, recipe=SOUND, site="joint", gaps=(), voids=(), bulges=(), kept=(joint.row + joint.col) % 2 == 0
        )
        for joint in record.joints
    )  # fmt: skip
    return replace(record, joints=joints, necks=())


def with_fault(record: ScanRecord, task: Task) -> ScanRecord:
    """The board of :func:`sound_board` with the task's fault in every judged joint; with size 0 the board itself."""
    if task.size == 0.0:
        return record
    joints = tuple(
        _faulty(joint, record.board, record.scanner, task) if joint.kept else joint for joint in record.joints
    )
    return replace(record, joints=joints)


def _faulty(joint: JointRecord, board: BoardRecord, scanner: ScannerRecord, task: Task) -> JointRecord:
    if task.kind in GAPS:
        gap_um = task.size * (1000 * scanner.voxel_mm if task.unit == "voxel" else 1.0)
        form = PILLOW if task.kind == "head_in_pillow" else FREE_END
        return replace(joint, recipe=task.kind, gaps=(replace(form, gap_um=gap_um),))
    height = site_height(board, joint)
    diameter = _void_mm(joint, board, height, task)
    void = replace(VOID, diameter_mm=diameter, flatness=min(1.0, HIGHEST * height / diameter))
    return replace(joint, recipe=task.kind, voids=(void,))


def _void_mm(joint: JointRecord, board: BoardRecord, height: float, task: Task) -> float:
    if task.unit == "ball":
        return task.size * board.ball_mm
    a, b = board.board_land_mm / 2 * joint.board_wetted, board.package_land_mm / 2 * joint.package_wetted
    widest = env.largest_radius(Stand(a, b, height, joint.solder_mm3).outer)
    return 2.0 * widest * math.sqrt(task.size / 100.0)


def another_scan(record: ScanRecord, task: str) -> ScanRecord:
    """The same board and scanner with other noise, its own for every task."""
    seed = np.random.SeedSequence([record.scanner.noise_seed, *task.encode()]).generate_state(1, np.uint64)[0]
    return replace(record, scanner=replace(record.scanner, noise_seed=int(seed >> np.uint64(1))))


def without_noise(record: ScanRecord) -> ScanRecord:
    """The same board and scanner with endless quanta, no electronic noise, and grey values that are not rounded."""
    quiet = replace(record.scanner, photons_per_pixel=ENDLESS_QUANTA, read_noise=0.0, storage="float32")
    return replace(record, scanner=quiet)


def pair_records(
    settings: GeneratorSettings, pairs: PairSettings, seed: int, number: int, attempt: int = 0
) -> dict[str, ScanRecord]:
    """Task -> record of all scans of board `number`, the sound one first; boards under `known_boards` without noise."""
    board = sound_board(draw_scan(settings, seed, number, attempt))
    known = number < pairs.known_boards
    members = {SOUND: board} | {task.name: with_fault(board, task) for task in pairs.tasks}
    return {
        name: replace(
            without_noise(record) if known else another_scan(record, name), scan=f"{record.scan}_{name}"
        )
        for name, record in members.items()
    }


def count_pairs(settings: GeneratorSettings, pairs: PairSettings, seed: int) -> list[int]:
    """How many pairs each judged board gives, from its drawing alone.

    A board whose scan turns out not to be feasible is drawn anew and may then give some more or fewer.
    """
    numbers = range(pairs.known_boards, pairs.known_boards + pairs.boards)
    boards = (sound_board(draw_scan(settings, seed, number)) for number in numbers)
    return [sum(joint.kept for joint in board.joints) for board in boards]


def pair_joints(
    settings: GeneratorSettings, pairs: PairSettings, seed: int, number: int, grid: Grid
) -> Joints:
    """All members of board `number`; depends on nothing but the arguments.

    Returns:
        Joints with truth and, besides a store's usual columns, `task` (`sound` or the task's name), `pair` (the same
        for both members), `asked` (kind), `size`, `unit` and `noise_free`.
    """

    def attempted(attempt: int) -> Joints:
        records = pair_records(settings, pairs, seed, number, attempt)
        levels: Levels | None = None
        parts: list[Joints] = []
        for name, record in records.items():
            part, levels = _member(record, name, grid, levels)
            parts.append(part)
        joints = Joints.concatenate(parts)
        known = number < pairs.known_boards
        marks = {"split": "train" if known else "test", "noise_free": int(known), "attempt": attempt}
        asked = pd.DataFrame([dataclasses.asdict(task) | {"task": task.name} for task in pairs.tasks])
        table = joints.table.merge(asked.rename(columns={"kind": "asked"}), on="task", how="left")
        return Joints(joints.volumes, table.assign(**marks), grid)

    return feasible(attempted, number)


def _member(record: ScanRecord, task: str, grid: Grid, levels: Levels | None) -> tuple[Joints, Levels]:
    """The judged joints of one scan at the given levels, or at its own."""
    scene = build_scene(record)
    boxes, own = scan_boxes(record, scene, grid)
    taken = levels or own
    volumes = scale(boxes, mistaken(taken, record.scanner.level_error)).astype(np.float16)
    table = joint_table(record, scene, board_pose(record, scene), taken)
    marks = {"task": task, "pair": table["board_id"] + ":" + table["ball"]}
    return Joints(volumes, table.assign(lane=scan_lane(volumes, grid, record), **marks), grid), taken


def generate_pairs(
    settings: GeneratorSettings,
    pairs: PairSettings,
    folder: Path,
    *,
    seed: int,
    grid: Grid | None = None,
    workers: int = 1,
) -> Iterator[tuple[int, int]]:
    """Fill a store with pairs, one shard a board; boards it already lists are left alone.

    Args:
        settings: what may be drawn; the ranges of the scanner say how narrow the recipe is.
        pairs: what is asked.
        folder: the store; made if absent, continued if it was begun with the same settings, tasks, grid and seed,
            also with more boards.
        seed: of everything drawn.
        grid: of the sub-volumes; the standard one if left out.
        workers: processes.

    Yields:
        Boards done, boards in all.

    Raises:
        InputError: a folder of other origin, one that cannot be written, or settings from which no board can be made.
    """
    grid, total = grid or Grid(), pairs.known_boards + pairs.boards
    asked = {name: value for name, value in dataclasses.asdict(pairs).items() if name != "boards"}
    config = {"made_by": "pairs", "settings": dataclasses.asdict(settings), "pairs": asked}
    with StoreWriter(folder, grid, seed, config) as writer:
        missing = [n for n in range(total) if board_name(n) not in writer.shards]
        yield total - len(missing), total
        for shard in _made((settings, pairs, folder, seed, grid), missing, workers):
            writer.commit(shard)
            yield len(writer.shards), total


def board_name(number: int) -> str:
    """Name of a board's shard."""
    return f"pairs_{number:05d}"


Origin = tuple[GeneratorSettings, PairSettings, Path, int, Grid]


def _made(origin: Origin, numbers: list[int], workers: int) -> Iterator[Shard]:
    if workers == 1 or len(numbers) < 2:
        for number in numbers:
            yield _make_shard(*origin, number)
        return
    with process_pool(min(workers, len(numbers))) as pool:
        yield from ahead(pool, _make_shard, origin, numbers, workers)


def _make_shard(
    settings: GeneratorSettings, pairs: PairSettings, folder: Path, seed: int, grid: Grid, number: int
) -> Shard:
    return write_shard(folder, board_name(number), pair_joints(settings, pairs, seed, number, grid))
