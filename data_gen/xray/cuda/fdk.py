"""Ramp filter and backprojection on a card, onto wanted voxels only; see `xray.reconstruct` for the method.

On a card, fdk.cu backprojects (see `compiled`); the kernels below are its plain form for numba's simulator.
"""

from __future__ import annotations

import math

import numpy as np
import scipy.fft
import torch
from numba import cuda, float32, int32, uint32
from numpy.typing import NDArray

from jointwise.data_gen.xray.cuda import compiled
from jointwise.data_gen.xray.cuda.card import FAST, SIMULATED, parcel, put, seen, sent
from jointwise.data_gen.xray.geometry import ConeBeam, scan_frames
from jointwise.data_gen.xray.reconstruct import ramp_response
from jointwise.joints.lattice import Lattice

RUN = 4
"""Voxels along the axis that one thread follows: they share column, depth and weight of every view."""

_ZERO, _HALF, _ONE = np.float32(0), np.float32(0.5), np.float32(1)
_BLOCK = (4, 2) if SIMULATED else (32, 4)
STRETCH, THREADS = 8, 128
"""The same on a card, and threads of a block: RUN and THREADS of fdk.cu."""

PRECISIONS = ("float32", "tf32", "float16")


class Ramp:
    """The ramp filter as one matrix product along the rows of a detector.

    Args:
        beam: the scan.
        cutoff, apodisation: see `xray.reconstruct.ramp_response`.
        device: the card.
        precision: of the product; float16 adds up in float32 and takes taps whose rounding is passed outward, so
            that the level stays right.
    """

    def __init__(
        self,
        beam: ConeBeam,
        cutoff: float,
        device: torch.device,
        precision: str = "float32",
        apodisation: str = "hann",
    ) -> None:
        response = ramp_response(beam.columns, beam.voxel_mm, cutoff, apodisation)
        taps = scipy.fft.irfft(response)[: beam.columns]
        # The largest tap becomes about 1, so that the smallest stay normal numbers of half precision.
        self.scale = 2.0 ** math.ceil(math.log2(abs(taps[0])))
        taps = taps / self.scale
        if precision == "float16":
            taps = _diffused(taps)
        places = torch.arange(beam.columns, device=device)
        index = (places[:, None] - places[None, :]).abs()
        self.precision = precision
        matrix = put(taps.astype(np.float32), device)[index]
        if precision == "float16" and not SIMULATED:
            # Each pixel's value and, beside it, its right neighbour's, as the backprojection reads them in one load.
            beside = torch.nn.functional.pad(matrix[:, 1:], (0, 1))
            matrix = torch.stack([matrix, beside], dim=2).flatten(1)
        self.matrix = matrix.to(torch.float16 if precision == "float16" else torch.float32)

    def __call__(self, views: torch.Tensor) -> torch.Tensor:
        """Filtered views without the factor `scale`: (view, row, column), or in float16 on a card (view, row, 2 columns),
        each pixel followed by the one to its right."""
        if self.precision == "float16":
            return views.to(torch.float16) @ self.matrix
        torch.backends.cuda.matmul.allow_tf32 = self.precision == "tf32"
        return views @ self.matrix


