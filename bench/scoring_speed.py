"""How fast is a package scored on this machine, and where does the time go?

    python bench/scoring_speed.py --model FOLDER [--balls 100,300,1000] [--threads 2]

The case: balls at 0.8 mm pitch in 18 voxels each, 600 x 600 x 100 voxels for 1,000 of them, both detectors, no report.
The scan is a phantom drawn here by distance fields, blurred, with noise; six joints of fifty have a fault. The whole
way (file to judged table) is timed for each number of balls, on what `--runtime` takes and, where that is the graph in
eight bits, on OpenVINO in float32 as well. Beside it, in the same run and with the same threads, each detector alone on
the largest scan's joints, and the network plainly: one joint at a time, as float32, in torch. Last, the graph in eight
bits, that in float32 and torch in batches take turns on the same joints; the least of three turns counts, by the clock
and by the processors' time.

Writes bench/scoring_speed.csv: what, device, ours, reference, ratio, unit, floor. `ratio` is reference over ours;
`floor` is what the row must reach (seconds: at most).
"""

from __future__ import annotations

import argparse
import csv
import resource
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.batch import Joints
from jointwise.models.bench import Bench, load_bench, load_shipped
from jointwise.models.halves import widened
from jointwise.models.learned import LearnedDetector
from jointwise.models.names import INT8, OPENVINO, TORCH
from jointwise.models.protocol import Detector, look
from jointwise.scoring.run import score_scan
from jointwise.scoring.scored import Scored
from jointwise.scoring.settings import ArraySettings, ScoreSettings

PITCH_MM, BALL_MM, PITCH_VOXELS = 0.8, 0.55, 18
VOXEL_MM = PITCH_MM / PITCH_VOXELS
MARGIN, DEPTH = 12, 100
LAYOUTS = {100: (10, 10, []), 300: (15, 20, []), 1000: (32, 32, ["N15:T20"])}
"""Rows, columns and sites left empty (24 in the middle of the largest) by number of balls."""
MOST_S = 15.0
Volume = NDArray[np.float32]


def phantom(balls: int, noise: float = 0.04) -> tuple[Volume, list[tuple[int, int]]]:
    """A scan (z, y, x) of so many balls between two copper lands on laminate; solder is 1, air 0."""
    rows, cols, empty = LAYOUTS[balls]
    left_out = [(r, c) for r in range(13, 17) for c in range(14, 20)] if empty else []
    rng = np.random.default_rng(balls)
    volume = np.zeros((DEPTH, rows * PITCH_VOXELS + 2 * MARGIN, cols * PITCH_VOXELS + 2 * MARGIN), np.float32)
    for row in range(rows):
        for col in range(cols):
            if (row, col) not in left_out:
                fault = (row * cols + col) % 50
                _place(volume, row, col, _joint(fault, rng.uniform(-0.25, 0.25, 3)))
    height = _heights()
    volume += 0.05 * _soft(height + 1.6, -height - 0.29)[:, None, None]
    blurred = ndimage.gaussian_filter(volume, 0.8)
    grain = ndimage.gaussian_filter(rng.standard_normal(volume.shape, np.float32), 0.5)
    return blurred + noise / float(grain.std()) * grain, left_out


def _heights() -> NDArray[np.float64]:
    """Heights of the slices from the joints' middle, balls."""
    return (np.arange(DEPTH) - DEPTH / 2) * VOXEL_MM / BALL_MM


def _soft(*depths: NDArray[np.float64]) -> Volume:
    """Share of a voxel inside, from depths under the surfaces in balls."""
    least = np.minimum.reduce(
        [np.broadcast_to(d, np.broadcast_shapes(*(e.shape for e in depths))) for d in depths]
    )
    return np.clip(0.5 + least * BALL_MM / VOXEL_MM, 0, 1).astype(np.float32)


