"""Scans on a CUDA card: scenes are drawn, solved and packed ahead by processes, the card does the physics.

A scan leaves as a tensor on the card. Noise comes from the card's own random numbers: the same bits in every run on
a card, statistically equal to those of `scan.simulate`, which stays the reference.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from itertools import cycle
from typing import Any, NamedTuple

import numpy as np
import torch
from numpy.typing import NDArray

from jointwise.data_gen.drawing.records import ScanRecord
from jointwise.data_gen.scan import (
    Found,
    board_pose,
    found_joints,
    record_energies,
    scan_beam,
    scan_columns,
    scan_detector,
    scan_lane,
    scan_masks,
    scan_wobble,
    wanted_boxes,
)
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.columns import Columns
from jointwise.data_gen.shapes.scene import Infeasible, Scene, pack
from jointwise.data_gen.shapes.truth import Asked, ask_truth, tell_truth, whose
from jointwise.data_gen.xray.cuda.card import CardLimit, card
from jointwise.data_gen.xray.cuda.cut import Readings, readings
from jointwise.data_gen.xray.cuda.load import Load, load
from jointwise.data_gen.xray.cuda.panel import Panel, panel, panel_on_card
from jointwise.data_gen.xray.energies import linearisation
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice

PIXELS_AT_ONCE = 48_000_000
"""Pixels of all views held on the card together (some 1 GB with all steps between)."""


STREAMS = 2
"""Scans under way together where only sub-volumes are asked for."""


class Prepared(NamedTuple):
    """A scan made ready for the card.

    Attributes:
        record: what was drawn.
        load: scene and scanner as the projector takes them.
        panel: what was drawn for the detector.
        found: where a finder would have placed the joints.
        lattice: the scan's voxels; half_mm: half the size of each joint's box of wanted voxels.
        readings: where the scan's levels are read.
        asked: truth of its joints but for the sweeps, which the card does too.
        columns: what else the table of joints holds, without the noise and the lanes of the scan.
        masks: where solder, gas, gaps and bridges lie in its joints, if that was asked for.
    """

    record: ScanRecord
    load: Load
    panel: Panel
    found: Found
    lattice: Lattice
    half_mm: tuple[float, float, float]
    readings: Readings
    asked: Asked
    columns: dict[str, Any]
    masks: NDArray[np.uint8] | None = None


class CardJoints(NamedTuple):
    """Joints of one scan on the card.

    Attributes:
        volumes: float16 (n, z, y, x), 0 = air, 1 = solder.
        levels: float64 (3,): air, solder and noise of the scan.
        prepared: what they came from.
        lost: int32 (1,), not 0 if a ray met more solids than there is room for.
        grid: the grid.
    """

    volumes: torch.Tensor
    levels: torch.Tensor
    prepared: Prepared
    lost: torch.Tensor
    grid: Grid

    def to_host(self) -> Joints:
        """The joints as `scan.simulate` returns them.

        Raises:
            CardLimit: a ray met more solids of one joint, or a tile more solids, than there is room for.
            Infeasible: the scan shows no metal.
        """
        if int(self.lost) != 0:
            raise CardLimit("a ray or a tile meets more solids than the kernels hold")
        air, solder, noise = self.levels.tolist()
        if not solder > air:
            raise Infeasible(
                f"no levels: expected a solder level above the air level, found {solder:.4g} and {air:.4g}"
            )
        columns = self.prepared.columns | {"cnr": (solder - air) / noise if noise > 0 else np.nan}
        volumes = self.volumes.cpu().numpy()
        columns["lane"] = scan_lane(volumes, self.grid, self.prepared.record)
        table = tell_truth(self.prepared.asked, self.swept()).assign(**columns)
        return Joints(volumes, table, self.grid, self.prepared.masks)

    def swept(self) -> list[Columns]:
        """The sweeps that the joints' truth needs, done on the card."""
        from jointwise.data_gen.xray.cuda.sweep import sweep_many

        ready = [sweep for sweep in self.prepared.asked.sweeps if sweep is not None]
        return sweep_many(ready, self.volumes.device)


