"""Pictures of single joints: slices and the flat view, as drawings for the report.

A picture is an SVG in micrometres: the grey values as an embedded PNG of one pixel a grid point, over it what was
measured there, a scale bar, and short marks at the edges where the other two slices cut it. It stays sharp at any size,
on paper too.
"""

import base64
import io
from collections.abc import Sequence
from html import escape
from typing import NamedTuple

import numpy as np
from matplotlib import colormaps
from numpy.typing import NDArray
from PIL import Image

from jointwise.joints.grid import Grid
from jointwise.scoring.report.evidence import Spot
from jointwise.scoring.report.masks import SEEN, Seen
from jointwise.scoring.report.outlines import Cut, Stroke, Traced, strokes

COLOURS = "cividis"  # perceptually uniform, and the same to colour-blind eyes
LIMITS = (-0.1, 1.35)  # of the colours, in shares of the way from air to solder
SCALE_BARS_UM = (10, 20, 50, 100, 200, 500, 1000)
PALETTE = (255 * colormaps[COLOURS](np.arange(256))[:, :3]).round().astype(np.uint8)
NO_LAND = 0.35  # where a land should be without a ball to tell, in ball diameters from the middle


class Picture(NamedTuple):
    """A drawing and what it shows."""

    svg: str
    caption: str
    name: str  # one of PLANES, or `flat`


class Plane(NamedTuple):
    """One kind of slice: the axis it is cut across, the two it shows, and, of levels, which one it is."""

    across: str
    along: str
    up: str
    words: str


PLANES = {
    "level": Plane("z", "x", "y", "evidence"),
    "upright_x": Plane("y", "x", "z", ""),
    "upright_y": Plane("x", "y", "z", ""),
    "board": Plane("z", "x", "y", "board's land"),
    "middle": Plane("z", "x", "y", "middle"),
    "package": Plane("z", "x", "y", "package's land"),
}
"""Three slices at right angles through the evidence, then three levels of the joint."""


def slices(
    volume: NDArray[np.floating],
    grid: Grid,
    pitch_mm: float,
    ball_mm: float,
    spot: Spot,
    traced: Traced | None,
    seen: Seen | None = None,
) -> list[Picture]:
    """Three slices at right angles through a place, and the planes of board, middle and package.

    Args:
        volume: (z, y, x), 0 = air, 1 = solder.
        grid: its grid.
        pitch_mm: pitch, mm.
        ball_mm: nominal ball diameter, mm.
        spot: the place.
        traced: what was measured in the joint, to be drawn; None = nothing.
        seen: what the network sees in it, drawn over that; None = nothing.
    """
    offsets = {a: 1000 * o for a, o in zip("xyz", grid.offsets_mm(pitch_mm, ball_mm), strict=True)}
    at = dict(zip("zyx", spot.place, strict=True))
    levels = _levels(offsets["z"], ball_mm, traced)
    drawn = []
    for name, plane in PLANES.items():
        k = levels.get(name, at[plane.across])
        where = float(offsets[plane.across][k])
        along, up = offsets[plane.along], offsets[plane.up]
        mark = None if name in levels else (float(along[at[plane.along]]), float(up[at[plane.up]]))
        cut = Cut(plane.across, plane.along, plane.up, where)
        lines = [*(strokes(traced, cut) if traced else []), *(seen.strokes(cut) if seen else [])]
        caption = f"{plane.along}–{plane.up}, {plane.across} = {where:+.0f} µm"
        caption += f", {plane.words}" if plane.words else ""
        grey = np.take(volume, k, axis="zyx".index(plane.across))
        drawn.append(
            Picture(_svg(png(grey, LIMITS), _edges(along), _edges(up), mark, lines, caption), caption, name)
        )
    return drawn


def flat_views(
    volumes: Sequence[NDArray[np.floating]], grid: Grid, pitch_mm: float, ball_mm: float
) -> list[Picture]:
    """Sub-volumes summed along the board's normal, all on one scale from the darkest to the brightest place.

    Values are thicknesses of solder, µm, as if all that absorbs were solder.
    """
    x, y, _ = (1000 * o for o in grid.offsets_mm(pitch_mm, ball_mm))
    step = 1000 * grid.spacing_mm(pitch_mm, ball_mm)[2]
    sums = [step * volume.astype(np.float32).sum(axis=0) for volume in volumes]
    limits = min(float(s.min()) for s in sums), max(float(s.max()) for s in sums)
    caption = f"summed along the normal, scale {limits[0]:.0f} to {limits[1]:.0f} µm of solder"
    return [
        Picture(_svg(png(s, limits), _edges(x), _edges(y), None, [], caption), caption, "flat") for s in sums
    ]


