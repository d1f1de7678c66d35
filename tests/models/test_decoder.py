"""The decoder beside a trunk: masks on their cells, evidence as by hand, and a network that costs little more."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
import yaml

from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.masks import MASKS, mask_shape
from jointwise.models.decoder import EncoderDecoder, Seen, evidence, evidence_width
from jointwise.models.network import build_network, cost
from jointwise.models.settings import NetworkSettings

CONFIGS = Path(__file__).parents[2] / "configs" / "network"
TINY = NetworkSettings("tiny", widths=(4, 4, 8, 8), masks=True, decoder_widths=(4, 4, 8))


def from_file(name: str) -> NetworkSettings:
    return NetworkSettings(**yaml.safe_load((CONFIGS / f"{name}.yaml").read_text(encoding="utf-8")))


@pytest.mark.parametrize("shape", [(48, 56, 56), (32, 32, 32), (17, 23, 22)])
@pytest.mark.parametrize("stem", [(1, 2, 2), (2, 2, 2), (2, 4, 4), (1, 1, 1)])
def test_masks_lie_on_the_cells_of_every_grid(
    shape: tuple[int, int, int], stem: tuple[int, int, int]
) -> None:
    """Whatever steps the first convolution takes, and on grids of odd size."""
    network = build_network(replace(TINY, stem_stride=stem, sizes=True)).eval()
    with torch.inference_mode():
        said, masks = network.looked(torch.zeros(2, *shape))
        assert torch.equal(said, network(torch.zeros(2, *shape)))
    assert said.shape == (2, 7)
    assert masks.shape == (2, *mask_shape(Grid(shape)))


def test_the_reference_trunk_costs_a_fifth_more() -> None:
    """Parameters and operations in the head of the file, in billions; at most 1.7, a quarter more than the trunk."""
    plain, whole = (
        cost(build_network(from_file(name)), Grid()) for name in ("resnet_reference", "encoder_decoder")
    )
    assert round(whole.flops / 1e9, 1) == 1.5
    assert round(whole.parameters / 1e6, 1) == 1.5
    assert 1.1 < whole.flops / plain.flops < 1.25


def void_area(solder: np.ndarray, void: np.ndarray) -> float:
    """As models.mask_measures has it of shares (z, y, x); a section of less than a cell counts as one."""
    covered = (void.max(axis=0) + 1 - np.prod(1 - void, axis=0)) / 2
    return float(covered.sum() / max(1.0, (solder + void).sum(axis=(1, 2)).max()))


def about_the_gap(solder: np.ndarray, gap: np.ndarray) -> tuple[float, float]:
    """Cells of solder under and over each cell of the gap (z, y, x), in the mean over the gap and one cell more."""
    under = np.concatenate([np.zeros_like(solder[:1]), solder[:-1].cumsum(axis=0)])
    over = solder.sum(axis=0) - under - solder
    return tuple(float((side * gap).sum() / (gap.sum() + 1)) for side in (under, over))


def test_evidence_is_what_it_says() -> None:
    """Against numpy, of features and logits drawn at random."""
    rng = torch.Generator().manual_seed(0)
    features, logits = (torch.randn(2, c, 3, 4, 5, generator=rng) for c in (6, 4))
    told = evidence(Seen(features, logits)).numpy()
    f, m = features.numpy().reshape(2, 6, -1), logits.double().numpy()
    share = 1 / (1 + np.exp(-m))
    expected = [
        f.mean(axis=2),
        f.max(axis=2),
        np.log(np.exp(m).mean(axis=(2, 3, 4))),
        np.sqrt(share.max(axis=2).mean(axis=(2, 3)) + 1e-4),
        np.log(1 + share.sum(axis=2).max(axis=(2, 3))),
        np.sqrt([[void_area(*joint[:2]) / 0.05 + 0.01] for joint in share]),
        np.log(1 + np.array([about_the_gap(joint[0], joint[2]) for joint in share])),
    ]
    np.testing.assert_allclose(told, np.concatenate(expected, axis=1), rtol=1e-5, atol=1e-6)
    assert told.shape[1] == evidence_width((6, 1, 1))


def test_solder_on_both_sides_of_a_gap_is_heard() -> None:
    """A gap at the board's end of a joint, and the same within: metal over both, under the second alone."""
    logits = torch.full((2, 4, 8, 4, 4), -20.0)
    solder, gap = (MASKS.index(name) for name in ("solder", "gap"))
    logits[:, solder] = 20.0
    for joint, level in enumerate((0, 3)):
        logits[joint, gap, level], logits[joint, solder, level] = 20.0, -20.0
    under, over = evidence(Seen(torch.zeros(2, 1, 8, 4, 4), logits))[:, -2:].expm1().T
    np.testing.assert_allclose(under, [0.0, 3 * 16 / 17], atol=1e-4)
    np.testing.assert_allclose(over, [7 * 16 / 17, 4 * 16 / 17], atol=1e-4)


