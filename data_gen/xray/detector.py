"""What the detector makes of the expected signal: blur, scatter, photon noise, electronics, flat field, logarithm.

Order: focal-spot blur and scatter act on the expectation, and so does the tube's output, which drifts; photons are
drawn; the scintillator blurs them (so noise of neighbouring pixels correlates) and, with its housing, spreads a small
share of their light all over the panel (veiling glare); electronics add noise; each pixel has
a gain error that the flat field left and that grows over the scan; the value is quantised; known bad pixels are filled
in from their neighbours, not perfectly; the value is clamped and its logarithm taken. Signals are relative to air as
it was measured before the scan.
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
from jointwise.data_gen.xray.scatter import absorbed, scattered, veil
from jointwise.data_gen.xray.threads import each
from jointwise.joints.errors import InputError

FEW_QUANTA = 30.0
"""Below this many effective quanta a pixel draws from a scaled Poisson law, above from a Gaussian one."""

FULL_SCALE = 1.5
"""Largest value the converter holds, in air levels."""

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))

Image = NDArray[np.float32]
_inner = njit(error_model="numpy", cache=True, nogil=True)


@dataclass(frozen=True, kw_only=True)
class Detector:
    """A detector and its imperfections; every imperfection defaults to none.

    Args:
        photons: detected quanta per pixel in air; infinite draws no photon noise.
        focal_blur_px: unsharpness of the focal spot on the detector, standard deviation in pixels.
        scintillator_blur_px: standard deviation of the scintillator's spread in pixels.
        scatter_fraction: scattered signal over the signal that the object takes out of the beam, so none in air and
            far more than the primary where that is starved; half of it even over the detector, half blurred.
        scatter_sigma_px: reach of the blurred half, standard deviation in pixels.
        glare_fraction: share of every pixel's signal that comes down far from it, half of it even over the detector,
            half blurred as widely as scatter. Air is measured with it, so it moves nothing there; behind metal it
            does, most in views with much open beam. Measured: 8 to 10.5 % (Lazos and Williamson, Med. Phys. 39, 2012).
        gain_sd: relative gain error per pixel that the flat field left (makes rings).
        gain_drift: standard deviation per pixel of what the gain error gains from the first view to the last.
        bad_columns: columns that hold no signal of their own and are interpolated across.
        bad_pixels: share of single pixels for which the same is done.
        bad_residual: relative error, standard deviation per bad column or pixel, that filling in leaves (rings).
        intensity_drift: relative change of the tube's output from the first view to the last.
        intensity_sd: relative change of it from view to view, standard deviation.
        read_noise: electronic noise in quanta of mean energy.
        bits: of the converter; 0 does not quantise.
    """

    photons: float = math.inf
    focal_blur_px: float = 0.0
    scintillator_blur_px: float = 0.0
    scatter_fraction: float = 0.0
    scatter_sigma_px: float = 100.0
    glare_fraction: float = 0.0
    gain_sd: float = 0.0
    gain_drift: float = 0.0
    bad_columns: int = 0
    bad_pixels: float = 0.0
    bad_residual: float = 0.0
    intensity_drift: float = 0.0
    intensity_sd: float = 0.0
    read_noise: float = 0.0
    bits: int = 0

    def __post_init__(self) -> None:
        sizes = (
            self.focal_blur_px,
            self.scintillator_blur_px,
            self.scatter_fraction,
            self.gain_sd,
            self.gain_drift,
            self.bad_columns,
            self.bad_pixels,
            self.bad_residual,
            self.intensity_drift + 0.5,
            self.intensity_sd,
            self.read_noise,
        )
        positive = self.photons > 0.0 and self.scatter_sigma_px > 0.0
        share = 0.0 <= self.glare_fraction <= 0.5
        # Size by size, so that NaN fails too.
        if not (positive and share and all(size >= 0.0 for size in sizes) and 0 <= self.bits <= 24):
            raise InputError(
                "expected positive photons and scatter_sigma_px, glare_fraction up to 0.5, nothing negative and no "
                f"intensity_drift below -0.5, found {self}"
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


def line_integrals(
    projections: Projections, detector: Detector, seed: int, first_view: int = 0, views: int = 0
) -> Image:
    """What a scanner hands to the reconstruction: -ln of the measured signal over air.

    Args:
        projections: expected signal and variance per quantum, (view, row, column).
        detector: what it does to them.
        seed: every view draws from its own stream (seed, view), what stays with the pixels from others.
        first_view: number of the first view given, so that ranges of views may come in any order.
        views: number of views of the whole scan, over which things drift; 0 takes those given for all.

    Returns:
        float32 (view, row, column).
    """
    shape = projections.signal.shape
    out = np.empty(shape, np.float32)
    gain, drift = gain_map(detector, shape[1:], seed), gain_change(detector, shape[1:], seed)
    bad, residual = bad_map(detector, shape[1:], seed)
    last = max((views or first_view + shape[0]) - 1, 1)

    def one_view(i: int) -> None:
        rng = np.random.default_rng([seed, first_view + i])
        share = (first_view + i) / last
        output = tube_output(detector, share, seed, first_view + i)
        signal, variance = projections.signal[i], projections.variance[i]
        if output != 1.0:
            signal, variance = signal * np.float32(output), variance * np.float32(output)
        sensitivity = gain if drift is None else gain + np.float32(share) * drift
        measured = measure(signal, variance, detector, sensitivity, rng, air=output)
        if bad is not None:
            measured = filled_in(measured, bad, residual)
        out[i] = -np.log(np.maximum(measured, np.float32(detector.floor)))

    each(one_view, ((i,) for i in range(shape[0])))
    return out


def gain_map(detector: Detector, shape: tuple[int, ...], seed: int) -> Image:
    """Relative sensitivity of each pixel after flat-fielding at the scan's start, float32."""
    if detector.gain_sd == 0.0:
        return np.ones(shape, np.float32)
    rng = np.random.default_rng([seed])
    drawn = rng.standard_normal(shape, np.float32)
    return np.asarray(1.0 + np.float32(detector.gain_sd) * np.clip(drawn, -4.0, 4.0), np.float32)


