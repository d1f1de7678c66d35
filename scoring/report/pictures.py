"""Pictures of single joints: three slices at right angles through one place, as drawings for the report.

A slice is an SVG in micrometres: the grey values as an embedded PNG of one pixel a grid point, over it a scale bar
and short marks at the edges where the other two slices cut it. It stays sharp at any size, on paper too.
"""

import base64
import io
from typing import NamedTuple

import numpy as np
from matplotlib import colormaps
from matplotlib.image import imsave
from numpy.typing import NDArray

from jointwise.joints.grid import Grid
from jointwise.scoring.report.evidence import Spot

COLOURS = "cividis"  # perceptually uniform, and the same to colour-blind eyes
LIMITS = (-0.1, 1.2)  # of the colours, in shares of the way from air to solder
SCALE_BARS_UM = (10, 20, 50, 100, 200, 500, 1000)


class Plane(NamedTuple):
    """One kind of slice: the axis it is cut across, the two it shows, and its name."""

    across: str
    along: str
    up: str
    name: str


class Slice(NamedTuple):
    """A drawing and what it shows."""

    svg: str
    caption: str


PLANES = (
    Plane("z", "x", "y", "parallel to the board, seen from the package"),
    Plane("y", "x", "z", "upright, package above"),
    Plane("x", "y", "z", "upright, package above"),
)


def slices(
    volume: NDArray[np.floating], grid: Grid, pitch_mm: float, ball_mm: float, spot: Spot
) -> list[Slice]:
    """Three slices through a place.

    Args:
        volume: (z, y, x), 0 = air, 1 = solder.
        grid: its grid.
        pitch_mm: pitch, mm.
        ball_mm: nominal ball diameter, mm.
        spot: the place.
    """
    offsets = {a: 1000 * o for a, o in zip("xyz", grid.offsets_mm(pitch_mm, ball_mm), strict=True)}
    at = dict(zip("zyx", spot.place, strict=True))
    drawn = []
    for plane in PLANES:
        grey = np.take(volume, at[plane.across], axis="zyx".index(plane.across))
        along, up = offsets[plane.along], offsets[plane.up]
        mark = (float(along[at[plane.along]]), float(up[at[plane.up]]))
        where = float(offsets[plane.across][at[plane.across]])
        caption = f"{plane.along}–{plane.up} plane at {plane.across} = {where:+.0f} µm: {plane.name}"
        drawn.append(Slice(_svg(grey, _edges(along), _edges(up), mark, caption), caption))
    return drawn


def colour_bar_png() -> str:
    """The colours from the lower to the upper limit, left to right, as a data address."""
    return _png(np.linspace(*LIMITS, 256)[None])


def _svg(
    grey: NDArray[np.floating],
    x: tuple[float, float],
    y: tuple[float, float],
    mark: tuple[float, float],
    title: str,
) -> str:
    """The drawing; y points up in the joint and down in SVG, hence the signs."""
    wide, tall = x[1] - x[0], y[1] - y[0]
    reach, thick = 0.055 * wide, 0.009 * wide
    lines = [
        (x[0], -mark[1], x[0] + reach, -mark[1]),
        (x[1] - reach, -mark[1], x[1], -mark[1]),
        (mark[0], -y[0], mark[0], -y[0] - reach),
        (mark[0], -y[1] + reach, mark[0], -y[1]),
    ]
    bar = max(um for um in SCALE_BARS_UM if um <= wide / 4 or um == SCALE_BARS_UM[0])
    left, low = x[0] + 0.09 * wide, -y[0] - 0.09 * wide
    marks = "".join(
        f'<line class="mark" x1="{a:.1f}" y1="{b:.1f}" x2="{c:.1f}" y2="{d:.1f}" stroke-width="{thick:.1f}"/>'
        for a, b, c, d in lines
    )
    return (
        f'<svg class="slice" viewBox="{x[0]:.1f} {-y[1]:.1f} {wide:.1f} {tall:.1f}" role="img" aria-label="{title}">'
        f'<image x="{x[0]:.1f}" y="{-y[1]:.1f}" width="{wide:.1f}" height="{tall:.1f}" preserveAspectRatio="none" '
        f'href="{_png(grey[::-1])}"/>{marks}'
        f'<line class="bar" x1="{left:.1f}" y1="{low:.1f}" x2="{left + bar:.1f}" y2="{low:.1f}" '
        f'stroke-width="{1.6 * thick:.1f}"/>'
        f'<text class="bar" x="{left:.1f}" y="{low - 0.02 * wide:.1f}" '
        f'font-size="{0.055 * wide:.1f}">{bar} µm</text></svg>'
    )


def _png(share: NDArray[np.floating]) -> str:
    """Shares of the way from air to solder as coloured pixels in a data address."""
    scaled = (share.astype(np.float32) - LIMITS[0]) / (LIMITS[1] - LIMITS[0])
    buffer = io.BytesIO()
    imsave(buffer, colormaps[COLOURS](np.clip(scaled, 0, 1)), format="png", metadata={"Software": ""})
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _edges(offsets: NDArray[np.float64]) -> tuple[float, float]:
    half = (offsets[1] - offsets[0]) / 2
    return float(offsets[0] - half), float(offsets[-1] + half)
