"""Speed of training: our loop beside a plain MONAI loop, the same network and joints, in one run.

    python bench/training_speed.py [--device cuda] [--joints 8192] [--networks resnet_reference …] [--table FILE]

The reference is what MONAI's tutorials show: a CacheDataset that holds every joint, random transforms on the processor,
a DataLoader with workers, AdamW. It runs with several numbers of workers, in float32 and under bfloat16 autocast, and
the fastest counts. Ours is `train.loop.fit` as `experiment=first` varies its joints. Both make the same kinds of
changes: mirror, quarter turns, shift, offset, gain, noise, blur. Joints are noise of the right size and type, since
neither way looks at values. The first epoch warms up, the fastest of the others counts. The share of the card's peak
takes three times the forward pass for a step. `bf16 parity` is the largest difference of a logit in bfloat16 and
float32 after the training, a figure that `jointwise train` prints for its own network in every epoch.
"""

from __future__ import annotations

import argparse
import csv
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import torch
from monai import transforms as mt
from monai.data.dataloader import DataLoader
from monai.data.dataset import CacheDataset

from jointwise.commands.hydra_wrapper import session, settings
from jointwise.commands.registry import load
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import N_KINDS
from jointwise.models.network import JointNetwork, build_network, cost
from jointwise.train.checkpoint import Progress
from jointwise.train.data import Split
from jointwise.train.loop import SPEED, fit, make_optimiser, masked_loss, take_step
from jointwise.train.settings import TrainSettings

PEAK_BF16 = {"H100": 989e12, "H200": 989e12}
"""Dense bfloat16 operations a second of a card's matrix units at full power, as its maker states them."""

EPOCHS = 3


class Row(NamedTuple):
    """One line of the table."""

    what: str
    network: str
    device: str
    ours: float
    reference: float | None
    unit: str


def settings_of(network: str, batch: int, precision: str) -> TrainSettings:
    """The settings of `jointwise train experiment=first` with another network."""
    words = [
        "experiment=first", "data=none", f"network={network}", "network.sizes=false", f"epochs={EPOCHS}",
        f"batch={batch}", f"precision={precision}", "tracking.enabled=false",
    ]  # fmt: skip
    with session(load("train")) as active:
        made: TrainSettings = settings(active, words)
    return made


def split(joints: int, grid: Grid, seed: int) -> Split:
    """Joints of noise with labels by chance."""
    rng = np.random.default_rng(seed)
    volumes = torch.from_numpy(rng.random((joints, *grid.shape), np.float32)).half()
    truth = torch.from_numpy((rng.random((joints, N_KINDS)) < 0.2).astype(np.float32))
    return Split(volumes, truth, pd.DataFrame(index=range(joints)))


def ours(cfg: TrainSettings, training: Split, device: torch.device) -> tuple[float, float]:
    """Joints a second of the fastest epoch but the first, and the largest difference of a logit in bfloat16."""
    torch.manual_seed(0)
    network, progress = build_network(cfg.network).to(device), Progress()
    few = Split(training.volumes[:256], training.truth[:256], training.table.iloc[:256])
    optimiser = make_optimiser(network, cfg.optimiser)
    fit(network, optimiser, training, few, cfg, progress, lambda _: None, lambda *_: None)
    lines = progress.history[1:]
    return max(line[SPEED] for line in lines), max(line.get("bf16_difference", 0.0) for line in lines)


def monai_transforms(cfg: TrainSettings) -> mt.Compose:
    """The experiment's changes as MONAI makes them, one joint at a time."""
    a, blur = cfg.augment, [(0.01, cfg.augment.blur)] * 3
    return mt.Compose(
        [
            mt.RandFlipd("image", a.mirror, 1),
            mt.RandFlipd("image", a.mirror, 2),
            mt.RandRotate90d("image", a.turn, 3, (1, 2)),
            mt.RandAffined(
                "image", prob=1.0, translate_range=[a.shift] * 3, mode="bilinear", padding_mode="border"
            ),
            mt.RandScaleIntensityd("image", a.gain, prob=1.0),
            mt.RandShiftIntensityd("image", a.offset, prob=1.0),
            mt.RandGaussianNoised("image", prob=1.0, mean=0.0, std=a.noise),
            mt.RandGaussianSmoothd("image", *blur, prob=1.0),
        ]
    )


def loader(cfg: TrainSettings, training: Split, workers: int) -> Any:
    """Batches as MONAI's tutorials make them."""
    items = [
        {"image": v[None].float(), "label": t} for v, t in zip(training.volumes, training.truth, strict=True)
    ]
    data = CacheDataset(items, monai_transforms(cfg), cache_rate=1.0, progress=False)
    return DataLoader(
        data, batch_size=cfg.batch, shuffle=True, num_workers=workers, drop_last=True,
        pin_memory=torch.cuda.is_available(), persistent_workers=workers > 0,
    )  # fmt: skip


