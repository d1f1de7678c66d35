"""Times of the parts of one scan on a card, and how far its results are from the CPU's; for `generator_gpu.py`."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterable, Iterator

import numpy as np
import torch

from jointwise.data_gen import device as dv
from jointwise.data_gen.drawing.records import ScanRecord
from jointwise.data_gen.scan import (
    board_pose,
    reconstructed,
    record_energies,
    scan_beam,
    scan_detector,
    scan_wobble,
    scanned,
)
from jointwise.data_gen.shapes.scene import Scene, pack
from jointwise.data_gen.xray.projector import project as project_on_cpu
from jointwise.data_gen.xray.reconstruct import voxels_around
from jointwise.joints.grid import Grid

REPEATS = 20


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
    """Milliseconds of each part of one scan up to filtered views, and of both ways from there on."""
    from jointwise.data_gen.xray.cuda import load as loads
    from jointwise.data_gen.xray.cuda import panel as panels
    from jointwise.data_gen.xray.cuda.detect import Measure
    from jointwise.data_gen.xray.cuda.fdk import ramp_of
    from jointwise.data_gen.xray.cuda.project import project, shadows

    device, scanner = torch.device("cuda"), prepared.record.scanner
    beam = scan_beam(scanner)
    out = {}
    out["send"] = milliseconds(
        lambda: (loads.on_card(prepared.load, device), panels.panel_on_card(prepared.panel, device))
    )
    sent, drawn = loads.on_card(prepared.load, device), panels.panel_on_card(prepared.panel, device)
    out["shadows"] = milliseconds(lambda: shadows(sent, device))
    spans, lost = shadows(sent, device), torch.zeros(1, dtype=torch.int32, device=device)
    most = min(beam.views, max(1, dv.PIXELS_AT_ONCE // (beam.rows * beam.columns)))
    scale = beam.views / most
    out["project"] = scale * milliseconds(lambda: project(sent, spans, 0, most, device, lost))
    none = spans._replace(spans=torch.zeros_like(spans.spans))
    out["project without any solid"] = scale * milliseconds(
        lambda: project(sent, none, 0, most, device, lost)
    )
    signal, variance, absorbed = project(sent, spans, 0, most, device, lost)
    measure, narrow = (
        Measure(scan_detector(scanner), drawn, device),
        precision == "float16",
    )
    out["measure"] = scale * milliseconds(lambda: measure(signal, variance, 0, absorbed, narrow=narrow))
    integrals = measure(signal, variance, 0, narrow=narrow)
    ramp = ramp_of(beam.columns, beam.voxel_mm, scanner.hann_cutoff, device, precision, scanner.apodisation)
    out["ramp"] = scale * milliseconds(lambda: ramp(integrals))
    filtered = ramp(integrals)
    return out | _straight(prepared, grid, filtered, scale) | _cut(prepared, grid, filtered, scale)


def _straight(prepared: dv.Prepared, grid: Grid, filtered: torch.Tensor, scale: float) -> dict[str, float]:
    """Backprojection straight onto the joints' grids, where that can be."""
    try:
        sums = dv.onto_grids(prepared, grid, filtered.device)
    except dv.InputError:
        return {}
    return {"backproject onto the grids": scale * milliseconds(lambda: sums.add(filtered, 0))}


def _cut(prepared: dv.Prepared, grid: Grid, filtered: torch.Tensor, scale: float) -> dict[str, float]:
    """By way of the scan's lattice: wanted voxels, backprojection, rounding of the file, cut and levels."""
    from jointwise.data_gen.xray.cuda.cut import resample, scan_levels, stored_like_file
    from jointwise.data_gen.xray.cuda.fdk import Backprojection, wanted_voxels

    found, board, device = prepared.found, prepared.record.board, filtered.device

    def mark() -> torch.Tensor:
        return wanted_voxels(prepared.lattice, found.centres_mm, found.axes, prepared.half_mm, device)

    out = {"wanted": milliseconds(mark)}
    sums = Backprojection(scan_beam(prepared.record.scanner), prepared.lattice, mark(), device)
    out["backproject"] = scale * milliseconds(lambda: sums.add(filtered, 0))
    storage = prepared.record.scanner.storage
    out["stored"] = milliseconds(lambda: stored_like_file(sums.volume, storage))

    def cut() -> torch.Tensor:
        place = found.centres_mm, found.axes, grid, board.pitch_mm, board.ball_mm
        return resample(sums.volume, prepared.lattice, *place)

    out["resample"] = milliseconds(cut)
    boxes = cut()
    out["levels"] = milliseconds(lambda: scan_levels(boxes, prepared.readings))
    return out


Way = Callable[[Iterable[dv.Prepared], Grid, str], Iterator[torch.Tensor]]
"""From scans to their joints' sub-volumes."""


def straight(scans: Iterable[dv.Prepared], grid: Grid, precision: str) -> Iterator[torch.Tensor]:
    """Sub-volumes of several scans by the short way."""
    return (volumes for volumes, _ in dv.sub_volumes_many(scans, grid, precision))


def cut(scans: Iterable[dv.Prepared], grid: Grid, precision: str) -> Iterator[torch.Tensor]:
    """Joints of several scans by the way of a lab's scan."""
    return (joints.volumes for joints in dv.simulate_many(iter(scans), grid, precision))


def duration_s(make: Way, scans: list[dv.Prepared], grid: Grid, precision: str, count: int) -> float:
    """Time in which the joints of `count` scans in a row are made, each scan's let go for the next's."""
    torch.cuda.synchronize()
    start = time.perf_counter()
    for _ in make((scans[i % len(scans)] for i in range(count)), grid, precision):
        pass
    torch.cuda.synchronize()
    return time.perf_counter() - start


def joints_per_second(make: Way, scans: list[dv.Prepared], grid: Grid, precision: str, count: int) -> float:
    """Joints that leave as tensors per second, `count` scans in a row, scenes made before."""
    joints = sum(map(len, make(scans, grid, precision)))
    whole, rest = divmod(count, len(scans))
    assert not rest
    return whole * joints / duration_s(make, scans, grid, precision, count)


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
    signal, variance, _ = project(sent, shadows(sent, device), 0, 12, device, lost)
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
    from jointwise.data_gen.xray.cuda import panel as panels
    from jointwise.data_gen.xray.cuda.detect import Measure
    from jointwise.data_gen.xray.detector import Detector

    device, beam = torch.device("cuda"), scan_beam(record.scanner)
    shape = (64, beam.rows, beam.columns)
    out = {}
    for level in (1.0, 0.05, 0.002):
        mean = torch.full(shape, level, device=device)
        spread = 1.2 * mean
        ideal = Detector(photons=5000.0)
        measure = Measure(ideal, panels.panel_on_card(panels.panel(ideal, beam, 77), device), device)
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
