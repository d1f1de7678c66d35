"""The training loop: straight down, without tracking, configuration files or a trainer class.

Every random thing is a function of (seed, epoch, step), so a training that was killed and goes on from its checkpoint
ends with the same bits as one that was not.
"""

import math
import time
from collections.abc import Callable
from typing import Any, cast

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from jointwise.evaluation.statistics import measures
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, N_KINDS
from jointwise.joints.masks import FULL
from jointwise.models.network import JointNetwork
from jointwise.train import augment
from jointwise.train.checkpoint import Progress
from jointwise.train.data import (
    Split,
    epoch_order,
    gathered,
    positive_weights,
    resident,
    steps_per_epoch,
    taken,
)
from jointwise.train.mask_loss import Masks, mask_loss, masks_of
from jointwise.train.settings import OptimiserSettings, TrainSettings
from jointwise.train.start import to_learn

Tell = Callable[[int, int, str], None]
"""Told after each step: steps done, steps in all, and a word on how it goes."""

SPEED = "joints_per_second"
"""The one entry of an epoch's line that does not repeat."""

LOOK_ON_CARD = 50
"""Steps after which the loss is looked at on a card: to look at each would be to wait for each."""

CALLED = 0.5
"""Probability from which an uncalibrated network calls a kind while it is being trained."""


def fit(
    network: nn.Module,
    optimiser: torch.optim.Optimizer,
    training: Split,
    validation: Split | None,
    settings: TrainSettings,
    progress: Progress,
    save: Callable[[Progress], None],
    tell: Tell,
) -> None:
    """Train from where `progress` stands; afterwards `progress.best` holds the weights of the best epoch.

    Without validation joints that is the last one.

    Args:
        network: gives logits (n, 4); lies on the device to be used.
        optimiser: from :func:`make_optimiser`.
        training: joints to learn from.
        validation: joints that say which epoch was best and when to stop; None where nothing is asked of any.
        settings: of the whole training.
        progress: where it stands; moved on as it goes.
        save: writes a checkpoint and the lines of the finished epochs.
        tell: shows how far it is.

    Raises:
        InputError: the loss is no longer finite; found at the latest `LOOK_ON_CARD` steps later on a card.
    """
    device = next(network.parameters()).device
    balance = positive_weights(training.truth, settings.balance)
    training, validation = resident(training, device), validation and resident(validation, device)
    masks = masks_of(training, settings.masks_weight, device)
    steps = steps_per_epoch(len(training), settings.batch)
    while progress.epoch < settings.epochs and not out_of_patience(progress, settings.patience):
        first, began = progress.step, time.perf_counter()
        _run_epoch(network, optimiser, training, balance.to(device), masks, settings, progress, save, tell)
        speed = (steps - first) * min(settings.batch, len(training)) / (time.perf_counter() - began)
        line = {"epoch": progress.epoch + 1, "loss": progress.loss_sum / steps, SPEED: round(speed, 1)}
        if validation is not None:
            line |= _validated(network, validation, balance, masks, settings)
        end_epoch(progress, line, network)
        save(progress)


def _validated(
    network: nn.Module, validation: Split, balance: Tensor, masks: Masks | None, settings: TrainSettings
) -> dict[str, Any]:
    """What the line of an epoch says of the validation joints."""
    logits = predict(network, validation, settings.batch)
    line = judge(logits, validation.truth.cpu(), balance)
    if masks and validation.masks is not None:
        line["validation_mask_loss"] = mask_loss_of(network, validation, masks.usual, settings.batch)
    if learns_in_bf16(settings.precision, next(network.parameters()).device):
        line["bf16_difference"] = bf16_difference(network, validation, logits[: settings.batch])
    return line


