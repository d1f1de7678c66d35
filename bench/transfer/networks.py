"""Networks compared at an equal budget: each trains for the same time on one card, on the same joints.

    python bench/transfer/networks.py --train experiment=reference data=out/reference --out out/networks \
        --networks densenet121 resnet_wide resnet_reference encoder_decoder --seeds 1 --seconds 300 --cards 4
    python bench/transfer/networks.py --out out/networks --tell bench/networks.csv

A short training on `--probe` joints says how quick a network is; from that follow its epochs, so that training alone
(reading joints, validation and calibration come on top) takes about `--seconds`. `--epochs` gives all the same number
instead. Cut off, the same call goes on. The second form needs neither joints nor card: it tells of every finished
training how large the network is, how much it has seen, and its average precision by kind on the validation boards,
with intervals from resampled boards.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from queue import Queue

import numpy as np
import pandas as pd

from jointwise.evaluation.statistics.measures import average_precision
from jointwise.joints.kinds import KINDS
from jointwise.train.data import known_truth
from jointwise.train.run_folder import METRICS, SETTINGS, VALIDATION, read_json

COMMAND = [sys.executable, "-m", "jointwise.commands.main", "train"]
LEAST_EPOCHS = 3
PROBE_EPOCHS = 2
DRAWS = 500


def run(words: list[str], out: Path, card: str) -> bool:
    """One training, its words in a log beside its folder; whether it is finished."""
    if (out / "model").exists():
        return True
    out.parent.mkdir(parents=True, exist_ok=True)
    environment = {**os.environ, "CUDA_VISIBLE_DEVICES": card} if card else dict(os.environ)
    with out.with_name(f"{out.name}.log").open("w") as log:
        code = subprocess.run(
            [*COMMAND, *words, f"out={out}"], env=environment, stdout=log, stderr=log
        ).returncode
    return code == 0


def lines(out: Path) -> list[dict[str, object]]:
    """What a training wrote of its epochs."""
    return [json.loads(line) for line in (out / METRICS).read_text().splitlines()]


def epochs_for(given: argparse.Namespace, words: list[str], out: Path, card: str) -> int:
    """Epochs that take `--seconds`, by the pace of a short training."""
    if given.epochs:
        return int(given.epochs)
    probe = out.with_name(f"{out.name}_probe")
    short = [f"limit={given.probe}", "validation_limit=500", f"epochs={PROBE_EPOCHS}"]
    if not run([*words, *short], probe, card):
        raise RuntimeError(f"the probe of {out.name} did not finish; see {probe}.log")
    pace = max(float(str(line["joints_per_second"])) for line in lines(probe))
    return max(LEAST_EPOCHS, round(given.seconds * pace / given.joints))


def trained(given: argparse.Namespace, network: str, seed: int, cards: Queue[str]) -> None:
    """Train one network on the next free card; a failure is told, not hidden."""
    card, began, out = cards.get(), time.monotonic(), given.out / f"{network}_{seed}"
    words = [
        *given.train, f"network={network}", f"seed={seed}", "rules=false", "novelty=false",
        "tracking.enabled=false",
    ]  # fmt: skip
    try:
        epochs = epochs_for(given, words, out, card)
        done = run([*words, f"epochs={epochs}"], out, card)
    finally:
        cards.put(card)
    state = "done" if done else f"FAILED, see {out}.log"
    print(f"{time.monotonic() - began:6.0f} s: {network}, seed {seed}, {epochs} epochs: {state}", flush=True)


def told(out: Path) -> list[dict[str, object]]:
    """Rows of one finished training."""
    settings = read_json(out / SETTINGS)
    derived, history = settings["derived"], lines(out)
    table = pd.read_parquet(out / VALIDATION)
    truth = known_truth(table, float(settings["least_gap_voxels"]))
    logits = table[[f"logit_{kind}" for kind in KINDS]].to_numpy(dtype=np.float64)
    name, pace = settings["network"]["name"], [float(line["joints_per_second"]) for line in history]
    seen = derived["steps_per_epoch"] * settings["batch"] * settings["epochs"]
    head = {
        "run": out.name,
        "network": name,
        "seed": settings["seed"],
        "data": derived["data_fingerprint"][:12],
    }
    whole: dict[str, tuple[float, int]] = {
        "parameters": (derived["parameters"], 1),
        "GFLOP per joint": (derived["flops_per_joint"] / 1e9, 1),
        "training joints": (derived["training_joints"], 1),
        "epochs": (settings["epochs"], 1),
        "seconds of training steps": (seen / float(np.median(pace)), len(pace)),
        "joints a second": (float(np.median(pace)), len(pace)),
        "least validation loss": (min(float(line["validation_loss"]) for line in history), len(table)),
    }
    rows = [{**head, "measure": what, "kind": "", "value": v, "n": n} for what, (v, n) in whole.items()]
    boards = table["board_id"].to_numpy()
    for k, kind in enumerate(KINDS):
        known = ~np.isnan(truth[:, k])
        value, low, high = ap_by_boards(truth[known, k], logits[known, k], boards[known])
        bounds = {"low": low, "high": high}
        rows.append(
            {
                **head,
                "measure": "validation AP",
                "kind": kind,
                "value": value,
                "n": int(known.sum()),
                **bounds,
            }
        )
    return rows


def ap_by_boards(truth: np.ndarray, scores: np.ndarray, boards: np.ndarray) -> tuple[float, float, float]:
    """Average precision and its 95 % interval from resampled boards."""
    rng, names = np.random.default_rng(0), np.unique(boards)
    rows = {name: np.flatnonzero(boards == name) for name in names}
    draws = []
    for _ in range(DRAWS):
        some = np.concatenate([rows[name] for name in rng.choice(names, len(names))])
        draws.append(average_precision(truth[some], scores[some]))
    low, high = np.nanpercentile(draws, (2.5, 97.5))
    return average_precision(truth, scores), float(low), float(high)


def main() -> None:
    """Train, or tell of what was trained."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--train", nargs="+", default=["experiment=reference"], help="words of jointwise train"
    )
    parser.add_argument("--networks", nargs="+", default=[])
    parser.add_argument("--seeds", type=int, nargs="+", default=[1])
    parser.add_argument("--seconds", type=float, default=300, help="of training steps")
    parser.add_argument("--epochs", type=int, default=0, help="the same for all, instead of a time")
    parser.add_argument("--joints", type=int, default=100_000, help="about how many a training has")
    parser.add_argument("--probe", type=int, default=6400, help="joints of the short training")
    parser.add_argument("--cards", type=int, default=0, help="graphics cards; 0 uses the processor")
    parser.add_argument("--tell", type=Path, help="write this table of all finished trainings instead")
    given = parser.parse_args()
    if given.tell:
        folders = sorted(p.parent for p in given.out.glob("*/model") if not p.parent.name.endswith("_probe"))
        pd.DataFrame([row for folder in folders for row in told(folder)]).to_csv(given.tell, index=False)
        return
    cards: Queue[str] = Queue()
    for k in range(max(1, given.cards)):
        cards.put(str(k) if given.cards else "")
    with ThreadPoolExecutor(max(1, given.cards)) as pool:
        jobs = [pool.submit(trained, given, n, s, cards) for s in given.seeds for n in given.networks]
        for job in jobs:
            job.result()


if __name__ == "__main__":
    main()