def prepare(record: ScanRecord, grid: Grid, masks: bool = False) -> Prepared:
    """Everything of a scan that needs no card; for worker processes."""
    scene = build_scene(record)
    ready = prepared_scene(record, scene, grid)
    return ready._replace(masks=scan_masks(record, scene, grid)) if masks else ready


def prepared_scene(record: ScanRecord, scene: Scene, grid: Grid, *, truth: bool = True) -> Prepared:
    """`prepare` of a scene that is already built; without truth its table holds no rows."""
    scanner, pose = record.scanner, board_pose(record, scene)
    found = found_joints(record, scene, pose)
    lattice, half = wanted_boxes(record, found, grid)
    beam, energies = scan_beam(scanner), record_energies(record)
    ready = load(pack(scene), beam, energies, pose=pose, wobble=scan_wobble(scanner))
    straight = linearisation(energies) if scanner.linearised else None
    drawn = panel(scan_detector(scanner), beam, scanner.noise_seed, straight)
    asked = ask_truth(scene, None, record.kept if truth else ())
    columns = whose(record) | scan_columns(record, scene, pose, None)
    places = readings(grid, record.board.pitch_mm, record.board.ball_mm)
    return Prepared(record, ready, drawn, found, lattice, half, places, asked, columns)


def on_card(prepared: Prepared, grid: Grid, precision: str = "float32") -> CardJoints:
    """The physics of one prepared scan, on the card; returns before the card has finished."""
    # Kernels are compiled and loaded only where a card is asked for.
    from jointwise.data_gen.xray.cuda.cut import resample, scan_levels, stored_like_file

    device, record = card(), prepared.record
    scanner, board = record.scanner, record.board
    volume, lost = reconstructed(prepared, device, precision)
    volume = stored_like_file(volume, scanner.storage)
    found = prepared.found
    boxes = resample(
        volume, prepared.lattice, found.centres_mm, found.axes, grid, board.pitch_mm, board.ball_mm
    )
    levels = scan_levels(boxes, prepared.readings)
    air, solder = levels[0], levels[1]
    span = solder - air
    low = (air + scanner.level_error[0] * span).float()
    high = (solder + scanner.level_error[1] * span).float()
    return CardJoints(boxes.sub_(low).div_(high - low).half(), levels, prepared, lost, grid)


def reconstructed(
    prepared: Prepared, device: torch.device, precision: str = "float32"
) -> tuple[torch.Tensor, torch.Tensor]:
    """Attenuation per mm of the wanted voxels, float32 (z, y, x), zero elsewhere; and whether rays were lost."""
    from jointwise.data_gen.xray.cuda.fdk import Backprojection, wanted_voxels

    found, beam = prepared.found, scan_beam(prepared.record.scanner)
    wanted = wanted_voxels(prepared.lattice, found.centres_mm, found.axes, prepared.half_mm, device)
    sums = Backprojection(beam, prepared.lattice, wanted, device)
    return sums.volume, backprojected(prepared, sums, device, precision)


def sub_volumes(
    prepared: Prepared, grid: Grid, precision: str = "float16"
) -> tuple[torch.Tensor, torch.Tensor]:
    """Attenuation per mm of every joint, float16 (n, z, y, x), straight onto its grid's points; whether rays were lost.

    Without the scan's lattice, the cut and the levels of `on_card`: the short way where only the physics counts.

    Raises:
        InputError: see `onto_grids`.
    """
    device = card()
    sums = onto_grids(prepared, grid, device)
    lost = backprojected(prepared, sums, device, precision)
    return sums.volume.half(), lost


