"""What the rules measured in a joint, as lines to draw over its slices: solder, voids, gap, neck.

The lines come from the measuring itself (`jointwise.models.rules`): the solder's contour lies at half of the joint's
own step from air to solder; a void is what the void measures count; a gap is the surface along which, or the land at
which, missing metal was summed; a neck is the place of least cross-section. They hold whatever detector decides.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray

from jointwise.joints.grid import Grid
from jointwise.models.rules.bridges import Bridge
from jointwise.models.rules.edges import Body, Frame, outline
from jointwise.models.rules.lands import LAND, Land, lands
from jointwise.models.rules.numbers import Examination, examine, on_standard_grid, suspect
from jointwise.models.rules.patches import patch_numbers

SPECK_UM = 60.0  # closed contours smaller than this across are noise at the edge of sight
AXES = "xyz"

Points = NDArray[np.float64]


class Stroke(NamedTuple):
    """A line over a slice.

    Args:
        kind: `solder`, `void`, `gap`, `bonded`, `end` or `neck`.
        points: (n, 2) along and up the slice, µm from the joint's middle.
    """

    kind: str
    points: Points


class Cut(NamedTuple):
    """A plane through a joint: the axis it lies across, the two it shows, and where, µm from the middle."""

    across: str
    along: str
    up: str
    at_um: float


@dataclass(frozen=True)
class Traced:
    """A joint with a ball, as the rules see it.

    Args:
        body: the joint scaled to its own levels.
        lands: the board's and the package's.
        found: all that was measured; None where only the outline was asked for.
        gap: `surface` or `land` where a gap is to be drawn, else empty.
    """

    body: Body
    lands: tuple[Land, Land]
    found: Examination | None = None
    gap: str = ""

    @property
    def voids(self) -> NDArray[np.bool_] | None:
        """(z, y, x) points counted as void; None where there are none."""
        return self.found.cavities.mask if self.found and self.found.cavities.mask.any() else None

    @property
    def neck_um(self) -> float:
        """Thickness of the neck to a neighbour; 0 without one."""
        return self.found.bridge.neck_um if self.found else 0.0

    def offsets_um(self, axis: str) -> Points:
        """Positions of the grid points of `body` along an axis, µm from the middle."""
        return np.asarray(1000 * getattr(self.body.frame, axis))

    @property
    def lands_um(self) -> tuple[float, float]:
        """Heights of the board's and the package's land."""
        return 1000 * self.lands[0].z, 1000 * self.lands[1].z


def trace(
    volume: NDArray[np.floating], grid: Grid, pitch_mm: float, ball_mm: float, gap: str = ""
) -> Traced | None:
    """Measure one sub-volume as the rules do; None where no ball stands.

    Args:
        volume: (z, y, x), 0 = air, 1 = solder.
        grid, pitch_mm, ball_mm: its grid and sizes.
        gap: which gap to draw, as in :class:`Traced`.
    """
    found = examine(volume, grid, pitch_mm, ball_mm)
    return None if found is None else Traced(found.body, (found.board, found.package), found, gap)


def trace_outline(volume: NDArray[np.floating], grid: Grid, pitch_mm: float, ball_mm: float) -> Traced | None:
    """Only where the solder of a sub-volume ends, which is much quicker; None where no ball stands."""
    volume, grid = on_standard_grid(volume, grid)
    body = outline(volume, Frame.of(grid, pitch_mm, ball_mm))
    return Traced(body, lands(body)) if body.present else None


def strokes(traced: Traced, cut: Cut) -> list[Stroke]:
    """All lines over one slice."""
    x, y = traced.offsets_um(cut.along), traced.offsets_um(cut.up)
    axis = "zyx".index(cut.across)
    k = int(np.abs(traced.offsets_um(cut.across) - cut.at_um).argmin())
    solder = np.take(traced.body.smooth, k, axis=axis)
    lines = [Stroke("solder", line) for line in _contours(x, y, solder) if _across(line) > SPECK_UM]
    if traced.voids is not None:
        voids = np.take(traced.voids, k, axis=axis).astype(np.float32)
        lines += [Stroke("void", line) for line in _contours(x, y, voids)]
    if traced.found and traced.gap and cut.up == "z":
        lines += _gap_lines(traced, traced.found, cut, k)
    return lines + (_neck_lines(traced, traced.found.bridge, cut) if traced.found else [])


def _contours(x: Points, y: Points, values: NDArray[np.floating]) -> list[Points]:
    """Lines at one half."""
    return [np.asarray(line) for line in contour_generator(x, y, values).lines(0.5)]


def _across(line: Points) -> float:
    return float(np.hypot(*np.ptp(line, axis=0)))


def _gap_lines(traced: Traced, found: Examination, cut: Cut, k: int) -> list[Stroke]:
    """The gap's surface, or the solder's end at the suspect land, where an upright plane cuts it."""
    height, lost = gap_surface(traced, found)
    axis = "yx".index(cut.across)
    row, bad = np.take(height, k, axis=axis), np.take(lost, k, axis=axis)
    x = traced.offsets_um(cut.along)
    sound = "bonded" if traced.gap == "surface" else "end"
    return [
        Stroke("gap" if bad[run[0]] else sound, np.stack([x[run], row[run]], axis=1))
        for run in _runs(row, bad)
    ]


def gap_surface(traced: Traced, found: Examination) -> tuple[Points, NDArray[np.bool_]]:
    """Height (y, x) of what was measured, µm, NaN elsewhere, and whether metal is missing there."""
    if traced.gap == "land":
        return _land_ends(found)
    z, surface = traced.offsets_um("z"), found.surface
    height = np.where(np.isfinite(surface.gap_um), z[np.maximum(surface.height, 0)], np.nan)
    return height, surface.lost


def _land_ends(found: Examination) -> tuple[Points, NDArray[np.bool_]]:
    """Where the solder ends over the land that looks less wetted, patch by patch."""
    odd, even = suspect(found)
    reach = LAND * found.body.frame.ball
    patch = patch_numbers(found.body, found.body.ring < reach, reach)
    known = patch >= 0
    ends = np.where(known, 1000 * odd.side * odd.ends_mm[np.maximum(patch, 0)], np.nan)
    return ends, known & odd.lost(even)[np.maximum(patch, 0)]


def _runs(row: Points, bad: NDArray[np.bool_]) -> list[NDArray[np.int64]]:
    """Stretches of neighbouring known columns that are all bonded or all not; single columns are left out."""
    known = np.flatnonzero(np.isfinite(row))
    if not len(known):
        return []
    breaks = np.flatnonzero((np.diff(known) > 1) | (np.diff(bad[known].astype(int)) != 0)) + 1
    return [run for run in np.split(known, breaks) if len(run) > 1]


def _neck_lines(traced: Traced, bridge: Bridge, cut: Cut) -> list[Stroke]:
    """A bar across the neck, as long as the neck is thick, in planes that run along it and cut it."""
    if bridge.place_mm is None or bridge.neck_um <= 0:
        return []
    place = dict(zip(AXES, (1000 * v for v in bridge.place_mm), strict=True))
    lane = max("xy", key=lambda a: abs(place[a]))
    step = float(np.diff(traced.offsets_um(cut.across)[:2])[0])
    if lane == cut.across or abs(place[cut.across] - cut.at_um) > max(bridge.neck_um / 2, step):
        return []
    half = bridge.neck_um / 2
    ends = [[place[cut.along], place[cut.up]] for _ in range(2)]
    free = 1 if lane == cut.along else 0
    ends[0][free] -= half
    ends[1][free] += half
    return [Stroke("neck", np.array(ends))]
