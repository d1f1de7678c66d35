"""Where a training stands, in one file: tensors as safetensors, the rest as JSON in the same file's header.

One file means one rename: weights, optimiser and counters can never come from different moments. Nothing is pickled.
"""

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import safetensors.torch
import torch
from safetensors import SafetensorError, safe_open
from torch import Tensor, nn

from jointwise.joints.atomic import write_bytes
from jointwise.joints.errors import InputError

STATE = "state"


@dataclass
class Progress:
    """What a training has done so far.

    Args:
        epoch: finished epochs.
        step: finished steps of the epoch that is running.
        loss_sum: sum of the training losses of those steps.
        best_epoch: epoch (from 1) with the least validation loss; 0 before the first.
        best_loss: that loss; None before the first.
        history: one line per finished epoch.
        best: weights of the best epoch, by name.
    """

    epoch: int = 0
    step: int = 0
    loss_sum: float = 0.0
    best_epoch: int = 0
    best_loss: float | None = None
    history: list[dict[str, Any]] = field(default_factory=list)
    best: dict[str, Tensor] = field(default_factory=dict)


def save_checkpoint(
    path: Path, network: nn.Module, optimiser: torch.optim.Optimizer, progress: Progress
) -> None:
    """Write where the training stands, atomically."""
    tensors = {f"network.{name}": value for name, value in network.state_dict().items()}
    tensors |= {f"best.{name}": value for name, value in progress.best.items()}
    for number, state in optimiser.state_dict()["state"].items():
        tensors |= {f"optimiser.{number}.{name}": value for name, value in state.items()}
    plain = {key: value for key, value in vars(progress).items() if key != "best"}
    stored = {name: value.detach().cpu().contiguous() for name, value in tensors.items()}
    write_bytes(path, safetensors.torch.save(stored, metadata={STATE: json.dumps(plain)}))


def load_checkpoint(path: Path, network: nn.Module, optimiser: torch.optim.Optimizer) -> Progress:
    """Put network and optimiser where a checkpoint left them, bit for bit.

    Raises:
        InputError: the file does not read, or belongs to another network.
    """
    try:
        with safe_open(path, framework="pt") as file:
            plain = json.loads(file.metadata()[STATE])
            tensors = {name: file.get_tensor(name) for name in file.keys()}  # noqa: SIM118  (not a dictionary)
        progress = Progress(**plain, best=_under("best.", tensors))
        network.load_state_dict(_under("network.", tensors))
        _restore(optimiser, _under("optimiser.", tensors))
    except (OSError, SafetensorError, KeyError, TypeError, ValueError, RuntimeError) as error:
        raise InputError(
            f"expected a checkpoint of this training at {path}, found one that does not read "
            f"({str(error).splitlines()[0][:120]}); delete it to start anew"
        ) from error
    return progress


def _under(prefix: str, tensors: dict[str, Tensor]) -> dict[str, Tensor]:
    return {name.removeprefix(prefix): value for name, value in tensors.items() if name.startswith(prefix)}


def _restore(optimiser: torch.optim.Optimizer, tensors: dict[str, Tensor]) -> None:
    state: dict[int, dict[str, Tensor]] = {}
    for name, value in tensors.items():
        number, _, key = name.partition(".")
        state.setdefault(int(number), {})[key] = value
    optimiser.load_state_dict({"state": state, "param_groups": optimiser.state_dict()["param_groups"]})