def _levels(z: NDArray[np.float64], ball_mm: float, traced: Traced | None) -> dict[str, int]:
    """Index along z of the planes at the lands, just inside of them, and of the middle."""
    ends = traced.lands_um if traced else (-1000 * NO_LAND * ball_mm, 1000 * NO_LAND * ball_mm)
    step = float(z[1] - z[0])
    heights = {"board": ends[0] + step, "middle": 0.0, "package": ends[1] - step}
    return {name: int(np.abs(z - height).argmin()) for name, height in heights.items()}


def colour_bar_png() -> str:
    """The colours from the lower to the upper limit, left to right, as a data address."""
    return png(np.linspace(*LIMITS, 256)[None], LIMITS)


def png(values: NDArray[np.floating], limits: tuple[float, float]) -> str:
    """Values as coloured pixels in a data address; the first row of the array comes last, since y points up."""
    scaled = (values[::-1].astype(np.float32) - limits[0]) / max(limits[1] - limits[0], 1e-9)
    image = Image.fromarray(np.clip(255 * scaled, 0, 255).round().astype(np.uint8))
    image.putpalette(PALETTE.tobytes())
    buffer = io.BytesIO()
    image.save(buffer, "png")
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def _svg(
    picture: str,
    x: tuple[float, float],
    y: tuple[float, float],
    mark: tuple[float, float] | None,
    lines: list[Stroke],
    title: str,
) -> str:
    """The drawing; y points up in the joint and down in SVG, hence the signs."""
    wide, tall = x[1] - x[0], y[1] - y[0]
    box = f'x="{x[0]:.0f}" y="{-y[1]:.0f}" width="{wide:.0f}" height="{tall:.0f}"'
    return (
        f'<svg class="slice" viewBox="{x[0]:.0f} {-y[1]:.0f} {wide:.0f} {tall:.0f}" role="img" '
        f'aria-label="{escape(title)}"><image {box} preserveAspectRatio="none" href="{picture}"/>'
        f"{''.join(_path(line) for line in lines)}{_ticks(x, y, mark)}{_scale_bar(x, y)}</svg>"
    )


def _path(line: Stroke) -> str:
    points = "M" + " ".join(f"{a:.0f} {-b:.0f}" for a, b in line.points)
    # The network's dashes lie on a dark line of their own, so that they show on any ground.
    ground = f'<path class="ground" d="{points}"/>' if line.kind.startswith(SEEN) else ""
    return f'{ground}<path class="{line.kind}" d="{points}"/>'


def _ticks(x: tuple[float, float], y: tuple[float, float], mark: tuple[float, float] | None) -> str:
    """Short marks at the four edges that point to where the other two slices cut this one."""
    if mark is None:
        return ""
    reach = 0.055 * (x[1] - x[0])
    a, b = mark[0], -mark[1]
    path = f"M{x[0]:.0f} {b:.0f}h{reach:.0f}M{x[1]:.0f} {b:.0f}h{-reach:.0f}"
    path += f"M{a:.0f} {-y[0]:.0f}v{-reach:.0f}M{a:.0f} {-y[1]:.0f}v{reach:.0f}"
    return f'<path class="mark" d="{path}"/>'


def _scale_bar(x: tuple[float, float], y: tuple[float, float]) -> str:
    wide = x[1] - x[0]
    bar = max(um for um in SCALE_BARS_UM if um <= wide / 4 or um == SCALE_BARS_UM[0])
    left, low = x[0] + 0.06 * wide, -y[0] - 0.05 * wide
    return (
        f'<path class="bar" d="M{left:.0f} {low:.0f}h{bar}"/>'
        f'<text class="bar" x="{left:.0f}" y="{low - 0.025 * wide:.0f}" font-size="{0.075 * wide:.0f}">{bar} µm</text>'
    )


def _edges(offsets: NDArray[np.float64]) -> tuple[float, float]:
    half = (offsets[1] - offsets[0]) / 2
    return float(offsets[0] - half), float(offsets[-1] + half)
