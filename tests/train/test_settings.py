"""Settings of a training: every unusable value is refused by its key, and nothing varies by default."""

from pathlib import Path
from typing import Any

import pytest

from jointwise.joints.errors import InputError
from jointwise.train.settings import AugmentSettings, OptimiserSettings, TrackingSettings, TrainSettings

BAD: list[tuple[type[Any], dict[str, Any], str]] = [
    (OptimiserSettings, {"lr": 0.0}, r"optimiser\.lr"),
    (OptimiserSettings, {"lr": float("nan")}, r"optimiser\.lr"),
    (OptimiserSettings, {"weight_decay": -1.0}, r"optimiser\.weight_decay"),
    (OptimiserSettings, {"schedule": "steps"}, r"optimiser\.schedule"),
    (OptimiserSettings, {"warmup": 1.0}, r"optimiser\.warmup"),
    (AugmentSettings, {"noise": -0.1}, r"augment\.noise"),
    (AugmentSettings, {"mirror": 1.5}, r"augment\.mirror"),
    (AugmentSettings, {"shift": 2.0}, r"augment\.shift"),
    (TrackingSettings, {"timeout_s": 0.0}, r"tracking\.timeout_s"),
    (TrackingSettings, {"experiment": ""}, r"tracking\.experiment"),
    (TrainSettings, {"epochs": 0}, "epochs"),
    (TrainSettings, {"batch": 1}, "batch"),
    (TrainSettings, {"balance": 0.5}, "balance"),
    (TrainSettings, {"seed": -1}, "seed"),
    (TrainSettings, {"validation_limit": -1}, "validation_limit"),
    (TrainSettings, {"sizes_weight": -0.5}, "sizes_weight"),
    (TrainSettings, {"sizes_weight": float("nan")}, "sizes_weight"),
    (TrainSettings, {"least_gap_voxels": -0.1}, "least_gap_voxels"),
    (TrainSettings, {"calibration": "beta"}, "calibration"),
]


@pytest.mark.parametrize(("kind", "changes", "key"), BAD, ids=lambda value: str(value))
def test_unusable_values_are_refused_by_key(kind: type[Any], changes: dict[str, Any], key: str) -> None:
    """The sentence begins with the key to correct."""
    required = {"data": Path("x")} if kind is TrainSettings else {}
    with pytest.raises(InputError, match=f"^{key}: expected"):
        kind(**required, **changes)


def test_augmentation_does_nothing_by_default() -> None:
    """A training that asks for nothing varies nothing."""
    assert set(vars(AugmentSettings()).values()) == {0.0}
