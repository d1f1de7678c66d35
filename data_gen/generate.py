"""A store of generated joints: one immutable shard per scan, made by several processes, resumed where it stopped.

With a CUDA card the processes draw and solve scenes ahead and this process has the card X-ray them. A scan that turns
out not to be feasible is drawn anew, whole and from a random stream of its own: attempt 1, 2, … in the table.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
import logging
import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, ThreadPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from functools import partial
from multiprocessing.connection import wait as wait_for_any
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numba
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from threadpoolctl import threadpool_limits

from jointwise.data_gen.drawing.record_json import from_json
from jointwise.data_gen.drawing.scan import draw_scan, most_samples
from jointwise.data_gen.scan import simulate
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.store import MANIFEST, Shard, StoreWriter, read_manifest, write_shard

if TYPE_CHECKING:
    from jointwise.data_gen.device import CardJoints, Prepared

SPLIT_PATTERN = ("train", "validation", "train", "test", "train")
"""Split of boards 0, 1, 2, …, repeated: 3 : 1 : 1, and every split is there from four boards on."""

DEVICES = ("auto", "cpu", "cuda")
ATTEMPTS = 5
"""Draws of one scan before the settings are blamed."""

WRITERS = 4
"""Threads that bring joints from a card to the disk."""

Origin = tuple[GeneratorSettings, Path, int, Grid, bool]
"""What decides the bits of a store's shards, and where they go: settings, folder, seed, grid, with masks."""

_log = logging.getLogger(__name__)
_T = TypeVar("_T")


def scan_joints(
    settings: GeneratorSettings, seed: int, number: int, grid: Grid, masks: bool = False
) -> Joints:
    """Joints of scan `number` of a set, with their split in the table; depends on nothing but the arguments."""

    def attempted(attempt: int) -> Joints:
        joints = simulate(draw_scan(settings, seed, number, attempt), grid, masks)
        return replace(joints, table=joints.table.assign(**_marks(number, attempt)))

    return feasible(attempted, number)


def prepared_scan(
    settings: GeneratorSettings, seed: int, number: int, grid: Grid, masks: bool = False
) -> Prepared:
    """Scan `number` of a set made ready for a card, see :func:`scan_joints`."""
    from jointwise.data_gen.device import prepare

    def attempted(attempt: int) -> Prepared:
        ready = prepare(draw_scan(settings, seed, number, attempt), grid, masks)
        return ready._replace(columns=ready.columns | _marks(number, attempt))

    return feasible(attempted, number)


def _marks(number: int, attempt: int) -> dict[str, Any]:
    return {"split": SPLIT_PATTERN[number % len(SPLIT_PATTERN)], "attempt": attempt}


def feasible(make: Callable[[int], _T], number: int) -> _T:
    """What `make` makes of the first attempt at scan `number` that is feasible.

    Raises:
        InputError: none of the first `ATTEMPTS` is.
    """
    reason = ""
    for attempt in range(ATTEMPTS):
        try:
            with threadpool_limits(1):  # a library product split over threads may round differently
                return make(attempt)
        except Infeasible as error:
            reason = str(error)
            _log.warning("%s, attempt %d, is drawn anew: %s", scan_name(number), attempt, reason)
    raise InputError(
        f"expected settings from which {scan_name(number)} can be made in {ATTEMPTS} draws, found none ({reason}); "
        "narrow what may be drawn"
    )


def scan_name(number: int) -> str:
    """Name of a scan and of its shard."""
    return f"scan_{number:05d}"


