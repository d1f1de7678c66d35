"""How fast is the generator on this machine's processor, beside itk-rtk in the same run?

    make bench          or          python bench/generator_cpu.py [--threads 2] [--joints 2000]

The case, a prototype's: 5x5 joints at 0.80 mm pitch (quadric and notch, 0-3 voids, 30 % with a gap, bridges, five
materials), voxel 20 um, detector 320x320 of 100 um, magnification 5, 360 views. One row beside it takes whatever the
default settings draw in the same scan. Runs of ours and of itk-rtk alternate in one run; medians are compared. itk-rtk
(extra `reference`) runs in a process of its own, because it and numba share no OpenMP runtime, with the same number of
threads; it gets the solder as voxels, whose making is not charged to it, nor are its filters' inputs.

Writes bench/generator_cpu.csv: what, device, ours, reference, ratio, unit, floor. `ratio` is reference over ours where
both are seconds; `floor` is what the row must reach.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

import numba
import numpy as np

from jointwise.data_gen.drawing.records import ScanRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.scan import board_pose, record_energies, scan_beam, simulate
from jointwise.data_gen.settings import (
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
    ProcessSettings,
    ScanSettings,
)
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.scene import SOLDER, Boxes, Scene, pack
from jointwise.data_gen.shapes.solids import metal_inside
from jointwise.data_gen.shapes.truth import joint_truth
from jointwise.data_gen.xray.geometry import ConeBeam, centred_lattice
from jointwise.data_gen.xray.projector import lengths, project
from jointwise.data_gen.xray.reconstruct import Filter, all_voxels, backproject, empty_volume
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice

VOXEL, PIXEL, SIZE, SOD, SDD = 0.02, 0.1, 320, 40.0, 200.0
LAYER = (48, 216, 216)
"""The ball layer in voxels (z, y, x)."""
ROI = (40, 200, 200)
"""25 sub-volumes of 40^3 voxels, side by side."""
RTK_VIEWS, CASE_VIEWS = 90, 360
GRID = Grid((48, 48, 48), pitches=1.2, balls=1.92)
"""48^3 points of 20 um around each ball of 0.50 mm."""


def case_settings(views: int) -> GeneratorSettings:
    """The prototype's case: two-piece joints, 30 % with a gap of 0.3-4 voxels, necks, five boxes, nothing else."""
    return GeneratorSettings(
        family=FamilySettings(rows=(5, 5), cols=(5, 5), ball_range_mm=(0.499, 0.501)),
        process=ProcessSettings(
            profile="quadric", mixed=0.0, oblong=0.0, die_rate=1.0, plane_rate=1.0, trace_rate=0.0, flush_rate=0.0,
            fanout_rate=0.0, land_trace_rate=0.0, chip_rate=0.0,
        ),
        defects=DefectSettings(
            head_in_pillow=0.15, non_wet=0.15, pillow_gap_um=(6.0, 80.0), open_gap_um=(6.0, 80.0), missing=0.0,
            voids_finding=0.0, voids_near=0.0, voids_small=0.0, voids_free=1.0, voids_sheet=0.0,
            voids_shrinkage=0.0, void_merged=0.0, waist=1.0, near_bridge=0.0, via_in_pad=0.0,
        ),
        scan=ScanSettings(
            mounts=("upright",), views=(views, views), voxels_per_ball=(25.0, 25.0), pixels_mm=(PIXEL,),
            kvp=(160, 160), filter_al_mm=(1.0, 1.0), filter_cu_mm=(0.5, 0.5),
            photons_per_pixel=(3.0e4, 3.0e4), apodisations=("hann",), tilt_deg=0.0, in_plane_deg=0.0,
        ),
    )  # fmt: skip


def in_the_case(record: ScanRecord) -> ScanRecord:
    """The record with the case's scan: geometry, voxels and detector."""
    scanner = dataclasses.replace(
        record.scanner, voxel_mm=VOXEL, pixel_mm=PIXEL, sod_mm=SOD, sdd_mm=SDD, detector_rows=SIZE,
        detector_columns=SIZE,
    )  # fmt: skip
    return dataclasses.replace(record, scanner=scanner)


def case_record(views: int, number: int = 0) -> ScanRecord:
    """A board of 5x5 joints of the prototype's case, with 0 to 3 voids in each in turn."""
    record = in_the_case(draw_scan(case_settings(views), 7, number))
    joints = (dataclasses.replace(j, voids=j.voids[: i % 4]) for i, j in enumerate(record.joints))
    return dataclasses.replace(record, joints=tuple(joints))


def default_record(views: int, number: int) -> ScanRecord:
    """A board of 5x5 joints in the case's scan, upright, with whatever the default settings draw on it."""
    settings = GeneratorSettings(
        family=case_settings(views).family,
        scan=ScanSettings(
            mounts=("upright",), views=(views, views), voxels_per_ball=(25.0, 25.0), pixels_mm=(PIXEL,)
        ),
    )
    return in_the_case(draw_scan(settings, 7, number))


