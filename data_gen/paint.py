"""Painting defects into a lab's sound joints: only the change they make to the scan is computed, and added.

The scan's joints are modelled as sound ones (see :mod:`jointwise.data_gen.paint_fit`). The usual drawing code
says what goes wrong with them. Both boards are projected by the scan's nominal geometry and spectrum, without
noise, with every neighbour in the line of sight; the difference of their reconstructions, over the model's own span
of levels, is added to the lab's sub-volumes. Background, noise and artefacts stay the lab's; a board to which
nothing happens keeps its bits.

Not known and therefore taken as usual: the array's middle lies on the rotation axis, its joints fall on the voxels
as the drawn board's do, and what surrounds the solder (copper, laminate, die) is that of a drawn board. The angle of
the first view is not known either, so the streaks of few views are left out of the change.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.data_gen.drawing.record_json import to_json
from jointwise.data_gen.drawing.records import JointRecord, ScanRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.paint_fit import (
    EDGE_10_90,
    EDGE_20_80,
    Seen,
    blur_px,
    corrected,
    fitted,
    model_record,
    see,
)
from jointwise.data_gen.scan import scan_boxes
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.truth import joint_truth
from jointwise.joints.batch import Joints, check_finite
from jointwise.joints.cutting import scale
from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Vector
from jointwise.joints.levels import Levels
from jointwise.joints.schema import POSITION, require_columns

NEEDED = (
    *("scan", "board_id", "component", "ball", "row", "col", *POSITION, "present", "split"),
    *("pitch_mm", "ball_mm", "voxel_um", "voxels_per_ball", "cnr", "axes"),
)
"""Columns that a store to paint into must have; `axes` is the grid's directions in the file's frame as JSON."""

ROUNDS = 3
"""How often the model is corrected by its own rendering."""

COPIES_AT_MOST = 10_000
"""Copies of one scan; the numbers of the streams of different scans are so far apart."""


@dataclass(frozen=True)
class Model:
    """A lab's scan as the generator sees it.

    Args:
        record: a sound joint wherever the scan shows a ball, and the scanner without noise.
        boxes: float32 (n, z, y, x), what the scanner makes of it, all sites of the record.
        levels: air and solder of it, 1/mm.
        good: (n,) of the lab's joints: which measure like one ball each.
        apart_um: median distance of model and lab in largest diameter and in height, µm.
        edge_um: 10-90 % width of the outline, (lab's, model's).
    """

    record: ScanRecord
    boxes: NDArray[np.float32]
    levels: Levels
    good: NDArray[np.bool_]
    apart_um: tuple[float, float]
    edge_um: tuple[float, float]

    def words(self) -> str:
        """One line on how well the model meets the scan."""
        diameter, height = self.apart_um
        return (
            f"model of {len(self.good)} joints, {int(self.good.sum())} of them measured as a ball: diameter "
            f"{diameter:.1f} and height {height:.1f} µm off (median), edges {self.edge_um[1]:.0f} µm for the "
            f"scan's {self.edge_um[0]:.0f}"
        )


def check_paintable(joints: Joints) -> None:
    """Refuse what cannot be painted into.

    Raises:
        InputError: columns that scoring writes are missing, values are not finite, joints of generated boards or
            of a scan that is for judging only.
    """
    require_columns(
        joints.table, NEEDED, "the joints to paint into (a store written by `jointwise score store=…`)"
    )
    if "judging_only" in joints.table and joints.table["judging_only"].astype(bool).any():
        scan = joints.table.loc[joints.table["judging_only"].astype(bool), "scan"].iloc[0]
        raise InputError(
            f"expected joints that may be trained on, found scan {scan} kept for judging only; score other scans"
        )
    if "painted_from" in joints.table:
        raise InputError(
            "expected joints as scanned, found painted ones; give the store they were painted from"
        )
    check_finite(joints)


def paintable(joints: Joints, only_sound: bool) -> NDArray[np.bool_]:
    """Joints that are there, wholly in the field and, where asked for and known, without a finding, (n,)."""
    table = joints.table
    wanted = table["present"].to_numpy(dtype=np.float64) > 0.5
    if "in_field" in table:
        wanted &= table["in_field"].to_numpy(dtype=bool)
    if only_sound and "findings" in table:
        wanted &= table["findings"].isna().to_numpy()
    return np.asarray(wanted)


def model_of(
    joints: Joints, settings: GeneratorSettings, *, seed: int, number: int, edge_um: float | None
) -> Model:
    """Model a lab's scan.

    Args:
        joints: all joints of one scan, present or not on the table, sub-volumes of the present ones.
        settings: family, surroundings and scanner; what is drawn of the array's size is replaced by the scan's.
        seed: of the painting.
        number: of the scan; decides with the seed what is drawn for its surroundings.
        edge_um: 10-90 % width of an edge in the scan; None measures it at the joints' outlines.

    Raises:
        InputError: no ball measures like one, or settings that do not fit the scan.
    """
    row = joints.table.iloc[0]
    pitch, ball = float(row["pitch_mm"]), float(row["ball_mm"])
    axes = np.asarray(json.loads(row["axes"]), np.float64)
    drawn = draw_scan(_of_the_scan(joints, settings), seed, number * COPIES_AT_MOST)
    of_lab = see(joints, pitch, ball)
    good = fitted(of_lab, ball)
    believed = of_lab
    target = float(np.nanmedian(of_lab.edge[good])) if edge_um is None and good.any() else 0.0
    if edge_um is not None:
        target = edge_um / 1000 * EDGE_20_80 / EDGE_10_90
    for turn in range(ROUNDS + 1):
        record = model_record(drawn, joints, believed, axes)
        boxes, levels = scan_boxes(record, build_scene(record), joints.grid)
        of_model = see(_at(joints, scale(boxes, levels), record), pitch, ball)
        edge = float(np.nanmedian(of_model.edge[good]))
        if turn < ROUNDS:
            believed = corrected(believed, of_lab, of_model)
            blur = blur_px(drawn.scanner.detector_blur_px, target, edge, drawn.scanner.voxel_mm)
            drawn = replace(drawn, scanner=replace(drawn.scanner, detector_blur_px=blur))
    off = [1000 * float(np.nanmedian(np.abs(a - b)[good])) for a, b in _compared(of_lab, of_model)]
    wide = 1000 * EDGE_10_90 / EDGE_20_80
    return Model(record, boxes, levels, good, (off[0], off[1]), (wide * target, wide * edge))


def _compared(lab: Seen, model: Seen) -> list[tuple[Vector, Vector]]:
    return [(lab.diameter, model.diameter), (lab.height, model.height)]


def _of_the_scan(joints: Joints, settings: GeneratorSettings) -> GeneratorSettings:
    """The settings narrowed to the scan's array and voxels; balls are never taken away or given microvias."""
    row, family = joints.table.iloc[0], settings.family
    rows, cols = (int(joints.table[name].max()) + 1 for name in ("row", "col"))
    ball, per_ball = float(row["ball_mm"]), float(row["ball_mm"]) / (float(row["voxel_um"]) / 1000)
    family = replace(
        family, pitch_mm=float(row["pitch_mm"]), ball_mm=ball, ball_range_mm=(ball, ball),
        rows=(rows, rows), cols=(cols, cols), depopulated=0.0, kept=0,
        board_land_range_mm=(family.board_land_mm,) * 2, package_land_range_mm=(family.package_land_mm,) * 2,
    )  # fmt: skip
    scan = replace(settings.scan, voxels_per_ball=(per_ball, per_ball))
    defects = replace(settings.defects, missing=0.0, via_in_pad=0.0)
    process = replace(settings.process, mixed=0.0, oblong=0.0, fanout_rate=0.0)
    return replace(settings, family=family, families=(), process=process, scan=scan, defects=defects)


