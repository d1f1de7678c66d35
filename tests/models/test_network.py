"""Networks: every configuration builds and learns, costs what it says, and repeats."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch
import yaml
from monai.data.meta_tensor import MetaTensor
from torch import nn

from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.models.network import JointNetwork, PlainMean, build_network, cost
from jointwise.models.settings import NetworkSettings

CONFIGS = sorted((Path(__file__).parents[2] / "configs" / "network").glob("*.yaml"))
GRID = Grid((32, 32, 32))
TINY = NetworkSettings("tiny", widths=(4, 4, 8, 8))


def from_file(path: Path) -> NetworkSettings:
    return NetworkSettings(**yaml.safe_load(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.stem)
def test_every_configuration_builds_and_learns_one_step(path: Path) -> None:
    """A file that names a network nobody can build, or whose gradient does not reach every weight."""
    settings = from_file(path)
    assert settings.name == path.stem
    network = build_network(settings)
    logits = network(torch.randn(2, *GRID.shape))
    assert logits.shape == (2, 7 if settings.sizes else 4)
    logits.square().sum().backward()
    assert all(p.grad is not None and torch.isfinite(p.grad).all() for p in network.parameters())


def test_there_are_configurations() -> None:
    """The parametrised test above would pass on an empty folder."""
    names = {"resnet_small", "resnet_tiny", "resnet_reference", "resnet_wide", "resnet_tight", "densenet121"}
    assert {path.stem for path in CONFIGS} >= names


def test_the_default_network_is_near_one_gflop_per_joint() -> None:
    """The shipped network must run on a laptop; the default settings are the file resnet_small."""
    small = cost(build_network(NetworkSettings()), Grid())
    assert NetworkSettings() == from_file(CONFIGS[0].with_name("resnet_small.yaml"))
    assert 0.7e9 < small.flops < 1.3e9
    assert 0.8e6 < small.parameters < 1.0e6


def test_flops_of_one_convolution_are_counted_as_by_hand() -> None:
    """A multiply-add counts two: 2 · 27 · 1 · 3 per voxel of the output."""
    conv = nn.Conv3d(1, 3, 3, padding=1, bias=False)
    assert cost(JointNetwork(conv), Grid((8, 8, 8))) == (81, 2 * 27 * 3 * 8**3)


def test_no_pooling_layer_is_left_in_a_resnet_that_runs() -> None:
    """Backward of 3-D pooling does not repeat on CUDA: a pooling layer must not be called."""
    network = build_network(TINY)
    called: list[str] = []
    for name, module in network.named_modules():
        if "Pool" in type(module).__name__:
            module.register_forward_hook(lambda *_, name=name: called.append(name))
    network(torch.zeros(2, 16, 16, 16))
    assert called == []


def test_plain_mean_is_adaptive_pooling_to_one_value() -> None:
    """Against torch's own layer."""
    features = torch.randn(2, 3, 4, 5, 6, generator=torch.Generator().manual_seed(0))
    torch.testing.assert_close(PlainMean()(features), nn.AdaptiveAvgPool3d(1)(features))


def test_metadata_tensors_are_unwrapped_before_the_first_layer() -> None:
    """They cost far more per operation; no layer may see one."""
    network = build_network(TINY).eval()
    seen: list[type] = []
    network.backbone.register_forward_pre_hook(lambda _, inputs: seen.append(type(inputs[0])))
    plain = torch.rand(2, 16, 16, 16, generator=torch.Generator().manual_seed(0))
    with torch.inference_mode():
        assert torch.equal(network(MetaTensor(plain)), network(plain))
    assert seen == [torch.Tensor, torch.Tensor]


def test_a_second_trunk_sees_the_middle_alone_and_every_step_along_z() -> None:
    """With the first trunk's features put out, only the middle columns move the logits, and each slice of them does."""
    network = build_network(replace(TINY, tight=0.5, tight_widths=(4, 4, 4, 8))).eval()
    views = network.backbone
    with torch.no_grad():
        views.fc.weight[:, :8] = 0  # type: ignore[union-attr, index]
    volumes = torch.rand(1, 16, 24, 20, generator=torch.Generator().manual_seed(0), requires_grad=True)
    network(volumes).square().sum().backward()
    assert volumes.grad is not None
    moved = volumes.grad[0].abs()
    inside = torch.zeros(16, 24, 20, dtype=torch.bool)
    inside[:, 6:18, 5:15] = True
    assert (moved[~inside] == 0).all()
    assert (moved.sum(dim=(1, 2)) > 0).all()
    assert views.middle.conv1.stride == (1, 2, 2)  # type: ignore[union-attr]
    assert views.whole.conv1.stride == (2, 2, 2)  # type: ignore[union-attr]