def test_the_kinds_hear_the_masks() -> None:
    """With the trunk's features put out, a brighter mask still moves the logits, and their gradient reaches it."""
    torch.manual_seed(0)
    network = build_network(TINY)
    backbone = network.backbone
    assert isinstance(backbone, EncoderDecoder)
    with torch.no_grad():
        backbone.fc.weight[:, :8] = 0  # type: ignore[index, operator]
    network(torch.rand(2, 16, 16, 16)).square().sum().backward()  # type: ignore[no-untyped-call]
    for layer in (backbone.decoder.masks, backbone.decoder.from_fourth, backbone.trunk.conv1):
        assert layer.weight.grad is not None
        assert (layer.weight.grad != 0).any()


def test_a_feature_reaches_its_own_cell() -> None:
    """Masks of a fresh network move where the sub-volume is touched and not at the far end."""
    torch.manual_seed(0)
    network = build_network(replace(TINY, stem_stride=(1, 2, 2))).eval()
    volumes = torch.rand(1, 64, 64, 64)
    touched = volumes.clone()
    touched[0, 9, 9, 9] += 5
    with torch.inference_mode():
        moved = (network.looked(touched)[1] - network.looked(volumes)[1]).abs()[0].sum(dim=0)
    place = np.unravel_index(int(moved.argmax()), moved.shape)
    assert max(abs(at - 4) for at in place) <= 2
    assert moved[4, 4, 4] > 100 * moved[28, 28, 28]


def test_a_fresh_network_says_that_next_to_nothing_is_a_defect() -> None:
    """Or the first steps go into learning that."""
    torch.manual_seed(0)
    with torch.inference_mode():
        share = (
            build_network(from_file("encoder_decoder")).eval().looked(torch.rand(1, 48, 56, 56))[1].sigmoid()
        )
    usual = share.mean(dim=(0, 2, 3, 4))
    assert 0.1 < usual[0] < 0.5
    assert (usual[1:] < 0.01).all()


def test_it_becomes_a_static_graph() -> None:
    """What a graph runtime starts from: torch.export and its program say what the network says."""
    network = build_network(replace(TINY, sizes=True)).eval()
    program = torch.export.export(network, (torch.rand(2, 16, 16, 16),)).module()
    volumes = torch.rand(2, 16, 16, 16)
    with torch.inference_mode():
        torch.testing.assert_close(program(volumes), network(volumes))


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"family": "densenet121"}, "network.masks"),
        ({"tight": 0.5}, "network.masks"),
        ({"decoder_widths": (8, 8)}, "network.decoder_widths"),
    ],
)
def test_unusable_settings_are_refused_by_key(changes: dict[str, object], key: str) -> None:
    """One sentence that names the key."""
    with pytest.raises(InputError, match=key):
        replace(TINY, **changes)  # type: ignore[arg-type]


@pytest.mark.skipif(not torch.cuda.is_available(), reason="needs a CUDA card")
def test_gradients_on_a_card_repeat_bit_for_bit() -> None:
    """In float32 and under bfloat16, with cuDNN's repeatable convolutions."""
    torch.backends.cudnn.deterministic = True
    network = build_network(from_file("encoder_decoder")).cuda()
    volumes = torch.rand(32, 48, 56, 56, device="cuda")
    for half in (False, True):
        runs = []
        for _ in range(3):
            network.zero_grad()
            with torch.autocast("cuda", torch.bfloat16, enabled=half):
                said, masks = network.looked(volumes)
            (said.float().square().mean() + masks.float().square().mean()).backward()
            runs.append([p.grad.clone() for p in network.parameters() if p.grad is not None])
        assert all(torch.equal(a, b) for run in runs[1:] for a, b in zip(runs[0], run, strict=True))