def _at(joints: Joints, volumes: NDArray[np.float32], record: ScanRecord) -> Joints:
    """Of all sites of the record, those of the joints, in their order."""
    sites = {(j.row, j.col): i for i, j in enumerate(record.joints)}
    rows = [sites[int(r), int(c)] for r, c in joints.table[["row", "col"]].to_numpy()]
    return Joints(volumes[rows], joints.table, joints.grid)


def faulty_record(model: ScanRecord, drawn: ScanRecord, wanted: set[tuple[int, int]]) -> ScanRecord:
    """The model with what was drawn to go wrong at the wanted sites; bridges where both ends are wanted.

    Args:
        model: sound joints.
        drawn: a record of an equal array.
        wanted: sites (row, col) that may change.
    """
    joints = tuple(
        _with_faults(sound, fault) if (sound.row, sound.col) in wanted and sound.site == "joint" else sound
        for sound, fault in zip(model.joints, drawn.joints, strict=True)
    )
    there = {(j.row, j.col) for j in model.joints if j.site == "joint"}
    necks = tuple(n for n in drawn.necks if n.first in wanted & there and n.second in wanted & there)
    bulges = {
        (j.row, j.col): tuple(b for b in j.bulges if (j.row + b.drow, j.col + b.dcol) in there)
        for j in joints
    }
    joints = tuple(replace(j, bulges=bulges[j.row, j.col]) for j in joints)
    return replace(model, joints=joints, necks=necks)


