"""Raw voxels with a sidecar of our own: NAME.raw beside NAME.raw.json."""

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.beside import beside, check_within, printable
from jointwise.scoring.reading.load import Found
from jointwise.scoring.reading.place import Place, directions_of
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.reading.stored import Mapped

SUFFIX = ".json"
SIDECAR_BYTES = 1 << 20
KEYS = ("shape", "type", "byte_order", "offset_bytes", "spacing_um", "origin_mm", "axes", "file", "comment")
TYPES = ("uint8", "int8", "uint16", "int16", "uint32", "int32", "float16", "float32", "float64")
ORDERS = {"little": "<", "big": ">"}
EXAMPLE = '{"shape": [500, 2000, 2000], "type": "uint16", "byte_order": "little", "spacing_um": 20}'


@dataclass(frozen=True)
class Sidecar:
    """What the JSON beside raw voxels says.

    Args:
        shape: voxels along the stored axes, slowest first.
        dtype: of a voxel, from `type` (such as uint16 or float32) and `byte_order` (little or big).
        offset: `offset_bytes`, before the first voxel.
        settings: `spacing_um` (one number or x, y, z) and `axes` (as in `read.axes`), read as the user's own are.
        origin_mm: centre of the first voxel as x, y, z, mm.
        file: bare name of the file of voxels; the sidecar's own name without .json where absent.
    """

    shape: tuple[int, int, int]
    dtype: np.dtype[Any]
    offset: int
    settings: ReadSettings
    origin_mm: tuple[float, float, float]
    file: str


def read(path: Path, settings: ReadSettings) -> Found:  # noqa: ARG001 - one signature for all formats
    """Raw voxels as the sidecar describes them; either file may be named.

    Raises:
        InputError: no sidecar, unknown or missing keys, another number of bytes.
    """
    beside_it = path if path.suffix.lower() == SUFFIX else path.with_name(path.name + SUFFIX)
    sidecar = _sidecar(beside_it, path)
    data = beside(beside_it, sidecar.file)
    needed, there = sidecar.offset + math.prod(sidecar.shape) * sidecar.dtype.itemsize, data.stat().st_size
    if there != needed:
        raise InputError(
            f"expected {needed:,} bytes in {data} (offset_bytes, shape and type of {beside_it.name}), found "
            f"{there:,}; "
            "correct them, or copy the file again"
        )
    letters = sidecar.settings.letters or ("z", "y", "x")
    spacing = sidecar.settings.spacing_mm
    steps = [spacing["xyz".index(word[-1])] for word in letters] if spacing else None
    place = Place(
        (steps[0], steps[1], steps[2]) if steps else None,
        "spacing_um of the sidecar" if steps else "no spacing_um in its sidecar",
        directions_of(letters),
        sidecar.origin_mm,
    )
    return Found(
        Mapped(data, sidecar.offset, sidecar.shape, sidecar.dtype), place, {"format": "raw with sidecar"}
    )


def _sidecar(path: Path, scan: Path) -> Sidecar:
    if not path.is_file():
        raise InputError(
            f"expected a sidecar {path.name} beside {scan}, found none; write one, such as {EXAMPLE}"
        )
    check_within(path, scan.parent, scan.resolve().parent)
    with path.open("rb") as file:
        text = file.read(SIDECAR_BYTES)
    try:
        keys = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"expected JSON in {path}, found another text; write it such as {EXAMPLE}"
        ) from error
    if not isinstance(keys, dict) or not {"shape", "type"} <= keys.keys() <= set(KEYS):
        found = ", ".join(map(str, keys)) if isinstance(keys, dict) else type(keys).__name__
        raise InputError(
            f"expected shape and type and perhaps {', '.join(KEYS[2:])} in {path}, found "
            f"{printable(found) or 'none'}; "
            f"write it such as {EXAMPLE}"
        )
    try:
        return _checked(keys, path)
    except (TypeError, ValueError, KeyError, OverflowError, InputError) as error:
        raise InputError(
            f"expected sound values in {path}, found {printable(str(error))}; write it such as {EXAMPLE}"
        ) from error


def _checked(keys: dict[str, Any], path: Path) -> Sidecar:
    shape = keys["shape"]
    if not isinstance(shape, list) or len(shape) != 3 or any(type(n) is not int or n < 1 for n in shape):
        raise ValueError(f"shape {shape}, not three whole numbers from 1")
    if keys["type"] not in TYPES:
        raise ValueError(f"type {keys['type']}, not one of {', '.join(TYPES)}")
    order, offset = keys.get("byte_order", "little"), keys.get("offset_bytes", 0)
    if order not in ORDERS or type(offset) is not int or not 0 <= offset < 1 << 62:
        raise ValueError(f"byte_order {order}, offset_bytes {offset}")
    spacing = keys.get("spacing_um", "")
    words = ",".join(map(str, spacing)) if isinstance(spacing, list) else str(spacing)
    x, y, z = (float(v) for v in keys.get("origin_mm", (0, 0, 0)))
    return Sidecar(
        (shape[0], shape[1], shape[2]),
        np.dtype(keys["type"]).newbyteorder(ORDERS[order]),
        offset,
        ReadSettings(words, str(keys.get("axes", ""))),
        (x, y, z),
        str(keys.get("file", path.name.removesuffix(SUFFIX))),
    )
