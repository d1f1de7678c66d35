"""Voids: what is missing from the solder inside the joint's outline, and the four measures of it.

The joint is compared with a sound one of the same outline: solder with the same cupping, a flank blurred as this scan
blurs, ends as dark as the bulk of each end slice. What is darker is cavity, closed or at a land. A complete surface (a
pillow's gap) is no void and is left out; a void never reaches all the way through.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, special

from jointwise.models.rules.edges import Body, Vector, Volume

CLEAR: Final = 0.12
"""Least darkness (share of solder missing) of a cavity's darkest point; noisier joints need more, see NOISES."""
NOISES: Final = 4.5
"""… in standard deviations of the blurred values."""
SHIFT: Final = 0.5
"""Grid steps by which the sound joint's edges may be off: what such a shift explains is no cavity."""
INTERFACE_MM: Final = 0.025
"""Depth of the layer at a land whose voids count as interface voids (measure 4)."""
END_PLANES: Final = 3
"""Planes at each land whose level is read from the slice itself: copper and blur make them darker than solder."""


@dataclass(frozen=True)
class Cavities:
    """The joint's voids.

    Args:
        area_pct: union of the voids seen along z over the largest cross-section (measure 1).
        volume_pct: their volume over the outline's (measure 2).
        largest_pct: the largest connected void seen along z over the largest cross-section (measure 3).
        interface_pct: voids within 25 µm of a land over that land's disc, the worse land (measure 4).
        missing_pct: all missing solder, summed along z without any threshold and clipped at the noise, over the
            outline's volume.
        sharpness: darkest point of any cavity in standard deviations of the blurred values.
    """

    area_pct: float
    volume_pct: float
    largest_pct: float
    interface_pct: float
    missing_pct: float
    sharpness: float


def cavities(body: Body, ends: tuple[float, float], largest_mm2: float, sheet: NDArray[np.bool_]) -> Cavities:
    """Find and measure the voids.

    Args:
        body: the joint.
        ends: heights of the board's and the package's land, mm from the box's centre.
        largest_mm2: largest cross-section.
        sheet: (z, y, x) points of a complete surface, which are no void.
    """
    sound = sound_joint(body, ends)
    missing = np.where(sheet, 0, sound - body.smooth)
    missing[sound < 0.25] = 0
    limit = max(CLEAR, NOISES * body.grain)
    missing = missing - SHIFT * _steepness(sound)
    label, found = ndimage.label(missing > 0.5 * limit)
    dark = label > 0
    peak = np.zeros(found + 1, np.float32)
    np.maximum.at(peak, label[dark], missing[dark])
    void = _half_peak(missing, label, peak, limit)
    return _measure(body, ends, largest_mm2, missing, void, sound, float(peak.max()))


def sound_joint(body: Body, ends: tuple[float, float]) -> Volume:
    """What the blurred values would be without voids, (z, y, x)."""
    f = body.frame
    distance = body.distance()
    edge = body.mended(ends)
    lean = np.clip(np.gradient(ndimage.uniform_filter1d(edge, 3), f.dz), -6, 6)
    spread = _spread(body) * np.sqrt(1 + lean**2)  # a flank that leans is cut obliquely by the slice
    flank = 0.5 * special.erfc((distance - edge[:, None, None]) / (np.sqrt(2) * spread[:, None, None]))
    level = _level(body, distance, edge, ends)
    return np.asarray(level * flank, dtype=np.float32)


def _steepness(sound: Volume) -> Volume:
    """Largest change per grid step along the axes."""
    return np.asarray(np.max([np.abs(g) for g in np.gradient(sound)], axis=0))


def _spread(body: Body) -> float:
    """Blur of the flank in the blurred values, mm."""
    return float(np.hypot(body.blur, 0.7 * body.frame.dx))