def sub_volumes_many(
    prepared: Iterable[Prepared], grid: Grid, precision: str = "float16"
) -> Iterator[tuple[torch.Tensor, torch.Tensor]]:
    """`sub_volumes` of several scans, by turns on some streams: what one scan leaves idle of the card, the next takes.

    Each is handed out, ready for torch's current stream, when the next ones are under way.

    Raises:
        InputError: see `onto_grids`.
    """
    card()
    streams = [torch.cuda.Stream() for _ in range(STREAMS)]  # type: ignore[no-untyped-call]
    waiting: deque[tuple[tuple[torch.Tensor, torch.Tensor], torch.cuda.Stream]] = deque()
    for scan, stream in zip(prepared, cycle(streams), strict=False):
        with torch.cuda.stream(stream):
            waiting.append((sub_volumes(scan, grid, precision), stream))
        if len(waiting) == STREAMS:
            yield _ready(*waiting.popleft())
    for made, stream in waiting:
        yield _ready(made, stream)


def _ready(
    made: tuple[torch.Tensor, torch.Tensor], stream: torch.cuda.Stream
) -> tuple[torch.Tensor, torch.Tensor]:
    """Tensors of another stream for the current one, which waits for all that stream has to do."""
    current = torch.cuda.current_stream()
    current.wait_stream(stream)
    for tensor in made:
        tensor.record_stream(current)
    return made


def onto_grids(prepared: Prepared, grid: Grid, device: torch.device) -> Any:
    """A `fdk.Backprojection` onto the points of every joint's grid.

    Raises:
        InputError: the points lie apart by other steps along other axes, or the board is turned in its scan.
    """
    from jointwise.data_gen.xray.cuda.fdk import Backprojection

    record, found = prepared.record, prepared.found
    offsets = grid.offsets_mm(record.board.pitch_mm, record.board.ball_mm)
    steps = np.concatenate([np.diff(axis) for axis in offsets])
    if np.ptp(steps) > 1e-6 * steps[0] or np.abs(found.axes - np.eye(3)).max() > 1e-6:
        raise InputError(
            "expected cubic voxels and a board along the axes of its scan, found others; use on_card, which cuts"
        )
    lattice = Lattice(grid.shape, (0.0, 0.0, 0.0), (float(steps[0]),) * 3)
    first = np.atleast_2d(found.centres_mm) + [axis[0] for axis in offsets]
    return Backprojection(scan_beam(record.scanner), lattice, None, device, first)


def backprojected(prepared: Prepared, sums: Any, device: torch.device, precision: str) -> torch.Tensor:
    """X-ray a scan into a `fdk.Backprojection`; whether rays were lost, int32 (1,)."""
    from jointwise.data_gen.xray.cuda import load as loads
    from jointwise.data_gen.xray.cuda.detect import Measure
    from jointwise.data_gen.xray.cuda.fdk import ramp_of
    from jointwise.data_gen.xray.cuda.project import project, shadows

    scanner = prepared.record.scanner
    beam = scan_beam(scanner)
    sent = loads.on_card(prepared.load, device)
    spans, lost = shadows(sent, device), torch.zeros(1, dtype=torch.int32, device=device)
    measure = Measure(scan_detector(scanner), panel_on_card(prepared.panel, device), device)
    ramp = ramp_of(beam.columns, beam.voxel_mm, scanner.hann_cutoff, device, precision, scanner.apodisation)
    at_once = max(1, PIXELS_AT_ONCE // (beam.rows * beam.columns))
    for first in range(0, beam.views, at_once):
        last = min(first + at_once, beam.views)
        signal, variance, absorbed = project(sent, spans, first, last, device, lost)
        integrals = measure(signal, variance, first, absorbed, narrow=precision == "float16")
        sums.add(ramp(integrals), first, ramp.scale)
    return lost


def simulate_many(
    prepared: Iterator[Prepared], grid: Grid, precision: str = "float32"
) -> Iterator[CardJoints]:
    """Joints of several scans, scan by scan; the next scan is started before this one is handed out."""
    waiting: CardJoints | None = None
    for scan in prepared:
        started = on_card(scan, grid, precision)
        if waiting is not None:
            yield waiting
        waiting = started
    if waiting is not None:
        yield waiting
