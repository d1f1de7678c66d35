"""Speed of the generator on one CUDA card: joints per second as tensors, each part beside its floor.

    python bench/generator_gpu.py [--table bench/generator_gpu.csv] [--workers 14] [--scans 14] [--cases kernel …]
    python bench/generator_gpu.py --session     tests on the card, then all cases but `store`, in 3 minutes

Two cases. *Kernel case*: 5x5 joints, 360 views of 320x320 pixels, 2x2 sub-rays, 8 energies, noise, 48^3 voxels,
backprojected straight onto the joints' grids; beside it the same scan by the way of a lab's (a lattice of its own, cut,
levels). *Training case as delivered*: 12x12 joints as drawn for training (tilt, traces, vias, voids, the scan's own
voxels, file rounding) cut to the standard grid. Times are medians of repeats between events of the card. Rows of cases
that are not measured stay in the table.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numba
import numpy as np
import torch

from jointwise.data_gen import device as dv
from jointwise.data_gen.generate import WRITERS, generate
from jointwise.data_gen.shapes.columns import sweep
from jointwise.data_gen.xray.cuda import compiled, fdk
from jointwise.joints.grid import Grid
from jointwise.joints.store import write_shard

sys.path.insert(0, str(Path(__file__).parent))
from gpu_cases import KERNEL_GRID, TRAINING, Row, built, kernel_record, save, small_record, training_record
from gpu_parts import agreement, cut, duration_s, joints_per_second, noise, parts, straight

FLOORS_MS = {"project": 1.05, "measure": 0.21, "ramp": 0.049, "backproject onto the grids": 0.69}
"""Kernel case, per array: what the prototype's instructions (or bytes: ramp) need at full rate of one H100."""

CASES = "agreement", "kernel", "sizes", "training", "store", "growth"
"""Parts of the table, in the order they are measured."""

SESSION = "agreement", "kernel", "sizes", "growth", "training"
"""What --session measures behind the tests, the shortest first; rows are saved part by part."""


SIZES: tuple[tuple[str, int | None, int], ...] = (
    ("project", None, 7), ("fdk", 8, 4), ("fdk", 8, 5), ("fdk", 12, 3), ("fdk", 12, 4), ("fdk", 16, 3), ("fdk", 16, 4),
)  # fmt: skip
"""Sizes to try: source, voxels of a run, blocks that a multiprocessor must hold."""


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
    rows.append(
        Row(
            f"kernel case: the host's share ({precision})",
            name,
            host_ms(prepared, precision),
            "",
            "",
            "ms/array",
            "",
        )
    )
    for what, make in (("straight onto the joints' grids", straight), ("by lattice, cut and levels", cut)):
        rate = joints_per_second(make, [prepared], KERNEL_GRID, precision, 160)
        goal = 8000, round(rate / 8000, 2), "joints/s", 18000
        rows.append(Row(f"kernel case: {what} ({precision})", name, round(rate), *goal))
    return rows


def host_ms(prepared: dv.Prepared, precision: str) -> float:
    """Time until one array is under way, the card idle: what Python itself costs."""
    times = []
    for _ in range(20):
        torch.cuda.synchronize()
        start = time.perf_counter()
        dv.sub_volumes(prepared, KERNEL_GRID, precision)
        times.append(1e3 * (time.perf_counter() - start))
    return round(float(np.median(times)), 3)


def training_rows(scans: list[dv.Prepared], precision: str, name: str) -> list[Row]:
    """The training case: joints per second, parts of the first scan, growth with the number of joints."""
    rows = []
    for part, ms in parts(scans[0], Grid(), precision).items():
        rows.append(Row(f"training case: {part} ({precision})", name, round(ms, 3), "", "", "ms/scan", ""))
    torch.cuda.reset_peak_memory_stats()
    rate = joints_per_second(cut, scans, Grid(), precision, 3 * len(scans))
    peak = torch.cuda.max_memory_allocated() / 2**30
    rows.append(
        Row("training case: as delivered", name, round(rate), 1500, round(rate / 1500, 2), "joints/s", "")
    )
    rows.append(Row("training case: peak memory on the card", name, round(peak, 2), "", "", "GiB", ""))
    return rows


