"""From a reconstructed volume to joints on the grid, on a card: `joints.cutting` and `joints.levels` for all at once."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import torch
from numba import cuda, float32, int32
from numpy.typing import NDArray

from jointwise.data_gen.xray.cuda.card import FAST, SIMULATED, seen
from jointwise.joints.cutting import refined_offsets
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice
from jointwise.joints.levels import air_and_bulk

_ZERO, _ONE = np.float32(0), np.float32(1)
_THREADS = 32 if SIMULATED else 128


def stored_like_file(volume: torch.Tensor, storage: str) -> torch.Tensor:
    """`scan.stored_like_file`: whole grey values stay float32, which holds them exactly."""
    if storage == "float32":
        return volume
    steps = float(np.iinfo(np.dtype(storage)).max)
    filled = torch.sort(volume[volume != 0.0]).values
    low, high = _percentile(filled, 0.05), _percentile(filled, 99.95)
    room = 0.1 * (high - low)
    grey = (volume - (low - room).float()) * (steps / (high - low + 2.0 * room)).float()
    return grey.round_().clamp_(0.0, steps)


def _percentile(ordered: torch.Tensor, percent: float) -> torch.Tensor:
    """Percentile of sorted values, linear between neighbours, float64."""
    place = percent / 100.0 * (len(ordered) - 1)
    lower = math.floor(place)
    one, other = ordered[lower].double(), ordered[min(lower + 1, len(ordered) - 1)].double()
    return one + (place - lower) * (other - one)


def resample(
    volume: torch.Tensor,
    lattice: Lattice,
    centres_mm: NDArray[np.float64],
    axes: NDArray[np.float64],
    grid: Grid,
    pitch_mm: float,
    ball_mm: float,
) -> torch.Tensor:
    """`joints.cutting.resample` of every centre: float32 (n, z, y, x)."""
    device = volume.device
    offsets = refined_offsets(grid, pitch_mm, ball_mm, lattice.voxel_mm)
    finer = [len(o) // n for o, n in zip(offsets, grid.shape[::-1], strict=True)]
    numbers = np.concatenate(
        [
            lattice.to_index(np.atleast_2d(centres_mm)).ravel(),
            (np.asarray(axes) / np.asarray(lattice.spacing_mm)[:, None]).ravel(),
            *offsets,
        ]
    )
    sent = torch.from_numpy(numbers.astype(np.float32)).to(device)
    n = len(np.atleast_2d(centres_mm))
    ends = np.cumsum([3 * n, 9, *(len(o) for o in offsets)])
    centres, turn, x, y, z = (
        seen(part) for part in torch.tensor_split(sent, [int(e) for e in ends[:-1]])
    )
    out = torch.empty((n, *grid.shape), dtype=torch.float32, device=device)
    nz, ny, nx = grid.shape
    _resample[(-(-nx * ny // _THREADS), nz, n), _THREADS](
        seen(volume), centres, turn, x, y, z, finer[0], finer[1], finer[2], seen(out)
    )
    return out


@cuda.jit(device=True, fastmath=FAST)
def _between(volume, x, y, z):  # type: ignore[no-untyped-def]
    """Trilinear value at fractional indices; beyond the edge the nearest voxel counts."""
    nz, ny, nx = volume.shape
    x = min(max(x, _ZERO), float32(nx - 1))
    y = min(max(y, _ZERO), float32(ny - 1))
    z = min(max(z, _ZERO), float32(nz - 1))
    i, j, k = int32(x), int32(y), int32(z)
    fx, fy, fz = x - float32(i), y - float32(j), z - float32(k)
    i1, j1, k1 = min(i + 1, nx - 1), min(j + 1, ny - 1), min(k + 1, nz - 1)
    a = volume[k, j, i] * (_ONE - fx) + volume[k, j, i1] * fx
    b = volume[k, j1, i] * (_ONE - fx) + volume[k, j1, i1] * fx
    c = volume[k1, j, i] * (_ONE - fx) + volume[k1, j, i1] * fx
    d = volume[k1, j1, i] * (_ONE - fx) + volume[k1, j1, i1] * fx
    return (a * (_ONE - fy) + b * fy) * (_ONE - fz) + (c * (_ONE - fy) + d * fy) * fz


@cuda.jit(fastmath=FAST)
def _resample(volume, centres, turn, xs, ys, zs, kx, ky, kz, out):  # type: ignore[no-untyped-def]
    flat, iz, n = cuda.grid(1), cuda.blockIdx.y, cuda.blockIdx.z
    if flat >= out.shape[2] * out.shape[3]:
        return
    iy = int32(flat) // int32(out.shape[3])
    ix = int32(flat) - iy * int32(out.shape[3])
    total = _ZERO
    for c in range(iz * kz, iz * kz + kz):
        for b in range(iy * ky, iy * ky + ky):
            for a in range(ix * kx, ix * kx + kx):
                x = centres[3 * n] + turn[0] * xs[a] + turn[1] * ys[b] + turn[2] * zs[c]
                y = centres[3 * n + 1] + turn[3] * xs[a] + turn[4] * ys[b] + turn[5] * zs[c]
                z = centres[3 * n + 2] + turn[6] * xs[a] + turn[7] * ys[b] + turn[8] * zs[c]
                total += _between(volume, x, y, z)
    out[n, iz, iy, ix] = total / float32(kx * ky * kz)


class LevelReader:
    """`joints.levels.read_levels` and `combine` for boxes of one pitch and ball."""

    def __init__(self, grid: Grid, pitch_mm: float, ball_mm: float, device: torch.device) -> None:
        lane, bulk, design = air_and_bulk(grid.offsets_mm(pitch_mm, ball_mm), pitch_mm, ball_mm)
        inverse = np.linalg.pinv(design)
        self.lane = torch.from_numpy(np.flatnonzero(lane)).to(device)
        self.bulk = torch.from_numpy(np.flatnonzero(bulk)).to(device)
        self.design = torch.from_numpy(design).to(device)
        self.inverse = torch.from_numpy(inverse).to(device)

    @staticmethod
    @lru_cache(maxsize=64)
    def of(grid: Grid, pitch_mm: float, ball_mm: float, device: torch.device) -> LevelReader:
        """A reader kept from scan to scan."""
        return LevelReader(grid, pitch_mm, ball_mm, device)

    def __call__(self, boxes: torch.Tensor) -> torch.Tensor:
        """Air, solder and noise of a scan from its joints' boxes (n, z, y, x): float64 (3,), medians over joints."""
        flat = boxes.flatten(1)
        bulk = flat[:, self.bulk]
        air = _percentiles(flat[:, self.lane], 50.0)
        solder = _percentiles(bulk, 75.0)
        values = bulk.double()
        residual = values - (values @ self.inverse.T) @ self.design.T
        spread = residual - _percentiles(residual, 50.0)[:, None]
        noise = 1.4826 * _percentiles(spread.abs(), 50.0)
        return _percentiles(torch.stack([air, solder, noise]), 50.0)


def _percentiles(table: torch.Tensor, percent: float) -> torch.Tensor:
    """Percentile of each row, float64."""
    ordered = torch.sort(table.double(), dim=1).values
    place = percent / 100.0 * (table.shape[1] - 1)
    lower = math.floor(place)
    one, other = ordered[:, lower], ordered[:, min(lower + 1, table.shape[1] - 1)]
    return one + (place - lower) * (other - one)
