"""Air and solder level of a scan, and its noise: what scales a sub-volume to 0 and 1.

Uncorrected beam hardening and scatter make the cores of balls dark and the air between balls negative, so both
levels are read where the joints are: solder in the bulk of each joint, air in the lanes between four balls.
Definitions are ours (default).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError


@dataclass(frozen=True)
class Levels:
    """Grey values of air and solder and the noise between them, in the unit of the scan (usually 1/mm)."""

    air: float
    solder: float
    noise: float = 0.0

    def __post_init__(self) -> None:
        if not np.isfinite([self.air, self.solder, self.noise]).all() or self.solder <= self.air:
            raise InputError(
                f"expected a solder level above the air level, found solder {self.solder:.4g} and air {self.air:.4g}; "
                "the scan shows no metal at the given places"
            )

    @property
    def cnr(self) -> float:
        """Contrast of solder over air in units of the noise; infinite without noise."""
        return (self.solder - self.air) / self.noise if self.noise > 0 else float("inf")


@dataclass(frozen=True)
class Reading:
    """What one joint's surroundings say of the levels."""

    air: float
    solder: float
    noise: float


def read_levels(
    box: NDArray[np.floating], offsets_mm: Sequence[NDArray[np.float64]], pitch_mm: float, ball_mm: float
) -> Reading:
    """Levels read around one joint.

    Air is the median in four columns midway to the diagonal neighbours; solder the upper quartile of the bulk
    (cupping darkens its middle, voids lower it); noise the standard deviation in the bulk about a quadratic trend.

    Args:
        box: (z, y, x) values around the joint in the scan's unit, axes along the board's.
        offsets_mm: positions of its samples from the joint's centre along x, y and z, mm.
        pitch_mm: pitch, mm.
        ball_mm: nominal ball diameter, mm.
    """
    x, y, z = (np.ascontiguousarray(offsets, np.float64).tobytes() for offsets in offsets_mm)
    lane, bulk, design = _places(x, y, z, pitch_mm, ball_mm)
    air, solder = float(np.median(box[lane])), float(np.percentile(box[bulk], 75))
    return Reading(air, solder, _noise(box[bulk], design))


@lru_cache(maxsize=4)
def _places(
    x: bytes, y: bytes, z: bytes, pitch_mm: float, ball_mm: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.float64]]:
    """`air_and_bulk` of offsets in float64, which joint after joint of a scan asks for."""
    return air_and_bulk([np.frombuffer(places) for places in (x, y, z)], pitch_mm, ball_mm)


def air_and_bulk(
    offsets_mm: Sequence[NDArray[np.float64]], pitch_mm: float, ball_mm: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.float64]]:
    """Where air and solder are read in a box (z, y, x), and the quadratic trend at the solder's samples.

    Returns:
        The lanes' and the bulk's samples as masks (z, y, x), and the trend's columns (samples of the bulk, 10).
    """
    x, y, z = offsets_mm
    yy, xx = np.meshgrid(y, x, indexing="ij")
    middle = (np.abs(z) < 0.2 * ball_mm)[:, None, None]
    lane = middle & (np.hypot(np.abs(xx) - pitch_mm / 2, np.abs(yy) - pitch_mm / 2) < 0.12 * pitch_mm)
    bulk = middle & (np.hypot(xx, yy) < 0.3 * ball_mm)
    if lane.sum() < 8 or bulk.sum() < 20:
        raise InputError(
            "expected a box of 1.2 pitches around the joint with at least 20 samples in the ball, "
            f"found {(len(z), len(y), len(x))}"
        )
    samples = (axis[at] for axis, at in zip((z, y, x), np.nonzero(bulk), strict=True))
    scaled = [a / np.abs(a).max() for a in reversed(list(samples))]
    columns = [np.ones_like(scaled[0]), *scaled, *(a * b for i, a in enumerate(scaled) for b in scaled[i:])]
    return lane, bulk, np.stack(columns, axis=1)


def combine(readings: Sequence[Reading]) -> Levels:
    """Levels of a scan: medians over its joints, so that missing and defective balls do not move them."""
    if not readings:
        raise InputError("expected at least one joint to read the levels from, found none")
    table = np.array([(r.air, r.solder, r.noise) for r in readings])
    air, solder, noise = (float(v) for v in np.median(table, axis=0))
    return Levels(air, solder, noise)


def lane_level(
    volumes: NDArray[np.floating], offsets_mm: Sequence[NDArray[np.float64]], pitch_mm: float, ball_mm: float
) -> float:
    """How dark a scan is between neighbours, over the step from air to solder: 0 is air, -1 as far below it as solder
    is above.

    Rays along a whole row hardly pass, so hardening, scatter and glare darken the lanes between its balls. The median
    over the joints of the darker pair of places midway to the neighbours, along x or along y; each the median of both
    places, so that one bridge does not fill it. NaN without joints.

    Args:
        volumes: (n, z, y, x) of all joints of a scan, scaled to 0 = air, 1 = solder.
        offsets_mm, pitch_mm, ball_mm: as for :func:`read_levels`.
    """
    if not len(volumes):
        return float("nan")
    x, y, z = offsets_mm
    zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")
    midway = [
        (np.hypot(np.abs(along) - pitch_mm / 2, across) < 0.08 * pitch_mm) & (np.abs(zz) < 0.2 * ball_mm)
        for along, across in ((xx, yy), (yy, xx))
    ]
    pairs = [np.median(volumes[:, place].astype(np.float32), axis=1) for place in midway]
    return float(np.median(np.minimum(*pairs)))


def _noise(values: NDArray[np.floating], trend: NDArray[np.float64]) -> float:
    """Robust spread about a quadratic surface; the trend is structure (cupping), not noise."""
    # Columns lie within -1 to 1, so the normal equations are sound, and a tenth of the work; flat boxes lack some rank.
    fit, *_ = np.linalg.lstsq(trend.T @ trend, trend.T @ values.astype(np.float64), rcond=1e-11)
    residual = values - trend @ fit
    return float(1.4826 * np.median(np.abs(residual - np.median(residual))))
