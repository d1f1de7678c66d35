"""Speed of the generator on one CUDA card: joints per second as tensors, each part beside its floor.

    python bench/generator_gpu.py [--table bench/generator_gpu.csv] [--workers 14] [--scans 12]

Two cases. *Kernel case*: 5x5 joints, 360 views of 320x320 pixels, 2x2 sub-rays, 8 energies, noise, 48^3 voxels.
*Training case as delivered*: 12x12 joints as drawn for training (tilt, traces, vias, voids, the scan's own voxels, file
rounding) cut to the standard grid. Times are medians of repeats between events of the card.
"""

from __future__ import annotations

import argparse
import csv
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import numba
import numpy as np
import torch

from jointwise.data_gen import device as dv
from jointwise.data_gen.drawing.records import ScanRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.generate import WRITERS, generate
from jointwise.data_gen.scan import (
    board_pose,
    reconstructed,
    record_energies,
    scan_beam,
    scan_detector,
    scan_wobble,
    scanned,
)
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.data_gen.settings.board import FamilySettings, ProcessSettings
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.columns import sweep
from jointwise.data_gen.shapes.scene import Infeasible, Scene, pack
from jointwise.data_gen.xray.projector import project as project_on_cpu
from jointwise.data_gen.xray.reconstruct import voxels_around
from jointwise.joints.grid import Grid
from jointwise.joints.store import write_shard

REPEATS = 20
KERNEL_GRID = Grid((48, 48, 48), pitches=1.2, balls=1.92)
"""48 voxels of 20 um a side at a pitch of 0.8 mm and balls of 0.5 mm."""

FLOORS_MS = {"project": 1.05, "measure": 0.21, "ramp": 0.049, "backproject": 0.69}
"""Kernel case, per array: what the prototype's instructions (or bytes: ramp) need at full rate of one H100."""


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


def milliseconds(work: Callable[[], object], repeats: int = REPEATS) -> float:
    """Median time on the card."""
    work()
    torch.cuda.synchronize()
    times = []
    for _ in range(repeats):
        start, end = torch.cuda.Event(enable_timing=True), torch.cuda.Event(enable_timing=True)
        start.record()
        work()
        end.record()
        end.synchronize()
        times.append(start.elapsed_time(end))
    return statistics.median(times)


