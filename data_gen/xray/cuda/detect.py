"""The detector on a card: what `xray.detector` does to the expected signal, with random numbers of its own.

The work is done by detect.cu (see `compiled`).

What stays with a pixel or a view (gain, its drift, bad pixels, the tube's output) is the CPU's own draw. Photon and
electronic noise are hashes of (seed, view, pixel, purpose): the same in every run, statistically equal to the CPU's,
not the same bits.
"""

from __future__ import annotations

import math

import numpy as np
import torch
from numpy.typing import NDArray

from jointwise.data_gen.xray.cuda import compiled
from jointwise.data_gen.xray.cuda.card import parcel, sent
from jointwise.data_gen.xray.cuda.load import SentPanel
from jointwise.data_gen.xray.detector import FEW_QUANTA, FULL_SCALE, Detector, blur_taps
from jointwise.data_gen.xray.energies import LINEARISED_TO
from jointwise.data_gen.xray.geometry import ConeBeam

_COARSE = 8
"""Pixels of the edge of a block that scatter is worked out for, as in detect.cu."""

WIDE, TALL, THREADS = 64, 32, 256
"""Columns and rows of a tile and threads of a block, as in detect.cu."""


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
        whole = (
            beam.rows,
            beam.columns,
            *blocks,
            self.panel.drift.shape[1] > 1,
            max(len(self.panel.curve) - 1, 0),
        )
        real = (
            self.photons, FEW_QUANTA, self.read, self.steps, FULL_SCALE, self.last, detector.floor, LINEARISED_TO,
            beam.pixel_mm, beam.source_detector_mm, detector.scatter_fraction,
            detector.glare_fraction,
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
        out = torch.empty_like(signal, dtype=torch.float16 if narrow else torch.float32)
        self._run(signal, variance, first_view, noisy, out, not weighted)
        return out

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
                "detect",
                "fill_in",
                (-(-count // 128), views),
                128,
                *common,
                panel.bad,
                panel.filling,
                count,
                out,
            )

    def _absorbed(self, signal: torch.Tensor) -> torch.Tensor | None:
        """What every block of pixels lacks, blurred widely (view, block row + 1, block column + 1); last: its mean."""
        if self.detector.scatter_fraction == 0.0 and self.detector.glare_fraction == 0.0:
            return None
        views, rows, columns = signal.shape
        lost = torch.empty((views, len(self.rows) - 1, len(self.columns) - 1), device=self.device)
        compiled.launch(
            "detect",
            "absorbed",
            (-(-lost.numel() // 128),),
            128,
            signal,
            rows,
            columns,
            *lost.shape[1:],
            views,
            lost,
        )
        return torch.matmul(self.rows, lost @ self.columns.T)


def _weights(size: int, sigma: float) -> NDArray[np.float32]:
    """Rows of a normalised Gaussian between the middles of blocks of pixels; the last one holds the blocks' shares of
    the pixels."""
    starts = np.arange(0, size, _COARSE)
    sizes = np.minimum(starts + _COARSE, size) - starts
    middles = starts + (sizes - 1) / 2.0
    weights = np.exp(-0.5 * ((middles[:, None] - middles[None, :]) / sigma) ** 2)
    weights /= weights.sum(axis=1, keepdims=True)
    return np.concatenate([weights, [sizes / size]]).astype(np.float32)