def monai_epochs(
    network: JointNetwork, batches: Any, cfg: TrainSettings, device: torch.device, half: bool, limit_s: float
) -> Iterator[float]:
    """Joints a second of epoch after epoch; an epoch ends early after `limit_s`."""
    optimiser, balance = make_optimiser(network, cfg.optimiser), torch.ones(N_KINDS, device=device)
    network.train()
    for _ in range(2):
        done, began = 0, time.perf_counter()
        for batch in batches:
            volumes = batch["image"][:, 0].to(device, non_blocking=True)
            truth = batch["label"].to(device, non_blocking=True)
            with torch.autocast(device.type, torch.bfloat16, enabled=half):
                logits = network(volumes)
            take_step(network, optimiser, masked_loss(logits.float(), truth, balance), cfg.optimiser.clip)
            done += len(truth)
            if time.perf_counter() - began > limit_s:
                break
        if device.type == "cuda":
            torch.cuda.synchronize()
        yield done / (time.perf_counter() - began)


def reference(
    cfg: TrainSettings, training: Split, device: torch.device, workers: list[int], limit_s: float
) -> dict[str, float]:
    """Joints a second of the plain loop by number of workers and precision."""
    found = {}
    for count in workers:
        batches = loader(cfg, training, count)
        for half in (False, True) if device.type == "cuda" else (False,):
            torch.manual_seed(0)
            network = build_network(cfg.network).to(device)
            speeds = list(monai_epochs(network, batches, cfg, device, half, limit_s))
            found[f"{count} workers, {'bfloat16' if half else 'float32'}"] = max(speeds)
    return found


def rows_of(network: str, given: argparse.Namespace, device: torch.device) -> list[Row]:
    """What is measured of one network."""
    grid, name = Grid(), torch.cuda.get_device_name() if device.type == "cuda" else "CPU"
    cfg = settings_of(network, given.batch, "auto")
    training = split(given.joints, grid, 0)
    flops = 3 * cost(build_network(cfg.network), grid).flops
    speed, parity = ours(cfg, training, device)
    plain, _ = ours(replace(cfg, precision="fp32"), training, device)
    others = reference(cfg, split(given.reference_joints, grid, 1), device, given.workers, given.limit_s)
    best = max(others, key=lambda way: others[way])
    rows = [
        Row(
            f"training, beside MONAI's loop at its best ({best})",
            network,
            name,
            speed,
            others[best],
            "joints/s",
        ),
        Row("training in float32", network, name, plain, None, "joints/s"),
    ]
    rows += [Row(f"MONAI's loop, {way}", network, name, v, None, "joints/s") for way, v in others.items()]
    if device.type == "cuda":
        peak = next((v for card, v in PEAK_BF16.items() if card in name), None)
        rows.append(Row("bf16 parity: largest difference of a logit", network, name, parity, None, ""))
        if peak:
            rows.append(Row("share of the card's peak", network, name, 100 * speed * flops / peak, None, "%"))
        used = torch.cuda.max_memory_allocated() / 2**30
        rows.append(Row("peak memory on the card", network, name, used, None, "GiB"))
        torch.cuda.reset_peak_memory_stats()
    return rows


def write(rows: list[Row], table: Path) -> None:
    """The table as CSV; lines of other networks or devices that stand there stay."""
    lines = [[r.what, r.network, r.device, f"{r.ours:.4g}", *_beside(r), r.unit] for r in rows]
    mine = {(line[1], line[2]) for line in lines}
    head = ["what", "network", "device", "ours", "reference", "ratio", "unit"]
    if table.exists():
        with table.open(newline="") as file:
            lines = [line for line in list(csv.reader(file))[1:] if (line[1], line[2]) not in mine] + lines
    with table.open("w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([head, *lines])


def _beside(row: Row) -> tuple[str, str]:
    return ("", "") if row.reference is None else (f"{row.reference:.4g}", f"{row.ours / row.reference:.2f}")


def main() -> None:
    """Measure every network and write the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--networks", nargs="+", default=["resnet_reference"])
    parser.add_argument("--joints", type=int, default=16384, help="of our loop, a training epoch")
    parser.add_argument("--reference-joints", type=int, default=2048, help="of MONAI's loop")
    parser.add_argument("--workers", type=int, nargs="+", default=[0, 8, 16], help="of MONAI's loop")
    parser.add_argument("--limit-s", type=float, default=15, help="longest epoch of MONAI's loop")
    parser.add_argument("--batch", type=int, default=128)
    parser.add_argument("--table", type=Path, default=Path(__file__).with_suffix(".csv"))
    given = parser.parse_args()
    for network in given.networks:
        rows = rows_of(network, given, torch.device(given.device))
        write(rows, given.table)
        for row in rows:
            print(*row, sep="; ", flush=True)


if __name__ == "__main__":
    main()