def growth_rows(what: str, make: Callable[[int], float], each: int, name: str, largest: int) -> list[Row]:
    """Seconds for 1,000 to `largest` joints as tensors, each let go for the next; a line through them."""
    counts = np.array([n for n in (1_000, 10_000, 30_000, largest) if n <= largest])
    made = -(-counts // each) * each
    make(1)
    seconds = [make(int(count) // each) for count in made]
    slope, start_up = np.polyfit(made, seconds, 1)
    off = np.abs(slope * made + start_up - seconds)
    unexplained = float(np.sum(off**2) / np.sum((seconds - np.mean(seconds)) ** 2))
    what = f"growth of the {what}"
    return [
        Row(f"{what}: {n} joints as tensors (one scene repeated)", name, round(t, 3), "", "", "s", "")
        for n, t in zip(made, seconds, strict=True)
    ] + [
        Row(f"{what}: slope of the line", name, round(1e6 * slope, 1), "", "", "us/joint", ""),
        Row(f"{what}: farthest from the line", name, round(100 * float(off.max()) / max(seconds), 3), "", "",
            "% of the longest", ""),
        Row(f"{what}: 1 - R2 of the line", name, float(f"{unexplained:.3g}"), "", "", "", ""),
    ]  # fmt: skip


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


def agreement_rows(name: str) -> list[Row]:
    """How far the card's results are from the CPU's, and its noise."""
    small = small_record()
    scene = built(small)
    assert scene is not None
    found = {
        f"agreement with the CPU: {what} ({precision})": value
        for precision in ("float32", "float16")
        for what, value in agreement(small, scene, precision).items()
    }
    found |= {f"noise: {what}": value for what, value in noise(small).items()}
    return [Row(what, name, float(f"{value:.3g}"), "", "", "", "") for what, value in found.items()]


def kernel_prepared() -> dv.Prepared:
    """The scan of the kernel case."""
    record = kernel_record()
    scene = built(record)
    assert scene is not None
    return dv.prepared_scene(record, scene, KERNEL_GRID, truth=False)


def training_case(scans: list[dv.Prepared], ahead: float, workers: int, name: str) -> list[Row]:
    """The training case on the card, its truth and its way to the disk."""
    rows = [
        Row(
            f"training case: scenes made ahead with {workers} workers",
            "CPU",
            round(ahead),
            "",
            "",
            "joints/s",
            "",
        )
    ]
    rows += training_rows(scans, "float16", name)
    card_rate = next(row.ours for row in rows if row.what == "training case: as delivered")
    rows += truth_rows(scans, name)
    rows.append(disk_row(scans, name))
    steps = {"scenes made ahead": ahead, "the card": card_rate, "the disk": rows[-1].ours}
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
    return rows


def main() -> None:
    """Check, measure and write the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--table", type=Path, default=Path("bench/generator_gpu.csv"))
    options.add_argument("--workers", type=int, default=14)
    options.add_argument("--scans", type=int, default=14)
    options.add_argument("--boards", type=int, default=56)
    options.add_argument("--joints", type=int, default=100_000)
    options.add_argument("--cases", nargs="+", choices=CASES, default=CASES)
    options.add_argument(
        "--session", action="store_true", help="tests on the card first, then all but `store`"
    )
    chosen = options.parse_args()
    name, scans, ahead, begin = torch.cuda.get_device_name(), [], 0.0, time.perf_counter()
    failed = 0
    tests = started_tests() if chosen.session else None
    for case in SESSION if chosen.session else CASES:
        if not chosen.session and case not in chosen.cases:
            continue
        late = case == "training" or (case == "growth" and not chosen.session and "training" in chosen.cases)
        if late and not scans:
            scans, ahead = prepared_ahead(chosen.scans, chosen.workers)
        if case == "agreement":
            rows = agreement_rows(name)
            # Nothing was timed so far; nothing runs beside what is.
            failed = tests.wait(timeout=180) if tests else 0
        elif case == "kernel":
            prepared = kernel_prepared()
            rows = [row for p in ("float32", "float16") for row in kernel_rows(prepared, p, name)]
        elif case == "sizes":
            rows = size_rows(kernel_prepared(), name)
        elif case == "training":
            rows = training_case(scans, ahead, chosen.workers, name)
        elif case == "store":
            rows = store_rows(chosen.workers, name, chosen.boards)
        else:
            rows = all_growth(scans, name, chosen.joints)
        save(rows, chosen.table)
        for row in rows:
            print(*row, sep=" | ", flush=True)
        print(f"{time.perf_counter() - begin:.0f} s: {case} done", flush=True)
    sys.exit(failed)


def started_tests() -> subprocess.Popen[bytes]:
    """The kernels' tests, those on the card among them, under way."""
    program = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests/data_gen/test_cuda.py"]
    root = Path(__file__).resolve().parents[1]
    return subprocess.Popen([*program, "-k", "card or sizes"], cwd=root)


def size_rows(prepared: dv.Prepared, name: str) -> list[Row]:
    """Parts of the kernel case with other sizes of blocks and runs than the kernels have, for whoever tunes them."""
    rows = []
    for source, run, blocks in SIZES:
        usual = fdk.RUNS
        compiled.TRIED[source] = f"BLOCKS {blocks}"
        fdk.RUNS = usual if run is None else (run,)
        try:
            part = "project" if source == "project" else "backproject onto the grids"
            ms = parts(prepared, KERNEL_GRID, "float16")[part]
            what = f"sizes: {part}, blocks {blocks}" + ("" if run is None else f", run {run}")
            rows.append(
                Row(what, name, round(ms, 3), FLOORS_MS[part], round(ms / FLOORS_MS[part], 2), "ms/array", "")
            )
        finally:
            del compiled.TRIED[source]
            fdk.RUNS = usual
    return rows


def all_growth(scans: list[dv.Prepared], name: str, largest: int) -> list[Row]:
    """Growth of the kernel case, and of the training case where its scans are at hand."""
    prepared = kernel_prepared()

    def short(count: int) -> float:
        return duration_s(straight, [prepared], KERNEL_GRID, "float16", count)

    def delivered(count: int) -> float:
        return duration_s(cut, scans[:1], Grid(), "float16", count)

    rows = growth_rows("kernel case", short, 25, name, largest)
    if scans:
        rows += growth_rows("training case", delivered, len(scans[0].record.joints), name, largest)
    return rows


if __name__ == "__main__":
    main()
