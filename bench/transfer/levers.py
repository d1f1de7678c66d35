"""Trains one network per lever and seed, all at the same budget, for the table of levers.

    python bench/transfer/levers.py --out out/levers --joints 24000 --cards 2 --at-once 4

A lever is a difference from the recipe of the shipped network (`experiment=first`, with a smaller network): in what the
generator draws, in how its joints are varied, or in the network. Levers of the generator get a store of their own, with
the same number of joints and the same seed. Everything goes through the commands, so each line can be run by hand.
Interrupted, the same call goes on. Afterwards `boards.py` beside this file judges the models on development boards.

`levers.csv` is of 2026-11-25: 20,000 joints, 12 epochs, two H100. The recipe has changed since by what was learned:
thin gaps count from 0.1 voxel (0.15 then), noise and grain 0.08 (0.1), voids_sheet 0.16 (0.1), slender 0.2 (0.06),
and the generator draws glare, boards square to the axis, columns at the rim, and lands as wide as the smallest ball.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import Queue
from typing import NamedTuple

COMMAND = [sys.executable, "-m", "jointwise.commands.main"]

RECIPE = ("family=training", "defects=training", "scanner.tilt_deg=8", "scanner.in_plane_deg=45")
"""What the shipped network's joints are drawn from, besides `scanner=any_lab`."""


NETWORK = "network=resnet_reference"
"""The network of every lever that does not name another."""


class Lever(NamedTuple):
    """What one lever changes.

    Attributes:
        generate: overrides of `jointwise generate`, after RECIPE.
        train: overrides of `jointwise train`, after `experiment=first`.
    """

    generate: tuple[str, ...] = ()
    train: tuple[str, ...] = ()


LEVERS = {
    "recipe": Lever(),
    "careful scanner only": Lever(("scanner=bench_upright",)),
    "no augmentation": Lever(
        train=tuple(
            f"augment.{k}=0"
            for k in ("mirror", "turn", "shift", "offset", "gain", "noise", "blur", "grain", "contrast")
        )
    ),
    "plain defects": Lever(
        (
            "defects.voids_sheet=0", "defects.near_sheet=0", "defects.void_merged=0", "defects.voids_shrinkage=0",
            "defects.leaning=0", "defects.film=0", "defects.near_bridge=0", "defects.waist=0",
            "defects.partial_wetting=0", "defects.bare=1", "defects.slender=0", "defects.via_in_pad=0",
        )
    ),
    "no scatter, hardening corrected": Lever(
        ("scanner.scatter_fraction=[0,0]", "scanner.glare_fraction=[0,0]", "scanner.linearised=1")
    ),
    "tiny network, 0.2 GFLOP": Lever(train=("network=resnet_tiny",)),
    "small network, 0.9 GFLOP": Lever(train=("network=resnet_small",)),
    "small network with a tight input": Lever(train=("network=resnet_tight",)),
    "wide network": Lever(
        train=("network=resnet_small", "network.widths=[32,64,128,256]", "network.stem_stride=[1,2,2]")
    ),
    "tighter grid": Lever(("grid.pitches=1.2", "grid.balls=1.15")),
    "all gaps counted": Lever(train=("least_gap_voxels=0",)),
}  # fmt: skip


class Job(NamedTuple):
    """One command line, what it makes, and where its words go."""

    words: list[str]
    made: Path
    log: Path


def store_of(out: Path, lever: Lever) -> Path:
    """The store a lever trains on: levers with the same drawing share one."""
    owner = next(name for name, other in LEVERS.items() if other.generate == lever.generate)
    return out / "stores" / owner.replace(" ", "_").replace(",", "")


def log_of(folder: Path) -> Path:
    """The log beside a folder, whose name may hold a point."""
    return folder.with_name(f"{folder.name}.log")


def generate_jobs(given: argparse.Namespace, names: list[str]) -> list[Job]:
    """One store for each different drawing."""
    jobs: dict[Path, Job] = {}
    for name in names:
        store, lever = store_of(given.out, LEVERS[name]), LEVERS[name]
        words = [
            "generate",
            *RECIPE,
            *lever.generate,
            f"joints={given.joints}",
            f"seed={given.seed}",
            f"out={store}",
        ]
        words += [f"workers={given.workers}", f"device={'cuda' if given.cards else 'cpu'}"]
        jobs[store] = Job(words, store / "done", log_of(store))
    return list(jobs.values())


def train_jobs(given: argparse.Namespace, names: list[str]) -> list[Job]:
    """One training for each lever and seed."""
    jobs = []
    for seed in given.seeds:
        for name in names:
            lever = LEVERS[name]
            out = given.out / "runs" / f"{name.replace(' ', '_').replace(',', '')}_{seed}"
            words = [
                "train",
                "experiment=first",
                f"data={store_of(given.out, lever)}",
                f"seed={seed}",
                f"out={out}",
            ]
            words += [f"epochs={given.epochs}", "rules=false", *named(lever)]
            jobs.append(Job(words, out / "model" / "card.json", log_of(out)))
    return jobs


def named(lever: Lever) -> tuple[str, ...]:
    """What a lever changes in training, with the network that it does not name."""
    return (
        lever.train if any(word.startswith("network=") for word in lever.train) else (NETWORK, *lever.train)
    )


def run(job: Job, cards: Queue[str]) -> int:
    """Run one command on the next free card and say how it went; its exit code, 0 where nothing is to do."""
    if job.made.exists():
        return 0
    card, began = cards.get(), time.monotonic()
    try:
        job.log.parent.mkdir(parents=True, exist_ok=True)
        environment = {**os.environ, "CUDA_VISIBLE_DEVICES": card} if card else dict(os.environ)
        with job.log.open("w") as log:
            code = subprocess.run([*COMMAND, *job.words], env=environment, stdout=log, stderr=log).returncode
        if code == 0 and job.made.name == "done":
            job.made.touch()
    finally:
        cards.put(card)
    last = job.log.read_text().strip().splitlines()[-1:] if code else []
    print(f"{time.monotonic() - began:6.0f} s, exit {code}: {' '.join(job.words)}", *last, flush=True)
    return code


def run_all(jobs: list[Job], cards: int, at_once: int) -> list[int]:
    """Run jobs, `at_once` in all, spread over the cards, also after one has failed; the exit code of each."""
    free: Queue[str] = Queue()
    for k in range(at_once):
        free.put(str(k % cards) if cards else "")
    with ThreadPoolExecutor(at_once) as pool:
        return list(pool.map(lambda job: run(job, free), jobs))


def main() -> None:
    """Make the stores, then train."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--joints", type=int, default=24000, help="sites per store; three of five are trained on"
    )
    parser.add_argument("--epochs", type=int, default=16)
    parser.add_argument("--seed", type=int, default=1, help="of the stores")
    parser.add_argument("--seeds", type=int, nargs="+", default=[0, 1], help="of the trainings")
    parser.add_argument("--cards", type=int, default=0, help="graphics cards; 0 uses the processor")
    parser.add_argument("--at-once", type=int, default=1, help="trainings side by side")
    parser.add_argument("--workers", type=int, default=0, help="processes per store that is made")
    parser.add_argument("--only", nargs="+", choices=list(LEVERS), default=list(LEVERS))
    given = parser.parse_args()
    run_all(generate_jobs(given, given.only), given.cards, max(given.cards, 1))
    run_all(train_jobs(given, given.only), given.cards, given.at_once)


if __name__ == "__main__":
    main()