def _with_faults(sound: JointRecord, fault: JointRecord) -> JointRecord:
    """The sound joint's metal and place with the other's voids, gap, notch and bulges."""
    return replace(
        fault, site=sound.site, lift_mm=sound.lift_mm, mix=sound.mix, kept=True, solder_mm3=sound.solder_mm3,
        paste_mm3=sound.paste_mm3, offset=sound.offset,
        board_wetted=sound.board_wetted, package_wetted=sound.package_wetted, found_voxels=sound.found_voxels,
        via_in_pad=sound.via_in_pad,
    )  # fmt: skip


def painted(joints: Joints, model: Model, faulty: ScanRecord, rows: NDArray[np.integer], name: str) -> Joints:
    """The joints of the given rows with the change from the model to the faulty board added, and its truth.

    Args:
        joints: of one scan, as cut.
        model: of that scan.
        faulty: the model's record with faults.
        rows: which joints come back.
        name: of the painted scan, for the table.
    """
    scene = build_scene(faulty)
    boxes, _ = scan_boxes(faulty, scene, joints.grid)
    span = np.float32(model.levels.solder - model.levels.air)
    change = _at(joints, (boxes - model.boxes) / span, faulty).volumes[rows]
    volumes = (joints.volumes[rows].astype(np.float32) + change).astype(np.float16)
    truth = joint_truth(scene, faulty)
    truth["joint_record"] = [to_json(j) for j in faulty.joints]
    return Joints(volumes, _table(joints.table.iloc[rows], truth, name), joints.grid)


def _table(lab: pd.DataFrame, truth: pd.DataFrame, name: str) -> pd.DataFrame:
    """Truth of the painted joints; names, places, split and scan settings of the joints they were painted into."""
    own = truth.set_index(["row", "col"]).loc[pd.MultiIndex.from_frame(lab[["row", "col"]])].reset_index()
    kept = {c: lab[c].to_numpy() for c in NEEDED if c not in ("row", "col", "present")}
    origin = lab["scan"].astype(str) + ":" + lab["ball"].astype(str)
    return own.assign(**kept | {"scan": name, "painted_from": origin.to_numpy()})


def paint_scan(
    joints: Joints, settings: GeneratorSettings, *, seed: int, number: int = 0, copies: int = 1,
    edge_um: float | None = None, only_sound: bool = True,
) -> Iterator[tuple[Model, Joints]]:  # fmt: skip
    """Paint one scan several times over; each copy has other faults in the same joints.

    Args:
        joints: the joints of one scan as scoring cut them.
        settings: family, surroundings, faults and scanner.
        seed, number: of the painting and of the scan in it; with the copy they decide all that is drawn.
        copies: how many painted boards.
        edge_um: see :func:`model_of`.
        only_sound: leave joints out of which scoring found something.

    Yields:
        The model of the scan and the painted joints of one copy.

    Raises:
        InputError: joints that cannot be painted into, or settings that do not fit them.
    """
    check_paintable(joints)
    if not 1 <= copies <= COPIES_AT_MOST:
        raise InputError(f"copies: expected 1 to {COPIES_AT_MOST}, found {copies}")
    model = model_of(joints, settings, seed=seed, number=number, edge_um=edge_um)
    rows = np.flatnonzero(paintable(joints, only_sound) & model.good)
    scan = str(joints.table["scan"].iloc[0])
    if not len(rows):
        raise InputError(
            f"expected sound joints in scan {scan}, found none without a finding; give only_sound=false if you "
            "vouch for them"
        )
    wanted = {(int(r), int(c)) for r, c in joints.table[["row", "col"]].to_numpy()[rows]}
    for copy in range(copies):
        drawn = draw_scan(_of_the_scan(joints, settings), seed, number * COPIES_AT_MOST + copy)
        yield (
            model,
            painted(
                joints, model, faulty_record(model.record, drawn, wanted), rows, f"{scan}_painted_{copy:03d}"
            ),
        )


def split_by_scan(joints: Joints) -> list[Joints]:
    """The joints of each scan on their own, in the order of the table."""
    scans: Any = joints.table["scan"]
    return [joints.take(np.flatnonzero(scans.to_numpy() == name)) for name in scans.unique()]
