"""Settings of a training. Pure dataclasses, checked when made; configs/train composes them."""

import math
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from jointwise.joints.errors import InputError
from jointwise.models.calibration import demand_method
from jointwise.models.settings import NetworkSettings, ThresholdSettings

SCHEDULES: Final = ("one_cycle", "cosine", "constant")
ALIASES: Final = re.compile(r"(?!latest$|[vV]\d+$)[A-Za-z][A-Za-z0-9_-]*")
"""What MLflow takes as an alias."""
PRECISIONS: Final = ("auto", "fp32", "bf16")
LEARN: Final = ("all", "late", "last", "none")
OF_MODEL: Final = "of_model"
"""Name that stands for the network of `init_from`."""


@dataclass(frozen=True)
class OptimiserSettings:
    """AdamW and how its learning rate runs.

    Args:
        lr: highest learning rate.
        weight_decay: decoupled weight decay; biases and normalisation have none.
        schedule: one_cycle rises over the warm-up and falls to zero as a cosine; cosine falls at once; constant stays.
        warmup: share of all steps over which one_cycle rises.
        clip: largest norm of the gradient; 0 leaves it alone.
    """

    lr: float = 3e-3
    weight_decay: float = 0.02
    schedule: str = "one_cycle"
    warmup: float = 0.2
    clip: float = 5.0

    def __post_init__(self) -> None:
        _at_least(self, "optimiser", lr=0, weight_decay=0, clip=0)
        if self.lr == 0:
            raise InputError("optimiser.lr: expected a learning rate above 0, found 0; correct it")
        if self.schedule not in SCHEDULES:
            raise InputError(
                f"optimiser.schedule: expected one of {', '.join(SCHEDULES)}, found {self.schedule!r}; choose one"
            )
        if not 0 <= self.warmup < 1:
            raise InputError(
                f"optimiser.warmup: expected a share from 0 to below 1, found {self.warmup}; correct it"
            )


@dataclass(frozen=True)
class AugmentSettings:
    """Strength of each change made to a training joint; every default changes nothing.

    Args:
        mirror: chance of a mirror image in x, and as much in y.
        turn: chance of a turn by 90, 180 or 270 degrees about the board normal.
        shift: largest move along each axis, in grid steps, at most 1.
        offset: standard deviation of a change of the air level, in units of the solder level.
        gain: standard deviation of the logarithm of a factor on all values.
        noise: largest standard deviation of added white noise, in units of the solder level.
        blur: largest standard deviation of an added Gaussian blur, in grid steps, at most 1.
        contrast: largest bend c, at most 0.9, of grey values v between air and solder, v + c v (1 - v), as beam
            hardening and its correction differ.
        grain: largest standard deviation of added noise that is alike over one or two grid steps, as that of a
            reconstruction is, in units of the solder level.
    """

    mirror: float = 0.0
    turn: float = 0.0
    shift: float = 0.0
    offset: float = 0.0
    gain: float = 0.0
    noise: float = 0.0
    blur: float = 0.0
    contrast: float = 0.0
    grain: float = 0.0

    def __post_init__(self) -> None:
        _at_least(self, "augment", **dict.fromkeys(vars(self), 0))
        if self.contrast > 0.9:
            raise InputError(
                f"augment.contrast: expected a bend up to 0.9, found {self.contrast}; correct it"
            )
        for name in ("mirror", "turn", "shift", "blur"):
            if getattr(self, name) > 1:
                raise InputError(
                    f"augment.{name}: expected a number from 0 to 1, found {getattr(self, name)}; correct it"
                )


@dataclass(frozen=True)
class TrackingSettings:
    """Where MLflow keeps the run.

    Args:
        enabled: whether to log at all; the files of the run are written in any case.
        uri: address of an MLflow store or server; null keeps an SQLite file in `folder`.
        folder: where that SQLite file and its artefacts lie; null takes `tracking` in the folder of the run.
        experiment: name of the experiment in MLflow.
        timeout_s: seconds after which a server that does not answer is given up.
        registered_as: name under which a finished training's model becomes a version in MLflow's registry; empty
            registers none.
        alias: by which the newest such version can be asked for (models:/NAME@ALIAS); empty gives none.
    """

    enabled: bool = True
    uri: str | None = None
    folder: Path | None = None
    experiment: str = "jointwise"
    timeout_s: float = 5.0
    registered_as: str = "jointwise"
    alias: str = "candidate"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.timeout_s) and self.timeout_s > 0):
            raise InputError(
                f"tracking.timeout_s: expected seconds above 0, found {self.timeout_s}; correct it"
            )
        if not self.experiment:
            raise InputError("tracking.experiment: expected a name, found none; give one")
        if set(self.registered_as) & set("/:'"):
            raise InputError(
                f"tracking.registered_as: expected a name without / : and ', found {self.registered_as!r}; rename it"
            )
        if self.alias and not ALIASES.fullmatch(self.alias):
            raise InputError(
                "tracking.alias: expected a letter, then letters, digits, - and _, and neither latest nor v with a "
                f"number, found {self.alias!r}; rename it"
            )


