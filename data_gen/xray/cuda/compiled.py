"""The projector in CUDA C (project.cu), compiled at run time by the NVRTC that numba-cuda brings.

On one H100 it took 5.2 ms where numba's compilation of the same design took 11.4. It is held against the CPU's
float64 by the tests on a card and, on whole boards, by the bench.
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
def _kernel(name: str, number: int) -> Any:
    """One of the kernels of project.cu for one card."""
    from cuda.core import Device, Program, ProgramOptions

    device = Device(number)
    device.set_current()
    source = Path(__file__).with_name("project.cu").read_text(encoding="utf-8")
    options = ProgramOptions(
        arch=f"sm_{device.arch}", std="c++17", use_fast_math=True, device_as_default_execution_space=True
    )
    return Program(source, "c++", options).compile("cubin").get_kernel(name)


def _launch(name: str, grid: tuple[int, ...], block: int, shared: int, *arguments: Any) -> None:
    """Start a kernel on torch's stream."""
    from cuda.core import LaunchConfig, launch

    config = LaunchConfig(grid=grid, block=block, shmem_size=shared)
    launch(_Stream(), config, _kernel(name, torch.cuda.current_device()), *arguments)


class _Stream:
    """The stream that torch works on, as cuda.core takes it."""

    def __cuda_stream__(self) -> tuple[int, int]:
        return 0, torch.cuda.current_stream().cuda_stream


def _at(array: Any) -> np.uint64:
    """Address on the card."""
    if isinstance(array, torch.Tensor):
        return np.uint64(array.data_ptr())
    return np.uint64(array.__cuda_array_interface__["data"][0] or 0)


def _primitives(sent: Sent, device: torch.device) -> torch.Tensor:
    """20 numbers a primitive: matrix, origin, profile, ends, role (bits of an integer)."""
    packed = sent.packed
    columns = [
        torch.as_tensor(a, device=device).reshape(len(packed.role), -1)
        for a in (packed.matrix, packed.origin, packed.profile, packed.ends)
    ]
    role = torch.as_tensor(packed.role, device=device).int()[:, None].view(torch.float32)
    return torch.cat([*columns, role, torch.zeros_like(role), torch.zeros_like(role)], dim=1)


def shadows(sent: Sent, out: torch.Tensor) -> None:
    """Fill the spans (view, item, 4) of all items; see `project.shadows`."""
    packed, (views, items, _) = sent.packed, out.shape
    integer, real = np.int32, np.float32
    _launch(
        "shadows", (-(-items // THREADS), views), THREADS, 0,
        _at(sent.balls), integer(sent.balls.shape[0]), _at(sent.corners), _at(sent.items), integer(items),
        _at(packed.joint_centre), _at(packed.joint_radius), _at(packed.neck_rows), _at(sent.frames),
        _at(sent.u0_mm), _at(sent.v0_mm), real(sent.pixel_mm), real(sent.distance_mm), integer(sent.rows),
        integer(sent.columns), _at(out),
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
    prims, packed, energies = _primitives(sent, signal.device), sent.packed, sent.bins.shape[1]
    integer, real = np.int32, np.float32
    _launch(
        "project", (-(-columns // WIDE), -(-rows // TALL), views), THREADS, 32 * energies,
        _at(prims), _at(sent.balls), _at(packed.joint_rows), _at(packed.neck_rows), _at(packed.neck_joints),
        _at(packed.joint_centre), _at(packed.neck_centre), _at(packed.neck_radius), _at(sent.items),
        _at(spans), integer(spans.shape[1]), _at(sent.frames), integer(first), _at(sent.u0_mm), _at(sent.v0_mm),
        real(sent.pixel_mm), real(sent.distance_mm), integer(sent.sub_rays), _at(sent.bins), integer(energies),
        integer(rows), integer(columns), _at(packed.box_low), _at(packed.box_high), _at(packed.box_material),
        integer(packed.box_material.shape[0]), _at(signal), _at(variance), _at(lost),
    )  # fmt: skip
