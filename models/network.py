"""The 3D networks: MONAI's, with what we ask of them in addition.

What differs from MONAI's defaults: one channel in, one logit per kind out; a strided first convolution instead of
max-pooling, and a plain mean instead of adaptive pooling, because the backward pass of 3-D pooling does not repeat bit
for bit on CUDA; metadata-carrying tensors are unwrapped before the first layer, since they cost far more per operation.
DenseNet121 keeps MONAI's pooling inside and is a baseline only.
"""

from collections.abc import Sequence
from typing import Any, NamedTuple, cast

import torch
from monai.data.meta_tensor import MetaTensor
from monai.networks.nets.densenet import DenseNet121
from monai.networks.nets.resnet import ResNet
from torch import Tensor, nn
from torch.utils.flop_counter import FlopCounterMode

from jointwise.joints.grid import Grid
from jointwise.joints.kinds import N_KINDS
from jointwise.models.decoder import Decoder, EncoderDecoder, evidence_width
from jointwise.models.settings import NetworkSettings
from jointwise.models.sizes import SIZES


class JointNetwork(nn.Module):
    """A MONAI network that takes joints and gives one logit per kind, and then the sizes it was asked for.

    Args:
        backbone: takes (n, 1, z, y, x), gives (n, 4), or (n, 7) with sizes; with masks it can look, too.
    """

    def __init__(self, backbone: nn.Module) -> None:
        super().__init__()
        self.backbone = backbone

    def forward(self, volumes: Tensor) -> Tensor:
        """Of sub-volumes (n, z, y, x) in units of the solder level: logits (n, 4), columns in the order of KINDS.

        With `sizes`, the columns of models.sizes follow them.
        """
        return cast(Tensor, self.backbone(_channel(volumes)))

    def looked(self, volumes: Tensor) -> tuple[Tensor, Tensor]:
        """What :meth:`forward` gives, and logits (n, mask, z, y, x) of the masks of joints.masks; one pass for both.

        A logit's sigmoid is the share of the cell that is filled. Only for a network whose settings say `masks`.
        """
        backbone = cast(EncoderDecoder, self.backbone)
        return backbone.looked(_channel(volumes))


def _channel(volumes: Tensor) -> Tensor:
    if isinstance(volumes, MetaTensor):
        volumes = volumes.as_tensor()
    # One channel makes both layouts the same memory; saying which one picks the faster convolutions on CPU.
    return volumes.unsqueeze(1).contiguous(memory_format=torch.channels_last_3d)


class PlainMean(nn.Module):
    """Mean over the three axes of space, kept as axes of length 1; its backward pass repeats bit for bit."""

    def forward(self, features: Tensor) -> Tensor:
        """(n, c, 1, 1, 1) of features (n, c, z, y, x)."""
        return features.mean(dim=(2, 3, 4), keepdim=True)


class TwoViews(nn.Module):
    """The whole sub-volume and its middle, each seen by a trunk of its own, and one last layer for both.

    Args:
        whole: gives features (n, c) of (n, 1, z, y, x).
        middle: gives features (n, d) of the middle columns.
        share: part of the edges in x and y that is the middle.
        last: takes (n, c + d).
    """

    def __init__(self, whole: nn.Module, middle: nn.Module, share: float, last: nn.Module) -> None:
        super().__init__()
        self.whole, self.middle, self.share, self.fc = whole, middle, share, last

    def forward(self, volumes: Tensor) -> Tensor:
        """What the last layer says of sub-volumes (n, 1, z, y, x)."""
        y, x = (round(int(edge) * (1 - self.share) / 2) for edge in volumes.shape[-2:])
        middle = volumes[..., y : volumes.shape[-2] - y, x : volumes.shape[-1] - x]
        middle = middle.contiguous(memory_format=torch.channels_last_3d)
        return cast(Tensor, self.fc(torch.cat([self.whole(volumes), self.middle(middle)], dim=1)))


def build_network(settings: NetworkSettings) -> JointNetwork:
    """A fresh network; its first weights come from torch's global generator.

    Example:
        >>> network = build_network(NetworkSettings())
        >>> network(torch.zeros(2, 48, 56, 56)).shape
        torch.Size([2, 4])
    """
    backbone = _resnet(settings) if settings.family == "resnet" else _densenet(settings)
    network = JointNetwork(backbone)
    network.to(memory_format=torch.channels_last_3d)  # type: ignore[call-overload]
    return network


def _resnet(settings: NetworkSettings) -> nn.Module:
    alone = not (settings.tight or settings.masks)
    backbone: Any = _trunk(settings, settings.widths, settings.stem_stride, last=alone)
    if settings.tight:
        middle = _trunk(settings, settings.tight_widths, (1, *settings.stem_stride[1:]), last=False)
        last = nn.Linear(settings.widths[-1] + settings.tight_widths[-1], _outputs(settings))
        nn.init.zeros_(last.bias)
        backbone = TwoViews(backbone, middle, settings.tight, last)
    if settings.masks:
        decoder = Decoder(settings.widths, settings.decoder_widths, settings.stem_stride)
        last = nn.Linear(settings.widths[-1] + evidence_width(settings.decoder_widths), _outputs(settings))
        nn.init.zeros_(last.bias)
        backbone = EncoderDecoder(backbone, decoder, last)
    if settings.dropout:
        backbone.fc = nn.Sequential(nn.Dropout(settings.dropout), backbone.fc)
    return cast(nn.Module, backbone)


def _outputs(settings: NetworkSettings) -> int:
    return N_KINDS + (len(SIZES) if settings.sizes else 0)


def _trunk(
    settings: NetworkSettings, widths: Sequence[int], stem_stride: Sequence[int], last: bool
) -> nn.Module:
    """One ResNet; without its last layer it gives features."""
    arguments: dict[str, Any] = {
        "block": "basic",
        "layers": list(settings.blocks),
        "block_inplanes": list(widths),
        "n_input_channels": 1,
        "num_classes": _outputs(settings),
        "conv1_t_size": settings.stem_kernel,
        "conv1_t_stride": stem_stride,
        "no_max_pool": True,
        "bias_downsample": False,
        "feed_forward": last,
    }
    trunk: Any = ResNet(**arguments)
    trunk.avgpool = PlainMean()
    return cast(nn.Module, trunk)


def _densenet(settings: NetworkSettings) -> nn.Module:
    backbone: Any = DenseNet121(spatial_dims=3, in_channels=1, out_channels=_outputs(settings))
    backbone.class_layers.pool = PlainMean()
    if settings.dropout:
        backbone.class_layers.out = nn.Sequential(nn.Dropout(settings.dropout), backbone.class_layers.out)
    return cast(nn.Module, backbone)


class Cost(NamedTuple):
    """What a network costs: its parameters, and floating-point operations per joint (a multiply-add counts two)."""

    parameters: int
    flops: int


def cost(network: nn.Module, grid: Grid) -> Cost:
    """Parameters of a network and the operations of one forward pass of one joint, counted while it runs."""
    was_training = network.training
    network.eval()
    device = next(network.parameters()).device
    with torch.inference_mode(), FlopCounterMode(display=False) as counter:
        network(torch.zeros(1, *grid.shape, device=device))
    network.train(was_training)
    return Cost(sum(p.numel() for p in network.parameters()), int(counter.get_total_flops()))