def _run_epoch(
    network: nn.Module,
    optimiser: torch.optim.Optimizer,
    training: Split,
    balance: Tensor,
    masks: Masks | None,
    settings: TrainSettings,
    progress: Progress,
    save: Callable[[Progress], None],
    tell: Tell,
) -> None:
    """The steps that are left of the epoch in progress; never waits for a card but when it looks at the loss."""
    device, half = balance.device, learns_in_bf16(settings.precision, balance.device)
    every = LOOK_ON_CARD if device.type == "cuda" else 1
    steps = steps_per_epoch(len(training), settings.batch)
    order = torch.from_numpy(epoch_order(len(training), settings.seed, progress.epoch))
    places, labels = order.to(training.volumes.device), order.to(training.truth.device)
    cells = order.to(masks.stored.device) if masks else order
    total = torch.tensor(progress.loss_sum, dtype=torch.float64, device=device)
    note = f"epoch {progress.epoch + 1}"
    to_learn(network, settings.statistics)
    while progress.step < steps:
        done = progress.epoch * steps + progress.step
        now = slice(progress.step * settings.batch, (progress.step + 1) * settings.batch)
        volumes, truth = taken(training.volumes, places[now], device), training.truth[labels[now]].to(device)
        record = augment.draw(settings.augment, len(truth), settings.seed, progress.epoch, progress.step)
        torch.manual_seed(record.noise_seed)  # for dropout
        set_rate(optimiser, learning_rate(settings.optimiser, done, steps * settings.epochs))
        varied = augment.apply(volumes, record)
        with torch.autocast(device.type, torch.bfloat16, enabled=half):
            logits, seen = looked(network, varied) if masks else (network(varied), None)
        loss = masked_loss(logits[:, :N_KINDS].float(), truth, balance)
        if training.sizes is not None and settings.sizes_weight:
            sizes = training.sizes[labels[now]].to(device)
            loss = loss + settings.sizes_weight * sizes_loss(logits[:, N_KINDS:].float(), sizes)
        if masks and seen is not None:
            shares = augment.apply_to_masks(gathered(masks.stored, cells[now], device), record)
            loss = loss + settings.masks_weight * mask_loss(seen.float(), shares, masks.usual)
        take_step(network, optimiser, loss, settings.optimiser.clip)
        total += loss.detach()
        between = settings.checkpoint_steps and (done + 1) % settings.checkpoint_steps == 0
        if between or (done + 1) % every == 0 or progress.step + 1 == steps:
            progress.loss_sum = checked(total.item(), progress)
            note = f"epoch {progress.epoch + 1}, loss {loss.item():.3f}"
        progress.step += 1
        tell(done + 1, steps * settings.epochs, note)
        if between and progress.step < steps:
            save(progress)


def learns_in_bf16(precision: str, device: torch.device) -> bool:
    """Whether layers are computed in bfloat16 while the network learns; `auto` does so on a card."""
    return precision == "bf16" or (precision == "auto" and device.type == "cuda")


def bf16_difference(network: nn.Module, split: Split, logits: Tensor) -> float:
    """Largest difference between logits in bfloat16 and those given, of the first joints of a split."""
    device = next(network.parameters()).device
    with torch.autocast(device.type, torch.bfloat16):
        rough = predict(network, split, len(logits), len(logits))
    return float((rough - logits).abs().max())


def masked_loss(logits: Tensor, truth: Tensor, balance: Tensor) -> Tensor:
    """Mean binary cross-entropy over the labels that are known; 0 where none is.

    Args:
        logits: (n, 4).
        truth: (n, 4) of 1, 0 or NaN (not counted; no gradient flows from it).
        balance: (4,) weight of a joint with the kind.
    """
    known = ~torch.isnan(truth)
    target = torch.where(known, truth, 0.0)
    loss = functional.binary_cross_entropy_with_logits(logits, target, pos_weight=balance, reduction="none")
    return (loss * known).sum() / known.sum().clamp(min=1)


def sizes_loss(said: Tensor, sizes: Tensor) -> Tensor:
    """Mean distance over the sizes that are known, squared where it is small (Huber's); 0 where none is.

    Args:
        said: (n, 3) columns of models.sizes.
        sizes: (n, 3), NaN where not known.
    """
    known = ~torch.isnan(sizes)
    apart = functional.smooth_l1_loss(said, torch.where(known, sizes, 0.0), reduction="none", beta=0.25)
    return (apart * known).sum() / known.sum().clamp(min=1)


def make_optimiser(network: nn.Module, settings: OptimiserSettings) -> torch.optim.AdamW:
    """AdamW; weights of convolutions and of the last layer decay, biases and normalisation do not."""
    decaying = [p for p in network.parameters() if p.ndim > 1]
    others = [p for p in network.parameters() if p.ndim <= 1]
    groups = [
        {"params": decaying, "weight_decay": settings.weight_decay},
        {"params": others, "weight_decay": 0.0},
    ]
    return torch.optim.AdamW(groups, lr=settings.lr)


def learning_rate(settings: OptimiserSettings, done: int, total: int) -> float:
    """Learning rate of the step after `done` of `total`; a pure function, so that a resume needs no state."""
    if settings.schedule == "constant":
        return settings.lr
    rise = settings.warmup * total if settings.schedule == "one_cycle" else 0.0
    if done < rise:
        return settings.lr * (done + 1) / (rise + 1)
    return settings.lr * 0.5 * (1 + math.cos(math.pi * (done - rise) / (total - rise)))


