"""Filtered backprojection for a circular cone beam, onto chosen voxels only.

L. A. Feldkamp, L. C. Davis, J. W. Kress, J. Opt. Soc. Am. A 1, 612 (1984), in the form of Kak and Slaney (1988):
cosine weight, ramp filter along the detector's columns, backprojection with weight 1/U². The detector is scaled to a
virtual one through the rotation axis. The reconstruction knows the nominal geometry only.

The same weights serve every mount. With the axis tilted against the board this is FDK as ever. In laminography it is
the usual approximation: spatial frequencies within 90° - ray_deg of the normal are never measured, and weighting each
measured one by sin(ray_deg) would give it its true strength but leave a ball too faint in its middle by that factor,
for only that share of all directions is measured. Here the factor is left out: the middle of a ball has its true
level, what varies sideways is too strong by 1/sin(ray_deg), and flat layers (and flat gaps) are mostly lost.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.xray.backprojection import any_mount, upright
from jointwise.data_gen.xray.geometry import ConeBeam, scan_frames
from jointwise.data_gen.xray.threads import each
from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice

Float32 = NDArray[np.float32]


class Runs(NamedTuple):
    """Which voxels are wanted: runs of neighbours along y.

    Attributes:
        table: (n, 4) int32, each row (z index, x index, first y index, last y index + 1), ordered by z, x, y.
        lattice: the voxels the indices count.
    """

    table: NDArray[np.int32]
    lattice: Lattice


def ramp_taps(count: int, step_mm: float) -> NDArray[np.float64]:
    """Band-limited ramp filter h(0) … h(count - 1): 1/(4d²) at 0, 0 at even and -1/(π²n²d²) at odd n, per mm²."""
    n = np.arange(count)
    taps = np.zeros(count)
    taps[1::2] = -1.0 / (np.pi * n[1::2] * step_mm) ** 2
    taps[0] = 1.0 / (4.0 * step_mm**2)
    return taps


def _hamming(s: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(0.54 + 0.46 * np.cos(np.pi * s))


WINDOWS: Mapping[str, Callable[[NDArray[np.float64]], NDArray[np.float64]]] = {
    "ramlak": np.ones_like,
    "shepp_logan": lambda s: np.asarray(np.sinc(s / 2.0)),
    "cosine": lambda s: np.asarray(np.cos(np.pi * s / 2.0)),
    "hamming": _hamming,
    "hann": lambda s: np.asarray(0.5 + 0.5 * np.cos(np.pi * s)),
}
"""Apodisation by name, as a function of the frequency over the cutoff (0 to 1); beyond the cutoff all are zero."""


def ramp_response(
    columns: int, step_mm: float, cutoff: float = math.inf, apodisation: str = "hann"
) -> NDArray[np.float64]:
    """Transfer function of the ramp for a zero-padded real FFT, per mm.

    The taps are sampled in space and transformed, which keeps the mean level right; a sampled |f| would not.

    Args:
        columns: samples of a row; the padded length is at least 2·columns - 1.
        step_mm: distance of samples on the virtual detector.
        cutoff: frequency over Nyquist at which the window ends; infinite leaves the ramp as it is.
        apodisation: one of :data:`WINDOWS`.

    Raises:
        InputError: there is no such window.
    """
    if apodisation not in WINDOWS:
        raise InputError(
            f"expected an apodisation out of {', '.join(WINDOWS)}, found {apodisation!r}; choose one"
        )
    length = padded_length(columns)
    half = ramp_taps(length // 2 + 1, step_mm)
    kernel = np.concatenate([half, half[1 : (length + 1) // 2][::-1]])
    response = scipy.fft.rfft(kernel).real * step_mm
    if math.isfinite(cutoff):
        share = np.linspace(0.0, 1.0, len(response)) / cutoff
        response *= np.where(share < 1.0, WINDOWS[apodisation](np.minimum(share, 1.0)), 0.0)
    return np.asarray(response)


def padded_length(columns: int) -> int:
    """An even length that transforms fast and keeps the ramp from wrapping round."""
    length = scipy.fft.next_fast_len(2 * columns, real=True)
    return int(length if length % 2 == 0 else scipy.fft.next_fast_len(length + 1, real=True))


class Filter:
    """Cosine weight and ramp for one scan; call it with line integrals of some views.

    Args:
        beam: the scan.
        cutoff, apodisation: see :func:`ramp_response`.
    """

    def __init__(self, beam: ConeBeam, cutoff: float = math.inf, apodisation: str = "hann") -> None:
        distance = beam.source_detector_mm
        u, v = beam.u_mm()[None, :], beam.v_mm()[:, None]
        self.beam = beam
        self.cosine = (distance / np.sqrt(distance**2 + u**2 + v**2)).astype(np.float32)
        response = ramp_response(beam.columns, beam.voxel_mm, cutoff, apodisation)
        self.response = response.astype(np.float32)

    def __call__(self, line_integrals: NDArray[Any]) -> Float32:
        """Filtered views, float32 (view, column, row): rows lie side by side, as the backprojection reads them.

        Args:
            line_integrals: (view, row, column).
        """
        length, columns = padded_length(self.beam.columns), self.beam.columns
        out = np.empty((len(line_integrals), columns, self.beam.rows), np.float32)

        def one_view(view: int) -> None:
            weighted = np.asarray(line_integrals[view], np.float32) * self.cosine
            spectrum = scipy.fft.rfft(weighted, length, axis=-1, workers=1) * self.response
            out[view] = scipy.fft.irfft(spectrum, length, axis=-1, workers=1)[:, :columns].T

        each(one_view, ((view,) for view in range(len(out))))
        return out


def empty_volume(lattice: Lattice) -> Float32:
    """Zeros in the order in which voxels are accumulated: (z, x, y); see :func:`in_file_order`."""
    nz, ny, nx = lattice.shape
    return np.zeros((nz, nx, ny), np.float32)


def in_file_order(volume: Float32) -> Float32:
    """A (z, y, x) view of an accumulated volume; no copy."""
    return volume.transpose(0, 2, 1)


def all_voxels(lattice: Lattice) -> Runs:
    """Every voxel of a lattice."""
    nz, ny, nx = lattice.shape
    z, x = (a.ravel() for a in np.meshgrid(np.arange(nz), np.arange(nx), indexing="ij"))
    table = np.stack([z, x, np.zeros_like(z), np.full_like(z, ny)], axis=1)
    return Runs(table.astype(np.int32), lattice)


def voxels_around(
    lattice: Lattice,
    centres_mm: NDArray[np.float64],
    axes: NDArray[np.float64],
    half_mm: tuple[float, float, float],
) -> Runs:
    """The voxels inside any of several equal boxes.

    Args:
        lattice: voxels.
        centres_mm: (n, 3) middles of the boxes in the file's frame.
        axes: (3, 3), columns are the boxes' directions.
        half_mm: half sizes along those directions.
    """
    nz, ny, nx = lattice.shape
    wanted = np.zeros((nz, nx, ny), np.bool_)
    centres = lattice.to_index(centres_mm)
    # Distances are measured in voxels, in which a box of a lattice with one spacing stays a box.
    scaled = np.asarray(axes) * np.asarray(lattice.spacing_mm)[:, None]
    _mark_boxes(
        wanted, np.atleast_2d(centres), np.ascontiguousarray(scaled.T), np.asarray(half_mm, np.float64)
    )
    return Runs(_runs_of(wanted), lattice)


@njit(error_model="numpy", cache=True)
def _mark_boxes(wanted, centres, directions, half):  # type: ignore[no-untyped-def]
    nz, nx, ny = wanted.shape
    for n in range(centres.shape[0]):
        reach = np.zeros(3)
        # Extent of the box along the lattice's axes: its directions are the inverse's columns times half.
        back = np.linalg.inv(directions)
        for i in range(3):
            for k in range(3):
                reach[i] += abs(back[i, k]) * half[k]
        z0 = max(0, math.floor(centres[n, 2] - reach[2]))
        z1 = min(nz, math.ceil(centres[n, 2] + reach[2]) + 1)
        x0 = max(0, math.floor(centres[n, 0] - reach[0]))
        x1 = min(nx, math.ceil(centres[n, 0] + reach[0]) + 1)
        for z in range(z0, z1):
            for x in range(x0, x1):
                low, high = -1e30, 1e30
                for k in range(3):
                    fixed = directions[k, 0] * (x - centres[n, 0]) + directions[k, 2] * (z - centres[n, 2])
                    slope = directions[k, 1]
                    if abs(slope) < 1e-12:
                        if abs(fixed) > half[k]:
                            high = -1e30
                    else:
                        one, other = (-half[k] - fixed) / slope, (half[k] - fixed) / slope
                        low, high = max(low, min(one, other)), min(high, max(one, other))
                if high >= low:
                    first = max(0, math.ceil(centres[n, 1] + low))
                    last = min(ny, math.floor(centres[n, 1] + high) + 1)
                    for y in range(first, last):
                        wanted[z, x, y] = True


@njit(error_model="numpy", cache=True)
def _runs_of(wanted):  # type: ignore[no-untyped-def]
    nz, nx, ny = wanted.shape
    table = np.empty((0, 4), np.int32)
    for fill in range(2):
        n = 0
        for z in range(nz):
            for x in range(nx):
                y = 0
                while y < ny:
                    if not wanted[z, x, y]:
                        y += 1
                        continue
                    first = y
                    while y < ny and wanted[z, x, y]:
                        y += 1
                    if fill == 1:
                        table[n, 0], table[n, 1], table[n, 2], table[n, 3] = z, x, first, y
                    n += 1
        if fill == 0:
            table = np.empty((n, 4), np.int32)
    return table


def backproject(filtered: Float32, beam: ConeBeam, first_view: int, runs: Runs, volume: Float32) -> None:
    """Add filtered views to the wanted voxels of a volume.

    Upright, a run along the axis meets one detector column per view, which takes a fraction of the work.

    Args:
        filtered: (view, column, row) from :class:`Filter`.
        beam: the scan.
        first_view: number of the first of these views.
        runs: wanted voxels; others stay as they are.
        volume: (z, x, y) float32 of the runs' lattice, changed in place.
    """
    views = slice(first_view, first_view + len(filtered))
    origin, spacing = np.array(runs.lattice.origin_mm), np.array(runs.lattice.spacing_mm)
    sizes = (beam.source_axis_mm, beam.voxel_mm, math.pi / beam.views)
    parts = np.array_split(runs.table, max(1, len(runs.table) // _RUNS_AT_ONCE))
    if beam.axis_tilt_deg != 0.0 or beam.ray_deg != 90.0:
        frames = scan_frames(beam, views)
        each(any_mount, ((filtered, frames, *sizes, part, origin, spacing, volume) for part in parts))
        return
    angles = beam.angles_rad[views]
    scan = (np.sin(angles), np.cos(angles), *sizes)
    each(upright, ((filtered, *scan, part, origin, spacing, volume) for part in parts))


_RUNS_AT_ONCE = 2000


def reconstruct(
    line_integrals: NDArray[Any],
    beam: ConeBeam,
    runs: Runs,
    cutoff: float = math.inf,
    apodisation: str = "hann",
) -> Float32:
    """Attenuation per mm in the wanted voxels, float32 (z, y, x) of the runs' lattice, zero elsewhere.

    Args:
        line_integrals: all views (view, row, column).
        beam: the scan.
        runs: wanted voxels.
        cutoff, apodisation: see :func:`ramp_response`.
    """
    ramp = Filter(beam, cutoff, apodisation)
    volume = empty_volume(runs.lattice)
    for first in range(0, beam.views, VIEWS_AT_ONCE):
        backproject(ramp(line_integrals[first : first + VIEWS_AT_ONCE]), beam, first, runs, volume)
    return in_file_order(volume)


VIEWS_AT_ONCE = 24
"""Views held in memory together."""
