"""What a network runs on: torch itself, or OpenVINO's compiled graph of the same network on a CPU.

The graph is made from the module in memory, at its first use: no file, no pickle. Or it is the quantised one that lies
beside the weights (:mod:`jointwise.models.int8`): faster, with scores that differ a little. A graph takes one joint at
a time, one thread for each, as many at once as torch may use threads; so what it says of a joint depends neither on the
batch nor on the number of threads. torch's own frontend is asked directly, because OpenVINO's usual converter reports
each use to its makers where it can reach them.
"""

import threading
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from jointwise.joints.errors import InputError
from jointwise.models.int8 import GRAPH, Int8Graph
from jointwise.models.names import AUTO, INT8, OPENVINO, RUNTIMES, TORCH

CPU_BATCH: Final = 16
CUDA_BATCH: Final = 256

Arrays = tuple[NDArray[np.float32], ...]


class Runtime(Protocol):
    """Runs one module that takes sub-volumes (n, z, y, x) and gives one tensor or several, n rows each."""

    def __call__(self, volumes: NDArray[np.floating]) -> Arrays:
        """What the module gives, one array per tensor, for at least one sub-volume."""
        ...


def find_runtime(name: str, device: torch.device, quantised: bool = False) -> str:
    """The runtime of that name; `auto` takes OpenVINO on a CPU where it can be imported, else torch.

    Args:
        name: one of RUNTIMES.
        device: where the network is to run.
        quantised: whether there is a graph in eight bits, which `auto` then prefers.

    Raises:
        InputError: unknown name, or OpenVINO or a graph in eight bits is wanted and absent, or wanted on a card.
    """
    if name not in RUNTIMES:
        raise InputError(
            f"runtime: expected one of {', '.join(RUNTIMES)}, found {name!r}; choose one of them"
        )
    if name == TORCH or (name == AUTO and device.type != "cpu"):
        return TORCH
    if device.type != "cpu":
        raise InputError(f"runtime: expected torch or auto on {device}, found {name}; give device=cpu for it")
    if name == INT8 and not quantised:
        raise InputError(
            f"runtime: expected a model folder with {GRAPH} for int8, found one without; give runtime=auto, or "
            "make one with bench/transfer/quantise.py"
        )
    try:
        import openvino  # noqa: F401
    except ImportError as error:
        if name == AUTO:
            return TORCH
        raise InputError(
            f"runtime: expected the package openvino, found none that can be imported ({error}); install it or give "
            "runtime=torch"
        ) from error
    return INT8 if quantised and name != OPENVINO else OPENVINO


@dataclass(frozen=True)
class Chosen:
    """Some of the arrays that another runtime gives, in the order of `places`."""

    run: Runtime
    places: tuple[int, ...]

    def __call__(self, volumes: NDArray[np.floating]) -> Arrays:
        """Those arrays."""
        every = self.run(volumes)
        return tuple(every[place] for place in self.places)


def start(name: str, module: nn.Module, device: torch.device) -> Runtime:
    """A module made ready to run; it must be in evaluation mode on its device.

    Args:
        name: torch or openvino, as `find_runtime` gives it.
        module: takes (n, z, y, x), gives one tensor or a tuple of them.
        device: where it runs.
    """
    return GraphRuntime(module) if name == OPENVINO else TorchRuntime(module, device)


@dataclass(frozen=True)
class TorchRuntime:
    """The module as it is, in batches."""

    module: Callable[[torch.Tensor], Any]
    device: torch.device

    def __call__(self, volumes: NDArray[np.floating]) -> Arrays:
        """What the module gives."""
        size = CUDA_BATCH if self.device.type == "cuda" else CPU_BATCH
        parts = []
        with torch.inference_mode():
            for first in range(0, len(volumes), size):
                # A copy: stored sub-volumes are read-only float16, and torch wants neither.
                part = np.array(volumes[first : first + size], dtype=np.float32)
                said = self.module(torch.from_numpy(part).to(self.device))
                every = said if isinstance(said, tuple) else (said,)
                parts.append([tensor.cpu().numpy() for tensor in every])
        return tuple(np.concatenate(arrays) for arrays in zip(*parts, strict=True))


class GraphRuntime:
    """The module, or a quantised graph of it, compiled by OpenVINO for sub-volumes of the size it first meets."""

    def __init__(self, source: nn.Module | Int8Graph) -> None:
        self._source = source
        self._lock = threading.Lock()
        self._queues: dict[tuple[int, ...], tuple[Any, list[tuple[int, ...]]]] = {}

    def __call__(self, volumes: NDArray[np.floating]) -> Arrays:
        """What the module gives."""
        with self._lock:  # one queue, one caller
            queue, shapes = self._queue(volumes.shape[1:])
            said = tuple(np.empty((len(volumes), *shape), np.float32) for shape in shapes)

            def keep(request: Any, row: int) -> None:
                for array, tensor in zip(said, request.output_tensors, strict=True):
                    array[row] = tensor.data[0]

            queue.set_callback(keep)
            for row, volume in enumerate(volumes):
                # Copied into the request's own memory: one that was once let read ours in place would write the next
                # sub-volume that it copies there too, when that memory is somebody else's.
                queue.start_async({0: np.ascontiguousarray(volume, np.float32)[None]}, row)
            queue.wait_all()
        return said

    def _queue(self, shape: tuple[int, ...]) -> tuple[Any, list[tuple[int, ...]]]:
        """Requests for sub-volumes of this shape, and the shape of each answer."""
        if shape not in self._queues:
            source = self._source
            graph = source.model(shape) if isinstance(source, Int8Graph) else graph_of(source, shape)
            answers = [tuple(output.shape)[1:] for output in graph.outputs]
            self._queues[shape] = _compiled(graph), answers
        return self._queues[shape]


def _compiled(graph: Any) -> Any:
    """A queue of requests to a graph (`openvino.Model`), for one sub-volume each."""
    import openvino as ov

    threads = torch.get_num_threads()
    how = {
        "INFERENCE_NUM_THREADS": threads,
        "NUM_STREAMS": threads,
        "INFERENCE_PRECISION_HINT": "f32",
        "ENABLE_CPU_PINNING": False,
    }
    return ov.AsyncInferQueue(ov.Core().compile_model(graph, "CPU", how), threads)


def graph_of(module: nn.Module, shape: tuple[int, ...]) -> Any:
    """OpenVINO's graph (`openvino.Model`) of a module for one sub-volume (1, z, y, x) of that shape."""
    from openvino.frontend import FrontEndManager
    from openvino.frontend.pytorch.ts_decoder import TorchScriptPythonDecoder

    example = torch.zeros(1, *shape)
    with torch.inference_mode(), warnings.catch_warnings():
        # torch wants torch.export instead; converting what that gives takes twice as long, and warns too.
        warnings.filterwarnings("ignore", "`?torch.jit", DeprecationWarning)
        # Sizes become constants of the graph, as they may: it is for sub-volumes of this shape alone.
        warnings.filterwarnings("ignore", category=torch.jit.TracerWarning)  # type: ignore[attr-defined]
        # The decoder must live as long as the conversion; its trace is not checked by running it twice more.
        decoder = TorchScriptPythonDecoder(
            module, example_input=(example,), trace_kwargs={"check_trace": False}
        )
        frontend = FrontEndManager().load_by_framework("pytorch")
        graph = frontend.convert(frontend.load(decoder))
    graph.reshape({graph.inputs[0]: [1, *shape]})
    return graph