@dataclass(frozen=True)
class TrainSettings:
    """Settings of `jointwise train`.

    Args:
        data: store of joints with the splits train and validation.
        more_data: further stores of the same grid; the boards of each keep their splits.
        more_data_whole: train on every board of more_data, whatever its split; validation is left to the first store.
        data_validates: every board of data validates, whatever its split; training is left to more_data.
        out: folder of this run; the same command goes on with a run that was cut off.
        labels: checked label sheet (CSV) with the truth of the joints in data, several readers merged by majority (or
            by the reader `adjudicated`); null takes labels.csv in the folder data if one lies there, else the store's
            own truth.
        init_from: model folder whose network, weights, calibration and cuts the training starts from; null starts anew.
        learn: which layers learn: all; late, the last stage and the last layer; last, that layer alone; or none, so
            that with init_from and folds only the calibration is fitted anew.
        statistics: whether the means and variances of normalisation follow the training joints; false keeps them.
        folds: with init_from, learn from the joints of both splits, to the last epoch; the training is repeated without
            each of so many parts of them (boards where there are several), and what these say of the joints kept back
            decides how far to go and fits the calibration, see train/tuning.py. 0: the split validation does.
        keep_cuts: with init_from, take over that model's cuts, and its calibration but for a slope and an offset of
            each kind, see train/start.py; false chooses both anew, for which hundreds of joints are needed.
        seed: decides first weights, order of joints and augmentation.
        epochs: passes over the training joints.
        patience: epochs without a better validation loss after which training stops; 0 never stops early.
        batch: joints per step.
        limit: use only so many training joints, drawn by the seed; 0 uses all.
        validation_limit: the same of the validation joints.
        least_gap_voxels: non_wet and head_in_pillow with a mean gap below so many voxels of their scan do not count for
            that kind, neither in training nor in validation, since the scan does not hold them; 0 counts all.
        balance: highest weight of a joint with a kind against one without, where the kind is rare; 1 weighs equally.
        sizes_weight: how much the sizes of voids, gaps and necks weigh beside the kinds, with network.sizes.
        masks_weight: how much the masks of solder, voids, gaps and bridges weigh beside the kinds, with network.masks;
            see train/mask_loss.py.
        checkpoint_steps: steps between checkpoints; 0 writes one after every epoch.
        device: cpu, cuda, cuda:N, or auto.
        threads: processor threads; 0 takes torch's choice. Results repeat bit for bit for the same number.
        rules: whether the command fits the rules on the same store too.
        novelty: whether it fits the novelty detector too, on sound training joints of the store.
        precision: of the network's layers while it learns: fp32, bf16 (weights, loss and validation stay float32),
            or auto, which is bf16 on a CUDA card and fp32 elsewhere.
        calibration: how logits are turned into probabilities on validation joints: platt (a line), temperature (a
            factor) or isotonic (a rising curve, for many joints), see models/calibration.py.
        repeatable: take only cuDNN's repeatable convolutions on a card; false tries all and takes the fastest.
        network: which network; with init_from network=of_model takes that model's, and any other is refused.
        optimiser: how it learns.
        augment: how training joints are varied.
        thresholds: how the cuts are chosen on validation joints.
        tracking: where MLflow keeps the run.
    """

    data: Path
    out: Path = Path("out/train")
    more_data: tuple[Path, ...] = ()
    more_data_whole: bool = False
    data_validates: bool = False
    labels: Path | None = None
    init_from: Path | None = None
    learn: str = "all"
    statistics: bool = True
    folds: int = 0
    keep_cuts: bool = True
    seed: int = 0
    epochs: int = 30
    patience: int = 0
    batch: int = 16
    limit: int = 0
    validation_limit: int = 0
    least_gap_voxels: float = 0.0
    balance: float = 4.0
    sizes_weight: float = 1.0
    masks_weight: float = 0.5
    checkpoint_steps: int = 0
    device: str = "auto"
    threads: int = 0
    rules: bool = True
    novelty: bool = True
    precision: str = "auto"
    calibration: str = "platt"
    repeatable: bool = True
    network: NetworkSettings = field(default_factory=NetworkSettings)
    optimiser: OptimiserSettings = field(default_factory=OptimiserSettings)
    augment: AugmentSettings = field(default_factory=AugmentSettings)
    thresholds: ThresholdSettings = field(default_factory=ThresholdSettings)
    tracking: TrackingSettings = field(default_factory=TrackingSettings)

    def __post_init__(self) -> None:
        _at_least(
            self,
            "",
            seed=0,
            epochs=1,
            patience=0,
            batch=2,
            limit=0,
            folds=0,
            balance=1,
            checkpoint_steps=0,
            threads=0,
            least_gap_voxels=0,
            sizes_weight=0,
            masks_weight=0,
            validation_limit=0,
        )
        if self.precision not in PRECISIONS:
            raise InputError(
                f"precision: expected one of {', '.join(PRECISIONS)}, found {self.precision!r}; choose one"
            )
        demand_method(self.calibration)
        if self.data_validates and self.folds:
            raise InputError(
                f"data_validates: expected no folds beside it, found folds={self.folds}; leave one of them out"
            )
        if self.folds == 1:
            raise InputError("folds: expected 2 or more, or 0 for none, found 1; correct it")
        if self.learn not in LEARN:
            raise InputError(f"learn: expected one of {', '.join(LEARN)}, found {self.learn!r}; choose one")
        if self.learn == "none" and not (self.init_from and self.folds):
            raise InputError(
                "learn: expected init_from and folds with learn=none, found one missing; give both"
            )


def _at_least(settings: Any, group: str, **least: float) -> None:
    """Refuse numbers below a limit, naming the key."""
    for name, low in least.items():
        value = getattr(settings, name)
        if not (math.isfinite(value) and value >= low):
            key = f"{group}.{name}" if group else name
            raise InputError(f"{key}: expected a number of at least {low:g}, found {value}; correct it")
