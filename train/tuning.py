"""How far to go from the weights that a fine-tuning starts with, asked of labelled joints kept back by turns.

Labelled joints are too few to give any away: all are learned from, on a schedule fixed beforehand. The same training
then runs without each part of them and judges the joints of that part. These answers, joint by joint, are what the
network says of joints it has not seen. They choose how far the weights go towards the last ones (a straight line
between start and end keeps what the start knew: M. Wortsman et al., Robust fine-tuning of zero-shot models, CVPR
2022), and they fit the calibration.
"""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import Module

from jointwise.evaluation.statistics.measures import Floats
from jointwise.models.calibration import Calibration
from jointwise.models.network import JointNetwork
from jointwise.train.checkpoint import Progress
from jointwise.train.data import Split
from jointwise.train.loop import Tell, fit, make_optimiser, predict
from jointwise.train.settings import TrainSettings
from jointwise.train.start import recalibrated

SHARES: Final = (0.0, 0.5, 1.0)
"""How much of the way from the first weights to the last may be gone."""

Weights = dict[str, Tensor]


def between(first: Weights, last: Weights, share: float) -> Weights:
    """Weights on the straight line from `first` (share 0) to `last` (share 1); counters are the last's."""
    return {
        name: torch.lerp(first[name].to(value.device), value, share) if value.is_floating_point() else value
        for name, value in last.items()
    }


def answers(
    begun: Callable[[], JointNetwork],
    joints: Split,
    part: NDArray[np.int64],
    settings: TrainSettings,
    tell: Tell,
) -> Floats:
    """Logits (share, n, 4) of joints by networks that did not learn from their part, for every one of `SHARES`.

    Args:
        begun: makes a network with the first weights, on its device, ready to learn.
        joints: the n joints.
        part: (n,) from 0; joints of part -1 are always learned from, and their logits are NaN.
        settings: of the whole training, repeated for each part.
        tell: told after each step of each of them.
    """
    said = np.full((len(SHARES), *joints.truth.shape), np.nan)
    parts = int(part.max()) + 1
    for number in range(parts):
        network, kept = begun(), part == number
        first = {name: value.clone() for name, value in network.state_dict().items()}
        last = first
        if settings.learn != "none":
            told = _told(tell, f"kept back {number + 1} of {parts}")
            optimiser = make_optimiser(network, settings.optimiser)
            fit(network, optimiser, some(joints, ~kept), None, settings, Progress(), _unsaved, told)
            last = {name: value.clone() for name, value in network.state_dict().items()}
        for place, share in enumerate(SHARES):
            network.load_state_dict(between(first, last, share))
            said[place, kept] = predict(network, some(joints, kept), settings.batch).numpy()
    return said


def chosen(calibration: Calibration, truth: Floats, said: Floats) -> tuple[int, list[float]]:
    """Place in `SHARES` of the share with the least loss, each share recalibrated, and all losses.

    Args:
        calibration: of the start.
        truth: (n, 4) of 1, 0 or NaN.
        said: of :func:`answers`, of the same joints.
    """
    losses = [_loss(recalibrated(calibration, truth, logits)(logits), truth) for logits in said]
    return int(np.argmin(losses)), losses


def go(network: Module, first: Weights, share: float) -> None:
    """Take a tuned network back to that share of its way."""
    network.load_state_dict(between(first, network.state_dict(), share))


def some(split: Split, rows: NDArray[np.bool_]) -> Split:
    """The joints of a split, in the processor's memory, that are marked; without masks."""
    picked: Any = torch.from_numpy(rows)
    return Split(split.volumes[picked], split.truth[picked], split.table[rows].reset_index(drop=True))


def _loss(scores: Floats, truth: Floats) -> float:
    """Mean cross-entropy per label, the same weight for every kind that is known."""
    with np.errstate(invalid="ignore"):
        p = np.clip(np.where(truth == 1, scores, 1 - scores), 1e-9, 1)
    p[np.isnan(truth)] = np.nan
    kinds = ~np.isnan(truth).all(axis=0)
    return float(-np.nanmean(np.log(p[:, kinds]), axis=0).mean())


def _told(tell: Tell, what: str) -> Tell:
    return lambda done, total, note: tell(done, total, f"{what}, {note}")


def _unsaved(_: Progress) -> None:
    """These trainings are short: cut off, they run again, to the same bits."""
