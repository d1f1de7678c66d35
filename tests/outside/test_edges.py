"""Edge width and MTF of a Gaussian blur against their closed forms.

Source: MTF(f) = exp(-2 pi^2 s^2 f^2) is a tenth at f = sqrt(ln 10 / 2) / (pi s) = 0.341541 / s; an error-function edge
goes from 10 to 90 % in 2 * 1.2815516 s = 2.563103 s (Abramowitz & Stegun, table 26.5; domain document, check values E).
The way from edge to MTF is that of ASTM E1695 (edge profile, derivative, Fourier modulus).
"""

import numpy as np
import pytest
from scipy.special import ndtr

from jointwise.joints.edges import (
    BINS_PER_VOXEL,
    WIDTH_OF_SIGMA,
    fit_end,
    mtf_falls_to,
    mtf_of,
    patch_around,
)
from jointwise.joints.lattice import Lattice


def test_width_of_an_error_function_edge():
    assert pytest.approx(2.563103, abs=1e-6) == WIDTH_OF_SIGMA


@pytest.mark.parametrize("s", [0.5, 0.8, 1.3])
def test_mtf_of_a_blurred_step(s):
    place = (np.arange(-8 * BINS_PER_VOXEL, 8 * BINS_PER_VOXEL) + 0.5) / BINS_PER_VOXEL
    fine = place[:, None] + (np.arange(50) - 24.5) / 50 / BINS_PER_VOXEL
    frequency = np.linspace(0, 1, 101)
    modulus = mtf_of(ndtr(-fine / s).mean(axis=1), frequency)
    assert modulus[0] == pytest.approx(1.0)
    assert mtf_falls_to(0.1, frequency, modulus) * s == pytest.approx(0.341541, rel=0.005)
    assert np.abs(modulus - np.exp(-2 * (np.pi * s * frequency) ** 2)).max() < 0.001


def test_mtf_that_never_falls_is_no_number():
    frequency = np.linspace(0, 1, 11)
    assert np.isnan(mtf_falls_to(0.1, frequency, np.ones(11)))


@pytest.mark.parametrize(("s", "cnr"), [(0.6, 1e6), (1.0, 1e6), (0.8, 20.0)])
def test_edge_of_a_blurred_half_space(s, cnr):
    """Slanted, so that voxels meet the edge at all distances; solder below, laminate above."""
    voxel, n = 0.02, 30
    lattice = Lattice((n, n, n), (0.0, 0.0, 0.0), (voxel,) * 3)
    z, y, x = (np.indices((n, n, n)) - (n - 1) / 2) * voxel
    normal = np.array([0.04, -0.03, 1.0]) / np.sqrt(1.0025)
    distance = normal[0] * x + normal[1] * y + normal[2] * z - 0.17
    volume = 10 + 30 * ndtr(-distance / (s * voxel))
    volume += 30 / cnr * np.random.default_rng(1).standard_normal(volume.shape)
    patch = patch_around(volume, lattice, np.full(3, (n - 1) / 2 * voxel), np.eye(3), (0.3, 0.3))
    edge = fit_end(patch, 0.5, 1, 25.0)
    assert WIDTH_OF_SIGMA * edge.sigma_mm / (s * voxel) == pytest.approx(
        2.563103, rel=0.002 if cnr > 1e3 else 0.03
    )
    assert edge.place_mm == pytest.approx(0.17 * np.sqrt(1.0025), rel=0.005)
