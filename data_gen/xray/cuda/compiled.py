"""The heavy kernels in CUDA C (*.cu), compiled at run time by the NVRTC that numba-cuda brings.

The first projector took 5.2 ms on one H100 where numba's compilation of the same design took 11.4. All are held against
the CPU by the tests on a card and, on whole boards, by the bench.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import torch

TRIED: dict[str, str] = {}
"""What the bench defines for a source beside, to try other sizes."""


def program(source: str, defines: str = "") -> str:
    """The text of a .cu file, those that it includes in their places, behind what is defined for it ("NAME value",
    several apart by semicolons)."""
    lines = [f"#define {each}\n" for each in defines.split(";") if each]
    text = Path(__file__).with_name(f"{source}.cu").read_text(encoding="utf-8")
    return "".join(lines) + re.sub(r'#include "(\w+)\.cu"', lambda found: program(found[1]), text)


@functools.cache
def _kernel(source: str, name: str, number: int, defines: str) -> Any:
    """One of the kernels of a .cu file for one card."""
    return _kernels(source, number, defines).get_kernel(name)


@functools.cache
def _kernels(source: str, number: int, defines: str) -> Any:
    """A .cu file compiled for one card."""
    from cuda.core import Device, Program, ProgramOptions

    device = Device(number)
    device.set_current()
    text = program(source, defines)
    options = ProgramOptions(
        arch=f"sm_{device.arch}", std="c++17", use_fast_math=True, device_as_default_execution_space=True
    )
    return Program(text, "c++", options).compile("cubin")


def launch(
    source: str,
    name: str,
    grid: tuple[int, ...],
    block: int,
    *arguments: Any,
    shared: int = 0,
    defines: str = "",
) -> None:
    """Start a kernel on torch's stream. Tensors pass as addresses, int and float as 32 bits; for `defines` see
    `program`."""
    from cuda.core import LaunchConfig
    from cuda.core import launch as start

    config = LaunchConfig(grid=grid, block=block, shmem_size=shared)
    everything = ";".join(filter(None, (defines, TRIED.get(source, ""))))
    kernel = _kernel(source, name, torch.cuda.current_device(), everything)
    start(_stream(torch.cuda.current_stream().cuda_stream), config, kernel, *map(passed, arguments))


def passed(value: Any) -> Any:
    """An argument as a kernel takes it."""
    change = _CHANGES.get(type(value))
    return value if change is None else change(value)


_CHANGES: dict[type, Callable[[Any], Any]] = {
    bool: np.int32,
    int: np.int32,
    float: np.float32,
    type(None): lambda _: np.uint64(0),
    torch.Tensor: lambda tensor: np.uint64(tensor.data_ptr()),
}


@functools.lru_cache(maxsize=16)
def _stream(handle: int) -> Any:
    """A stream of torch's as cuda.core takes it."""
    from cuda.core import Stream

    return Stream.from_handle(handle)
