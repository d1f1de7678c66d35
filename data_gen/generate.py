"""A store of generated joints: one immutable shard per scan, made by several processes, resumed where it stopped."""

from __future__ import annotations

import dataclasses
import itertools
import json
import multiprocessing
import os
import threading
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing.connection import wait as wait_for_any
from pathlib import Path

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
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.store import Shard, StoreWriter, read_manifest, write_shard

SPLIT_PATTERN = ("train", "validation", "train", "test", "train")
"""Split of boards 0, 1, 2, …, repeated: 3 : 1 : 1, and every split is there from four boards on."""


def scan_joints(settings: GeneratorSettings, seed: int, number: int, grid: Grid) -> Joints:
    """Joints of scan `number` of a set, with their split in the table; depends on nothing but the arguments."""
    with threadpool_limits(1):  # a library product split over threads may round differently
        joints = simulate(draw_scan(settings, seed, number), grid)
    table = joints.table.assign(split=SPLIT_PATTERN[number % len(SPLIT_PATTERN)])
    return Joints(joints.volumes, table, joints.grid)


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
    progress: bool = True,
) -> list[Shard]:
    """Fill a store with the joints of scans 0 … scans - 1; scans it already lists are left alone.

    While these hold fewer than `joints` sites, further scans follow; scans are whole, so a few more may come.

    The bits do not depend on the number of workers. One worker computes in this process with all its threads;
    several compute one scan each, with one thread.

    Args:
        settings: what may be drawn.
        folder: the store; made if absent, continued if it was begun with the same settings, grid and seed.
        scans: number of scans (one board each), at least.
        joints: number of sites, at least.
        seed: seed of the whole set.
        grid: grid of the sub-volumes; the standard one if left out.
        workers: processes.
        progress: show a progress bar.

    Returns:
        The shards of these scans, in order.

    Raises:
        InputError: nothing to make, a folder of other origin, one that cannot be written, or a killed worker.
    """
    if scans < 1 or workers < 1:
        raise InputError(
            f"expected at least one scan and one worker, found scans={scans} and workers={workers}"
        )
    grid = grid or Grid()
    try:
        with StoreWriter(folder, grid, seed, dataclasses.asdict(settings)) as writer, _bar(progress) as bar:
            task = bar.add_task("scans")
            while True:
                scans = _scans_needed(settings, scans, joints, writer.shards)
                missing = [n for n in range(scans) if scan_name(n) not in writer.shards]
                bar.update(task, total=scans, completed=scans - len(missing))
                if not missing:
                    return [writer.shards[scan_name(n)] for n in range(scans)]
                for shard in _made(settings, folder, seed, grid, missing, workers):
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
    with StoreWriter(folder, grid, seed, manifest["config"]) as writer:
        scans = len(writer.shards)
        for name in names:
            writer.drop(name)
    generate(settings, folder, scans=scans, seed=seed, grid=grid, workers=workers, progress=progress)


def _bar(show: bool) -> Progress:
    return Progress(
        TextColumn("[progress.description]{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        TimeRemainingColumn(),
        disable=not show,
    )


def _made(
    settings: GeneratorSettings, folder: Path, seed: int, grid: Grid, numbers: list[int], workers: int
) -> Iterator[Shard]:
    """Shards as they get ready, written but not yet listed."""
    if workers == 1 or len(numbers) < 2:
        for number in numbers:
            yield _make_shard(settings, folder, seed, grid, number)
        return
    # Spawned, not forked: a forked child of a process that has used threads may hang.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(min(workers, len(numbers)), context, initializer=_begin_worker) as pool:
        waiting = iter(numbers)
        running: set[Future[Shard]] = set()
        try:
            while True:
                # A few ahead of the workers, however many scans there are.
                for number in itertools.islice(waiting, 2 * workers - len(running)):
                    running.add(pool.submit(_make_shard, settings, folder, seed, grid, number))
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


def _make_shard(settings: GeneratorSettings, folder: Path, seed: int, grid: Grid, number: int) -> Shard:
    return write_shard(folder, scan_name(number), scan_joints(settings, seed, number, grid))
