"""One tensor of a safetensors file as a memory map."""

import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError

_STORED = {np.float16: "F16", np.uint8: "U8"}


def map_tensor(path: Path, name: str, dtype: Any, shape: tuple[int, ...]) -> NDArray[Any]:
    """Map a tensor of a safetensors file: 8 bytes of header length, a JSON header, then the data.

    Args:
        path: the file.
        name: the tensor's; dtype: np.float16 or np.uint8; shape: what it must have.

    Raises:
        InputError: the file does not hold that tensor.
    """
    try:
        with path.open("rb") as file:
            (length,) = struct.unpack("<Q", file.read(8))
            if length > path.stat().st_size:
                raise ValueError("header longer than the file")
            entry = json.loads(file.read(length))[name]
        if entry["dtype"] != _STORED[dtype] or tuple(entry["shape"]) != shape:
            raise ValueError(f"{entry['dtype']} of shape {entry['shape']}")
        return np.memmap(path, dtype, "r", 8 + length + entry["data_offsets"][0], shape)
    except (OSError, ValueError, KeyError, struct.error) as error:
        raise InputError(
            f"expected {name} as {np.dtype(dtype)} of shape {shape} in {path}, found {short(error)}; "
            "run jointwise verify"
        ) from error


def short(error: Exception) -> str:
    """The first line of an error, not too long for a sentence."""
    text = str(error).strip().split("\n")[0]
    return text[:160] or type(error).__name__