def solder_only(scene: Scene) -> Scene:
    """The scene's joints and bridges alone: what itk-rtk is given too."""
    none = Boxes(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, np.int8))
    return scene._replace(copper=sd.empty(), sunk=sd.empty(), boxes=none)


def rasterised(scene: Scene, lattice: Lattice, shift: np.ndarray) -> np.ndarray:
    """1 where a voxel's middle is solder, (z, y, x)."""
    axes = [
        o + s * np.arange(n)
        for o, s, n in zip(lattice.origin_mm, lattice.spacing_mm, lattice.shape[::-1], strict=True)
    ]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    points = np.stack([x, y, z], axis=-1).reshape(-1, 3) - shift
    solid = np.zeros(len(points), bool)
    for part in (*(j.solids for j in scene.joints), *(n.solids for n in scene.necks)):
        low, high = sd.bounding_boxes(part)
        near = ((points >= low.min(axis=0)) & (points <= high.max(axis=0))).all(axis=1)
        solid[near] |= metal_inside(part, points[near])
    return solid.reshape(lattice.shape).astype(np.float32)


class Rtk:
    """The other process; `time(name)` runs one of its filters once."""

    def __init__(self, case: Path, threads: int) -> None:
        script = Path(__file__).parent / "reference" / "rtk_times.py"
        self.process = subprocess.Popen(
            [sys.executable, str(script), str(case), str(threads)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip

    def time(self, name: str) -> float:
        """Seconds of one run of `name`."""
        print(name, file=self.process.stdin, flush=True)
        return float(self.process.stdout.readline())  # type: ignore[union-attr]


def against_rtk(threads: int, repeats: int) -> list[dict[str, object]]:
    """Chords against Joseph, FDK against FDK, alternating."""
    record = case_record(RTK_VIEWS)
    scene, beam = build_scene(record), scan_beam(record.scanner)
    pose = board_pose(record, scene)
    metal = pack(solder_only(scene))
    layer, roi = centred_lattice(LAYER, VOXEL), centred_lattice(ROI, VOXEL)
    views = project(pack(scene), beam, record_energies(record), pose=pose).signal
    integrals = -np.log(np.maximum(views, 1e-4))
    with tempfile.TemporaryDirectory() as folder:
        case = Path(folder) / "case.npz"
        np.savez(
            case, solder=rasterised(scene, layer, pose.shift_mm), solder_origin=layer.origin_mm, voxel=VOXEL,
            projections=integrals, roi_shape=ROI, roi_origin=roi.origin_mm, pixel=PIXEL, sod=SOD, sdd=SDD,
            angles_deg=np.degrees(beam.angles_rad),
        )  # fmt: skip
        rtk = Rtk(case, threads)
        chords, volume = [], empty_volume(roi)
        times: dict[str, list[tuple[float, float]]] = {"joseph": [], "fdk": []}
        for turn in range(repeats + 1):
            start = time.perf_counter()
            chords = lengths(metal, beam, pose=pose, materials=(SOLDER,), dtype=np.float32)
            mine = time.perf_counter() - start
            theirs = rtk.time("joseph")
            start = time.perf_counter()
            volume = fdk(integrals, beam, roi)
            again = time.perf_counter() - start
            other = rtk.time("fdk")
            if turn:  # the first round compiles and warms up
                times["joseph"].append((mine, theirs))
                times["fdk"].append((again, other))
        check_agreement(
            chords[..., 0], np.load(case.with_name("joseph.npy")), volume, np.load(case.with_name("fdk.npy"))
        )
        print("quit", file=rtk.process.stdin, flush=True)
        rtk.process.wait()
    names = {
        "joseph": (f"solder path lengths, 25 joints, {RTK_VIEWS} views, against Joseph on 216x216x48", 10),
        "fdk": (f"FDK onto 25 sub-volumes of 40^3, {RTK_VIEWS} views, against the same voxels", 8),
    }
    rows = []
    for name, (what, floor) in names.items():
        ours, theirs = (median(pair[i] for pair in times[name]) for i in (0, 1))
        rows.append(row(what, threads, ours, theirs, theirs / ours, "s", floor))
    return rows


def fdk(integrals: np.ndarray, beam: ConeBeam, roi: Lattice) -> np.ndarray:
    """Our filter and backprojection onto all voxels of the lattice, (z, x, y)."""
    volume, ramp, runs = empty_volume(roi), Filter(beam), all_voxels(roi)
    for first in range(0, beam.views, 24):
        backproject(ramp(integrals[first : first + 24]), beam, first, runs, volume)
    return volume


def check_agreement(chords: np.ndarray, joseph: np.ndarray, ours: np.ndarray, theirs: np.ndarray) -> None:
    """Both sides computed the same thing, or the ratio means nothing: voxels err by a few per cent, FDK hardly."""
    rms = float(np.sqrt(np.mean((chords - joseph) ** 2)) / chords.max())
    away = float(np.abs(ours.transpose(0, 2, 1) - theirs).max() / theirs.std())
    print(
        f"agreement: chords and Joseph on voxels {rms:.4f} rms of the longest, FDK {away:.1e} of its spread at most"
    )
    if rms > 0.03 or away > 1e-3:
        raise SystemExit("the two sides do not compute the same thing; the ratios would mean nothing")


def row(
    what: str,
    threads: int,
    ours: float,
    reference: float | str,
    ratio: float | str,
    unit: str,
    floor: float | str,
) -> dict[str, object]:
    """One line of the table."""
    show = [round(v, 4) if isinstance(v, float) else v for v in (ours, reference, ratio)]
    return dict(zip(COLUMNS, (what, f"{threads} CPU threads", *show, unit, floor), strict=True))


COLUMNS = ("what", "device", "ours", "reference", "ratio", "unit", "floor")


def whole_chain(threads: int, repeats: int) -> list[dict[str, object]]:
    """Joints per second of the case, its parts, and the memory it took."""
    grid, record = GRID, case_record(CASE_VIEWS)
    simulate(case_record(60), grid)  # compile
    whole, truth, scenes = [], [], []
    for number in range(1, repeats + 1):
        record = case_record(CASE_VIEWS, number)
        start = time.perf_counter()
        scene = build_scene(record)
        scenes.append(time.perf_counter() - start)
        start = time.perf_counter()
        joint_truth(scene, record)
        truth.append(time.perf_counter() - start)
        start = time.perf_counter()
        simulate(record, grid)
        whole.append(time.perf_counter() - start)
    n, peak = len(record.joints), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return [
        row(
            f"whole chain with truth, {CASE_VIEWS} views, 48^3",
            threads,
            n / median(whole),
            "",
            "",
            "joints/s",
            4,
        ),
        default_chain(threads, repeats),
        row("of that: records to solids", threads, 1000 * median(scenes) / n, "", "", "ms/joint", ""),
        row("of that: truth", threads, 1000 * median(truth) / n, "", "", "ms/joint", ""),
        row("peak memory of this process", threads, peak, "", "", "MiB", ""),
    ]


def default_chain(threads: int, repeats: int) -> dict[str, object]:
    """The whole chain with default settings (capillary joints, voids, notches, traces, vias, chips): mean of boards."""
    simulate(default_record(60, 0), GRID)  # compile
    joints, start = 0, time.perf_counter()
    for number in range(1, max(repeats, 3) + 1):
        joints += len(simulate(default_record(CASE_VIEWS, number), GRID).table)
    rate = joints / (time.perf_counter() - start)
    return row(
        f"default settings, whole chain, {CASE_VIEWS} views, 48^3", threads, rate, "", "", "joints/s", ""
    )


def linearity(threads: int, joints: int) -> list[dict[str, object]]:
    """Is the cost proportional to the joints and to the views? Boards of 25, few views, a coarse grid."""
    grid, boards = Grid((16, 16, 16)), joints // 25
    done, marks = 0, []
    start = time.perf_counter()
    for number in range(boards):
        done += len(simulate(case_record(60, number), grid).table)
        marks.append((done, time.perf_counter() - start))
    counts, seconds = np.array(marks, float).T
    by_joints = through_origin(counts, seconds)
    views = np.array([60, 120, 240, 360], float)
    taken = np.array([timed(case_record(int(v), 1), grid) for v in views])
    slope, offset = np.polyfit(views, taken, 1)
    fitted = 1 - float(((taken - slope * views - offset) ** 2).sum() / ((taken - taken.mean()) ** 2).sum())
    return [
        row(f"seconds per joint over {done} joints (60 views)", threads, by_joints[0], "", "", "s/joint", ""),
        row("largest departure from that line", threads, 100 * by_joints[1], "", "", "% of the total", ""),
        row("seconds per view of a board of 25", threads, float(slope), "", "", "s/view", ""),
        row("share of that line in the variance (60 to 360 views)", threads, fitted, "", "", "R^2", ""),
    ]


def through_origin(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Slope of the line through the origin, and the largest departure from it over the last value."""
    slope = float(x @ y / (x @ x))
    return slope, float(np.abs(y - slope * x).max() / y[-1])


def timed(record: ScanRecord, grid: Grid) -> float:
    """Median seconds of three runs."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        simulate(record, grid)
        times.append(time.perf_counter() - start)
    return median(times)


def main() -> None:
    """Measure, print and write the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--joints", type=int, default=2000)
    parser.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".csv"))
    chosen = parser.parse_args()
    numba.set_num_threads(chosen.threads)
    rows = against_rtk(chosen.threads, chosen.repeats)
    rows += whole_chain(chosen.threads, chosen.repeats)
    if chosen.joints:
        rows += linearity(chosen.threads, chosen.joints)
    with chosen.out.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        writer.writerows(rows)
    for line in rows:
        print("  ".join(f"{line[name]}" for name in COLUMNS))


if __name__ == "__main__":
    main()
