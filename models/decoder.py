"""A light decoder beside a trunk: where solder, voids, gaps and bridges lie, and what follows from it for the kinds.

A feature pyramid (Lin et al., Feature pyramid networks for object detection, CVPR 2017): the features of each stage are
brought to the decoder's width and added to those of the coarser one. Upsampling repeats each value; on CUDA the
backward pass of that repeats bit for bit, while that of trilinear upsampling does not. So do means, largest values
and sums of exponentials over space.
"""

import math
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import torch
from torch import Tensor, nn
from torch.nn import functional

from jointwise.joints.masks import COARSER, MASKS
from jointwise.models.sizes import LIMIT_PCT

USUAL_LOGITS: Final = (-1.0, -6.0, -6.0, -6.0)
"""What a fresh network says of every cell, mask by mask: about a quarter is solder, next to nothing the rest."""

SPACE: Final = (2, 3, 4)

Steps = tuple[int, int, int]


class Seen(NamedTuple):
    """What a decoder gives.

    Args:
        features: (n, c, z, y, x) at the masks' cells.
        masks: logits (n, mask, z, y, x).
    """

    features: Tensor
    masks: Tensor


class Decoder(nn.Module):
    """From the four stages' features to masks.

    Args:
        stages: channels of the four stages.
        widths: channels at the masks' cells, at the second stage's steps and at the third's.
        stem_stride: steps (z, y, x) of the first stage in grid steps.
    """

    def __init__(self, stages: Sequence[int], widths: Sequence[int], stem_stride: Sequence[int]) -> None:
        super().__init__()
        cells, second, third = widths
        self.from_fourth = nn.Conv3d(stages[3], third, 1, bias=False)
        self.from_third = nn.Conv3d(stages[2], third, 1, bias=False)
        self.third = nn.Sequential(*_normed(third), *_convolved(third, (3, 3, 3)))
        self.third_on = nn.Conv3d(third, second, 1, bias=False)
        self.from_second = nn.Conv3d(stages[1], second, 1, bias=False)
        self.second = nn.Sequential(*_normed(second), *_convolved(second, (3, 3, 3)))
        self.second_on = nn.Conv3d(second, cells, 1, bias=False)
        self.from_first = _to_cells(stages[0], cells, stem_stride)
        # Within a slice and then across slices: less than half the work of both at once, at the finest steps.
        self.cells = nn.Sequential(
            *_normed(cells), *_convolved(cells, (1, 3, 3)), *_convolved(cells, (3, 1, 1))
        )
        self.masks = nn.Conv3d(cells, len(MASKS), 1)
        for module in self.modules():
            if isinstance(module, nn.Conv3d) and module is not self.masks:
                nn.init.kaiming_normal_(module.weight, mode="fan_out", nonlinearity="relu")
        with torch.no_grad():
            nn.init.normal_(self.masks.weight, std=0.1 / math.sqrt(cells))
            assert self.masks.bias is not None
            self.masks.bias.copy_(torch.tensor(USUAL_LOGITS))

    def forward(self, stages: Sequence[Tensor], cells: Sequence[int]) -> Seen:
        """Features and masks of the four stages' features.

        Args:
            stages: the first is the finest.
            cells: (z, y, x) of the masks.
        """
        first, second, third, fourth = stages
        known = self.third(_added(self.from_third(third), self.from_fourth(fourth)))
        known = self.second(_added(self.from_second(second), self.third_on(known)))
        fine = _repeated(self.from_first(first), cells)
        features = self.cells(_added(fine, self.second_on(known)))
        return Seen(features, self.masks(features))


def evidence(seen: Seen) -> Tensor:
    """What the whole sub-volume's cells say, (n, :func:`evidence_width`): numbers for a last layer.

    Mean and largest of every feature; of every mask its soft largest logit (the logarithm of the mean exponential),
    the square root of the area it covers seen along z, and the logarithm of 1 + its greatest thickness in cells; and
    the voids' area as :mod:`~jointwise.models.mask_measures` takes it, over the joint's own largest section: the forms
    in which models.sizes has a void's area and a gap, so that a limit on the area is a limit on one number. Last, the
    logarithm of 1 + how thick solder lies under the gap, and over it: metal on both sides tells a pillow from a land
    that was not wetted.
    """
    masks = seen.masks.float()
    share = masks.sigmoid()
    covered = share.amax(dim=2).mean(dim=(2, 3))
    thickness = share.sum(dim=2).amax(dim=(2, 3))
    cells = masks.shape[2] * masks.shape[3] * masks.shape[4]
    told = (
        seen.features.mean(dim=SPACE),
        seen.features.amax(dim=SPACE),
        torch.logsumexp(masks, dim=SPACE) - math.log(cells),
        torch.sqrt(covered + 1e-4),  # the root's slope is endless at 0
        torch.log1p(thickness),
        torch.sqrt(_void_area(masks) / (LIMIT_PCT / 100) + 1e-2)[:, None],
        torch.log1p(_about_the_gap(share)),
    )
    return torch.cat([part.to(seen.features.dtype) for part in told], dim=1)


