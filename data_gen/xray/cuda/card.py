"""The card: whether there is one, and how torch's tensors reach numba's kernels."""

from __future__ import annotations

import importlib.util
from typing import Any, NamedTuple

import numba
import numpy as np
import torch
from numpy.typing import NDArray

from jointwise.joints.errors import InputError

SIMULATED = bool(numba.config.ENABLE_CUDASIM)
"""Numba's CUDA simulator stands in for the card (tests); torch's tensors then stay with the CPU."""


class CardLimit(InputError):
    """A scan is more than the kernels hold; the CPU can make it."""


FAST = {"contract", "afn", "arcp", "nsz"}
"""Liberties of arithmetic that kernels may take; NaN and infinity keep their meaning."""

_ALIGNED = 64


def card() -> torch.device:
    """The device that kernels run on.

    Raises:
        InputError: there is no card that torch and numba-cuda can use.
    """
    if SIMULATED:
        return torch.device("cpu")
    if not torch.cuda.is_available():
        raise InputError("expected a CUDA card, found none that torch can use; generate with device=cpu")
    if importlib.util.find_spec("numba_cuda") is None:
        raise InputError(
            "expected the package numba-cuda for device=cuda, found none; pip install 'jointwise[cuda]' or use "
            "device=cpu"
        )
    return torch.device("cuda")


def seen(tensor: torch.Tensor) -> Any:
    """The tensor's memory as numba's kernels take it; no copy."""
    if SIMULATED:
        return tensor.numpy()
    from numba import cuda

    return cuda.as_cuda_array(tensor, sync=False)


def put(array: NDArray[Any], device: torch.device) -> torch.Tensor:
    """A copy of an array on the card, by way of pinned memory, which torch keeps for the next: nobody waits."""
    tensor = torch.from_numpy(np.ascontiguousarray(array))
    return tensor.pin_memory().to(device, non_blocking=True) if device.type == "cuda" else tensor.to(device)


class Place(NamedTuple):
    """Where an array lies in a parcel, in items of its type: `as_strided` takes it as it is."""

    dtype: torch.dtype
    shape: tuple[int, ...]
    strides: tuple[int, ...]
    offset: int


class Parcel(NamedTuple):
    """Arrays of the host laid one behind the other, to cross to the card in one copy.

    Attributes:
        data: bytes of all of them.
        places: where each lies.
    """

    data: NDArray[np.uint8]
    places: tuple[Place, ...]


def parcel(arrays: list[NDArray[Any]]) -> Parcel:
    """Lay arrays one behind the other."""
    arrays = [np.ascontiguousarray(array) for array in arrays]
    places, end = [], 0
    for array in arrays:
        strides = tuple(n // array.itemsize for n in array.strides)
        places.append(Place(getattr(torch, array.dtype.name), array.shape, strides, end // array.itemsize))
        end += -(-max(array.nbytes, 1) // _ALIGNED) * _ALIGNED
    data = np.zeros(end, np.uint8)
    for array, place in zip(arrays, places, strict=True):
        begin = place.offset * array.itemsize
        data[begin : begin + array.nbytes] = array.reshape(-1).view(np.uint8)
    return Parcel(data, tuple(places))


def sent(parcel: Parcel, device: torch.device) -> list[torch.Tensor]:
    """The arrays of a parcel as tensors on the card."""
    whole = put(parcel.data, device)
    typed = {dtype: whole.view(dtype) for dtype in {place.dtype for place in parcel.places}}
    return [typed[p.dtype].as_strided(p.shape, p.strides, p.offset) for p in parcel.places]