def _diffused(taps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Taps rounded to half precision; each hands its rounding error to the next one outward."""
    out, error = np.empty_like(taps), 0.0
    for i, tap in enumerate(taps):
        # The middle tap stands once, all others on both sides.
        want = tap + error if i else tap
        out[i] = np.float64(np.float16(want))
        error = (want - out[i]) * (0.5 if i == 0 else 1.0)
    return out


def wanted_voxels(
    lattice: Lattice,
    centres_mm: NDArray[np.float64],
    axes: NDArray[np.float64],
    half_mm: tuple[float, float, float],
    device: torch.device,
) -> torch.Tensor:
    """Which voxels lie inside any of several equal boxes, uint8 (z, y, x); see `xray.reconstruct.voxels_around`."""
    out = torch.zeros(lattice.shape, dtype=torch.uint8, device=device)
    reach = np.abs(axes) @ np.asarray(half_mm) / lattice.voxel_mm
    centres = lattice.to_index(np.atleast_2d(centres_mm))
    low = np.maximum(np.floor(centres - reach), 0)
    high = np.minimum(np.ceil(centres + reach) + 1, lattice.shape[::-1])
    size = (high - low).max(axis=0).astype(int)
    scaled = np.asarray(axes).T * lattice.voxel_mm
    numbers = np.concatenate([scaled.ravel(), half_mm])
    places = put(np.concatenate([centres, low, high], axis=1), device)
    grid = (-(-size[0] // _BLOCK[0]), -(-size[1] // _BLOCK[1]), int(size[2]) * len(centres))
    _mark[tuple(int(n) for n in grid), _BLOCK](
        seen(places), seen(put(numbers, device)), int(size[2]), seen(out)
    )
    return out


@cuda.jit
def _mark(places, box, deep, wanted):  # type: ignore[no-untyped-def]
    i, j, both = cuda.grid(3)
    n = both // deep
    x, y, z = places[n, 3] + i, places[n, 4] + j, places[n, 5] + both - n * deep
    if x >= places[n, 6] or y >= places[n, 7] or z >= places[n, 8]:
        return
    dx, dy, dz = x - places[n, 0], y - places[n, 1], z - places[n, 2]
    for k in range(3):
        if abs(box[3 * k] * dx + box[3 * k + 1] * dy + box[3 * k + 2] * dz) > box[9 + k]:
            return
    wanted[int32(z), int32(y), int32(x)] = 1


class Backprojection:
    """Sums filtered views into the wanted voxels of one scan; an upright board takes a shorter way.

    Args:
        beam: the scan.
        lattice: voxels, aligned with the file's frame.
        wanted: from :func:`wanted_voxels`; None for all.
        device: the card.
        origins_mm: (n, 3) middles of the first voxels of n lattices like that one, instead of its own; on a card.
    """

    def __init__(
        self,
        beam: ConeBeam,
        lattice: Lattice,
        wanted: torch.Tensor | None,
        device: torch.device,
        origins_mm: NDArray[np.float64] | None = None,
    ) -> None:
        self.beam, self.lattice, self.wanted = beam, lattice, wanted
        several = () if origins_mm is None else (len(origins_mm),)
        self.volume = torch.zeros((*several, *lattice.shape), dtype=torch.float32, device=device)
        self.upright = beam.axis_tilt_deg == 0.0 and beam.ray_deg == 90.0
        angles = beam.angles_rad
        table = np.stack([np.sin(angles), np.cos(angles)], axis=1) if self.upright else _maps(beam)
        origins = np.atleast_2d(lattice.origin_mm if origins_mm is None else origins_mm)
        self.turns, self.origins = sent(parcel([table.astype(np.float32), origins.astype(np.float32)]), device)

    def add(self, filtered: torch.Tensor, first_view: int, scale: float = 1.0) -> None:
        """Add filtered views from :class:`Ramp`, each times `scale`."""
        turns = self.turns[first_view : first_view + len(filtered)]
        share = scale * math.pi / self.beam.views
        (self._simulate if SIMULATED else self._run)(filtered, turns, share)

    def _run(self, filtered: torch.Tensor, turns: torch.Tensor, share: float) -> None:
        (nz, ny, nx), beam = self.lattice.shape, self.beam
        grid = math.ceil(math.ceil(ny / STRETCH) * nx / THREADS), nz * len(self.origins)
        common = (
            filtered, filtered.dtype == torch.float16, beam.rows, beam.columns, turns, len(turns), self.wanted,
            self.origins, float(self.lattice.voxel_mm), nz, ny, nx,
        )  # fmt: skip
        if self.upright:
            sizes = beam.source_axis_mm, beam.voxel_mm
            compiled.launch("fdk", "add_upright", grid, THREADS, *common, *map(float, sizes), share, self.volume)
        else:
            compiled.launch("fdk", "add_mounted", grid, THREADS, *common, share, self.volume)

    def _simulate(self, filtered: torch.Tensor, turns: torch.Tensor, share: float) -> None:
        """The same by the kernels below."""
        (nz, ny, nx), beam = self.lattice.shape, self.beam
        grid = math.ceil(nx / _BLOCK[0]), math.ceil(math.ceil(ny / RUN) / _BLOCK[1]), nz
        wanted = torch.ones(self.lattice.shape, dtype=torch.uint8) if self.wanted is None else self.wanted
        views = seen(filtered.reshape(-1)), beam.rows, beam.columns, seen(turns), seen(wanted)
        place = [np.float32(v) for v in (*self.lattice.origin_mm, self.lattice.voxel_mm)]
        if self.upright:
            sizes = np.float32(beam.source_axis_mm), np.float32(beam.voxel_mm)
            _add_views[grid, _BLOCK](*views, *place, *sizes, np.float32(share), seen(self.volume))
        else:
            _add_views_any[grid, _BLOCK](*views, *place, np.float32(share), seen(self.volume))


def _maps(beam: ConeBeam) -> NDArray[np.float64]:
    """Nominal views as maps (view, 3, 4) from a place of the file: column and row times depth, and depth (1 at the
    axis), each linear in x, y, z and 1; columns and rows count from the detector's middle."""
    frames = scan_frames(beam)
    scales = np.array([1.0 / beam.voxel_mm, 1.0 / beam.voxel_mm, 1.0 / beam.source_axis_mm])
    directions = frames[:, 1:] * scales[:, None]
    offsets = -np.einsum("vak,vk->va", directions, frames[:, 0])
    return np.concatenate([directions, offsets[:, :, None]], axis=2)


@cuda.jit(fastmath=FAST)
def _add_views(flat, rows, columns, turns, wanted, x0, y0, z0, spacing, distance, step, share, volume):  # type: ignore[no-untyped-def]
    x = cuda.blockIdx.x * cuda.blockDim.x + cuda.threadIdx.x
    first = (cuda.blockIdx.y * cuda.blockDim.y + cuda.threadIdx.y) * RUN
    z = cuda.blockIdx.z
    if x >= volume.shape[2] or first >= volume.shape[1]:
        return
    some = False
    for j in range(RUN):
        if first + j < volume.shape[1] and wanted[z, first + j, x] > 0:
            some = True
    if not some:
        return
    sums = cuda.local.array(RUN, float32)
    for j in range(RUN):
        sums[j] = _ZERO
    px, py, pz = x0 + float32(x) * spacing, y0 + float32(first) * spacing, z0 + float32(z) * spacing
    middle_column, middle_row = _HALF * float32(columns - 1), _HALF * float32(rows - 1)
    last_column, last_row = float32(columns - 1), float32(rows - 1)
    stride = uint32(columns)
    for view in range(turns.shape[0]):
        sine, cosine = turns[view, 0], turns[view, 1]
        enlarged = distance / (distance - (px * sine + pz * cosine))
        scale = enlarged / step
        column = (px * cosine - pz * sine) * scale + middle_column
        if column < _ZERO or column > last_column:
            continue
        c = min(uint32(column), uint32(columns - 2))
        weight = share * enlarged * enlarged
        right = (column - float32(c)) * weight
        left = weight - right
        start, slope = py * scale + middle_row, spacing * scale
        image = uint32(view) * uint32(rows) * stride + c
        for j in range(RUN):
            row = start + float32(j) * slope
            # No branch: the loads of all voxels of the run are under way together.
            r = min(uint32(max(row, _ZERO)), uint32(rows - 2))
            one = uint32(image + uint32(r * stride))
            two = uint32(one + stride)
            upper = left * float32(flat[one]) + right * float32(flat[uint32(one + uint32(1))])
            lower = left * float32(flat[two]) + right * float32(flat[uint32(two + uint32(1))])
            value = upper + (row - float32(r)) * (lower - upper)
            sums[j] += value if row >= _ZERO and row <= last_row else _ZERO
    for j in range(RUN):
        if first + j < volume.shape[1] and wanted[z, first + j, x] > 0:
            volume[z, first + j, x] += sums[j]


@cuda.jit(fastmath=FAST)
def _add_views_any(flat, rows, columns, maps, wanted, x0, y0, z0, spacing, share, volume):  # type: ignore[no-untyped-def]
    """Any mount: column, row and weight of each voxel by themselves."""
    x = cuda.blockIdx.x * cuda.blockDim.x + cuda.threadIdx.x
    first = (cuda.blockIdx.y * cuda.blockDim.y + cuda.threadIdx.y) * RUN
    z = cuda.blockIdx.z
    if x >= volume.shape[2] or first >= volume.shape[1]:
        return
    some = False
    for j in range(RUN):
        if first + j < volume.shape[1] and wanted[z, first + j, x] > 0:
            some = True
    if not some:
        return
    sums = cuda.local.array(RUN, float32)
    for j in range(RUN):
        sums[j] = _ZERO
    px, py, pz = x0 + float32(x) * spacing, y0 + float32(first) * spacing, z0 + float32(z) * spacing
    middle_column, middle_row = _HALF * float32(columns - 1), _HALF * float32(rows - 1)
    last_column, last_row = float32(columns - 1), float32(rows - 1)
    stride = uint32(columns)
    for view in range(maps.shape[0]):
        m = maps[view]
        across = m[0, 0] * px + m[0, 1] * py + m[0, 2] * pz + m[0, 3]
        along = m[1, 0] * px + m[1, 1] * py + m[1, 2] * pz + m[1, 3]
        depth = m[2, 0] * px + m[2, 1] * py + m[2, 2] * pz + m[2, 3]
        image = uint32(view) * uint32(rows) * stride
        for j in range(RUN):
            step = float32(j) * spacing
            inverse = _ONE / (depth + step * m[2, 1])
            column = (across + step * m[0, 1]) * inverse + middle_column
            row = (along + step * m[1, 1]) * inverse + middle_row
            seen_there = column >= _ZERO and column <= last_column and row >= _ZERO and row <= last_row
            c = min(uint32(max(column, _ZERO)), uint32(columns - 2))
            r = min(uint32(max(row, _ZERO)), uint32(rows - 2))
            f = column - float32(c)
            one = uint32(image + uint32(r * stride + c))
            two = uint32(one + stride)
            upper = float32(flat[one])
            upper += f * (float32(flat[uint32(one + uint32(1))]) - upper)
            lower = float32(flat[two])
            lower += f * (float32(flat[uint32(two + uint32(1))]) - lower)
            value = upper + (row - float32(r)) * (lower - upper)
            sums[j] += share * inverse * inverse * value if seen_there else _ZERO
    for j in range(RUN):
        if first + j < volume.shape[1] and wanted[z, first + j, x] > 0:
            volume[z, first + j, x] += sums[j]
