"""Where in a joint to look for what was found, so that its pictures cut through it.

The detectors say what, not where. Where the rules measured it, the place is theirs: the neck, the largest void, the
middle of the gap. Else, for a bridge, it is the brightest place midway to a neighbour; for a void, a pillow or an open
the darkest place inside the solder, small spots for the first, flat ones for the others. It only chooses slices and
decides nothing.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.grid import Grid
from jointwise.models.rules.numbers import Examination
from jointwise.scoring.report.outlines import Points, Traced, gap_surface

FLAT_KINDS = ("non_wet", "head_in_pillow")


class Spot(NamedTuple):
    """A place in a sub-volume: its indices (z, y, x), and what was looked for there."""

    place: tuple[int, int, int]
    why: str


def measured_spot(
    traced: Traced, grid: Grid, pitch_mm: float, ball_mm: float, kinds: list[str]
) -> Spot | None:
    """The place of what the rules measured, for the first of the kinds that they did; None where they did not.

    Args:
        traced: the joint.
        grid: the grid of the pictures.
        pitch_mm, ball_mm: its sizes.
        kinds: what was found in the joint.
    """
    if traced.found is None:
        return None
    bridge = traced.found.bridge
    if "bridging" in kinds:
        return (
            _nearest(bridge.place_mm, grid, pitch_mm, ball_mm, "thinnest place of the neck")
            if bridge.place_mm
            else None
        )
    if set(kinds) & set(FLAT_KINDS):
        place = _middle_of_gap(traced, traced.found)
        return (
            None if place is None else _nearest(place, grid, pitch_mm, ball_mm, "middle of the suspect gap")
        )
    if "void" in kinds and traced.voids is not None:
        label, _ = ndimage.label(traced.voids)
        biggest = int(np.bincount(label.ravel())[1:].argmax()) + 1
        z, y, x = (int(v) for v in np.round(ndimage.center_of_mass(label == biggest)))
        at = (traced.offsets_um(axis)[k] / 1000 for axis, k in zip("xyz", (x, y, z), strict=True))
        return _nearest(tuple(at), grid, pitch_mm, ball_mm, "largest void that was measured")
    return None


def _middle_of_gap(traced: Traced, found: Examination) -> tuple[float, ...] | None:
    """The point of the gap nearest to the middle of what is not bonded, mm."""
    if not traced.gap:
        return None
    height, lost = gap_surface(traced, found)
    j, i = np.nonzero(lost)
    if not len(j):
        return None
    n = int(np.hypot(j - j.mean(), i - i.mean()).argmin())
    x, y = traced.offsets_um("x")[i[n]], traced.offsets_um("y")[j[n]]
    return x / 1000, y / 1000, float(height[j[n], i[n]]) / 1000


def _nearest(place_mm: tuple[float, ...], grid: Grid, pitch_mm: float, ball_mm: float, why: str) -> Spot:
    """The grid point nearest to (x, y, z)."""
    offsets: tuple[Points, ...] = grid.offsets_mm(pitch_mm, ball_mm)
    x, y, z = (int(np.abs(o - p).argmin()) for o, p in zip(offsets, place_mm, strict=True))
    return Spot((z, y, x), why)


def find_spot(
    volume: NDArray[np.floating], grid: Grid, pitch_mm: float, ball_mm: float, kinds: list[str]
) -> Spot:
    """The place to cut through where nothing was measured; the middle without kinds.

    Args:
        volume: (z, y, x), 0 = air, 1 = solder.
        grid: its grid.
        pitch_mm: pitch, mm.
        ball_mm: nominal ball diameter, mm.
        kinds: what was found in the joint.
    """
    x, y, z = grid.offsets_mm(pitch_mm, ball_mm)
    zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")
    step = np.array(grid.spacing_mm(pitch_mm, ball_mm))[::-1]
    grey = volume.astype(np.float32)
    if "bridging" in kinds:
        smooth = ndimage.gaussian_filter(grey, 0.04 * ball_mm / step)
        side, other = np.maximum(abs(xx), abs(yy)), np.minimum(abs(xx), abs(yy))
        lanes = (
            (abs(side - pitch_mm / 2) < 0.05 * pitch_mm) & (other < 0.4 * ball_mm) & (abs(zz) < 0.4 * ball_mm)
        )
        return _best(smooth, lanes, "brightest place midway to a neighbour")
    inside = (np.hypot(xx, yy) < 0.38 * ball_mm) & (abs(zz) < 0.33 * ball_mm)
    if "void" in kinds and not set(kinds) & set(FLAT_KINDS):
        return _best(
            _darker(grey, 0.06 * ball_mm / step, 0.3 * ball_mm / step), inside, "darkest spot in the solder"
        )
    if set(kinds) & set(FLAT_KINDS):
        flat = np.array([0.03, 0.15, 0.15]) * ball_mm / step
        wide = np.array([0.25, 0.15, 0.15]) * ball_mm / step
        return _best(_darker(grey, flat, wide), inside, "darkest flat place in the joint")
    nz, ny, nx = grid.shape
    if "missing" in kinds:
        return Spot((nz // 2, ny // 2, nx // 2), "place where the ball should be")
    return Spot((nz // 2, ny // 2, nx // 2), "middle of the joint")


def _darker(
    grey: NDArray[np.float32], near: NDArray[np.float64], far: NDArray[np.float64]
) -> NDArray[np.float32]:
    """How much darker a place is than what lies around it (dark cores cancel)."""
    return np.asarray(ndimage.gaussian_filter(grey, far) - ndimage.gaussian_filter(grey, near))


def _best(value: NDArray[np.floating], where: NDArray[np.bool_], why: str) -> Spot:
    z, y, x = np.unravel_index(int(np.argmax(np.where(where, value, -np.inf))), value.shape)
    return Spot((int(z), int(y), int(x)), why)
