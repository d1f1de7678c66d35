"""The training loop: straight down, without tracking, configuration files or a trainer class.

Every random thing is a function of (seed, epoch, step), so a training that was killed and goes on from its checkpoint
ends with the same bits as one that was not.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from jointwise.evaluation import measures
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, N_KINDS
from jointwise.train import augment
from jointwise.train.checkpoint import Progress
from jointwise.train.data import Split, epoch_order, positive_weights, steps_per_epoch
from jointwise.train.settings import OptimiserSettings, TrainSettings

Tell = Callable[[int, int, str], None]
"""Told after each step: steps done, steps in all, and a word on how it goes."""

CALLED = 0.5
"""Probability from which an uncalibrated network calls a kind while it is being trained."""


def fit(
    network: nn.Module,
    optimiser: torch.optim.Optimizer,
    training: Split,
    validation: Split,
    settings: TrainSettings,
    progress: Progress,
    save: Callable[[Progress], None],
    tell: Tell,
) -> None:
    """Train from where `progress` stands; afterwards `progress.best` holds the weights of the best epoch.

    Args:
        network: gives logits (n, 4); lies on the device to be used.
        optimiser: from :func:`make_optimiser`.
        training: joints to learn from.
        validation: joints that say which epoch was best and when to stop.
        settings: of the whole training.
        progress: where it stands; moved on as it goes.
        save: writes a checkpoint and the lines of the finished epochs.
        tell: shows how far it is.

    Raises:
        InputError: the loss is no longer finite.
    """
    device = next(network.parameters()).device
    balance = positive_weights(training.truth, settings.balance).to(device)
    steps = steps_per_epoch(len(training), settings.batch)
    while progress.epoch < settings.epochs and not out_of_patience(progress, settings.patience):
        network.train()
        order = epoch_order(len(training), settings.seed, progress.epoch)
        while progress.step < steps:
            done = progress.epoch * steps + progress.step
            rows = torch.from_numpy(order[progress.step * settings.batch :][: settings.batch])
            volumes, truth = training.volumes[rows].to(device).float(), training.truth[rows].to(device)
            record = augment.draw(settings.augment, len(rows), settings.seed, progress.epoch, progress.step)
            torch.manual_seed(record.noise_seed)  # for dropout
            set_rate(optimiser, learning_rate(settings.optimiser, done, steps * settings.epochs))
            loss = masked_loss(network(augment.apply(volumes, record)), truth, balance)
            take_step(network, optimiser, loss, settings.optimiser.clip)
            progress.loss_sum += checked(loss.item(), progress)
            progress.step += 1
            tell(done + 1, steps * settings.epochs, f"epoch {progress.epoch + 1}, loss {loss.item():.3f}")
            if (
                settings.checkpoint_steps
                and (done + 1) % settings.checkpoint_steps == 0
                and progress.step < steps
            ):
                save(progress)
        line = {"epoch": progress.epoch + 1, "loss": progress.loss_sum / steps}
        line |= judge(predict(network, validation, settings.batch), validation.truth, balance.cpu())
        end_epoch(progress, line, network)
        save(progress)


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


def predict(network: nn.Module, split: Split, batch: int) -> Tensor:
    """Logits (n, 4) of a split, in the processor's memory."""
    device = next(network.parameters()).device
    logits = torch.empty(len(split), N_KINDS)
    network.eval()
    with torch.inference_mode():
        for start in range(0, len(split), batch):
            logits[start : start + batch] = network(
                split.volumes[start : start + batch].to(device).float()
            ).cpu()
    return logits


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
    """Count a finished epoch and keep its weights if its validation loss is the least so far."""
    loss = checked(line["validation_loss"], progress)
    progress.history.append(line)
    progress.epoch, progress.step, progress.loss_sum = progress.epoch + 1, 0, 0.0
    if progress.best_loss is None or loss < progress.best_loss:
        progress.best_epoch, progress.best_loss = progress.epoch, loss
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