def generate(
    settings: GeneratorSettings,
    folder: Path,
    *,
    scans: int = 1,
    joints: int = 0,
    seed: int,
    grid: Grid | None = None,
    workers: int = 1,
    device: str = "cpu",
    masks: bool = False,
    progress: bool = True,
) -> list[Shard]:
    """Fill a store with the joints of scans 0 … scans - 1; scans it already lists are left alone.

    While these hold fewer than `joints` sites, further scans follow; scans are whole, so a few more may come.

    The bits do not depend on the number of workers. One worker computes in this process with all its threads;
    several compute one scan each, with one thread. On a card noise has other bits, of the same laws.

    Args:
        settings: what may be drawn.
        folder: the store; made if absent, continued if it was begun with the same settings, grid and seed.
        scans: number of scans (one board each), at least.
        joints: number of sites, at least.
        seed: seed of the whole set.
        grid: grid of the sub-volumes; the standard one if left out.
        workers: processes.
        device: where X-rays are computed: `cpu`, `cuda`, or `auto` (what the store was begun on, else a card if
            there is one).
        masks: keep the joints' masks (`joints.masks`), too; volumes and tables are the same with and without.
        progress: show a progress bar.

    Returns:
        The shards of these scans, in order.

    Raises:
        InputError: no card, one that stays full, nothing to make, a folder of other origin, one that cannot be
            written, or a killed worker.
    """
    if scans < 1 or workers < 1:
        raise InputError(
            f"expected at least one scan and one worker, found scans={scans} and workers={workers}"
        )
    grid, device = grid or Grid(), chosen_device(device, folder)
    made = _made_on_card if device == "cuda" else _made
    config = dataclasses.asdict(settings)
    try:
        with StoreWriter(folder, grid, seed, config, device, masks) as writer, _bar(progress) as bar:
            task = bar.add_task("scans")
            while True:
                scans = _scans_needed(settings, scans, joints, writer.shards)
                missing = [n for n in range(scans) if scan_name(n) not in writer.shards]
                bar.update(task, total=scans, completed=scans - len(missing))
                if not missing:
                    return [writer.shards[scan_name(n)] for n in range(scans)]
                for shard in made((settings, folder, seed, grid, masks), missing, workers):
                    writer.commit(shard)
                    bar.advance(task)
    except OSError as error:
        raise InputError(
            f"expected to write the store in {folder}, found {error.strerror or error}; "
            "make room or choose a folder that can be written, then start again to continue"
        ) from error
    except BrokenProcessPool as error:
        raise InputError(
            f"expected {workers} workers to finish, found one killed, most often because memory ran out (each "
            "needs up to 1.5 GB); take fewer workers and start again to continue"
        ) from error


def is_complete(
    settings: GeneratorSettings, folder: Path, scans: int, joints: int, seed: int, grid: Grid, masks: bool
) -> bool:
    """Whether a store of this origin holds all that :func:`generate` would make, on whatever device it was made."""
    if not (folder / MANIFEST).exists():
        return False
    manifest = read_manifest(folder)
    origin = json.loads(json.dumps([dataclasses.asdict(settings), seed, grid.to_json(), masks]))
    if [manifest["config"], manifest["seed"], manifest["grid"], manifest.get("masks", False)] != origin:
        return False  # generate says what differs
    made = {entry["name"]: Shard(**entry) for entry in manifest["shards"]}
    needed = _scans_needed(settings, scans, joints, made)
    return all(scan_name(number) in made for number in range(needed))


def chosen_device(device: str, folder: Path) -> str:
    """`cpu` or `cuda`, what `auto` stands for decided.

    Raises:
        InputError: an unknown word, or no card that can be used.
    """
    if device not in DEVICES:
        raise InputError(f"device: expected one of {', '.join(DEVICES)}, found {device!r}; correct it")
    if device == "auto" and (folder / MANIFEST).exists():
        device = str(read_manifest(folder).get("device", "cpu"))
    if device == "cpu":
        return device
    from jointwise.data_gen.xray.cuda.card import card

    try:
        card()
    except InputError:
        if device == "auto":
            return "cpu"
        raise
    return "cuda"


def _scans_needed(settings: GeneratorSettings, scans: int, joints: int, made: dict[str, Shard]) -> int:
    """The least number of scans, from `scans` on, that could hold so many joints as far as is known yet."""
    largest, held, number = most_samples(settings), 0, 0
    while number < scans or held < joints:
        shard = made.get(scan_name(number))
        held += largest if shard is None else shard.joints
        number += 1
    return number


def remake(folder: Path, names: list[str], *, workers: int = 1, progress: bool = True) -> None:
    """Make shards of a store anew from the settings and seed in its manifest.

    Raises:
        InputError: the store was not generated, or its settings are of another version.
    """
    manifest = read_manifest(folder)
    seed, grid = manifest["seed"], Grid.from_json(manifest["grid"])
    if seed is None:
        raise InputError(
            f"expected a generated store in {folder}, found joints of another origin; copy them again"
        )
    settings = from_json(json.dumps(manifest["config"]), GeneratorSettings)
    device = chosen_device(str(manifest.get("device", "cpu")), folder)
    masks = bool(manifest.get("masks", False))
    with StoreWriter(folder, grid, seed, manifest["config"], device, masks) as writer:
        scans = len(writer.shards)
        for name in names:
            writer.drop(name)
    generate(
        settings, folder, scans=scans, seed=seed, grid=grid, workers=workers, device=device, masks=masks,
        progress=progress,
    )  # fmt: skip


