"""What reaches pixels far from where it belongs: scatter of the object and veiling glare of the detector.

Both are smooth, so they are worked out on every eighth pixel from what the object took out of the beam.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit
from numpy.typing import NDArray

if TYPE_CHECKING:
    from jointwise.data_gen.xray.detector import Detector

Image = NDArray[np.float32]
_inner = njit(error_model="numpy", cache=True, nogil=True)
_COARSE = 8
"""Pixels of the edge of a block."""


def scattered(lost: Image, detector: Detector, shape: tuple[int, ...]) -> Image:
    """Smooth scattered signal of one view, on every pixel.

    Args:
        lost: see :func:`absorbed`.
        detector: fraction.
        shape: of the view (row, column).
    """
    return _on_pixels(_scattered_blocks(lost, detector), shape)


def veil(lost: Image, detector: Detector, shape: tuple[int, ...], air: float = 1.0) -> Image:
    """Veiling glare of one view on every pixel: its share of all signal, scattered one included, spread widely.

    Args:
        lost, detector, shape: as for :func:`scattered`.
        air: signal without an object.
    """
    # Scattered signal is smooth already: spreading it once more is left out.
    everything = np.float32(air) - lost + _scattered_blocks(lost, detector)
    return _on_pixels(np.float32(detector.glare_fraction) * everything, shape)


def _scattered_blocks(lost: Image, detector: Detector) -> Image:
    return np.asarray(np.maximum(np.float32(detector.scatter_fraction) * lost, np.float32(0.0)))


def _on_pixels(field: Image, shape: tuple[int, ...]) -> Image:
    return np.asarray(_interpolated(field.astype(np.float32), *shape))


def absorbed(primary: Image, sigma: float, air: float = 1.0) -> Image:
    """What the object took out of the beam of one view, half of it even, half blurred widely; one value per block.

    Args:
        primary: expected signal (row, column).
        sigma: reach of the blur in pixels.
        air: signal without an object.
    """
    rows = _coarse_centres(primary.shape[0])
    columns = _coarse_centres(primary.shape[1])
    lost = np.float32(air) - _block_means(primary)
    wide = _mix(_gaussian_weights(rows, sigma), lost, _gaussian_weights(columns, sigma))
    even = np.float32(air - primary.mean(dtype=np.float64))
    return np.asarray(np.float32(0.5) * (wide + even), np.float32)


def _coarse_centres(size: int) -> NDArray[np.float64]:
    """Middle of each block of pixels along one axis; the last block may be short."""
    starts = np.arange(0, size, _COARSE)
    return np.asarray((starts + np.minimum(starts + _COARSE, size) - 1) / 2.0)


def _gaussian_weights(positions: NDArray[np.float64], sigma: float) -> Image:
    weights = np.exp(-0.5 * ((positions[:, None] - positions[None, :]) / sigma) ** 2)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), np.float32)


@_inner
def _block_means(image):  # type: ignore[no-untyped-def]
    rows = (image.shape[0] + _COARSE - 1) // _COARSE
    columns = (image.shape[1] + _COARSE - 1) // _COARSE
    out = np.zeros((rows, columns), np.float32)
    for i in range(image.shape[0]):
        for j in range(image.shape[1]):
            out[i // _COARSE, j // _COARSE] += image[i, j]
    for i in range(rows):
        high = min(_COARSE, image.shape[0] - i * _COARSE)
        for j in range(columns):
            wide = min(_COARSE, image.shape[1] - j * _COARSE)
            out[i, j] /= np.float32(high * wide)
    return out


@_inner
def _mix(left, middle, right):  # type: ignore[no-untyped-def]
    """left @ middle @ right.T in a fixed order of sums (a library product may split it by threads)."""
    half = np.zeros((left.shape[0], middle.shape[1]), np.float32)
    for i in range(left.shape[0]):
        for k in range(middle.shape[0]):
            for j in range(middle.shape[1]):
                half[i, j] += left[i, k] * middle[k, j]
    out = np.zeros((left.shape[0], right.shape[0]), np.float32)
    for i in range(left.shape[0]):
        for j in range(right.shape[0]):
            for k in range(middle.shape[1]):
                out[i, j] += half[i, k] * right[j, k]
    return out


@_inner
def _interpolated(coarse, rows, columns):  # type: ignore[no-untyped-def]
    """Bilinear values at every pixel from values at the blocks' middles; constant beyond the outer ones."""
    out = np.empty((rows, columns), np.float32)
    middle = np.float32((_COARSE - 1) / 2)
    for i in range(rows):
        y = min(
            max((np.float32(i) - middle) / np.float32(_COARSE), np.float32(0)),
            np.float32(coarse.shape[0] - 1),
        )
        i0 = min(int(y), max(coarse.shape[0] - 2, 0))
        i1 = min(i0 + 1, coarse.shape[0] - 1)
        fy = y - np.float32(i0)
        for j in range(columns):
            x = (np.float32(j) - middle) / np.float32(_COARSE)
            x = min(max(x, np.float32(0)), np.float32(coarse.shape[1] - 1))
            j0 = min(int(x), max(coarse.shape[1] - 2, 0))
            j1 = min(j0 + 1, coarse.shape[1] - 1)
            fx = x - np.float32(j0)
            upper = coarse[i0, j0] * (np.float32(1) - fx) + coarse[i0, j1] * fx
            lower = coarse[i1, j0] * (np.float32(1) - fx) + coarse[i1, j1] * fx
            out[i, j] = upper * (np.float32(1) - fy) + lower * fy
    return out
