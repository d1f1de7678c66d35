"""Settings of the detectors: which network, and by which criterion thresholds are chosen. Pure dataclasses."""

import math
from dataclasses import dataclass
from typing import Final

from jointwise.joints.errors import InputError

FAMILIES: Final = ("resnet", "densenet121")
CRITERIA: Final = ("f1", "false_calls", "guarded_f1", "recall_first")
STAGES: Final = 4
"""Stages of a ResNet: the first keeps the stem's resolution, each later one halves it."""

WIDEST_GUARD: Final = 2.0
"""Widest guard band of a void's area, in points: to call a void of less than 3 % is a false call."""


@dataclass(frozen=True)
class NetworkSettings:
    """Which network and how wide.

    Args:
        name: what tables call it.
        family: resnet or densenet121.
        widths: channels of the four stages of a ResNet.
        blocks: residual blocks in each of the four stages.
        stem_kernel: size (z, y, x) of the first convolution, odd numbers.
        stem_stride: step (z, y, x) of the first convolution; it stands in for a pooling layer.
        dropout: share of features left out before the last layer while training; 0 leaves none out.
        sizes: whether the network also learns how large a void, gap and neck are, see models/sizes.py.
        tight: share of the sub-volume's edges in x and y that a second ResNet sees, whose first convolution does not
            step along z, where thin gaps lie; the features of both go to the last layer. 0: there is no second one.
        tight_widths: channels of the four stages of that second ResNet; it has the same blocks.
        masks: whether a light decoder also says where solder, voids, gaps and bridges lie, see joints/masks.py and
            models/decoder.py; for a resnet without `tight`.
        decoder_widths: channels of that decoder at the masks' cells and at the second and third stage's steps.
    """

    name: str = "resnet_small"
    family: str = "resnet"
    widths: tuple[int, ...] = (16, 32, 64, 128)
    blocks: tuple[int, ...] = (1, 1, 1, 1)
    stem_kernel: tuple[int, int, int] = (3, 3, 3)
    stem_stride: tuple[int, int, int] = (2, 2, 2)
    dropout: float = 0.0
    sizes: bool = False
    tight: float = 0.0
    tight_widths: tuple[int, ...] = (8, 16, 32, 64)
    masks: bool = False
    decoder_widths: tuple[int, ...] = (16, 16, 32)

    def __post_init__(self) -> None:
        if self.family not in FAMILIES:
            raise InputError(
                f"network.family: expected one of {', '.join(FAMILIES)}, found {self.family!r}; choose one of them"
            )
        stages = ("widths", "blocks", "tight_widths")
        threes = ("stem_kernel", "stem_stride", "decoder_widths")
        for key, count in (*((key, STAGES) for key in stages), *((key, 3) for key in threes)):
            values = tuple(getattr(self, key))
            if len(values) != count or min(values) < 1:
                raise InputError(
                    f"network.{key}: expected {count} whole numbers from 1, found {list(values)}; correct the list"
                )
            object.__setattr__(self, key, values)
        if any(size % 2 == 0 for size in self.stem_kernel):
            raise InputError(
                f"network.stem_kernel: expected odd sizes, found {list(self.stem_kernel)}; take 3, 5 or 7"
            )
        if not 0 <= self.dropout < 1:
            raise InputError(
                f"network.dropout: expected a share from 0 to below 1, found {self.dropout}; correct it"
            )
        if self.tight and not (0.2 <= self.tight <= 1 and self.family == "resnet"):
            raise InputError(
                f"network.tight: expected 0, or a share from 0.2 to 1 with a resnet, found {self.tight} with "
                f"{self.family}; correct it"
            )
        if self.masks and (self.tight or self.family != "resnet"):
            raise InputError(
                f"network.masks: expected a resnet without network.tight, found {self.family} with tight="
                f"{self.tight:g}; leave one of them out"
            )


@dataclass(frozen=True)
class ThresholdSettings:
    """How the score from which a kind is called is chosen on validation joints.

    Args:
        criterion: f1 takes the cut with the best F1; false_calls the lowest cut that keeps false calls in the limit;
            guarded_f1 that with the best F1, raised where it would call more of the sound joints than the limit;
            recall_first cuts that find as much as they can, on average over kinds, while all kinds together call no
            more of the sound joints than the limit (but for `void_guard`), see models/recall_first.py.
        false_calls: share of the joints without the kind that may be called, with criterion false_calls; of the sound
            joints, with guarded_f1 (each kind by itself) and recall_first (any call).
        floor: score below which nothing is called, whatever the criterion says; 0 sets none.
        noise_classes: into how many classes of noise the validation joints are split, each with its own cuts; 1 gives
            all scans the same.
        least_sound: sound joints that a class must hold; classes with fewer are merged.
        parted: whether a joint that is surely open, but not surely in one of the two ways of being so, is called too,
            by a cut on the sum of both scores that the same criterion chooses; see models/parted.py.
        void_guard: with recall_first, a guard band below the limit of 5 % void area, in points: a sound joint with that
            much of a void may be called void without counting towards false_calls.
    """

    criterion: str = "f1"
    false_calls: float = 0.02
    floor: float = 0.0
    noise_classes: int = 1
    least_sound: int = 200
    parted: bool = True
    void_guard: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.void_guard <= WIDEST_GUARD or (self.void_guard and self.criterion != "recall_first"):
            raise InputError(
                f"thresholds.void_guard: expected 0 to {WIDEST_GUARD:g} points, and 0 but with recall_first, found "
                f"{self.void_guard} with {self.criterion}; correct it"
            )
        if self.criterion not in CRITERIA:
            raise InputError(
                f"thresholds.criterion: expected one of {', '.join(CRITERIA)}, found {self.criterion!r}; choose one"
            )
        for key in ("false_calls", "floor"):
            share = getattr(self, key)
            if not (math.isfinite(share) and 0 <= share < 1):
                raise InputError(
                    f"thresholds.{key}: expected a share from 0 to below 1, found {share}; correct it"
                )
        for key in ("noise_classes", "least_sound"):
            if getattr(self, key) < 1:
                raise InputError(
                    f"thresholds.{key}: expected a whole number of at least 1, found {getattr(self, key)}; correct it"
                )
