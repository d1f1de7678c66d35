"""The heavy kernels in CUDA C (*.cu), compiled at run time by the NVRTC that numba-cuda brings.

The first projector took 5.2 ms on one H100 where numba's compilation of the same design took 11.4. All are held against
the CPU by the tests on a card and, on whole boards, by the bench.
"""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Any

import numpy as np
import torch

from jointwise.data_gen.xray.cuda.load import Sent

WIDE, TALL, THREADS = 32, 32, 256
"""Columns and rows of a tile and threads of a block, as in project.cu."""


@functools.cache
def _kernel(source: str, name: str, number: int) -> Any:
    """One of the kernels of a .cu file for one card."""
    from cuda.core import Device, Program, ProgramOptions

    device = Device(number)
    device.set_current()
    text = Path(__file__).with_name(f"{source}.cu").read_text(encoding="utf-8")
    options = ProgramOptions(
        arch=f"sm_{device.arch}", std="c++17", use_fast_math=True, device_as_default_execution_space=True
    )
    return Program(text, "c++", options).compile("cubin").get_kernel(name)


def launch(
    source: str, name: str, grid: tuple[int, ...], block: int, *arguments: Any, shared: int = 0
) -> None:
    """Start a kernel on torch's stream. Tensors and numba's arrays pass as addresses, int and float as 32 bits."""
    from cuda.core import LaunchConfig
    from cuda.core import launch as start

    config = LaunchConfig(grid=grid, block=block, shmem_size=shared)
    start(_Stream(), config, _kernel(source, name, torch.cuda.current_device()), *map(_passed, arguments))


def _passed(value: Any) -> Any:
    if isinstance(value, bool | int):
        return np.int32(value)
    if isinstance(value, float):
        return np.float32(value)
    if value is None:
        return np.uint64(0)
    return value if isinstance(value, np.generic) else _at(value)


class _Stream:
    """The stream that torch works on, as cuda.core takes it."""

    def __cuda_stream__(self) -> tuple[int, int]:
        return 0, torch.cuda.current_stream().cuda_stream


def _at(array: Any) -> np.uint64:
    """Address on the card."""
    if isinstance(array, torch.Tensor):
        return np.uint64(array.data_ptr())
    return np.uint64(array.__cuda_array_interface__["data"][0] or 0)


def shadows(sent: Sent, out: torch.Tensor) -> None:
    """Fill the spans (view, item, 4) of all items; see `project.shadows`."""
    packed, (views, items, _) = sent.packed, out.shape
    launch(
        "project", "shadows", (-(-items // THREADS), views), THREADS,
        sent.balls, sent.balls.shape[0], sent.corners, sent.items, items, packed.joint_centre, packed.joint_radius,
        packed.neck_rows, sent.frames, sent.u0_mm, sent.v0_mm, sent.pixel_mm, sent.distance_mm, sent.rows,
        sent.columns, out,
    )  # fmt: skip


def project(
    sent: Sent,
    spans: torch.Tensor,
    first: int,
    signal: torch.Tensor,
    variance: torch.Tensor,
    lost: torch.Tensor,
) -> None:
    """Fill signal and variance (view, row, column) of the views from `first` on; see `project.project`."""
    views, rows, columns = signal.shape
    packed, energies = sent.packed, sent.bins.shape[1]
    launch(
        "project", "project", (-(-columns // WIDE), -(-rows // TALL), views), THREADS,
        sent.prims, sent.balls, packed.joint_rows, packed.neck_rows, packed.neck_joints, packed.joint_centre,
        packed.neck_centre, packed.neck_radius, sent.items, spans, spans.shape[1], sent.frames, first, sent.u0_mm,
        sent.v0_mm, sent.pixel_mm, sent.distance_mm, sent.sub_rays, sent.bins, energies, rows, columns,
        packed.box_low, packed.box_high, packed.box_material, packed.box_material.shape[0], signal, variance, lost,
        shared=32 * energies,
    )  # fmt: skip
