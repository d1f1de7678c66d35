"""The detector on a card: what `xray.detector` does to the expected signal, with random numbers of its own.

On a card, detect.cu does the work (see `compiled`); the kernels below are its plain form for numba's simulator.

What stays with a pixel or a view (gain, its drift, bad pixels, the tube's output) is the CPU's own draw. Photon and
electronic noise are hashes of (seed, view, pixel, purpose): the same in every run, statistically equal to the CPU's,
not the same bits.
"""

from __future__ import annotations

import math

import numpy as np
import torch
from numba import cuda, float32, int32, uint32
from numpy.typing import NDArray

from jointwise.data_gen.xray.cuda import compiled
from jointwise.data_gen.xray.cuda.card import FAST, SIMULATED, parcel, seen, sent
from jointwise.data_gen.xray.cuda.load import REACH, SentPanel
from jointwise.data_gen.xray.detector import FEW_QUANTA, FULL_SCALE, Detector, blur_taps
from jointwise.data_gen.xray.energies import LINEARISED_TO
from jointwise.data_gen.xray.geometry import ConeBeam

_COARSE = 8
_FEW = np.float32(FEW_QUANTA)
_ZERO, _HALF, _ONE, _TWO = np.float32(0), np.float32(0.5), np.float32(1), np.float32(2)
_END = np.float32(LINEARISED_TO)
_TURN = np.float32(2.0 * math.pi)
_TO_UNIT = np.float32(2.0**-24)
_HALF_STEP = np.float32(2.0**-25)
_MOST = 200
WIDE, TALL, THREADS = 64, 32, 256
"""Columns and rows of a tile and threads of a block, as in detect.cu."""

TILE = 32
"""Pixels of a tile's edge; one block of threads blurs a tile and its rim in shared memory."""

_RIM = TILE + 2 * REACH
_THREADS = 64
_WARPS = _THREADS // 32
PHOTONS, ELECTRONICS = 1, 2
"""Purposes of random numbers."""


