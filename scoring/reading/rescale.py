"""A slope and an intercept beside the stored values, as NIfTI and DICOM carry them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.scoring.reading.load import Found
from jointwise.scoring.reading.stored import Box, Stored


@dataclass(frozen=True)
class Scaled:
    """Voxels times a slope plus an intercept, as float32.

    Args:
        stored: the voxels.
        slopes, intercepts: of each slice along the slowest axis.
    """

    stored: Stored
    slopes: NDArray[np.float64]
    intercepts: NDArray[np.float64]

    @property
    def dtype(self) -> np.dtype[Any]:
        """Single precision."""
        return np.dtype(np.float32)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Voxels along the stored axes."""
        return self.stored.shape

    @property
    def chunks(self) -> tuple[int, int, int]:
        """Blocks that are best read whole."""
        return self.stored.chunks

    @property
    def in_boxes(self) -> bool:
        """Whether a small box costs little."""
        return self.stored.in_boxes

    def read(self, box: Box) -> NDArray[Any]:
        """The voxels of a box, in memory."""
        slopes, intercepts = (v[box[0], None, None] for v in (self.slopes, self.intercepts))
        return np.asarray(self.stored.read(box) * slopes + intercepts, np.float32)


def rescaled(found: Found, slopes: Sequence[float], intercepts: Sequence[float]) -> Found:
    """Told as a fact where one rising line holds for all slices, since no finding depends on it; else applied.

    Args:
        found: stored values.
        slopes, intercepts: of each slice along the slowest axis, or one of each.
    """
    lines = set(zip(slopes, intercepts, strict=True))
    if lines == {(1.0, 0.0)}:
        return found
    if len(lines) == 1 and slopes[0] > 0:
        words = f"{slopes[0]:g} · stored value + {intercepts[0]:g}, not applied"
        return replace(found, facts={**found.facts, "rescale": words})
    count = found.stored.shape[0]
    each = [np.broadcast_to(np.asarray(values, np.float64), count) for values in (slopes, intercepts)]
    words = "applied, slice by slice" if len(lines) > 1 else f"applied, slope {slopes[0]:g}"
    return replace(found, stored=Scaled(found.stored, *each), facts={**found.facts, "rescale": words})
