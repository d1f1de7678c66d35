"""From a reconstructed volume to joints on the grid, on a card: `joints.cutting` and `joints.levels` of a scan."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import torch
from numba import cuda, float32, int32
from numpy.typing import NDArray

from jointwise.data_gen.xray.cuda.card import FAST, SIMULATED, put, seen
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
    # Exact zeros were not reconstructed; at the end of the order they do not count. Nothing here waits for the card.
    filled = volume != 0.0
    ordered = torch.sort(torch.where(filled, volume, math.inf).flatten()).values
    low, high = (_percentile(ordered, filled.sum(), share) for share in (0.0005, 0.9995))
    room = 0.1 * (high - low)
    grey = (volume - (low - room).float()) * (steps / (high - low + 2.0 * room)).float()
    return grey.round_().clamp_(0.0, steps)


def _percentile(ordered: torch.Tensor, count: torch.Tensor, share: float) -> torch.Tensor:
    """The value at a share of the first `count` sorted values, linear between neighbours, float64."""
    place = share * (count - 1).double()
    lower = place.floor().long()
    one, other = ordered[lower].double(), ordered[torch.minimum(lower + 1, count - 1)].double()
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
    sent = put(numbers.astype(np.float32), device)
    n = len(np.atleast_2d(centres_mm))
    ends = np.cumsum([3 * n, 9, *(len(o) for o in offsets)])
    centres, turn, x, y, z = (seen(part) for part in torch.tensor_split(sent, [int(e) for e in ends[:-1]]))
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


class Readings(NamedTuple):
    """Where levels are read on the grid; see :func:`joints.levels.air_and_bulk`.

    Attributes:
        lane, bulk: samples of air and of solder, as indices into a flat box.
        trend: (bulk, 10) orthonormal columns of the quadratic trend.
    """

    lane: NDArray[np.int64]
    bulk: NDArray[np.int64]
    trend: NDArray[np.float64]


def readings(grid: Grid, pitch_mm: float, ball_mm: float) -> Readings:
    """Where levels are read, worked out beforehand by any process."""
    lane, bulk, trend = air_and_bulk(grid.offsets_mm(pitch_mm, ball_mm), pitch_mm, ball_mm)
    return Readings(np.flatnonzero(lane), np.flatnonzero(bulk), np.linalg.qr(trend)[0])


def scan_levels(boxes: torch.Tensor, places: Readings) -> torch.Tensor:
    """Air, solder and noise of a scan from its joints' boxes (n, z, y, x): float64 (3,), medians over joints."""
    flat, device = boxes.flatten(1), boxes.device
    bulk = flat[:, put(places.bulk, device)]
    trend = put(places.trend, device)
    values = bulk.double()
    residual = values - (values @ trend) @ trend.T
    residual -= _percentiles(residual, 50.0)[:, None]
    air = _percentiles(flat[:, put(places.lane, device)], 50.0)
    noise = 1.4826 * _percentiles(residual.abs(), 50.0)
    return _percentiles(torch.stack([air, _percentiles(bulk, 75.0), noise]), 50.0)


def _percentiles(table: torch.Tensor, percent: float) -> torch.Tensor:
    """Percentile of each row, float64."""
    ordered = torch.sort(table.double(), dim=1).values
    place = percent / 100.0 * (table.shape[1] - 1)
    lower = math.floor(place)
    one, other = ordered[:, lower], ordered[:, min(lower + 1, table.shape[1] - 1)]
    return one + (place - lower) * (other - one)