class Measure:
    """A detector of one scan on the card; call it with the expected signal of some views.

    Args:
        detector: its imperfections.
        panel: what was drawn for it.
        beam: the scan.
        seed: of the noise.
        device: the card.
    """

    def __init__(
        self, detector: Detector, panel: SentPanel, beam: ConeBeam, seed: int, device: torch.device
    ) -> None:
        self.detector, self.panel, self.beam, self.device = detector, panel, beam, device
        self.seed = np.uint32(seed & 0xFFFFFFFF), np.uint32(seed >> 32 & 0xFFFFFFFF)
        self.photons = np.float32(detector.photons if math.isfinite(detector.photons) else 0.0)
        self.steps = np.float32((2**detector.bits - 1) / FULL_SCALE if detector.bits else 0.0)
        self.read = np.float32(detector.read_noise / min(detector.photons, 1e12))
        self.last = np.float32(max(beam.views - 1, 1))
        # Scatter comes from the signal behind the focal spot's blur; both blurs are made at once.
        sigma = math.hypot(detector.scatter_sigma_px, detector.focal_blur_px)
        tables = [
            blur_taps(detector.focal_blur_px), blur_taps(detector.scintillator_blur_px), _weights(beam.rows, sigma),
            _weights(beam.columns, sigma), self._settings(),
        ]  # fmt: skip
        self.focal, self.spread, self.rows, self.columns, self.settings = sent(parcel(tables), device)

    def _settings(self) -> NDArray[np.int32]:
        """`Settings` of detect.cu, word by word."""
        detector, beam = self.detector, self.beam
        blocks = -(-beam.rows // _COARSE), -(-beam.columns // _COARSE)
        whole = beam.rows, beam.columns, *blocks, self.panel.drift.shape[1] > 1, max(len(self.panel.curve) - 1, 0)
        real = (
            self.photons, FEW_QUANTA, self.read, self.steps, FULL_SCALE, self.last, detector.floor, LINEARISED_TO,
            beam.pixel_mm, beam.source_detector_mm, detector.scatter_fraction,
        )  # fmt: skip
        words = np.array(self.seed), np.array(whole, np.int32), np.array(real, np.float32)
        return np.concatenate([word.view(np.int32) for word in words])

    def __call__(
        self,
        signal: torch.Tensor,
        variance: torch.Tensor,
        first_view: int,
        *,
        weighted: bool = True,
        narrow: bool = False,
    ) -> torch.Tensor:
        """Line integrals (view, row, column), times the cosine of the cone beam if `weighted`; float16 if `narrow`."""
        noisy = torch.empty_like(signal)
        out = torch.empty_like(signal, dtype=torch.float16 if narrow and not SIMULATED else torch.float32)
        (self._simulate if SIMULATED else self._run)(signal, variance, first_view, noisy, out, not weighted)
        return out.half() if narrow else out

    def _run(
        self,
        signal: torch.Tensor,
        variance: torch.Tensor,
        first: int,
        noisy: torch.Tensor,
        out: torch.Tensor,
        flat: bool,
    ) -> None:
        panel, (views, rows, columns) = self.panel, signal.shape
        grid = -(-columns // WIDE), -(-rows // TALL), views
        focal, spread = (self.focal, len(self.focal)), (self.spread, len(self.spread))
        compiled.launch(
            "detect", "expose", grid, THREADS,
            signal, variance, *focal, self._absorbed(signal), panel.output, self.settings, first, noisy,
        )  # fmt: skip
        common = (
            noisy, *spread, panel.gain, panel.drift, panel.curve, self.settings, first, flat, out.dtype == torch.float16
        )  # fmt: skip
        compiled.launch("detect", "read_out", grid, THREADS, *common, out)
        if count := len(panel.bad):
            compiled.launch(
                "detect", "fill_in", (-(-count // 128), views), 128, *common, panel.bad, panel.filling, count, out
            )

    def _absorbed(self, signal: torch.Tensor) -> torch.Tensor | None:
        """What every block of pixels lacks, blurred widely (view, block row + 1, block column + 1); last: its mean."""
        if self.detector.scatter_fraction == 0.0:
            return None
        views, rows, columns = signal.shape
        lost = torch.empty((views, len(self.rows) - 1, len(self.columns) - 1), device=self.device)
        compiled.launch(
            "detect", "absorbed", (-(-lost.numel() // 128),), 128, signal, rows, columns, *lost.shape[1:], views, lost
        )
        return torch.matmul(self.rows, lost @ self.columns.T)

    def _simulate(
        self,
        signal: torch.Tensor,
        variance: torch.Tensor,
        first: int,
        noisy: torch.Tensor,
        out: torch.Tensor,
        flat: bool,
    ) -> None:
        """The same by the kernels below."""
        detector, panel, beam = self.detector, self.panel, self.beam
        views, rows, columns = signal.shape
        output = panel.output[first : first + views]
        grid = (-(-columns // TILE), -(-rows // TILE), views)
        place = *self.seed, np.uint32(first)
        _expose[grid, _THREADS](
            seen(signal), seen(variance), seen(self.focal), seen(self._scatter(signal)), seen(output), self.photons,
            *place, seen(noisy),
        )  # fmt: skip
        convert = seen(panel.gain), seen(panel.drift), self.read, self.steps, self.last, *place
        geometry = np.float32(beam.pixel_mm), np.float32(beam.source_detector_mm)
        finish = seen(panel.curve), np.float32(detector.floor), *geometry, np.float32(flat)
        _read_out[grid, _THREADS](seen(noisy), seen(self.spread), *convert, *finish, seen(out))
        if len(panel.bad):
            bad = seen(panel.bad), seen(panel.filling)
            _fill_in[(-(-len(panel.bad) // 32), views), 32](
                seen(noisy), seen(self.spread), *bad, *convert, *finish, seen(out)
            )

    def _scatter(self, signal: torch.Tensor) -> torch.Tensor:
        """Scattered signal at the middles of blocks of pixels, (view, block row, block column), over the output."""
        if self.detector.scatter_fraction == 0.0:
            return torch.zeros((len(signal), 1, 1), device=self.device)
        lost = 1.0 - torch.nn.functional.avg_pool2d(signal[:, None], _COARSE, ceil_mode=True)[:, 0]
        blurred = self.rows @ lost @ self.columns.T
        blurred = blurred[:, :-1, :-1] + blurred[:, -1:, -1:]
        return (0.5 * self.detector.scatter_fraction * blurred).clamp_(min=0.0).contiguous()


def _weights(size: int, sigma: float) -> NDArray[np.float32]:
    """Rows of a normalised Gaussian between the middles of blocks of pixels; the last one holds the blocks' shares of
    the pixels."""
    starts = np.arange(0, size, _COARSE)
    sizes = np.minimum(starts + _COARSE, size) - starts
    middles = starts + (sizes - 1) / 2.0
    weights = np.exp(-0.5 * ((middles[:, None] - middles[None, :]) / sigma) ** 2)
    weights /= weights.sum(axis=1, keepdims=True)
    return np.concatenate([weights, [sizes / size]]).astype(np.float32)


@cuda.jit(device=True, fastmath=FAST)
def _mixed(h):  # type: ignore[no-untyped-def]
    """A bijection of 32 bits with little bias (two rounds of xor-shift and multiply)."""
    h = uint32(h ^ (h >> uint32(16)))
    h = uint32(h * uint32(0x21F0AAAD))
    h = uint32(h ^ (h >> uint32(15)))
    h = uint32(h * uint32(0xD35A2D97))
    return uint32(h ^ (h >> uint32(15)))


@cuda.jit(device=True, fastmath=FAST)
def _bits(low, high, view, pixel, purpose):  # type: ignore[no-untyped-def]
    """32 random bits of a place and a purpose."""
    h = _mixed(uint32(low ^ uint32(purpose * uint32(0x9E3779B9))))
    h = _mixed(uint32(h + uint32(pixel)))
    h = _mixed(uint32(h ^ high))
    return _mixed(uint32(h + uint32(view * uint32(0x85EBCA6B))))


@cuda.jit(device=True, fastmath=FAST)
def _uniform(bits):  # type: ignore[no-untyped-def]
    """A number within (0, 1), never an end."""
    return float32(bits >> uint32(8)) * _TO_UNIT + _HALF_STEP


@cuda.jit(device=True, fastmath=FAST)
def _normal(low, high, view, pixel, purpose):  # type: ignore[no-untyped-def]
    """A standard normal number (Box and Muller)."""
    one = _bits(low, high, view, pixel, purpose)
    other = _mixed(uint32(one ^ uint32(0x68BC21EB)))
    return math.sqrt(-_TWO * math.log(_uniform(one))) * math.cos(_TURN * _uniform(other))


@cuda.jit(device=True, fastmath=FAST)
def _poisson(mean, uniform):  # type: ignore[no-untyped-def]
    """The Poisson number whose cumulative share first passes `uniform`."""
    share = math.exp(-mean)
    total, k = share, 0
    while uniform > total and k < _MOST:
        k += 1
        share *= mean / float32(k)
        total += share
    return float32(k)


@cuda.jit(device=True, fastmath=FAST)
def _place(i, size):  # type: ignore[no-untyped-def]
    """Lower of two neighbouring blocks and the share of the upper one for a pixel."""
    at = (float32(i) - np.float32((_COARSE - 1) / 2)) / np.float32(_COARSE)
    at = min(max(at, _ZERO), float32(size - 1))
    lower = min(int32(at), max(size - 2, 0))
    return lower, min(lower + 1, size - 1), at - float32(lower)


@cuda.jit(device=True, fastmath=FAST)
def _blur_tile(image, taps, row0, column0, thread, raw, half):  # type: ignore[no-untyped-def]
    """Rows of a tile and its rim blurred along the rows, into `half`; the caller blurs down the columns."""
    rows, columns, wide = uint32(image.shape[0] - 1), uint32(image.shape[1] - 1), taps.shape[0] - 1
    reach = int32(wide // 2)
    # Whole rows of the rim per warp, so that neighbours read neighbours.
    lane, warp = thread & 31, thread >> 5
    for r in range(warp, TILE + wide, _WARPS):
        at = uint32(min(max(int32(row0 + r) - reach, int32(0)), int32(rows)))
        for c in range(lane, TILE + wide, 32):
            raw[uint32(r), uint32(c)] = image[
                at, uint32(min(max(int32(column0 + c) - reach, int32(0)), int32(columns)))
            ]
    cuda.syncthreads()
    for r in range(warp, TILE + wide, _WARPS):
        total = _ZERO
        for t in range(wide + 1):
            total += taps[uint32(t)] * raw[uint32(r), uint32(lane + t)]
        half[uint32(r), uint32(lane)] = total
    cuda.syncthreads()


@cuda.jit(device=True, fastmath=FAST)
def _down(half, taps, r, lane):  # type: ignore[no-untyped-def]
    total = _ZERO
    for t in range(taps.shape[0]):
        total += taps[uint32(t)] * half[uint32(r + t), uint32(lane)]
    return total


@cuda.jit(fastmath=FAST)
def _expose(signal, variance, taps, scatter, output, photons, low, high, first, out):  # type: ignore[no-untyped-def]
    raw = cuda.shared.array((_RIM, _RIM), float32)
    half = cuda.shared.array((_RIM, TILE), float32)
    other = cuda.shared.array((_RIM, TILE), float32)
    thread, view = cuda.threadIdx.x, cuda.blockIdx.z
    row0, column0 = cuda.blockIdx.y * TILE, cuda.blockIdx.x * TILE
    _blur_tile(signal[view], taps, row0, column0, thread, raw, half)
    _blur_tile(variance[view], taps, row0, column0, thread, raw, other)
    lane, warp = thread & 31, thread >> 5
    column, number = column0 + lane, first + uint32(view)
    if column >= signal.shape[2]:
        return
    scattered = scatter.shape[1] > 1 or scatter.shape[2] > 1
    j0, j1, fx = _place(column, scatter.shape[2])
    for r in range(warp, TILE, _WARPS):
        row = row0 + r
        if row >= signal.shape[1]:
            return
        mean, spread = _down(half, taps, r, lane), _down(other, taps, r, lane)
        if scattered:
            i0, i1, fy = _place(row, scatter.shape[1])
            upper = scatter[view, i0, j0] * (_ONE - fx) + scatter[view, i0, j1] * fx
            lower = scatter[view, i1, j0] * (_ONE - fx) + scatter[view, i1, j1] * fx
            extra = upper * (_ONE - fy) + lower * fy
            # Scattered quanta are taken to have the mean energy, so their variance per quantum is their signal.
            mean += extra
            spread += extra
        mean, spread = mean * output[view], spread * output[view]
        if photons > _ZERO:
            spread /= photons
            pixel = uint32(row * signal.shape[2] + column)
            if mean * mean < _FEW * spread:
                quantum = spread / mean
                drawn = _uniform(_bits(low, high, number, pixel, uint32(PHOTONS)))
                mean = quantum * _poisson(mean / quantum, drawn)
            else:
                mean += math.sqrt(spread) * _normal(low, high, number, pixel, uint32(PHOTONS))
        out[uint32(view), uint32(row), uint32(column)] = mean


@cuda.jit(device=True, fastmath=FAST)
def _converted(mean, row, column, number, gain, drift, read, steps, last, low, high):  # type: ignore[no-untyped-def]
    """What the electronics of one pixel make of its signal at one view."""
    if read > _ZERO:
        pixel = uint32(row * gain.shape[1] + column)
        mean += read * _normal(low, high, number, pixel, uint32(ELECTRONICS))
    sensitivity = gain[row, column]
    if drift.shape[1] > 1:
        sensitivity += float32(number) / last * drift[row, column]
    mean *= sensitivity
    if steps > _ZERO:
        most = steps * np.float32(FULL_SCALE)
        mean = min(max(float32(int32(mean * steps + _HALF)), _ZERO), most) / steps
    return mean


@cuda.jit(device=True, fastmath=FAST)
def _finished(value, row, column, gain, curve, floor, pixel_mm, distance, flat):  # type: ignore[no-untyped-def]
    """Line integral of a measured value: clamped, undone of hardening, with the cosine weight unless `flat`."""
    value = -math.log(max(value, floor))
    degree = curve.shape[0] - 1
    if degree > 0:
        within = min(max(value, _ZERO), _END)
        straight = _ZERO
        for k in range(degree):
            straight = (straight + curve[degree - 1 - k]) * within
        value = straight + (curve[degree] if value > _END else curve[0]) * (value - within)
    if flat == _ZERO:
        u = (float32(column) - _HALF * float32(gain.shape[1] - 1)) * pixel_mm
        v = (float32(row) - _HALF * float32(gain.shape[0] - 1)) * pixel_mm
        value *= distance / math.sqrt(distance * distance + u * u + v * v)
    return value


@cuda.jit(fastmath=FAST)
def _read_out(  # type: ignore[no-untyped-def]
    noisy, taps, gain, drift, read, steps, last, low, high, first, curve, floor, pixel_mm, distance, flat, out
):
    raw = cuda.shared.array((_RIM, _RIM), float32)
    half = cuda.shared.array((_RIM, TILE), float32)
    thread, view = cuda.threadIdx.x, cuda.blockIdx.z
    row0, column0 = cuda.blockIdx.y * TILE, cuda.blockIdx.x * TILE
    _blur_tile(noisy[view], taps, row0, column0, thread, raw, half)
    lane, warp = thread & 31, thread >> 5
    column, number = column0 + lane, first + uint32(view)
    if column >= noisy.shape[2]:
        return
    for r in range(warp, TILE, _WARPS):
        row = row0 + r
        if row >= noisy.shape[1]:
            return
        mean = _down(half, taps, r, lane)
        mean = _converted(mean, row, column, number, gain, drift, read, steps, last, low, high)
        value = _finished(mean, row, column, gain, curve, floor, pixel_mm, distance, flat)
        out[uint32(view), uint32(row), uint32(column)] = value


@cuda.jit(device=True, fastmath=FAST)
def _blurred_at(image, taps, row, column):  # type: ignore[no-untyped-def]
    """One pixel of a blurred image, summed as `_blur_tile` and `_down` sum it."""
    reach, total = taps.shape[0] // 2, _ZERO
    for s in range(taps.shape[0]):
        r, part = min(max(row + s - reach, 0), image.shape[0] - 1), _ZERO
        for t in range(taps.shape[0]):
            part += taps[t] * image[r, min(max(column + t - reach, 0), image.shape[1] - 1)]
        total += taps[s] * part
    return total


@cuda.jit(fastmath=FAST)
def _fill_in(  # type: ignore[no-untyped-def]
    noisy, taps, bad, filling, gain, drift, read, steps, last, low, high, first, curve, floor, pixel_mm, distance,
    flat, out,
):  # fmt: skip
    """Bad pixels anew from their neighbours, which are read out once more: the log of those is clamped already."""
    k, view = cuda.grid(1), cuda.blockIdx.y
    if k >= bad.shape[0]:
        return
    columns, number = noisy.shape[2], first + uint32(view)
    row = bad[k, 0] // columns
    value, share = _ZERO, _ONE - filling[k, 0]
    for side in range(1, 3):
        column = bad[k, side] - row * columns
        mean = _blurred_at(noisy[view], taps, row, column)
        value += share * _converted(mean, row, column, number, gain, drift, read, steps, last, low, high)
        share = filling[k, 0]
    column = bad[k, 0] - row * columns
    value = _finished(value * filling[k, 1], row, column, gain, curve, floor, pixel_mm, distance, flat)
    out[view, row, column] = value