def _joint(fault: int, shift: NDArray[np.float64]) -> Volume:
    """One pitch of the scan around a joint, off centre by a shift in voxels: a fault in five of fifty."""
    side = (np.arange(PITCH_VOXELS) - (PITCH_VOXELS - 1) / 2) * VOXEL_MM / BALL_MM
    x, y = side[None, None, :] - shift[0] / 12, side[None, :, None] - shift[1] / 11
    z = _heights()[:, None, None] - shift[2] / 12
    from_axis = np.sqrt(x * x + y * y)
    solder = _soft(0.54 - np.sqrt(from_axis**2 + z * z), 0.37 - np.abs(z))
    if fault in (0, 10):
        solder *= 1 - _soft(0.15 - np.sqrt((x - 0.1) ** 2 + y * y + z * z))
    if fault == 20:
        solder *= 1 - _soft(0.06 - np.abs(z - 0.3 * from_axis**2))
    if fault == 30:
        solder *= 1 - _soft(z + 0.37, -0.24 - z)
    if fault in (40, 41):
        reach = x if fault == 40 else -x
        solder = np.maximum(solder, _soft(0.13 - np.sqrt(y * y + (z + 0.1) ** 2), reach))
    land = 0.35 * _soft(0.4 - from_axis, 0.03 - np.abs(np.abs(z) - 0.40))
    return np.maximum(solder, land)


def _place(volume: Volume, row: int, col: int, joint: Volume) -> None:
    y, x = (MARGIN + n * PITCH_VOXELS for n in (row, col))
    volume[:, y : y + PITCH_VOXELS, x : x + PITCH_VOXELS] = joint


def write_scan(path: Path, volume: Volume) -> None:
    """As an uncompressed MetaImage of 16 bit."""
    words = np.clip(volume * 20000 + 10000, 0, 65535).astype("<u2")
    size = " ".join(str(n) for n in volume.shape[::-1])
    head = (
        f"ObjectType = Image\nNDims = 3\nDimSize = {size}\nElementType = MET_USHORT\nElementByteOrderMSB = False\n"
        f"ElementSpacing = {VOXEL_MM} {VOXEL_MM} {VOXEL_MM}\nElementDataFile = LOCAL\n"
    )
    path.write_bytes(head.encode() + words.tobytes())


def score(balls: int, bench: Bench, folder: Path) -> tuple[Scored, float, float]:
    """Score a phantom; what came out, and the seconds of clock and of processors from file to judged table."""
    volume, _ = phantom(balls)
    path = folder / f"balls_{balls}.mha"
    write_scan(path, volume)
    rows, cols, empty = LAYOUTS[balls]
    part = ArraySettings(PITCH_MM, BALL_MM, rows, cols, depopulated=list(empty))
    start, busy = time.perf_counter(), time.process_time()
    scored = score_scan(path, part, ScoreSettings(), bench.grid, bench)
    return scored, time.perf_counter() - start, time.process_time() - busy


def plainly(detector: LearnedDetector, joints: Joints) -> float:
    """Seconds that the same network takes for all joints one at a time."""
    network = detector.network.eval()
    start = time.perf_counter()
    with torch.inference_mode():
        for volume in joints.volumes:
            network(torch.from_numpy(np.array(volume, np.float32))[None]).numpy()
    return time.perf_counter() - start


def turns(detectors: list[LearnedDetector], joints: Joints, rounds: int = 3) -> list[tuple[float, float]]:
    """Least seconds of clock and of processors that each detector takes; they take turns."""
    least = [(np.inf, np.inf)] * len(detectors)
    for _ in range(rounds + 1):  # the first compiles, and is never the least
        for n, detector in enumerate(detectors):
            start, busy = time.perf_counter(), time.process_time()
            detector.look(joints)
            spent = time.perf_counter() - start, time.process_time() - busy
            least[n] = min(least[n][0], spent[0]), min(least[n][1], spent[1])
    return least


def alone(detector: Detector, joints: Joints) -> float:
    """Seconds that a detector takes for all that scoring asks of it, with nothing beside it."""
    start = time.perf_counter()
    for first in range(0, len(joints), ScoreSettings().batch):
        some = joints.take(range(first, min(first + ScoreSettings().batch, len(joints))))
        look(detector, replace(some, volumes=widened(some.volumes)))
    return time.perf_counter() - start


def runtime_of(bench: Bench) -> str:
    """What the network of a bench runs on."""
    learned = bench.learned.detector if bench.learned else None
    return learned.runtime if isinstance(learned, LearnedDetector) else "no network"


