"""A flat CT scan of two slabs and the gap between them, by nothing but numpy: an outside check that shares no code.

Rays of a fan in the plane (x, z) cross rectangles; 32 of them lie in each pixel, so that pixel and blur are averaged as
finely as they are in nature. The blur and the pixel act either on the intensities, before the logarithm, as in every
scanner, or on the line integrals, after it, which would make the scan linear. Reconstruction: filtered backprojection
of a fan with equidistant pixels (A. C. Kak, M. Slaney, Principles of Computerized Tomographic Imaging, 1988,
section 3.4.2), Hann window.
"""

from typing import NamedTuple

import numpy as np

RAYS = 32
BEYOND = 8
"""Pixels beyond the detector's ends from which the blur still takes light."""


class Fan(NamedTuple):
    """Distances of the source to axis and detector (mm), pixels, views, first angle (degree)."""

    source_axis: float
    source_detector: float
    pixel: float
    columns: int
    views: int
    first_deg: float

    def angles(self):
        return np.deg2rad(self.first_deg) + 2 * np.pi * np.arange(self.views) / self.views


class Slabs(NamedTuple):
    """Half width across (x), half height (z), thickness of the gap in the middle, all of it raised by `shift`; mm."""

    radius: float
    half: float
    gap: float
    shift: float

    def path(self, sx, sz, dx, dz):
        """Length of rays from (sx, sz) along the unit vectors (dx, dz) in the material."""
        lower = (self.shift - self.half, self.shift - self.gap / 2)
        upper = (self.shift + self.gap / 2, self.shift + self.half)
        return sum(_in_rectangle(sx, sz, dx, dz, self.radius, *ends) for ends in (lower, upper))


def _in_rectangle(sx, sz, dx, dz, radius, low, high):
    ax, bx, az, bz = (-radius - sx) / dx, (radius - sx) / dx, (low - sz) / dz, (high - sz) / dz
    begin = np.maximum(np.minimum(ax, bx), np.minimum(az, bz))
    return np.maximum(np.minimum(np.maximum(ax, bx), np.maximum(az, bz)) - begin, 0.0)


def scanned(slabs, fan, mu, blur_px, linear=False):
    """Line integrals (views, columns) of slabs of attenuation mu (1/mm) seen with a Gaussian blur; see the module."""
    u = ((np.arange((fan.columns + 2 * BEYOND) * RAYS) + 0.5) / RAYS - fan.columns / 2 - BEYOND) * fan.pixel
    spread = _gaussian_and_pixel(blur_px)
    # Where the full convolution is centred on a pixel.
    centres = (BEYOND + np.arange(fan.columns)) * RAYS + (RAYS + len(spread)) // 2 - 1
    out = np.empty((fan.views, fan.columns))
    for i, angle in enumerate(fan.angles()):
        s, c = np.sin(angle), np.cos(angle)
        to_x, to_z = u * c - fan.source_detector * s, -u * s - fan.source_detector * c
        long = np.hypot(to_x, to_z)
        depth = mu * slabs.path(fan.source_axis * s, fan.source_axis * c, to_x / long, to_z / long)
        seen = np.convolve(depth if linear else np.exp(-depth), spread)[centres]
        out[i] = seen if linear else -np.log(seen)
    return out


def _gaussian_and_pixel(blur_px):
    reach = int(5 * blur_px * RAYS)
    gaussian = np.exp(-0.5 * (np.arange(-reach, reach + 1) / (blur_px * RAYS)) ** 2)
    return np.convolve(gaussian / gaussian.sum(), np.full(RAYS, 1.0 / RAYS))


def on_axis(line_integrals, fan, z, cutoff):
    """Reconstructed values at the points (0, z), 1/mm; the window ends at `cutoff` times the Nyquist frequency."""
    step = fan.pixel * fan.source_axis / fan.source_detector
    a = (np.arange(fan.columns) - (fan.columns - 1) / 2) * step
    length = 8 * fan.columns
    odd, taps = np.arange(1, length // 2, 2), np.zeros(length)
    taps[0] = 1 / (4 * step**2)
    taps[odd] = taps[-odd] = -1 / (np.pi * odd * step) ** 2
    share = np.linspace(0, 1, length // 2 + 1) / cutoff
    window = np.where(share < 1, 0.5 + 0.5 * np.cos(np.pi * np.minimum(share, 1)), 0)
    weighted = line_integrals * fan.source_axis / np.hypot(fan.source_axis, a)
    ramp = np.fft.rfft(taps).real * step * window
    filtered = np.fft.irfft(np.fft.rfft(weighted, length, axis=1) * ramp, length, axis=1)
    out = np.zeros(len(z))
    for angle, row in zip(fan.angles(), filtered[:, : fan.columns], strict=True):
        towards = 1 - z * np.cos(angle) / fan.source_axis
        out += np.interp(-z * np.sin(angle) / towards, a, row) / towards**2
    return out * np.pi / fan.views
