"""Noise of uniform material: what is left of its grey values once a smooth trend is taken out."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from jointwise.joints.edges import Patch
from jointwise.joints.lattice import Vector


def trend_and_noise(patch: Patch, half_mm: tuple[float, float]) -> tuple[float, float, float]:
    """Level and noise of uniform material about a place: what a quadratic surface leaves, far outliers left out.

    Args:
        patch: voxels around the place.
        half_mm: half axes of the ellipsoid that is uniform, across and along, mm.

    Returns:
        Mean, standard deviation of single voxels, and of means over 3 x 3 voxels in the plane; NaN where too few.
    """
    scaled = np.stack([patch.x / half_mm[0], patch.y / half_mm[0], patch.z / half_mm[1]])
    patch = patch.only((scaled**2).sum(axis=0) <= 1)
    if len(patch.values) < 40:
        return np.nan, np.nan, np.nan
    x, y, z = patch.x / half_mm[0], patch.y / half_mm[0], patch.z / half_mm[1]
    design = np.stack([np.ones_like(x), x, y, z, x * x, y * y, z * z, x * y, x * z, y * z], axis=1)
    keep = np.ones(len(x), bool)
    for _ in range(3):
        square = design[keep].T @ design[keep]
        residual = (
            patch.values
            - design @ np.linalg.lstsq(square, design[keep].T @ patch.values[keep], rcond=1e-12)[0]
        )
        # The spread kept within 3.5 standard deviations is 0.4 % too small, which does not matter here.
        keep = np.abs(residual) <= 3.5 * max(1.4826 * float(np.median(np.abs(residual[keep]))), 1e-12)
    free = keep.sum() - design.shape[1]
    noise = float(np.sqrt((residual[keep] ** 2).sum() / free))
    return float(patch.values[keep].mean()), noise, _coarse_noise(patch, np.where(keep, residual, np.nan))


def _coarse_noise(patch: Patch, residual: Vector) -> float:
    """Spread of the means over 3 x 3 voxels in the plane, where all nine are there."""
    index = (patch.index - patch.index.min(axis=0)).T
    block = np.full(index.max(axis=1) + 1, np.nan)
    block[tuple(index)] = residual
    # Summed anew at every place: a running sum would carry the gaps along.
    means = ndimage.convolve(block, np.full((1, 3, 3), 1 / 9), mode="constant", cval=np.nan)
    means = means[np.isfinite(means)]
    return float(means.std()) if len(means) >= 20 else np.nan
