"""The array cannot be found with confidence: what was seen instead, in words and as a picture."""

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.scoring.finding.balls import Candidates
from jointwise.scoring.reading.scan import Scan

INK, QUIET, ACCENT, PAPER = "#17202a", "#8a94a3", "#b3400e", "#ffffff"
SLICES_AT_ONCE = 8
WIDEST_PICTURE = 900  # pixels of the summed scan; finer voxels are averaged
BAR_LENGTHS_MM = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


@dataclass(frozen=True)
class Seen:
    """What the search saw.

    Args:
        scan: where it looked.
        candidates: metal about as large as a ball.
        layer: (n,) which of them lie in the layer that was looked at.
        guesses: pitches that something in the scan answered to, mm, with the number of balls on each lattice.
    """

    scan: Scan
    candidates: Candidates
    layer: NDArray[np.bool_]
    guesses: tuple[tuple[float, int], ...] = ()

    @property
    def words(self) -> str:
        """One line on it."""
        number, within = len(self.candidates), int(self.layer.sum())
        lattices = ", ".join(f"{count} on a lattice of {pitch:.3g} mm" for pitch, count in self.guesses)
        return f"{number} pieces of metal as large as a ball, {within} of them in one layer; " + (
            lattices or "no lattice among them"
        )


class NotFound(InputError):
    """No array, or none that is sure; carries what was seen.

    Args:
        sentence: what was expected, found and what to do.
        seen: what the search saw.
    """

    def __init__(self, sentence: str, seen: Seen) -> None:
        """Keep the sentence as the message."""
        super().__init__(sentence)
        self.seen = seen

    def picture(self) -> bytes:
        """PNG of the scan summed along z with the candidates marked; those of the layer are filled."""
        scan, flat = self.seen.scan, summed(self.seen.scan)
        spacing, origin = np.asarray(scan.lattice.spacing_mm), np.asarray(scan.lattice.origin_mm)
        low, high = origin - spacing / 2, origin + spacing * (np.asarray(scan.lattice.shape[::-1]) - 0.5)
        wide, tall = (high - low)[:2]
        figure = Figure(figsize=(7.0, 7.0 * tall / wide + 0.9), facecolor=PAPER, layout="constrained")
        axes = figure.add_subplot()
        dark, bright = np.percentile(flat, (1, 99.8))
        axes.imshow(
            flat,
            cmap="gray_r",
            origin="lower",
            extent=(low[0], high[0], low[1], high[1]),
            vmin=dark,
            vmax=max(bright, dark + 1e-12),
        )
        self._mark(axes)
        _scale_bar(axes, low, high)
        axes.set_title(f"{scan.path.name}: no array found", color=INK, fontsize=11, loc="left")
        axes.set_xlabel(f"summed along z, x to the right, y up, mm\n{self.seen.words}", color=INK, fontsize=8)
        axes.tick_params(colors=QUIET, labelsize=7)
        for spine in axes.spines.values():
            spine.set_color(QUIET)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=130, metadata={"Software": None})
        return buffer.getvalue()

    def write_picture(self, out: Path) -> Path:
        """Write the picture beside the folder that the results would have gone to; returns its path."""
        path = picture_path(out)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(self.picture())
        return path

    def _mark(self, axes: Axes) -> None:
        points, layer = self.seen.candidates.points_mm, self.seen.layer
        style: dict[str, Any] = {"s": 16, "linewidths": 0.8}
        axes.scatter(*points[~layer, :2].T, edgecolors=INK, facecolors="none", label="elsewhere", **style)
        axes.scatter(*points[layer, :2].T, color=ACCENT, marker="+", label="in the layer", **style)
        if len(points):
            axes.legend(loc="upper right", fontsize=7, frameon=True, labelcolor=INK)


def picture_path(out: Path) -> Path:
    """Where the picture lies that belongs to a folder of results: beside it, as its own files stay unmixed."""
    return out.with_name(f"{out.name}_not_found.png")


def summed(scan: Scan) -> NDArray[np.float64]:
    """Mean of the scan along z (y, x), read a few slices at a time, no finer than a picture shows."""
    depth, height, width = scan.volume.shape
    total = np.zeros((height, width))
    for first in range(0, depth, SLICES_AT_ONCE):
        slab = scan.volume[first : first + SLICES_AT_ONCE, 0:height, 0:width]
        total += np.nan_to_num(slab.sum(axis=0, dtype=np.float64))
    k = max(1, int(np.ceil(max(height, width) / WIDEST_PICTURE)))
    rows, cols = height // k, width // k
    return np.asarray(total[: rows * k, : cols * k].reshape(rows, k, cols, k).mean(axis=(1, 3)) / depth)


def _scale_bar(axes: Axes, low: NDArray[np.float64], high: NDArray[np.float64]) -> None:
    """A bar of a round length, about a fifth of the picture."""
    wide, tall = (high - low)[:2]
    length = max((bar for bar in BAR_LENGTHS_MM if bar <= 0.3 * wide), default=BAR_LENGTHS_MM[0])
    x, y = low[0] + 0.04 * wide, low[1] + 0.04 * tall
    axes.plot([x, x + length], [y, y], color=INK, linewidth=3, solid_capstyle="butt")
    words: dict[str, Any] = {"color": INK, "fontsize": 8, "ha": "center", "va": "bottom"}
    box: dict[str, Any] = {"facecolor": PAPER, "edgecolor": "none", "pad": 1, "alpha": 0.8}
    axes.text(x + length / 2, y + 0.012 * tall, f"{length:g} mm", bbox=box, **words)