def test_a_second_trunk_is_in_the_cost_and_none_leaves_the_network_as_it_was() -> None:
    """Without it names and first weights are those of one trunk, whatever its widths would be."""

    def made(**changes: Any) -> JointNetwork:
        torch.manual_seed(3)
        return build_network(replace(TINY, **changes))

    plain, idle, tight = made(), made(tight_widths=(9, 9, 9, 9)), made(tight=0.6)
    assert plain.state_dict().keys() == idle.state_dict().keys()
    assert all(torch.equal(value, idle.state_dict()[name]) for name, value in plain.state_dict().items())
    alone = sum(p.numel() for p in tight.backbone.middle.parameters())  # type: ignore[union-attr]
    assert cost(tight, GRID).parameters == cost(plain, GRID).parameters + alone + 4 * 64
    assert cost(tight, GRID).flops > cost(plain, GRID).flops


@pytest.mark.parametrize(
    "changes", [{}, {"tight": 0.6}, {"family": "densenet121"}, {"dropout": 0.2}], ids=lambda c: str(c)
)
def test_sizes_are_three_columns_after_the_kinds(changes: dict[str, Any]) -> None:
    """In every family; they cost three rows of the last layer and nothing else."""
    plain, wide = (build_network(replace(TINY, sizes=sizes, **changes)).eval() for sizes in (False, True))
    with torch.inference_mode():
        assert wide(torch.zeros(2, *GRID.shape)).shape == (2, 7)
        assert plain(torch.zeros(2, *GRID.shape)).shape == (2, 4)
    shapes = {name: value.shape for name, value in plain.state_dict().items()}
    grown = {name: v.shape for name, v in wide.state_dict().items() if v.shape != shapes[name]}
    assert wide.state_dict().keys() == shapes.keys()
    assert {(7, *shapes[name][1:]) for name in grown} == set(grown.values())
    assert len(grown) == 2


def test_same_seed_same_weights() -> None:
    """First weights follow from torch's seed alone."""

    def weights(seed: int) -> np.ndarray:
        torch.manual_seed(seed)
        return torch.cat([p.detach().flatten() for p in build_network(TINY).parameters()]).numpy()

    np.testing.assert_array_equal(weights(3), weights(3))
    assert not np.array_equal(weights(3), weights(4))


@pytest.mark.parametrize("family", ["resnet", "densenet121"])
def test_dropout_acts_in_training_only(family: str) -> None:
    """A dropout that is left out in neither mode, or used in both."""
    network = build_network(NetworkSettings(family=family, widths=(4, 4, 8, 8), dropout=0.5)).eval()
    volumes = torch.rand(2, *GRID.shape, generator=torch.Generator().manual_seed(0))
    assert any(isinstance(m, nn.Dropout) and m.p == 0.5 for m in network.modules())
    with torch.inference_mode():
        assert torch.equal(network(volumes), network(volumes))


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"family": "vgg"}, "network.family"),
        ({"widths": (1, 2)}, "network.widths"),
        ({"blocks": (1, 1, 0, 1)}, "network.blocks"),
        ({"stem_kernel": (3, 4, 3)}, "network.stem_kernel"),
        ({"stem_stride": (0, 2, 2)}, "network.stem_stride"),
        ({"dropout": 1.0}, "network.dropout"),
        ({"tight": 0.1}, "network.tight"),
        ({"tight": 0.5, "family": "densenet121"}, "network.tight"),
        ({"tight_widths": (8, 8)}, "network.tight_widths"),
    ],
)
def test_unusable_settings_are_refused_by_key(changes: dict[str, object], key: str) -> None:
    """One sentence that names the key."""
    with pytest.raises(InputError, match=key):
        NetworkSettings(**changes)  # type: ignore[arg-type]