def _bar(show: bool) -> Progress:
    return Progress(
        TextColumn("[progress.description]{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
        disable=not show,
    )


def _made(origin: Origin, numbers: list[int], workers: int) -> Iterator[Shard]:
    """Shards as they get ready, written but not yet listed."""
    if workers == 1 or len(numbers) < 2:
        for number in numbers:
            yield _make_shard(*origin, number)
        return
    with process_pool(min(workers, len(numbers))) as pool:
        yield from ahead(pool, _make_shard, origin, numbers, workers)


def _made_on_card(origin: Origin, numbers: list[int], workers: int) -> Iterator[Shard]:
    """As :func:`_made`, with the X-rays on the card and scenes made ready ahead of it."""
    from jointwise.data_gen.device import on_card
    from jointwise.data_gen.xray.cuda.room import patiently, tidy

    writing: deque[Future[Shard]] = deque()
    started: CardJoints | None = None
    with ThreadPoolExecutor(WRITERS) as writers, process_pool(min(workers, len(numbers))) as pool:
        for made in ahead(pool, _prepare_or_make, origin, numbers, workers):
            if isinstance(made, Shard):
                yield made
                continue
            # The card has the next scan to work on while this one is copied and written. Where that one finds the
            # card full and is started again, this one stays as it is and is handed on once, afterwards.
            name = scan_name(made.record.number)
            before, started = started, patiently(partial(on_card, made, origin[3]), name)
            if before is not None:
                writing.append(writers.submit(_keep, pool, origin, before))
            tidy()
            while len(writing) > WRITERS:
                yield writing.popleft().result()
        if started is not None:
            writing.append(writers.submit(_keep, pool, origin, started))
        for future in writing:
            yield future.result()


def _prepare_or_make(
    settings: GeneratorSettings, folder: Path, seed: int, grid: Grid, masks: bool, number: int
) -> Prepared | Shard:
    """A scan ready for the card, or its shard if it is more than the card's kernels hold."""
    from jointwise.data_gen.xray.cuda.card import CardLimit

    try:
        return prepared_scan(settings, seed, number, grid, masks)
    except CardLimit as limit:
        _log.warning("%s is X-rayed on the CPU: %s", scan_name(number), limit)
        return _make_shard(settings, folder, seed, grid, masks, number)


def _keep(pool: ProcessPoolExecutor, origin: Origin, joints: CardJoints) -> Shard:
    """Write what the card made; a scan that it could not finish goes the CPU's way from the start."""
    from jointwise.data_gen.xray.cuda.card import CardLimit
    from jointwise.data_gen.xray.cuda.room import patiently

    number = joints.prepared.record.number
    name = scan_name(number)
    try:
        return write_shard(origin[1], name, patiently(joints.to_host, name))
    except (CardLimit, Infeasible) as failure:
        _log.warning("%s is made on the CPU: %s", name, failure)
        return pool.submit(_make_shard, *origin, number).result()


def process_pool(workers: int) -> ProcessPoolExecutor:
    """Worker processes that end with this one, one thread each."""
    # Spawned, not forked: a forked child of a process that has used threads may hang.
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers, context, initializer=_begin_worker)


def ahead(
    pool: ProcessPoolExecutor,
    work: Callable[..., _T],
    origin: tuple[Any, ...],
    numbers: list[int],
    workers: int,
) -> Iterator[_T]:
    """What `work` makes of each number, as it gets ready."""
    waiting = iter(numbers)
    running: set[Future[_T]] = set()
    try:
        while True:
            # A few ahead of the workers, however many scans there are.
            for number in itertools.islice(waiting, 2 * workers - len(running)):
                running.add(pool.submit(work, *origin, number))
            if not running:
                return
            done, running = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                yield future.result()
    finally:
        for future in running:
            future.cancel()


def _begin_worker() -> None:
    """One thread for the work, and one that ends the process when its parent has gone, however that died."""
    numba.set_num_threads(1)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_die_with, args=(parent.sentinel,), daemon=True).start()


def _die_with(sentinel: int) -> None:
    wait_for_any([sentinel])
    os._exit(1)


def _make_shard(
    settings: GeneratorSettings, folder: Path, seed: int, grid: Grid, masks: bool, number: int
) -> Shard:
    return write_shard(folder, scan_name(number), scan_joints(settings, seed, number, grid, masks))
