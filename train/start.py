"""Where a fine-tuning starts from: another model's network, calibration, cuts and range of scans.

Some dozens of labelled joints tell how often a network is too bold, not where to cut: cuts stay as they are, and each
kind's log odds get another slope and offset, as far as the joints that were kept back insist.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from shutil import copyfile
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, special
from torch import nn
from torch.nn.modules.batchnorm import _BatchNorm

from jointwise.joints.atomic import sha256
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import N_KINDS
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import WEIGHTS, load_model
from jointwise.models.names import RULES_FILE
from jointwise.models.network import JointNetwork
from jointwise.models.settings import NetworkSettings
from jointwise.train.settings import OF_MODEL, TrainSettings

Floats = NDArray[np.float64]

PRIOR: Final = 1.0
"""How far an offset may be off beforehand (standard deviation, in log odds): ten joints weigh about as much."""
PRIOR_SLOPE: Final = 0.5
"""The same of the logarithm of the factor on log odds."""
EDGE: Final = 1e-6
"""Probabilities nearer to 0 or 1 count as this near, so that their log odds are finite."""
LAST: Final = ("fc", "class_layers")
"""Names of the last layer, as the networks of models/network.py call it."""
LATE: Final = (*LAST, "layer4", "denseblock4", "norm5")


@dataclass(frozen=True)
class Start:
    """The model a training starts from.

    Args:
        folder: it was read from.
        network: with its weights.
        card: what belongs to them.
        weights_sha256: of its file of weights.
    """

    folder: Path
    network: JointNetwork
    card: Card
    weights_sha256: str

    @property
    def lineage(self) -> dict[str, Any]:
        """What settings.json and the new card say of it."""
        return {"name": self.card.name, "weights_sha256": self.weights_sha256}


def read_start(settings: TrainSettings, grid: Grid) -> Start | None:
    """The model of `init_from`; None where a training starts anew.

    Args:
        settings: of the training.
        grid: of its joints.

    Raises:
        InputError: no model there, one of another grid, or other network settings than its own.
    """
    if settings.init_from is None:
        if settings.network.name == OF_MODEL:
            raise InputError(f"expected a model for network={OF_MODEL}, found none; give init_from=…")
        return None
    found = load_model(settings.init_from)
    start = Start(settings.init_from, found.network, found.card, sha256(settings.init_from / WEIGHTS))
    if settings.network not in (NetworkSettings(name=OF_MODEL), start.card.network):
        raise InputError(
            f"expected the network {start.card.network.name} as in {settings.init_from}, found other settings of "
            f"{settings.network.name}; give network={OF_MODEL}, or leave init_from out"
        )
    if start.card.grid != grid:
        raise InputError(
            f"expected joints on the grid of the model in {settings.init_from}, {start.card.grid.to_json()}, found "
            f"{grid.to_json()}; cut the scans again with that model (score model=… store=…)"
        )
    return start


def freeze(network: nn.Module, learn: str) -> None:
    """Let only some layers learn, see `TrainSettings.learn`.

    Raises:
        InputError: the network has no layers of these names.
    """
    if learn in {"all", "none"}:
        return
    wanted = LAST if learn == "last" else LATE
    for name, weight in network.named_parameters():
        weight.requires_grad_(any(part in wanted for part in name.split(".")))
    if not any(weight.requires_grad for weight in network.parameters()):
        raise InputError(
            f"learn: expected a network with layers {', '.join(wanted)}, found none; take learn=all"
        )


def to_learn(network: nn.Module, statistics: bool) -> None:
    """Training mode; with `statistics` false normalisation goes on with the means and variances that it has."""
    network.train()
    for layer in network.modules():
        if isinstance(layer, _BatchNorm):
            layer.train(statistics)


def recalibrated(calibration: Calibration, truth: Floats, logits: Floats) -> Calibration:
    """The calibration with each kind's log odds x replaced by exp(a) x + s, against the belief that a = s = 0.

    That maximises Σ log p(truth | exp(a) x + s) - s² / (2 `PRIOR`²) - a² / (2 `PRIOR_SLOPE`²) over the joints whose
    truth is known: a = s = 0 without joints, free with many. The order of joints stays, and so does what a cut means.

    Args:
        calibration: that the cuts were chosen with.
        truth: (n, 4) of 1, 0 or NaN, of joints the network did not learn from.
        logits: (n, 4) of the network as it is now.
    """
    odds = special.logit(np.clip(calibration(logits), EDGE, 1 - EDGE))
    lines = [_line(truth[:, k], odds[:, k]) for k in range(N_KINDS)]
    curves = tuple(
        tuple(
            (x, float(special.expit(factor * special.logit(np.clip(p, EDGE, 1 - EDGE)) + shift)))
            for x, p in points
        )
        for points, (factor, shift) in zip(calibration.curves, lines, strict=True)
    )
    slopes = tuple(factor * slope for slope, (factor, _) in zip(calibration.slopes, lines, strict=True))
    offsets = tuple(
        factor * at + shift for at, (factor, shift) in zip(calibration.offsets, lines, strict=True)
    )
    return replace(calibration, slopes=slopes, offsets=offsets, curves=curves)


def _line(truth: Floats, odds: Floats) -> tuple[float, float]:
    """Factor and shift of log odds that are most likely."""
    known = ~np.isnan(truth)
    t, x = truth[known], odds[known]

    def loss(line: Floats) -> tuple[float, Floats]:
        stretched = np.exp(line[0]) * x
        error = special.expit(stretched + line[1]) - t
        value = np.sum(np.logaddexp(0, stretched + line[1]) - t * (stretched + line[1]))
        prior = (line[0] / PRIOR_SLOPE) ** 2 / 2 + (line[1] / PRIOR) ** 2 / 2
        slope = np.array([error @ stretched + line[0] / PRIOR_SLOPE**2, error.sum() + line[1] / PRIOR**2])
        return float(value + prior), slope

    found = optimize.minimize(loss, np.zeros(2), jac=True, method="BFGS", options={"gtol": 1e-6}).x
    return float(np.exp(found[0])), float(found[1])


def widened(old: Envelope, table: pd.DataFrame) -> Envelope:
    """The smallest ranges that hold those of before and the joints of a table; an open end stays open."""
    new = Envelope.of(table)

    def end(a: float | None, b: float | None, pick: Any) -> float | None:
        return None if a is None or b is None else float(pick(a, b))

    ranges = {
        name: (end(low, new.ranges[name][0], min), end(high, new.ranges[name][1], max))
        for name, (low, high) in old.ranges.items()
        if name in new.ranges
    }
    return Envelope(ranges, old.scans + new.scans)


def bring_rules(start: Path, model: Path) -> None:
    """Put the rules of the model that was started from beside the new one, as they are, unless some are there."""
    if (start / RULES_FILE).is_file() and not (model / RULES_FILE).exists():
        copyfile(start / RULES_FILE, model / RULES_FILE)
