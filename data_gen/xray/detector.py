"""What the detector makes of the expected signal: blur, scatter, photon noise, electronics, flat field, logarithm.

Order: focal-spot blur and scatter act on the expectation; photons are drawn; the scintillator blurs them (so noise
of neighbouring pixels correlates); electronics add noise; each pixel has a gain error that the flat field left; the
value is quantised, clamped and its logarithm taken. Signals are relative to air.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.xray.geometry import ConeBeam
from jointwise.data_gen.xray.projector import Projections
from jointwise.joints.errors import InputError

FEW_QUANTA = 30.0
"""Below this many effective quanta a pixel draws from a scaled Poisson law, above from a Gaussian one."""

FULL_SCALE = 1.5
"""Largest value the converter holds, in air levels."""

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
_COARSE = 8
"""Scatter is smooth: it is computed on every eighth pixel and interpolated."""

Image = NDArray[np.float32]
_inner = njit(error_model="numpy", cache=True, nogil=True)


@dataclass(frozen=True, kw_only=True)
class Detector:
    """A detector and its imperfections; every imperfection defaults to none.

    Args:
        photons: detected quanta per pixel in air; infinite draws no photon noise.
        focal_blur_px: unsharpness of the focal spot on the detector, standard deviation in pixels.
        scintillator_blur_px: standard deviation of the scintillator's spread in pixels.
        scatter_fraction: scattered over primary signal, half of it even over the detector, half blurred.
        scatter_sigma_px: reach of the blurred half, standard deviation in pixels.
        gain_sd: relative gain error per pixel that the flat field left (makes rings).
        read_noise: electronic noise in quanta of mean energy.
        bits: of the converter; 0 does not quantise.
    """

    photons: float = math.inf
    focal_blur_px: float = 0.0
    scintillator_blur_px: float = 0.0
    scatter_fraction: float = 0.0
    scatter_sigma_px: float = 100.0
    gain_sd: float = 0.0
    read_noise: float = 0.0
    bits: int = 0

    def __post_init__(self) -> None:
        sizes = (
            self.focal_blur_px,
            self.scintillator_blur_px,
            self.scatter_fraction,
            self.gain_sd,
            self.read_noise,
        )
        positive = self.photons > 0.0 and self.scatter_sigma_px > 0.0
        # Size by size, so that NaN fails too.
        if not (positive and all(size >= 0.0 for size in sizes) and 0 <= self.bits <= 24):
            raise InputError(
                f"expected positive photons and scatter_sigma_px and nothing negative, found {self}"
            )

    @property
    def floor(self) -> float:
        """Signal to which weaker ones are raised before the logarithm: half a quantum, at least half a step."""
        step = FULL_SCALE / (2**self.bits - 1) if self.bits else 0.0
        quantum = 0.5 / self.photons if math.isfinite(self.photons) else 0.0
        return max(quantum, 0.5 * step, 1e-6)


def focal_blur_px(beam: ConeBeam, focal_spot_mm: float) -> float:
    """Standard deviation on the detector, in pixels, of a focal spot of that full width at half maximum.

    The unsharpness on the detector is (M - 1)·F.
    """
    return (beam.magnification - 1.0) * focal_spot_mm / FWHM_PER_SIGMA / beam.pixel_mm


def line_integrals(projections: Projections, detector: Detector, seed: int, first_view: int = 0) -> Image:
    """What a scanner hands to the reconstruction: -ln of the measured signal over air.

    Args:
        projections: expected signal and variance per quantum, (view, row, column).
        detector: what it does to them.
        seed: every view draws from its own stream (seed, view), the gain errors from (seed,).
        first_view: number of the first view given, so that ranges of views may come in any order.

    Returns:
        float32 (view, row, column).
    """
    shape = projections.signal.shape
    out = np.empty(shape, np.float32)
    gain = gain_map(detector, shape[1:], seed)
    for i in range(shape[0]):
        rng = np.random.default_rng([seed, first_view + i])
        measured = measure(projections.signal[i], projections.variance[i], detector, gain, rng)
        out[i] = -np.log(np.maximum(measured, np.float32(detector.floor)))
    return out


def gain_map(detector: Detector, shape: tuple[int, ...], seed: int) -> Image:
    """Relative sensitivity of each pixel after flat-fielding, the same in all views of a scan, float32."""
    if detector.gain_sd == 0.0:
        return np.ones(shape, np.float32)
    rng = np.random.default_rng([seed])
    drawn = rng.standard_normal(shape, np.float32)
    return np.asarray(1.0 + np.float32(detector.gain_sd) * np.clip(drawn, -4.0, 4.0), np.float32)


def measure(
    signal: NDArray[Any], variance: NDArray[Any], detector: Detector, gain: Image, rng: np.random.Generator
) -> Image:
    """One measured view, relative to air, before clamp and logarithm; all arguments (row, column)."""
    mean = blurred(np.asarray(signal, np.float32), detector.focal_blur_px)
    spread = blurred(np.asarray(variance, np.float32), detector.focal_blur_px)
    if detector.scatter_fraction > 0.0:
        extra = scattered(mean, detector)
        # Scattered quanta are taken to have the mean energy, so their variance per quantum is their signal.
        mean, spread = mean + extra, spread + extra
    if math.isfinite(detector.photons):
        mean = photon_noise(mean, spread, detector.photons, rng)
    mean = blurred(mean, detector.scintillator_blur_px)
    if detector.read_noise > 0.0:
        drawn = rng.standard_normal(mean.shape, np.float32)
        mean = mean + np.float32(detector.read_noise / min(detector.photons, 1e12)) * drawn
    mean = mean * gain
    if detector.bits:
        steps = np.float32((2**detector.bits - 1) / FULL_SCALE)
        mean = np.clip(np.rint(mean * steps), 0.0, np.float32(2**detector.bits - 1)) / steps
    return np.asarray(mean, np.float32)


def photon_noise(mean: Image, variance: Image, photons: float, rng: np.random.Generator) -> Image:
    """Draw the signal of an energy-integrating detector.

    The true law is a compound Poisson one: a Poisson number of quanta in each energy, weighted by energy, with
    mean N⟨E⟩ and variance N⟨E²⟩. The draw has exactly this mean and variance in every pixel: a Poisson number
    of quanta of one size (variance over mean) where they are few, a Gaussian number where they are many.

    Args:
        mean: expected signal relative to air.
        variance: variance of that signal for one quantum per pixel in air.
        photons: quanta per pixel in air.
        rng: random stream.
    """
    variance = variance / np.float32(photons)
    noisy = mean + np.sqrt(variance) * rng.standard_normal(mean.shape, np.float32)
    few = mean * mean < np.float32(FEW_QUANTA) * variance
    quantum = variance[few] / mean[few]
    noisy[few] = quantum * rng.poisson(mean[few] / quantum).astype(np.float32)
    return np.asarray(noisy, np.float32)


def scattered(primary: Image, detector: Detector) -> Image:
    """Smooth scattered signal of one view: half of it even, half the primary under a wide Gaussian."""
    rows = _coarse_centres(primary.shape[0])
    columns = _coarse_centres(primary.shape[1])
    coarse = _block_means(primary)
    sigma = detector.scatter_sigma_px
    wide = _mix(_gaussian_weights(rows, sigma), coarse, _gaussian_weights(columns, sigma))
    field = np.float32(0.5 * detector.scatter_fraction) * (wide + np.float32(primary.mean(dtype=np.float64)))
    return np.asarray(_interpolated(field.astype(np.float32), primary.shape[0], primary.shape[1]))


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


def blurred(image: Image, sigma_px: float) -> Image:
    """The image under a Gaussian of that standard deviation in pixels, edges continued; 0 returns it unchanged."""
    if sigma_px <= 0.0:
        return image
    return np.asarray(_convolved(np.ascontiguousarray(image), blur_taps(sigma_px)))


def blur_taps(sigma_px: float) -> Image:
    """Weights of a Gaussian of that standard deviation in pixels, an odd number of them, float32, sum 1."""
    if sigma_px <= 0.0:
        return np.ones(1, np.float32)
    reach = max(1, math.ceil(3.5 * sigma_px))
    # Integrals over pixels keep the width right even where the Gaussian is narrower than a pixel.
    edges = np.arange(-reach, reach + 2) - 0.5
    taps = np.diff([0.5 * math.erf(e / (sigma_px * math.sqrt(2.0))) for e in edges])
    return np.asarray(taps / taps.sum(), np.float32)


@_inner
def _convolved(image, taps):  # type: ignore[no-untyped-def]
    """Separable convolution with symmetric taps, edges continued."""
    rows, columns, reach = image.shape[0], image.shape[1], taps.shape[0] // 2
    half = np.zeros((rows, columns), np.float32)
    for i in range(rows):
        for k in range(taps.shape[0]):
            source = image[min(max(i + k - reach, 0), rows - 1)]
            weight = taps[k]
            for j in range(columns):
                half[i, j] += weight * source[j]
    out = np.empty((rows, columns), np.float32)
    padded = np.empty(columns + 2 * reach, np.float32)
    for i in range(rows):
        padded[:reach] = half[i, 0]
        padded[reach : reach + columns] = half[i]
        padded[reach + columns :] = half[i, columns - 1]
        line = out[i]
        line[:] = np.float32(0)
        for k in range(taps.shape[0]):
            weight = taps[k]
            for j in range(columns):
                line[j] += weight * padded[j + k]
    return out
