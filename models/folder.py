"""A model folder: `model.safetensors` and `card.json`, enough to score joints, without pickle or database.

`familiar.safetensors` lies beside them where it was measured what the network knows by its features, `int8.xml` and
`int8.bin` where the network was quantised for scoring on a CPU.

The folder is written aside and renamed as a whole, so a reader finds it complete or not at all. The card holds the
hash of the weights: weights of another training, or cut short, are refused.
"""

import json
import os
import shutil
import uuid
from pathlib import Path
from typing import Any, Final

import safetensors.numpy
import safetensors.torch
import torch
from safetensors import SafetensorError

from jointwise.joints.atomic import sha256, write_bytes, write_text
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.models.card import FORMAT, Card
from jointwise.models.familiar import Familiar
from jointwise.models.int8 import read_int8
from jointwise.models.learned import LearnedDetector, find_device
from jointwise.models.names import CARD, TORCH
from jointwise.models.network import JointNetwork, build_network
from jointwise.models.runtime import find_runtime

WEIGHTS: Final = "model.safetensors"
FAMILIAR: Final = "familiar.safetensors"
"""Where training joints lie in the network's features; not every model folder has it."""


def save_model(
    folder: Path, network: JointNetwork, card: Card, half: bool = False, familiar: Familiar | None = None
) -> None:
    """Write a model folder as a whole; a model folder already there is replaced.

    Args:
        folder: to be written.
        network: with its weights.
        card: what belongs to them.
        half: keep kernels and matrices as float16, half as large; biases and statistics stay as they are. Loading gives
            float32 either way.
        familiar: where training joints lie in the network's features, if that was measured.

    Raises:
        InputError: something else stands at that place.
    """
    if folder.exists() and not (folder / CARD).is_file():
        raise InputError(
            f"expected no folder or an earlier model at {folder}, found something else; choose another place"
        )
    aside = folder.with_name(f".{folder.name}.{uuid.uuid4().hex[:8]}.part")
    try:
        tensors = {name: _kept(value, half) for name, value in network.state_dict().items()}
        write_bytes(aside / WEIGHTS, safetensors.torch.save(tensors))
        data = {**card.to_json(), "weights_sha256": sha256(aside / WEIGHTS)}
        if familiar is not None:
            write_bytes(aside / FAMILIAR, safetensors.numpy.save(familiar.tensors))
            data["familiar"] = {**familiar.to_json(), "sha256": sha256(aside / FAMILIAR)}
        write_text(aside / CARD, json.dumps(data, indent=1, allow_nan=False))
        _put(aside, folder)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _kept(value: torch.Tensor, half: bool) -> torch.Tensor:
    """A tensor as it is written."""
    kept = value.detach().cpu().contiguous()
    return kept.half() if half and kept.is_floating_point() and kept.ndim > 1 else kept


def _put(aside: Path, folder: Path) -> None:
    """Rename a finished folder to its place; an older one steps aside first and then goes."""
    if folder.exists():
        old = folder.with_name(f".{folder.name}.{uuid.uuid4().hex[:8]}.old")
        os.rename(folder, old)
        os.rename(aside, folder)
        shutil.rmtree(old)
    else:
        os.rename(aside, folder)


def load_model(folder: Path, device: str = "cpu", runtime: str = TORCH) -> LearnedDetector:
    """The detector of a model folder.

    Args:
        folder: as written by :func:`save_model`.
        device: cpu, cuda, cuda:N, or auto.
        runtime: what the network runs on: torch, openvino, int8, or auto.

    Raises:
        InputError: the folder is missing, damaged, or of a kind this version does not know.
    """
    data = _read_card(folder)
    card = _card(folder, data)
    network = build_network(card.network)
    tensors = _read_weights(folder, str(data.get("weights_sha256")))
    try:
        network.load_state_dict(tensors)
    except RuntimeError as error:
        raise InputError(
            f"expected weights of the network in {folder / CARD}, found others in {folder / WEIGHTS}; "
            "take the folder whole from where it was written"
        ) from error
    where = find_device(device)
    int8 = read_int8(folder, data)
    on = find_runtime(runtime, where, quantised=int8 is not None)
    return LearnedDetector(network, card, where, on, _familiar(folder, data), int8)


def read_card(folder: Path) -> Card:
    """The card of a model folder, without its network.

    Raises:
        InputError: the card is missing, damaged, or of a kind this version does not know.
    """
    return _card(folder, _read_card(folder))


def _read_card(folder: Path) -> dict[str, Any]:
    path = folder / CARD
    if not path.is_file():
        raise InputError(
            f"expected a model folder (with {CARD} and {WEIGHTS}) at {folder}, found none; train a network first"
        )
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(
            f"expected a card in JSON at {path}, found text that does not read ({_short(error)}); "
            "take the folder whole from where it was written"
        ) from error
    found = data.get("format") if isinstance(data, dict) else type(data).__name__
    if found != FORMAT:
        raise InputError(f"expected a model of the format {FORMAT} in {path}, found {found}; train it again")
    if data.get("kinds") != list(KINDS):
        raise InputError(
            f"expected a model of the kinds {', '.join(KINDS)} in {path}, found {data.get('kinds')}; train it again"
        )
    return dict(data)


def _card(folder: Path, data: dict[str, Any]) -> Card:
    try:
        return Card.from_json(data)
    except InputError as error:
        raise InputError(f"{folder / CARD}: {error}") from error
    except (KeyError, TypeError, ValueError, AttributeError, IndexError) as error:
        raise InputError(
            f"expected a complete card in {folder / CARD}, found a damaged one ({type(error).__name__}: "
            f"{_short(error)}); take the folder whole from where it was written"
        ) from error


def _familiar(folder: Path, data: dict[str, Any]) -> Familiar | None:
    """Where training joints lie in the network's features; None where the card speaks of no such file."""
    told = data.get("familiar")
    if told is None:
        return None
    try:
        if sha256(folder / FAMILIAR) != told["sha256"]:
            raise ValueError("it belongs to another card")
        return Familiar.from_parts(told, safetensors.numpy.load((folder / FAMILIAR).read_bytes()))
    except (OSError, SafetensorError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"expected {FAMILIAR} that belongs to {folder / CARD}, found none ({_short(error)}); take the folder whole "
            "from where it was written"
        ) from error


def _read_weights(folder: Path, hash_in_card: str) -> dict[str, torch.Tensor]:
    path = folder / WEIGHTS
    mend = "take the folder whole from where it was written"
    try:
        data = path.read_bytes()
        if sha256(path) != hash_in_card:
            raise InputError(
                f"expected the weights that belong to {folder / CARD}, found others or damaged ones in {path}; {mend}"
            )
        return dict(safetensors.torch.load(data))
    except (OSError, SafetensorError) as error:
        raise InputError(
            f"expected weights that read at {path}, found none ({_short(error)}); {mend}"
        ) from error


def _short(error: Exception) -> str:
    return (str(error).strip().split("\n")[0] or type(error).__name__)[:160]
