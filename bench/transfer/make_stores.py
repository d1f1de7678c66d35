"""Makes the stores of a training's recipe side by side on several cards, as `jointwise train` would one by one.

    python bench/transfer/make_stores.py --cards 4 --at-once 3 --workers 5 --out out/reference

`jointwise train experiment=reference data=out/reference` then finds them complete. Interrupted, the same call goes on.
A store whose call failed is tried once more when all others are done, alone on its card.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

from levers import Job, run_all

from jointwise.commands import hydra_wrapper
from jointwise.commands.registry import load
from jointwise.commands.settings import TrainConfig


def jobs(cfg: TrainConfig, joints: int, workers: int, cards: int) -> list[Job]:
    """One call of `generate` for each store of the recipe; `joints` as recipe.joints, `workers` in the mean.

    A larger store gets more processes, so that all end at about the same time.
    """
    made = []
    sizes = [_joints(words) for words in cfg.recipe.stores.values()]
    largest, mean = max(sizes), sum(sizes) / len(sizes)
    for name, words in cfg.recipe.stores.items():
        out = cfg.data / name
        share = max(1, round(workers * _joints(words) / mean)) if workers else 0
        line = ["generate", *cfg.recipe.common, *words, f"out={out}", f"workers={share}"]
        line.append(f"device={'cuda' if cards else 'cpu'}")
        if joints:
            line.append(f"joints={-(-_joints(words) * joints // largest)}")
        # Nothing marks a store as done: `generate` knows, and a call for more joints goes on with it.
        made.append(Job(line, out / "never", cfg.data / f"{name}.log"))
    return made


def _joints(words: list[str]) -> int:
    return next(int(word.removeprefix("joints=")) for word in words if word.startswith("joints="))


def make(wanted: list[Job], cards: int, at_once: int) -> list[Job]:
    """Make stores, `at_once` on each card, what failed once more, alone; what failed then, too."""
    free = max(cards, 1)
    failed = _failed(wanted, cards, free * at_once)
    if not failed:
        return []
    print(
        f"{len(failed)} of {len(wanted)} failed and are tried once more, each alone on its card", flush=True
    )
    # The first try's log stays: it may tell more than the second's.
    again = [job._replace(log=job.log.with_name(f"{job.log.stem}_again.log")) for job in failed]
    return _failed(again, cards, free)


def _failed(wanted: list[Job], cards: int, at_once: int) -> list[Job]:
    codes = run_all(wanted, cards, at_once)
    return [job for job, code in zip(wanted, codes, strict=True) if code]


def main() -> None:
    """Compose the experiment's recipe and make its stores."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, required=True, help="the training's data=")
    parser.add_argument("--experiment", default="reference")
    parser.add_argument("--cards", type=int, default=0, help="graphics cards; 0 uses the processor")
    parser.add_argument("--at-once", type=int, default=1, help="stores side by side on each card")
    parser.add_argument(
        "--workers", type=int, default=0, help="processes per store in the mean; 0 takes all cores"
    )
    parser.add_argument("--joints", type=int, default=0, help="as recipe.joints")
    given = parser.parse_args()
    with hydra_wrapper.session(load("train")) as active:
        words = [f"experiment={given.experiment}", f"data={given.out}"]
        cfg = hydra_wrapper.settings(active, words)
    began = time.monotonic()
    failed = make(jobs(cfg, given.joints, given.workers, given.cards), given.cards, given.at_once)
    print(f"{time.monotonic() - began:.0f} s in all")
    if failed:
        sys.exit("\n".join(f"{job.made.parent} could not be made, see {job.log}" for job in failed))


if __name__ == "__main__":
    main()
