"""One joint as three labelled slices with scale bars."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import ListedColormap
from numpy.typing import NDArray

from jointwise.evaluation.pictures.slices import Voxel, evidence_voxel
from jointwise.joints.batch import Joints

INK, QUIET, ACCENT = "#1a1d21", "#5c636b", "#c2410c"
"""Dark ink, quiet ink and the one accent of every picture."""

DENSITY_RANGE = (-0.2, 1.3)
"""Shown range of density; below is black, above is white (lands and noise reach past 0 and 1)."""


def draw_joint(axes: Axes, joints: Joints, row: int, kind: str | None, *, at: Voxel | None = None) -> None:
    """Draw x–z over y–z at the left and x–y at the right, all to one scale, through the evidence.

    Args:
        axes: empty axes to draw on, in µm afterwards.
        joints: the table needs pitch_mm and ball_mm, mm.
        row: which joint.
        kind: whose evidence to cut through; None cuts through the middle.
        at: voxel (z, y, x) to cut through instead.
    """
    record = joints.table.iloc[row]
    volume = joints.volumes[row]
    pitch, ball = float(record["pitch_mm"]), float(record["ball_mm"])
    step = 1000 * np.array(joints.grid.spacing_mm(pitch, ball))
    wide, deep, tall = step * np.array(volume.shape[::-1])
    point = evidence_voxel(volume, kind, joints.grid, pitch, ball) if at is None else at
    x, y, z = ((np.array(point) - (np.array(volume.shape) - 1) / 2) * step[::-1])[::-1]
    gap = 0.085 * (wide + deep)
    bottom = 2 * tall + gap - deep
    at_z, at_y, at_x = point
    right = max(wide, deep) + 0.5 * gap
    _panel(axes, volume[:, at_y, :], (0, tall + gap, wide, tall), (x, z), f"x–z, y = {_signed(y)} µm")
    _panel(axes, volume[:, :, at_x], (0, 0, deep, tall), (y, z), f"y–z, x = {_signed(x)} µm")
    _panel(axes, volume[at_z], (right, bottom, wide, deep), (x, y), f"x–y, z = {_signed(z)} µm")
    axes.set(xlim=(0, right + wide), ylim=(min(0, bottom), max(2 * tall + gap, bottom + deep) + 0.8 * gap))
    axes.set_aspect("equal", anchor="NW")
    axes.axis("off")


def _signed(value: float) -> str:
    return f"{value:+.0f}".replace("-", "−")


def _panel(
    axes: Axes,
    image: NDArray[Any],
    box: tuple[float, float, float, float],
    cross: tuple[float, float],
    words: str,
) -> None:
    """One slice with its name, a scale bar and ticks at the two other cuts; `cross` is from the middle, µm."""
    left, bottom, width, height = box
    extent = (left, left + width, bottom, bottom + height)
    axes.imshow(
        np.asarray(image, dtype=np.float32),
        cmap=uniform_grey(),
        vmin=DENSITY_RANGE[0],
        vmax=DENSITY_RANGE[1],
        origin="lower",
        extent=extent,
        interpolation="nearest",
    )
    axes.text(left, bottom + height + 0.02 * width, words, fontsize=7.5, color=INK, va="bottom")
    across, up = left + width / 2 + cross[0], bottom + height / 2 + cross[1]
    tick = 0.06 * width
    for ends in (
        ([across] * 2, [extent[2], extent[2] + tick]),
        ([across] * 2, [extent[3] - tick, extent[3]]),
    ):
        axes.plot(*ends, color=ACCENT, linewidth=1.6, solid_capstyle="butt")
    for ends in (([extent[0], extent[0] + tick], [up] * 2), ([extent[1] - tick, extent[1]], [up] * 2)):
        axes.plot(*ends, color=ACCENT, linewidth=1.6, solid_capstyle="butt")
    _scale_bar(axes, left + width, bottom + height + 0.02 * width, width)


def _scale_bar(axes: Axes, right: float, level: float, width: float) -> None:
    """A bar in the caption line, so that it hides nothing of the slice."""
    length = scale_bar_um(width)
    middle = level + 0.035 * width
    axes.plot([right - length, right], [middle] * 2, color=INK, linewidth=2.2, solid_capstyle="butt")
    words = f"{length:.0f} µm"
    axes.text(right - length - 0.02 * width, level, words, fontsize=7.5, color=INK, ha="right", va="bottom")


def uniform_grey() -> ListedColormap:
    """Greys in equal steps of CIE lightness L*, so that equal density steps look equal."""
    lightness = np.linspace(0, 100, 256)
    luminance = np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness / 903.3)
    srgb = np.where(luminance <= 0.0031308, 12.92 * luminance, 1.055 * luminance ** (1 / 2.4) - 0.055)
    return ListedColormap(np.repeat(srgb.clip(0, 1)[:, None], 3, axis=1), name="uniform_grey")


def scale_bar_um(width_um: float) -> float:
    """The length 1, 2 or 5 times a power of ten that is at most a quarter of the given width (µm)."""
    power = 10.0 ** math.floor(math.log10(width_um / 4))
    return max(step * power for step in (1, 2, 5) if step * power <= width_um / 4)
