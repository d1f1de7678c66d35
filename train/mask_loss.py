"""What masks cost a network that learns them: the cross-entropy of every cell, and how thick its gap is along z.

Things to be found are rare: a gap fills less than a thousandth of all cells. Weighing filled cells more would make the
shares that the network says too large, and with them every area and thickness measured by them. Instead each mask's
mean cross-entropy is divided by that of one share said of every cell: a network that knows no more than how rare a mask
is pays 1 for it, whatever the mask, and a share's best answer is still the share.
"""

from typing import Final, NamedTuple

import torch
from torch import Tensor
from torch.nn import functional

from jointwise.joints.masks import FULL, MASKS
from jointwise.train.data import Split

GAP: Final = MASKS.index("gap")

LEAST_SHARE: Final = 1e-5
"""A mask rarer than this is weighed as one of this share, or the few joints that have it would rule the training."""

BEND_CELLS: Final = 0.25
"""Error of a gap's thickness, in cells, below which it counts squared and above which plain (Huber's)."""

PART: Final = 1024
"""Joints whose shares are summed at a time."""


class Masks(NamedTuple):
    """Masks to be learned.

    Args:
        stored: (n, mask, z, y, x) uint8 of the training joints.
        usual: from :func:`usual_shares`, on the device of the network.
    """

    stored: Tensor
    usual: Tensor


def masks_of(training: Split, weight: float, device: torch.device) -> Masks | None:
    """The masks to be learned, if there are any and they weigh anything."""
    if training.masks is None or not weight:
        return None
    return Masks(training.masks, usual_shares(training.masks).to(device))


def usual_shares(masks: Tensor) -> Tensor:
    """Mean share (4,) of every mask over the cells of all joints, float32; sums are of whole numbers, hence exact.

    Args:
        masks: (n, mask, z, y, x) uint8.
    """
    parts = [part.sum(dim=(0, 2, 3, 4), dtype=torch.int64) for part in torch.split(masks, PART)]
    cells = masks.numel() // masks.shape[1]
    return (torch.stack(parts).sum(dim=0).double() / (FULL * cells)).float()


def mask_loss(logits: Tensor, shares: Tensor, usual: Tensor) -> Tensor:
    """Mean relative cross-entropy of the masks, and the gap's relative error in thickness; 0 without any mask.

    Args:
        logits: (n, mask, z, y, x) float32.
        shares: of the same shape, 0 to 1.
        usual: (4,) from :func:`usual_shares` of the training joints; masks of share 0 do not count.
    """
    entropy = functional.binary_cross_entropy_with_logits(logits, shares, reduction="none")
    known = usual.clamp(LEAST_SHARE, 1 - LEAST_SHARE)
    prior = -(known * known.log() + (1 - known) * (-known).log1p())
    there = usual > 0
    cells = (entropy.mean(dim=(0, 2, 3, 4)) / prior * there).sum() / there.sum().clamp(min=1)
    said, true = (gap.sum(dim=1) for gap in (logits[:, GAP].sigmoid(), shares[:, GAP]))
    off = functional.smooth_l1_loss(said, true, beta=BEND_CELLS)
    return cells + off / (known[GAP] * shares.shape[2]) * there[GAP]
