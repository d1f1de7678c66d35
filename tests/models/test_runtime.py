"""A network says the same on every runtime, whoever stands beside a joint and however many threads there are."""

import builtins
import sys
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import torch
from torch import Tensor, nn

from jointwise.joints.errors import InputError
from jointwise.models.network import build_network
from jointwise.models.runtime import GraphRuntime, TorchRuntime, find_runtime, start
from jointwise.models.settings import NetworkSettings

CPU = torch.device("cpu")
SETTINGS = {
    "resnet": NetworkSettings("tiny", widths=(4, 8, 8, 8), stem_stride=(1, 2, 2)),
    "two views": NetworkSettings(
        "tiny", widths=(4, 8, 8, 8), stem_stride=(2, 2, 2), tight=0.5, tight_widths=(4, 4, 8, 8), sizes=True
    ),
}


class TwoTensors(nn.Module):
    """A network with a second answer, one value for each voxel."""

    def __init__(self) -> None:
        super().__init__()
        self.fine, self.last = nn.Conv3d(1, 3, 3, padding=1), nn.Linear(3, 4)

    def forward(self, volumes: Tensor) -> tuple[Tensor, Tensor]:
        """Scores (n, 4) and maps (n, 3, z, y, x)."""
        fine = self.fine(volumes.unsqueeze(1)).relu()
        return self.last(fine.amax(dim=(2, 3, 4))), fine


@pytest.fixture(autouse=True)
def seeded() -> None:
    torch.manual_seed(3)


@pytest.fixture
def two_threads() -> Iterator[None]:
    before = torch.get_num_threads()
    torch.set_num_threads(2)
    yield
    torch.set_num_threads(before)


def volumes(n: int) -> np.ndarray[Any, np.dtype[np.float16]]:
    return np.random.default_rng(1).random((n, 24, 28, 28)).astype(np.float16)


@pytest.mark.parametrize("settings", SETTINGS.values(), ids=SETTINGS)
def test_the_graph_says_what_torch_says(settings: NetworkSettings) -> None:
    network = build_network(settings).eval()
    joints = volumes(5)
    (graph,), (plain,) = (start(name, network, CPU)(joints) for name in ("openvino", "torch"))
    assert np.ptp(plain, axis=0).min() > 1e-4  # the joints are told apart
    np.testing.assert_allclose(graph, plain, rtol=0, atol=1e-5)


def test_a_module_may_give_two_tensors() -> None:
    network = TwoTensors().eval()
    graph, plain = GraphRuntime(network)(volumes(5)), TorchRuntime(network, CPU)(volumes(5))
    assert [a.shape for a in graph] == [b.shape for b in plain] == [(5, 4), (5, 3, 24, 28, 28)]
    for a, b in zip(graph, plain, strict=True):
        np.testing.assert_allclose(a, b, rtol=0, atol=1e-5)


@pytest.mark.usefixtures("two_threads")
def test_a_joint_reads_the_same_to_the_bit_alone_among_others_and_again() -> None:
    network, joints = build_network(SETTINGS["resnet"]).eval(), volumes(9)
    run = GraphRuntime(network)
    (every,) = run(joints)
    np.testing.assert_array_equal(run(joints)[0], every)
    np.testing.assert_array_equal(np.concatenate([run(joints[row : row + 1])[0] for row in range(9)]), every)
    torch.set_num_threads(1)
    np.testing.assert_array_equal(GraphRuntime(network)(joints)[0], every)


def test_another_grid_gets_a_graph_of_its_own() -> None:
    network = build_network(SETTINGS["resnet"]).eval()
    run = GraphRuntime(network)
    for joints in (volumes(2), volumes(2)[:, :20], volumes(2)):
        np.testing.assert_allclose(run(joints)[0], TorchRuntime(network, CPU)(joints)[0], rtol=0, atol=1e-5)


def test_openvino_is_taken_where_it_can_be_imported(monkeypatch: pytest.MonkeyPatch) -> None:
    assert find_runtime("auto", CPU) == "openvino"
    assert find_runtime("auto", torch.device("cuda")) == find_runtime("torch", CPU) == "torch"
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "openvino":
            raise ImportError("no such package")
        return real(name, *rest, **more)

    monkeypatch.delitem(sys.modules, "openvino", raising=False)
    monkeypatch.setattr(builtins, "__import__", without)
    assert find_runtime("auto", CPU) == "torch"
    with pytest.raises(InputError, match="expected the package openvino"):
        find_runtime("openvino", CPU)


@pytest.mark.parametrize(("name", "device"), [("onnx", "cpu"), ("openvino", "cuda")])
def test_what_cannot_run_is_refused_in_words(name: str, device: str) -> None:
    with pytest.raises(InputError, match="runtime: expected"):
        find_runtime(name, torch.device(device))


def test_nobody_writes_into_sub_volumes_that_were_given_before() -> None:
    """Whole sub-volumes in float32, then halves, then parts of wider ones: the same answers, and all stay as they were.

    A request that reads the caller's memory in place once goes on to copy later sub-volumes into it.
    """
    halves, run = volumes(5), GraphRuntime(build_network(SETTINGS["resnet"]).eval())
    (expected,) = run(halves)
    whole = halves.astype(np.float32)
    wider = np.concatenate([whole, whole], axis=3)[..., :28]
    for given in (whole, wider, whole):
        np.testing.assert_array_equal(run(given)[0], expected)
    run(halves[::-1] + np.float16(1))
    np.testing.assert_array_equal(whole, halves)
    np.testing.assert_array_equal(wider, halves)
