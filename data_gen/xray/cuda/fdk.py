"""Ramp filter and backprojection on a card, onto wanted voxels only; see `xray.reconstruct` for the method.

The backprojection is fdk.cu (see `compiled`).
"""

from __future__ import annotations

import functools
import math

import numpy as np
import scipy.fft
import torch
from numba import cuda, int32
from numpy.typing import NDArray

from jointwise.data_gen.xray.cuda import compiled
from jointwise.data_gen.xray.cuda.card import SIMULATED, parcel, put, seen, sent
from jointwise.data_gen.xray.geometry import ConeBeam, scan_frames
from jointwise.data_gen.xray.reconstruct import ramp_response
from jointwise.joints.lattice import Lattice

RUN, WIDE, DEEP, THREADS = 8, 16, 16, 256
"""Voxels along the axis that one thread follows (they share column, depth and weight of every view), voxels of a block
in x and z, and its threads, one for each, as in fdk.cu."""

RUNS, SHARED = (8, 12, 16), 5.0
"""Runs to choose from where all voxels are wanted, and how many voxels' work a run's shared part takes at a view."""

PITCH = 64
"""Filtered rows are padded to a multiple of so many pixels: fdk.cu is compiled for each distance of rows it meets."""

_BLOCK = (4, 2) if SIMULATED else (32, 4)
PRECISIONS = ("float32", "tf32", "float16")


class Ramp:
    """The ramp filter as one matrix product along the rows of a detector.

    Args:
        columns, voxel_mm: pixels of a row and their size at the axis.
        cutoff, apodisation: see `xray.reconstruct.ramp_response`.
        device: the card.
        precision: of the product; float16 adds up in float32 and takes taps whose rounding is passed outward, so
            that the level stays right.
    """

    def __init__(
        self,
        columns: int,
        voxel_mm: float,
        cutoff: float,
        device: torch.device,
        precision: str = "float32",
        apodisation: str = "hann",
    ) -> None:
        response = ramp_response(columns, voxel_mm, cutoff, apodisation)
        taps = scipy.fft.irfft(response)[:columns]
        # The largest tap becomes about 1, so that the smallest stay normal numbers of half precision.
        self.scale = 2.0 ** math.ceil(math.log2(abs(taps[0])))
        taps = taps / self.scale
        if precision == "float16":
            taps = _diffused(taps)
        places = torch.arange(columns, device=device)
        index = (places[:, None] - places[None, :]).abs()
        self.precision = precision
        padded = -columns % PITCH
        matrix = torch.nn.functional.pad(put(taps.astype(np.float32), device)[index], (0, padded))
        if precision == "float16":
            # Each pixel's value and, beside it, its right neighbour's, as the backprojection reads them in one load.
            beside = torch.nn.functional.pad(matrix[:, 1:], (0, 1))
            matrix = torch.stack([matrix, beside], dim=2).flatten(1)
        self.matrix = matrix.to(torch.float16 if precision == "float16" else torch.float32)
        # Scans on other streams may share the filter.
        self.made = torch.cuda.current_stream().record_event() if device.type == "cuda" else None

    def __call__(self, views: torch.Tensor) -> torch.Tensor:
        """Filtered views (view, row, column) without the factor `scale`; float16: (view, row, 2 columns), each pixel
        followed by the one to its right. Rows are padded with zeros, see `PITCH`."""
        if self.made is not None:
            stream = torch.cuda.current_stream()
            stream.wait_event(self.made)
            self.matrix.record_stream(stream)
        if self.precision == "float16":
            return views.to(torch.float16) @ self.matrix
        torch.backends.cuda.matmul.allow_tf32 = self.precision == "tf32"
        return views @ self.matrix


@functools.lru_cache(maxsize=16)
def ramp_of(
    columns: int, voxel_mm: float, cutoff: float, device: torch.device, precision: str, apodisation: str
) -> Ramp:
    """The filter of a scanner, kept for the scans that follow."""
    return Ramp(columns, voxel_mm, cutoff, device, precision, apodisation)


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
        self.turns, self.origins = sent(
            parcel([table.astype(np.float32), origins.astype(np.float32)]), device
        )

    def add(self, filtered: torch.Tensor, first_view: int, scale: float = 1.0) -> None:
        """Add filtered views from :class:`Ramp`, each times `scale`."""
        turns = self.turns[first_view : first_view + len(filtered)]
        share = scale * math.pi / self.beam.views
        (nz, ny, nx), beam = self.lattice.shape, self.beam
        # Longer runs share more, but voxels that nobody wants are left out run by run.
        run = best_run(ny) if self.upright and self.wanted is None else RUN
        grid = math.ceil(ny / run) * math.ceil(nx / WIDE), math.ceil(nz / DEEP), len(self.origins)
        common = (
            filtered, filtered.dtype == torch.float16, beam.rows, beam.columns, turns, len(turns), self.wanted,
            self.origins, float(self.lattice.voxel_mm), nz, ny, nx,
        )  # fmt: skip
        name = "add_upright" if self.upright else "add_mounted"
        sizes = (float(beam.source_axis_mm), float(beam.voxel_mm)) if self.upright else ()
        pitch = filtered.stride(1) * filtered.element_size()
        compiled.launch(
            "fdk",
            name,
            grid,
            THREADS,
            *common,
            *sizes,
            share,
            self.volume,
            defines=f"PITCH {pitch};RUN {run}",
        )


def best_run(voxels: int) -> int:
    """The run of `RUNS` that follows so many voxels with the least work; what each shares counts as `SHARED` more."""
    return min(RUNS, key=lambda run: math.ceil(voxels / run) * (run + SHARED))


def _maps(beam: ConeBeam) -> NDArray[np.float64]:
    """Nominal views as maps (view, 3, 4) from a place of the file: column and row times depth, and depth (1 at the
    axis), each linear in x, y, z and 1; columns and rows count from the detector's middle."""
    frames = scan_frames(beam)
    scales = np.array([1.0 / beam.voxel_mm, 1.0 / beam.voxel_mm, 1.0 / beam.source_axis_mm])
    directions = frames[:, 1:] * scales[:, None]
    offsets = -np.einsum("vak,vk->va", directions, frames[:, 0])
    return np.concatenate([directions, offsets[:, :, None]], axis=2)