def plain_of(bench: Bench) -> list[Bench]:
    """The same bench with its network in float32, where it runs in eight bits."""
    learned = bench.learned
    if (
        learned is None
        or not isinstance(learned.detector, LearnedDetector)
        or learned.detector.runtime != INT8
    ):
        return []
    return [replace(bench, learned=replace(learned, detector=replace(learned.detector, runtime=OPENVINO)))]


def rows_of(balls: list[int], bench: Bench, device: str) -> list[list[object]]:
    """The table, as it is printed and written."""
    table: list[list[object]] = []

    def put(
        what: str, ours: float, reference: float | None = None, unit: str = "s", floor: float | None = None
    ) -> None:
        ratio = None if reference is None else reference / ours
        row = [what, device, ours, reference, ratio, unit, floor]
        table.append([round(v, 4) if isinstance(v, float) else v for v in row])
        print(*("" if v is None else v for v in table[-1]), sep=" | ", flush=True)

    whole = {}
    with tempfile.TemporaryDirectory() as folder:
        for one in [bench, *plain_of(bench)]:
            score(100, one, Path(folder))  # compiles and warms up
            on = "" if one is bench else f", {runtime_of(one)}"
            for n in balls:
                scored, seconds, busy = score(n, one, Path(folder))
                if one is bench:
                    whole[n] = seconds
                found = int((scored.table["present"] == 1).sum())
                size = "x".join(str(s) for s in scored.scan.volume.shape[::-1])
                must = _must(n) if one is bench else None
                put(
                    f"{n} balls ({found} found), {size} voxels{on}: file to judged table",
                    seconds,
                    floor=must,
                )
                put(f"{n} balls{on}: processor time of that", busy)
                for step, part in scored.seconds.items():
                    put(f"{n} balls{on}, of that: {step}", part)
            if one is bench:
                put("peak memory of this process so far", _peak_mib(), None, "MiB")
        joints = scored.packages[0].cut.joints
    if bench.rules is not None:
        put(f"{len(joints)} joints by the rules alone", alone(bench.rules.detector, joints))
    if bench.learned is not None and isinstance(bench.learned.detector, LearnedDetector):
        asked = bench.learned.detector
        put(
            f"{len(joints)} joints by the network alone, {asked.runtime}",
            alone(asked, joints),
            plainly(asked, joints),
        )
        some = joints.take(range(min(len(joints), 128)))
        names = [asked.runtime, *(name for name in (OPENVINO, TORCH) if name != asked.runtime)]
        spent = turns([asked, *(replace(asked, runtime=name) for name in names[1:])], some)
        for name, other in zip(names[1:], spent[1:], strict=True):
            put(f"{len(some)} joints: {names[0]} against {name}", spent[0][0], other[0])
            put(f"{len(some)} joints: {names[0]} against {name}, processor time", spent[0][1], other[1])
    put(
        f"the way of {balls[-1]} balls over that of {balls[0]}, per ball",
        _per_ball(whole, balls),
        None,
        "ratio",
    )
    put("peak memory of this process", _peak_mib(), None, "MiB")
    return table


def _peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _must(balls: int) -> float | None:
    return MOST_S if balls == 1000 else None


def _per_ball(whole: dict[int, float], balls: list[int]) -> float:
    return (whole[balls[-1]] / balls[-1]) / (whole[balls[0]] / balls[0])


def main() -> None:
    """Measure, print, write."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    asked.add_argument("--model", type=Path, help="folder of detectors; those that come along if left out")
    asked.add_argument("--balls", default="100,300,1000", help="numbers of balls, of 100, 300 and 1000")
    asked.add_argument("--threads", type=int, default=2, help="threads of torch")
    asked.add_argument("--runtime", default="auto", help="what the network runs on")
    asked.add_argument("--device", help="what the table calls the machine, such as what else it does")
    asked.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".csv"))
    args = asked.parse_args()
    torch.set_num_threads(args.threads)
    bench = load_bench(args.model, runtime=args.runtime) if args.model else load_shipped(runtime=args.runtime)
    table = rows_of(
        [int(n) for n in args.balls.split(",")], bench, args.device or f"{args.threads} CPU threads"
    )
    with args.out.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["what", "device", "ours", "reference", "ratio", "unit", "floor"])
        writer.writerows(table)


if __name__ == "__main__":
    main()