def set_rate(optimiser: torch.optim.Optimizer, rate: float) -> None:
    """Give every group of parameters the learning rate."""
    for group in optimiser.param_groups:
        group["lr"] = rate


def take_step(network: nn.Module, optimiser: torch.optim.Optimizer, loss: Tensor, clip: float) -> None:
    """One step down the gradient, its norm at most `clip` (0: as it is)."""
    optimiser.zero_grad(set_to_none=True)
    loss.backward()  # type: ignore[no-untyped-call]
    if clip:
        nn.utils.clip_grad_norm_(network.parameters(), clip)
    optimiser.step()


def predict(network: nn.Module, split: Split, batch: int, first: int | None = None) -> Tensor:
    """Logits (n, 4) of a split, or of its `first` joints, in the processor's memory; float32 throughout."""
    device = next(network.parameters()).device
    rows = torch.arange(len(split), device=split.volumes.device)[:first]
    network.eval()
    with torch.inference_mode():
        parts = [
            network(taken(split.volumes, some, device))[:, :N_KINDS].float()
            for some in torch.split(rows, batch)
        ]
    return torch.cat(parts).cpu() if parts else torch.empty(0, N_KINDS)


def looked(network: nn.Module, volumes: Tensor) -> tuple[Tensor, Tensor]:
    """What a network that knows masks gives: the columns of :func:`predict` and sizes, and logits of masks."""
    return cast(JointNetwork, network).looked(volumes)


def mask_loss_of(network: nn.Module, split: Split, usual: Tensor, batch: int) -> float:
    """Mean :func:`mask_loss` of the batches of a split that has masks; in float32 throughout."""
    assert split.masks is not None
    device, total = usual.device, torch.zeros((), dtype=torch.float64, device=usual.device)
    network.eval()
    with torch.inference_mode():
        for some in torch.split(torch.arange(len(split)), batch):
            volumes = taken(split.volumes, some.to(split.volumes.device), device)
            shares = taken(split.masks, some.to(split.masks.device), device) / FULL
            total += len(some) * mask_loss(looked(network, volumes)[1].float(), shares, usual)
    return total.item() / len(split)


def judge(logits: Tensor, truth: Tensor, balance: Tensor) -> dict[str, Any]:
    """Validation loss, and per kind n, precision, recall and AP; null where one is not defined."""
    line: dict[str, Any] = {"validation_loss": masked_loss(logits, truth, balance).item(), "kinds": {}}
    probability = logits.double().sigmoid().numpy()
    for k, kind in enumerate(KINDS):
        known = ~np.isnan(truth[:, k].numpy())
        labels, scores = truth[:, k].numpy()[known], probability[known, k]
        counts = measures.count(labels, scores >= CALLED)
        values = {
            "precision": counts.precision,
            "recall": counts.recall,
            "ap": measures.average_precision(labels, scores),
        }
        line["kinds"][kind] = {"with": counts.faulty, "without": counts.sound} | {
            name: None if math.isnan(value) else value for name, value in values.items()
        }
    return line


def end_epoch(progress: Progress, line: dict[str, Any], network: nn.Module) -> None:
    """Count a finished epoch and keep its weights if its validation loss is the least so far, or if it has none."""
    loss = checked(line["validation_loss"], progress) if "validation_loss" in line else None
    progress.history.append(line)
    progress.epoch, progress.step, progress.loss_sum = progress.epoch + 1, 0, 0.0
    if loss is None or progress.best_loss is None or loss < progress.best_loss:
        progress.best_loss, progress.best_epoch = loss, progress.epoch
        progress.best = {name: value.detach().cpu().clone() for name, value in network.state_dict().items()}


def out_of_patience(progress: Progress, patience: int) -> bool:
    """Whether `patience` epochs have passed without a better validation loss; never for 0."""
    return bool(patience) and progress.epoch - progress.best_epoch >= patience


def checked(loss: float, progress: Progress) -> float:
    """The loss, if it is a number.

    Raises:
        InputError: it is not, so that training on is useless.
    """
    if not math.isfinite(loss):
        raise InputError(
            f"expected a finite loss, found {loss} in epoch {progress.epoch + 1}, step {progress.step + 1}; "
            "lower optimiser.lr"
        )
    return loss
