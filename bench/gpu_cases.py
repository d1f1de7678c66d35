"""Scans and rows of `generator_gpu.py`."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from jointwise.data_gen.drawing.records import ScanRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.data_gen.settings.board import FamilySettings, ProcessSettings
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.scene import Infeasible, Scene
from jointwise.joints.grid import Grid

KERNEL_GRID = Grid((48, 48, 48), pitches=1.2, balls=1.92)
"""48 voxels of 20 um a side at a pitch of 0.8 mm and balls of 0.5 mm."""


class Row(NamedTuple):
    """One line of the table."""

    what: str
    device: str
    ours: float
    reference: float | str
    ratio: float | str
    unit: str
    floor: float | str


def kernel_record(seed: int = 1) -> ScanRecord:
    """5x5 joints of two alloys (five materials) in the scanner of the kernel case."""
    settings = GeneratorSettings(
        family=FamilySettings(rows=(5, 5), cols=(5, 5), ball_range_mm=(0.5, 0.5)),
        process=ProcessSettings(die_rate=1.0, plane_rate=1.0, mixed=1.0),
    )
    record = draw_scan(settings, seed, 0)
    scanner = replace(
        record.scanner, kvp=160, voxel_mm=0.02, voxels_per_ball=25.0, pixel_mm=0.1, sod_mm=40.0, sdd_mm=200.0,
        detector_rows=320, detector_columns=320, views=360, storage="float32",
        tilt_x_deg=0.0, tilt_y_deg=0.0, in_plane_deg=0.0, plane_error_deg=(0.0, 0.0),
    )  # fmt: skip
    return replace(record, scanner=scanner)


TRAINING = GeneratorSettings(family=FamilySettings(rows=(12, 12), cols=(12, 12)))
"""12x12 joints, everything else as drawn for training."""


def training_record(number: int) -> ScanRecord:
    """One scan of the training case."""
    return draw_scan(TRAINING, 5, number)


def small_record() -> ScanRecord:
    """A few joints and views, for the agreement with the CPU: no noise, whose bits differ."""
    record = draw_scan(GeneratorSettings(family=FamilySettings(rows=(2, 2), cols=(3, 3))), 3, 4)
    scanner = replace(
        record.scanner, views=90, storage="float32", photons_per_pixel=1e12, read_noise=0.0, gain_sd=0.0
    )
    return replace(record, scanner=scanner)


def built(record: ScanRecord) -> Scene | None:
    """The record's scene; none if it cannot be built."""
    try:
        return build_scene(record)
    except Infeasible as error:
        print(f"{record.scan} left out: {error}")
        return None


def save(rows: list[Row], path: Path) -> None:
    """Rows into the table: those of a case (what stands before the colon) take the place of all its former ones."""
    cases = {_case(row.what) for row in rows}
    kept: list[list[str]] = []
    if path.exists():
        with path.open(newline="", encoding="utf-8") as file:
            kept = [line for line in list(csv.reader(file))[1:] if _case(line[0]) not in cases]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(Row._fields)
        writer.writerows([*rows, *kept])


def _case(what: str) -> str:
    return what.split(":")[0].split(",")[0].split(" (")[0]
