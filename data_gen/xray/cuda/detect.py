"""The detector on a card: what `xray.detector` does to the expected signal, with random numbers of its own.

The work is done by detect.cu (see `compiled`).

What stays with a pixel or a view (gain, its drift, bad pixels, the tube's output) is the CPU's own draw. Photon and
electronic noise are hashes of (seed, view, pixel, purpose): the same in every run, statistically equal to the CPU's,
not the same bits.
"""

from __future__ import annotations

import torch

from jointwise.data_gen.xray.cuda import compiled
from jointwise.data_gen.xray.cuda.panel import SentPanel
from jointwise.data_gen.xray.detector import Detector

NARROW = 7
"""Taps of the widest blur whose kernel is made for it."""

WIDE, TALL, THREADS = 64, 32, 256
"""Columns and rows of a tile and threads of a block, as in detect.cu."""


class Measure:
    """A detector of one scan on the card; call it with the expected signal of some views.

    Args:
        detector: its imperfections.
        panel: what was made ready for it.
        device: the card.
    """

    def __init__(self, detector: Detector, panel: SentPanel, device: torch.device) -> None:
        self.detector, self.panel, self.device = detector, panel, device

    def __call__(
        self,
        signal: torch.Tensor,
        variance: torch.Tensor,
        first_view: int,
        absorbed: torch.Tensor | None = None,
        *,
        weighted: bool = True,
        narrow: bool = False,
    ) -> torch.Tensor:
        """Line integrals (view, row, column), times the cosine of the cone beam if `weighted`; float16 if `narrow`.

        `absorbed` is what blocks of pixels lack of the signal, as the projector tells it; None for to be found anew.
        """
        noisy = torch.empty_like(signal)
        out = torch.empty_like(signal, dtype=torch.float16 if narrow else torch.float32)
        self._run(signal, variance, self._smooth(signal, absorbed), first_view, noisy, out, not weighted)
        return out

    def _run(
        self,
        signal: torch.Tensor,
        variance: torch.Tensor,
        smooth: torch.Tensor | None,
        first: int,
        noisy: torch.Tensor,
        out: torch.Tensor,
        flat: bool,
    ) -> None:
        panel, (views, rows, columns) = self.panel, signal.shape
        grid = -(-columns // WIDE), -(-rows // TALL), views
        focal, spread = (panel.focal, len(panel.focal)), (panel.spread, len(panel.spread))
        compiled.launch(
            "detect", "expose", grid, THREADS,
            signal, variance, *focal, smooth, panel.output, panel.settings, first, noisy,
            defines=_taps(len(panel.focal)),
        )  # fmt: skip
        narrow = out.dtype == torch.float16
        common = noisy, *spread, panel.gain, panel.drift, panel.curve, panel.settings, first, flat, narrow
        compiled.launch("detect", "read_out", grid, THREADS, *common, out, defines=_taps(len(panel.spread)))
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

    def _smooth(self, signal: torch.Tensor, absorbed: torch.Tensor | None) -> torch.Tensor | None:
        """What every block of pixels lacks, blurred widely (view, block row + 1, block column + 1); last: its mean."""
        if self.detector.scatter_fraction == 0.0 and self.detector.glare_fraction == 0.0:
            return None
        down, across = self.panel.block_rows, self.panel.block_columns
        lost = self._absorbed(signal) if absorbed is None else absorbed
        return torch.matmul(down, lost @ across.T)

    def _absorbed(self, signal: torch.Tensor) -> torch.Tensor:
        """What every block of pixels lacks."""
        views, rows, columns = signal.shape
        down, across = self.panel.block_rows, self.panel.block_columns
        lost = torch.empty((views, len(down) - 1, len(across) - 1), device=self.device)
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
        return lost


def _taps(count: int) -> str:
    """What is defined for a blur; see detect.cu."""
    return f"TAPS {count if count <= NARROW else 0}"