def _void_area(masks: Tensor) -> Tensor:
    """Area (n,) of all voids seen along z over the joint's largest section, of logits (n, mask, z, y, x)."""
    solder, void = masks[:, MASKS.index("solder")], masks[:, MASKS.index("void")]
    share = void.sigmoid()
    # ln(1 - share) = -softplus: the chance that a ray meets none of a column's cells, by sums whose slopes repeat.
    met = 1 - torch.exp(-functional.softplus(void).sum(dim=1))
    covered = ((share.amax(dim=1) + met) / 2).sum(dim=(1, 2))
    section = (solder.sigmoid() + share).sum(dim=(2, 3)).amax(dim=1)
    return covered / section.clamp(min=1.0)


def _about_the_gap(share: Tensor) -> Tensor:
    """Thickness (n, 2) of solder under the gap and over it, in cells, of shares (n, mask, z, y, x).

    The mean over the gap's cells, each by its share; one cell that is no gap counts along, so that a joint with none
    to speak of has next to nothing on either side.
    """
    solder, gap = share[:, MASKS.index("solder")], share[:, MASKS.index("gap")]
    # Sums along z up to a cell by a product with ones: on CUDA a running sum does not repeat bit for bit.
    under = torch.ones(gap.shape[1], gap.shape[1], device=gap.device, dtype=gap.dtype).tril(-1)
    whole = gap.sum(dim=(1, 2, 3)) + 1.0
    sides = [
        (torch.einsum("ij,njyx->niyx", side, solder) * gap).sum(dim=(1, 2, 3)) / whole
        for side in (under, under.T)
    ]
    return torch.stack(sides, dim=1)


def evidence_width(widths: Sequence[int]) -> int:
    """How many numbers :func:`evidence` gives with these decoder widths."""
    return 2 * widths[0] + 3 * len(MASKS) + 3


class EncoderDecoder(nn.Module):
    """A ResNet trunk, its decoder, and one last layer that hears both.

    Args:
        trunk: MONAI's ResNet without last layer.
        decoder: for its stages.
        last: takes the trunk's features and the decoder's evidence.
    """

    def __init__(self, trunk: Any, decoder: Decoder, last: nn.Module) -> None:
        super().__init__()
        self.trunk, self.decoder, self.fc = trunk, decoder, last

    def forward(self, volumes: Tensor) -> Tensor:
        """What the last layer says of sub-volumes (n, 1, z, y, x)."""
        return self.looked(volumes)[0]

    def looked(self, volumes: Tensor) -> tuple[Tensor, Tensor]:
        """That, and logits of the masks (n, mask, z, y, x)."""
        trunk = self.trunk
        stages = [trunk.layer1(trunk.act(trunk.bn1(trunk.conv1(volumes))))]
        for layer in (trunk.layer2, trunk.layer3, trunk.layer4):
            stages.append(layer(stages[-1]))
        seen = self.decoder(stages, [-(-n // COARSER) for n in volumes.shape[2:]])
        whole = trunk.avgpool(stages[-1]).flatten(1)
        return self.fc(torch.cat([whole, evidence(seen)], dim=1)), seen.masks


def _added(fine: Tensor, coarse: Tensor) -> Tensor:
    return fine + _repeated(coarse, fine.shape[2:])


def _repeated(features: Tensor, size: Sequence[int]) -> Tensor:
    """Features on `size` steps, each value repeated."""
    if tuple(features.shape[2:]) == tuple(size):
        return features
    return functional.interpolate(features, size=list(size), mode="nearest")


def _normed(width: int) -> list[nn.Module]:
    return [nn.BatchNorm3d(width), nn.ReLU(inplace=True)]


def _convolved(width: int, kernel: Steps) -> list[nn.Module]:
    padding = _half(kernel)
    return [nn.Conv3d(width, width, kernel, padding=padding, bias=False), *_normed(width)]


def _half(kernel: Steps) -> Steps:
    z, y, x = (size // 2 for size in kernel)
    return z, y, x


def _to_cells(width: int, cells: int, stem_stride: Sequence[int]) -> nn.Conv3d:
    """From the first stage to cells: steps where that stage is finer than a cell, sees one value elsewhere."""
    z, y, x = (max(1, COARSER // step) for step in stem_stride)
    kernel = (2 * z - 1, 2 * y - 1, 2 * x - 1)
    return nn.Conv3d(width, cells, kernel, stride=(z, y, x), padding=_half(kernel), bias=False)