def gain_change(detector: Detector, shape: tuple[int, ...], seed: int) -> Image | None:
    """What each pixel's sensitivity gains from the first view to the last, float32; None for nothing."""
    if detector.gain_drift == 0.0:
        return None
    drawn = np.random.default_rng([seed, 0, 2]).standard_normal(shape, np.float32)
    return np.asarray(np.float32(detector.gain_drift) * np.clip(drawn, -4.0, 4.0), np.float32)


def tube_output(detector: Detector, share: float, seed: int, view: int) -> float:
    """The tube's output at one view over that of the air image; `share` is the part of the scan that has passed."""
    flicker = 0.0
    if detector.intensity_sd > 0.0:
        flicker = detector.intensity_sd * float(_view_stream(seed, view, 3).standard_normal())
    return max(1.0 + detector.intensity_drift * share + flicker, 0.1)


def _view_stream(*numbers: int) -> np.random.Generator:
    """`np.random.default_rng` of whole numbers, in half of its time: there is one for every view."""
    words = [n >> shift & 0xFFFFFFFF for n in numbers for shift in range(0, max(n.bit_length(), 1), 32)]
    entropy = np.random.SeedSequence(np.array(words, np.uint32))
    return np.random.Generator(np.random.PCG64(entropy))


def bad_map(detector: Detector, shape: tuple[int, ...], seed: int) -> tuple[NDArray[np.bool_] | None, Image]:
    """Which pixels hold no signal of their own (None if all do), and by what factor filling them in is wrong."""
    if detector.bad_columns == 0 and detector.bad_pixels == 0.0:
        return None, np.ones(shape, np.float32)
    rng = np.random.default_rng([seed, 0, 4])
    bad = rng.random(shape) < detector.bad_pixels
    error = rng.standard_normal(shape).astype(np.float32)
    # Not at the very edge: there a column has one neighbour only.
    columns = 1 + rng.permutation(max(shape[1] - 2, 0))[: detector.bad_columns]
    bad[:, columns] = True
    # A column is filled in with one error along all of it, as its electronics are.
    error[:, columns] = rng.standard_normal(len(columns)).astype(np.float32)
    return bad, np.asarray(1.0 + np.float32(detector.bad_residual) * error, np.float32)


def filled_in(image: Image, bad: NDArray[np.bool_], factor: Image) -> Image:
    """The image with bad pixels taken from the nearest good ones to the left and right in their row, times `factor`."""
    _fill_rows(image, bad, factor)
    return image


@_inner
def _fill_rows(image, bad, factor):  # type: ignore[no-untyped-def]
    rows, columns = image.shape
    for i in range(rows):
        j = 0
        while j < columns:
            if not bad[i, j]:
                j += 1
                continue
            left = j - 1
            while j < columns and bad[i, j]:
                j += 1
            for k in range(left + 1, j):
                if left < 0 and j == columns:
                    break
                one = image[i, left] if left >= 0 else image[i, j]
                other = image[i, j] if j < columns else one
                part = np.float32(k - left) / np.float32(j - left)
                image[i, k] = (one + part * (other - one)) * factor[i, k]


def measure(
    signal: NDArray[Any],
    variance: NDArray[Any],
    detector: Detector,
    gain: Image,
    rng: np.random.Generator,
    air: float = 1.0,
) -> Image:
    """One measured view, relative to air, before bad pixels, clamp and logarithm.

    Args:
        signal, variance: as expected, (row, column).
        detector: what it does to them.
        gain: sensitivity of each pixel.
        rng: the view's random stream.
        air: what the signal would be without an object at this view.
    """
    mean = blurred(np.asarray(signal, np.float32), detector.focal_blur_px)
    spread = blurred(np.asarray(variance, np.float32), detector.focal_blur_px)
    glare = None
    if detector.scatter_fraction > 0.0 or detector.glare_fraction > 0.0:
        lost = absorbed(mean, detector.scatter_sigma_px, air)
        if detector.glare_fraction > 0.0:
            glare = veil(lost, detector, mean.shape, air)
        extra = scattered(lost, detector, mean.shape)
        # Scattered quanta are taken to have the mean energy, so their variance per quantum is their signal.
        mean, spread = mean + extra, spread + extra
    if math.isfinite(detector.photons):
        mean = photon_noise(mean, spread, detector.photons, rng)
    if glare is not None:
        # Light of very many quanta, so it has no noise of its own.
        mean = np.float32(1.0 - detector.glare_fraction) * mean + glare
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


def blurred(image: Image, sigma_px: float) -> Image:
    """The image under a Gaussian of that standard deviation in pixels, edges continued; 0 returns it unchanged."""
    if sigma_px <= 0.0:
        return image
    return np.asarray(_convolved(np.ascontiguousarray(image), blur_taps(sigma_px)))


def blur_taps(sigma_px: float) -> Image:
    """Weights of a Gaussian of that standard deviation in pixels, an odd number of them, float32, sum 1.

    It is integrated over each pixel: from half a pixel on, it spreads as one of sqrt(sigma_px² + 1/12).
    """
    if sigma_px <= 0.0:
        return np.ones(1, np.float32)
    reach = max(1, math.ceil(3.5 * sigma_px))
    # Integrals, since samples of a Gaussian much narrower than a pixel would not spread at all.
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