def parts(prepared: dv.Prepared, grid: Grid, precision: str) -> dict[str, float]:
    """Milliseconds of each part of one scan."""
    from jointwise.data_gen.xray.cuda import load as loads
    from jointwise.data_gen.xray.cuda.cut import resample, scan_levels, stored_like_file
    from jointwise.data_gen.xray.cuda.detect import Measure
    from jointwise.data_gen.xray.cuda.fdk import Backprojection, Ramp, wanted_voxels
    from jointwise.data_gen.xray.cuda.project import project, shadows

    device, scanner = torch.device("cuda"), prepared.record.scanner
    board, found = prepared.record.board, prepared.found
    beam = scan_beam(scanner)
    out = {}
    out["send"] = milliseconds(lambda: loads.on_card(prepared.load, device))
    sent = loads.on_card(prepared.load, device)
    out["shadows"] = milliseconds(lambda: shadows(sent, device))
    spans, lost = shadows(sent, device), torch.zeros(1, dtype=torch.int32, device=device)
    most = min(beam.views, max(1, dv.PIXELS_AT_ONCE // (beam.rows * beam.columns)))
    scale = beam.views / most
    out["project"] = scale * milliseconds(lambda: project(sent, spans, 0, most, device, lost))
    signal, variance = project(sent, spans, 0, most, device, lost)
    drawn = loads.panel_on_card(prepared.panel, device)
    measure = Measure(scan_detector(scanner), drawn, beam, scanner.noise_seed, device)
    out["measure"] = scale * milliseconds(lambda: measure(signal, variance, 0))
    integrals = measure(signal, variance, 0)
    ramp = Ramp(beam, scanner.hann_cutoff, device, precision, scanner.apodisation)
    out["ramp"] = scale * milliseconds(lambda: ramp(integrals))
    filtered = ramp(integrals)

    def mark() -> torch.Tensor:
        return wanted_voxels(prepared.lattice, found.centres_mm, found.axes, prepared.half_mm, device)

    out["wanted"] = milliseconds(mark)
    sums = Backprojection(beam, prepared.lattice, mark(), device)
    out["backproject"] = scale * milliseconds(lambda: sums.add(filtered, 0))
    out["stored"] = milliseconds(lambda: stored_like_file(sums.volume, scanner.storage))

    def cut() -> torch.Tensor:
        place = found.centres_mm, found.axes, grid, board.pitch_mm, board.ball_mm
        return resample(sums.volume, prepared.lattice, *place)

    out["resample"] = milliseconds(cut)
    boxes = cut()
    out["levels"] = milliseconds(lambda: scan_levels(boxes, prepared.readings))
    return out


def joints_per_second(scans: list[dv.Prepared], grid: Grid, precision: str, count: int) -> float:
    """Joints that leave as tensors per second, `count` scans in a row, scenes made before."""
    done = 0
    for scan in scans:
        dv.on_card(scan, grid, precision)
    torch.cuda.synchronize()
    start = time.perf_counter()
    for i in range(count):
        done += len(dv.on_card(scans[i % len(scans)], grid, precision).volumes)
    torch.cuda.synchronize()
    return done / (time.perf_counter() - start)


def agreement(record: ScanRecord, scene: Scene, precision: str) -> dict[str, float]:
    """Differences from the CPU: line integrals (float64 reference), volume and sub-volumes over the solder level."""
    from jointwise.data_gen.xray.cuda import load as loads
    from jointwise.data_gen.xray.cuda.project import project, shadows

    device, grid = torch.device("cuda"), Grid()
    prepared = dv.prepared_scene(record, scene, grid, truth=False)
    scanner, pose = record.scanner, board_pose(record, scene)
    few = slice(0, 12)
    reference = project_on_cpu(
        pack(scene, np.float64), scan_beam(scanner), record_energies(record), pose=pose, views=few,
        wobble=scan_wobble(scanner), dtype=np.float64,
    )  # fmt: skip
    sent = loads.on_card(prepared.load, device)
    lost = torch.zeros(1, dtype=torch.int32, device=device)
    signal, variance = project(sent, shadows(sent, device), 0, 12, device, lost)
    error = np.log(signal.cpu().numpy() / reference.signal)
    runs = voxels_around(prepared.lattice, prepared.found.centres_mm, prepared.found.axes, prepared.half_mm)
    volume = reconstructed(record, scene, pose, runs)
    ours = dv.reconstructed(prepared, device, precision)[0].cpu().numpy()
    boxes, levels = scanned(record, scene, grid)
    joints = dv.on_card(prepared, grid, precision)
    delta = joints.volumes.cpu().numpy().astype(np.float64) - boxes
    return {
        "line integral rms": float(np.sqrt(np.mean(error**2))),
        "line integral max": float(np.abs(error).max()),
        "variance, relative max": float(np.abs(variance.cpu().numpy() / reference.variance - 1).max()),
        "voxels wanted by one side only": int(((ours != 0) != (volume != 0)).sum()),
        "volume rms over solder level": float(
            np.sqrt(np.mean((ours - volume)[volume != 0] ** 2)) / levels.solder
        ),
        "sub-volumes rms": float(np.sqrt(np.mean(delta**2))),
        "sub-volumes max": float(np.abs(delta).max()),
        "solder level": float(joints.levels[1]) / levels.solder - 1,
        "lost": int(joints.lost),
    }


def noise(record: ScanRecord) -> dict[str, float]:
    """Mean and variance of the card's measured views over their expectation, same bits twice, even and few quanta."""
    from jointwise.data_gen.xray.cuda import load as loads
    from jointwise.data_gen.xray.cuda.detect import Measure
    from jointwise.data_gen.xray.detector import Detector

    device, beam = torch.device("cuda"), scan_beam(record.scanner)
    shape = (64, beam.rows, beam.columns)
    out = {}
    for level in (1.0, 0.05, 0.002):
        mean = torch.full(shape, level, device=device)
        spread = 1.2 * mean
        ideal = Detector(photons=5000.0)
        measure = Measure(ideal, loads.panel_on_card(loads.panel(ideal, beam, 77), device), beam, 77, device)
        one, two = (torch.exp(-measure(mean, spread, 0, weighted=False)).double() for _ in range(2))
        kept = one > measure.detector.floor * 1.01 if level < 0.01 else torch.ones_like(one, dtype=torch.bool)
        out[f"mean at {level:g}"] = float(one.mean()) / level - 1
        out[f"variance at {level:g}"] = float(one.var()) / (1.2 * level / 5000) - 1
        out[f"share above floor at {level:g}"] = float(kept.double().mean())
        out[f"same bits at {level:g}"] = float(torch.equal(one, two))
        a, b = one[:, :, 1:].flatten() - level, one[:, :, :-1].flatten() - level
        out[f"neighbours correlate at {level:g}"] = float((a * b).mean() / one.var())
        views = (one[1:] - level) * (one[:-1] - level)
        out[f"views correlate at {level:g}"] = float(views.mean() / one.var())
    return out


def prepare_number(number: int) -> dv.Prepared | None:
    """One scan of the training case made ready, in a worker."""
    numba.set_num_threads(1)
    record = training_record(number)
    scene = built(record)
    return None if scene is None else dv.prepared_scene(record, scene, Grid())


def prepared_ahead(count: int, workers: int) -> tuple[list[dv.Prepared], float]:
    """Scans of the training case, truth and all, made by worker processes; joints per second (compiled before)."""
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        list(pool.map(prepare_number, range(workers), chunksize=1))
        start = time.perf_counter()
        scans = [scan for scan in pool.map(prepare_number, range(count)) if scan is not None]
        seconds = time.perf_counter() - start
    return scans, sum(len(s.record.joints) for s in scans) / seconds


def kernel_rows(prepared: dv.Prepared, precision: str, name: str) -> list[Row]:
    """The kernel case: joints per second and its parts."""
    rows = []
    for part, ms in parts(prepared, KERNEL_GRID, precision).items():
        floor = FLOORS_MS.get(part, "")
        ratio = round(ms / floor, 2) if floor else ""
        rows.append(
            Row(f"kernel case: {part} ({precision})", name, round(ms, 3), floor, ratio, "ms/array", floor)
        )
    rate = joints_per_second([prepared], KERNEL_GRID, precision, 40)
    rows.append(
        Row(f"kernel case ({precision})", name, round(rate), 8000, round(rate / 8000, 2), "joints/s", 18000)
    )
    return rows


def training_rows(scans: list[dv.Prepared], precision: str, name: str) -> list[Row]:
    """The training case: joints per second, parts of the first scan, growth with the number of joints."""
    rows = []
    for part, ms in parts(scans[0], Grid(), precision).items():
        rows.append(Row(f"training case: {part} ({precision})", name, round(ms, 3), "", "", "ms/scan", ""))
    torch.cuda.reset_peak_memory_stats()
    rate = joints_per_second(scans, Grid(), precision, 3 * len(scans))
    peak = torch.cuda.max_memory_allocated() / 2**30
    rows.append(
        Row("training case as delivered", name, round(rate), 1500, round(rate / 1500, 2), "joints/s", "")
    )
    rows.append(Row("training case: peak memory on the card", name, round(peak, 2), "", "", "GiB", ""))
    return rows


def growth_rows(scan: dv.Prepared, name: str, largest: int) -> list[Row]:
    """Seconds for 1,000 to `largest` joints as tensors, each let go for the next; a line through them."""
    each = len(scan.record.joints)
    counts = np.array([n for n in (1_000, 10_000, largest) if n <= largest])
    seconds = []
    for count in counts:
        torch.cuda.synchronize()
        start = time.perf_counter()
        for joints in dv.simulate_many((scan for _ in range(-(-int(count) // each))), Grid(), "float16"):
            del joints
        torch.cuda.synchronize()
        seconds.append(time.perf_counter() - start)
    made = np.array([-(-int(c) // each) * each for c in counts])
    slope, start_up = np.polyfit(made, seconds, 1)
    worst = float(np.abs(slope * made + start_up - seconds).max() / max(seconds))
    return [
        Row(f"growth: {n} joints as tensors (one scene repeated)", name, round(t, 3), "", "", "s", "")
        for n, t in zip(made, seconds, strict=True)
    ] + [
        Row("growth: slope of the line", name, round(1e6 * slope, 1), "", "", "us/joint", ""),
        Row("growth: farthest from the line over the longest time", name, round(worst, 4), "", "", "", ""),
    ]


def disk_row(scans: list[dv.Prepared], name: str) -> Row:
    """Joints per second until their shards, truth and all, are synced; writing runs beside the card."""
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(WRITERS) as writers:
        start, writes = time.perf_counter(), []
        for i, joints in enumerate(dv.simulate_many((s for _ in range(3) for s in scans), Grid(), "float16")):
            writes.append(writers.submit(_written, Path(folder), f"scan_{i:05d}", joints))
        done = sum(write.result() for write in writes)
        rate = done / (time.perf_counter() - start)
    return Row("training case: ready scenes to synced shards", name, round(rate), "", "", "joints/s", "")


def _written(folder: Path, shard: str, joints: dv.CardJoints) -> int:
    return write_shard(folder, shard, joints.to_host()).joints


def truth_rows(scans: list[dv.Prepared], name: str) -> list[Row]:
    """The truth's sweeps on the card: the same sums as the CPU's, and how many joints a second."""
    # Kernels are compiled for the card alone.
    from jointwise.data_gen.xray.cuda.sweep import sweep_many

    ready = [r for r in scans[0].asked.sweeps if r is not None]
    device = torch.device("cuda")
    mine = sweep_many(ready, device)
    torch.cuda.synchronize()
    start = time.perf_counter()
    for _ in range(3):
        sweep_many(ready, device)
    rate = 3 * len(ready) / (time.perf_counter() - start)
    sweep(ready[0])  # compile
    start = time.perf_counter()
    theirs = [sweep(r) for r in ready[:24]]
    slow = 24 / (time.perf_counter() - start)
    ratio = round(rate / slow, 1)
    worst = max(
        float(np.max(np.abs(a.sums - b.sums) / (np.abs(b.sums) + 1.0)))
        for a, b in zip(mine, theirs, strict=False)
    )
    same = all(np.array_equal(a.void_area, b.void_area) for a, b in zip(mine, theirs, strict=False))
    return [
        Row("truth: sweeps, against one CPU thread", name, round(rate), round(slow), ratio, "joints/s", ""),
        Row("truth: largest difference of a sum, relative", name, float(f"{worst:.3g}"), "", "", "", ""),
        Row("truth: void areas equal", name, float(same), "", "", "", ""),
    ]  # fmt: skip


def store_rows(workers: int, name: str, scans: int) -> list[Row]:
    """`generate device=cuda` as a user runs it: draw, build, X-ray, truth, shards on disk."""
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        shards = generate(
            TRAINING,
            Path(folder) / "store",
            scans=scans,
            seed=6,
            workers=workers,
            device="cuda",
            progress=False,
        )
        seconds = time.perf_counter() - start
        written = sorted(p.stat().st_mtime for p in (Path(folder) / "store").glob("*.parquet"))
    joints = sum(shard.joints for shard in shards)
    steady = (joints - shards[0].joints) / (written[-1] - written[0])
    what = f"generate device=cuda, {joints} joints of {scans} boards, {workers} workers"
    return [
        Row(f"{what}: {part}", name, round(rate), 1500, round(rate / 1500, 2), "joints/s", "")
        for part, rate in (("start to end", joints / seconds), ("first to last shard", steady))
    ]


def save(rows: list[Row], path: Path) -> None:
    """The table as CSV."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(Row._fields)
        writer.writerows(rows)


def main() -> None:
    """Check, measure and write the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--table", type=Path, default=Path("bench/generator_gpu.csv"))
    options.add_argument("--workers", type=int, default=14)
    options.add_argument("--scans", type=int, default=14)
    options.add_argument("--boards", type=int, default=56)
    options.add_argument("--joints", type=int, default=100_000)
    chosen = options.parse_args()
    name = torch.cuda.get_device_name()
    small = small_record()
    scene = built(small)
    assert scene is not None
    rows = []
    for precision in ("float32", "float16"):
        for what, value in agreement(small, scene, precision).items():
            rows.append(
                Row(
                    f"agreement with the CPU ({precision}): {what}",
                    name,
                    float(f"{value:.3g}"),
                    "",
                    "",
                    "",
                    "",
                )
            )
    for what, value in noise(small).items():
        rows.append(Row(f"noise: {what}", name, float(f"{value:.3g}"), "", "", "", ""))
    record = kernel_record()
    scene = built(record)
    assert scene is not None
    prepared = dv.prepared_scene(record, scene, KERNEL_GRID, truth=False)
    rows += [row for p in ("float32", "float16") for row in kernel_rows(prepared, p, name)]
    scans, rate = prepared_ahead(chosen.scans, chosen.workers)
    rows.append(
        Row(
            f"training case: scenes made ahead, {chosen.workers} workers",
            "CPU",
            round(rate),
            "",
            "",
            "joints/s",
            "",
        )
    )
    rows += training_rows(scans, "float16", name)
    card_rate = next(row.ours for row in rows if row.what == "training case as delivered")
    rows += truth_rows(scans, name)
    rows.append(disk_row(scans, name))
    steps = {
        "scenes made ahead": rate,
        "the card": float(card_rate),
        "the disk": float(rows[-1].ours),
    }
    slowest = min(steps, key=lambda step: steps[step])
    rows.append(
        Row(
            f"training case: the slowest step is {slowest}",
            name,
            round(steps[slowest]),
            "",
            "",
            "joints/s",
            "",
        )
    )
    save(rows, chosen.table)
    rows += store_rows(chosen.workers, name, chosen.boards)
    save(rows, chosen.table)
    rows += growth_rows(scans[0], name, chosen.joints)
    save(rows, chosen.table)
    for row in rows:
        print(*row, sep=" | ")


if __name__ == "__main__":
    main()