def _level(body: Body, distance: Vector, edge: Vector, ends: tuple[float, float]) -> NDArray[np.float64]:
    """Grey of sound solder: a quadratic (cupping) in the bulk, the slice's own upper quartile at the ends."""
    f = body.frame
    depth = edge[:, None, None] - distance
    low, high = np.searchsorted(f.z, ends)
    core = depth > 1.5 * _spread(body)
    bulk = core.copy()
    bulk[: low + END_PLANES] = False
    bulk[high - END_PLANES :] = False
    level = np.ones(body.smooth.shape)
    if bulk.sum() > 200:
        level = _cupping(body.smooth, distance, f.z, bulk, 0.5 * f.ball)
    for k in (*range(max(low, 0), low + END_PLANES), *range(high - END_PLANES, min(high, len(f.z)))):
        if core[k].sum() > 20:
            own = np.percentile(body.smooth[k][core[k]], 75) - 0.67 * body.grain
            level[k] = np.minimum(level[k], own)
    return level


def _cupping(
    smooth: Volume, distance: Vector, z: Vector, bulk: NDArray[np.bool_], size: float
) -> NDArray[np.float64]:
    """Fit a + b r² + c z + d z² to the bulk, thrice, each time without what lies well below (voids, gaps)."""
    radius2 = (distance / size) ** 2
    height = np.broadcast_to((z / size)[:, None, None], distance.shape)
    r, h, v = radius2[bulk], height[bulk], smooth[bulk].astype(np.float64)
    design = np.stack([np.ones_like(r), r, h, h * h], axis=1)
    keep = v > 0.75 * np.percentile(v, 75)
    weights = np.zeros(4)
    for _ in range(3):
        weights, *_rest = np.linalg.lstsq(design[keep], v[keep], rcond=None)
        residual = v - design @ weights
        spread = 1.4826 * np.median(np.abs(residual[keep]))
        keep = residual > -2.0 * max(spread, 0.01)
    a, b, c, d = weights
    return np.asarray(a + b * radius2 + c * height + d * height * height)


def _half_peak(missing: Volume, label: NDArray[np.int32], peak: Vector, limit: float) -> NDArray[np.int32]:
    """Labels of the cavities that are dark enough, each cut at half of its own darkest point (at most at a half)."""
    threshold = np.where(peak >= limit, np.clip(0.5 * peak, 0, 0.5), np.inf)
    return np.asarray(np.where(missing > threshold[label], label, 0))


def _measure(
    body: Body,
    ends: tuple[float, float],
    largest_mm2: float,
    missing: Volume,
    void: NDArray[np.int32],
    sound: Volume,
    peak: float,
) -> Cavities:
    f = body.frame
    point = f.dx**2
    largest = max(largest_mm2, point)
    inside = void > 0
    shadow = inside.any(axis=0)
    solder = float(sound.sum())
    near = ndimage.binary_dilation(inside, iterations=2) & (sound > 0.25)
    interface = max(_interface(body, inside, ends[0], +1), _interface(body, inside, ends[1], -1))
    clipped = missing[missing > 2 * body.grain].sum()
    return Cavities(
        area_pct=100 * shadow.sum() * point / largest,
        volume_pct=100 * float(missing[near].sum()) / max(solder, 1.0),
        largest_pct=100 * _largest_shadow(void) * point / largest,
        interface_pct=interface,
        missing_pct=100 * float(clipped) / max(solder, 1.0),
        sharpness=peak / max(body.grain, 0.005),
    )


def _largest_shadow(void: NDArray[np.int32]) -> int:
    """Grid points under the largest connected void."""
    boxes = ndimage.find_objects(void)
    return max(
        (int((void[b] == i + 1).any(axis=0).sum()) for i, b in enumerate(boxes) if b is not None), default=0
    )


def _interface(body: Body, inside: NDArray[np.bool_], land_mm: float, inward: int) -> float:
    """Share (%) of the land's disc under voids within 25 µm of it; the disc is the outline there."""
    f = body.frame
    depth = inward * (f.z - land_mm)
    layer = (depth > -0.5 * f.dz) & (depth < INTERFACE_MM + 0.5 * f.dz)
    if not layer.any():
        return 0.0
    disc = np.pi * float(body.edge[layer].max()) ** 2
    return float(100 * inside[layer].any(axis=0).sum() * f.dx**2 / disc) if disc > 0 else 0.0
