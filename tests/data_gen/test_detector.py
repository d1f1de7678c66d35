"""The detector by statistics and limits. Guards: wrong variance, lost order, imperfections at zero."""

import math
from dataclasses import replace

import numpy as np
import pytest

from jointwise.data_gen.xray.detector import (
    Detector,
    bad_map,
    blurred,
    filled_in,
    focal_blur_px,
    gain_map,
    line_integrals,
    measure,
    photon_noise,
)
from jointwise.data_gen.xray.energies import scan_energies
from jointwise.data_gen.xray.geometry import ConeBeam
from jointwise.data_gen.xray.projector import Projections
from jointwise.data_gen.xray.scatter import absorbed, scattered
from jointwise.joints.errors import InputError

PERFECT = Detector()


def flat(value, variance=None, shape=(3, 40, 50)):
    signal = np.full(shape, value, np.float32)
    return Projections(signal, np.full(shape, value if variance is None else variance, np.float32))


def test_a_perfect_detector_gives_the_line_integral():
    rng = np.random.default_rng(3)
    signal = rng.uniform(0.01, 1.0, (3, 40, 50)).astype(np.float32)
    found = line_integrals(Projections(signal, signal), PERFECT, seed=1)
    np.testing.assert_allclose(found, -np.log(signal), atol=1e-6)


@pytest.mark.parametrize("signal", [1.0, 0.2, 0.02, 1e-3, 2e-5])
def test_noise_has_the_mean_and_variance_of_a_compound_poisson_law(signal):
    # Down to 0.1 quanta: bright pixels use the Gaussian branch, dark ones the Poisson one.
    photons, variance = 5000.0, 1.3 * signal
    mean = np.full((500, 500), signal, np.float32)
    drawn = photon_noise(mean, np.full_like(mean, variance), photons, np.random.default_rng(11)).astype(float)
    expected = variance / photons
    assert drawn.mean() == pytest.approx(signal, abs=5 * math.sqrt(expected / drawn.size))
    quanta = signal**2 / expected
    spread = 5 * math.sqrt((2 + 1 / quanta) / drawn.size)  # standard error of a Poisson sample's variance
    assert drawn.var() == pytest.approx(expected, rel=spread)
    assert drawn.min() > -0.2 * signal or quanta > 30


def test_moments_agree_with_a_draw_per_energy():
    # The definition: a Poisson number of quanta in each energy, weighted by energy.
    energies = scan_energies(120, 1.0, 0.2, 0.55, "SAC305", 0)
    lengths = np.array([[0.3, 0.0, 1.5, 0.0]])
    photons, rng = 400.0, np.random.default_rng(7)
    share = energies.weight / energies.quantum * np.exp(-lengths @ energies.mu_per_mm)[0]
    counts = rng.poisson(photons * share, (200_000, len(share)))
    direct = counts @ energies.quantum / photons
    shape = (400, 500)
    mean = np.full(shape, energies.signal(lengths)[0], np.float32)
    ours = photon_noise(mean, np.full(shape, energies.variance(lengths)[0], np.float32), photons, rng)
    assert ours.mean() == pytest.approx(direct.mean(), rel=2e-3)
    assert ours.var() == pytest.approx(direct.var(), rel=0.02)


def test_scintillator_blur_correlates_noise_and_keeps_its_sum():
    detector = Detector(photons=1000.0, scintillator_blur_px=0.8)
    plain = Detector(photons=1000.0)
    signal = flat(0.5, shape=(400, 400))
    gain = np.ones((400, 400), np.float32)
    sharp, soft = (
        measure(signal.signal, signal.variance, d, gain, np.random.default_rng(2)).astype(float) - 0.5
        for d in (plain, detector)
    )

    def neighbours(noise):
        return np.mean(noise[:, 1:] * noise[:, :-1]) / noise.var()

    assert abs(neighbours(sharp)) < 0.02
    assert neighbours(soft) > 0.4
    assert soft.var() < 0.5 * sharp.var()
    assert soft.mean() == pytest.approx(sharp.mean(), abs=2e-4)


def test_blur_has_its_width_keeps_the_mean_and_does_nothing_at_zero():
    image = np.zeros((61, 61), np.float32)
    image[30, 30] = 1.0
    assert blurred(image, 0.0) is image
    x = np.arange(61) - 30
    for sigma in (0.8, 2.0):
        spread = blurred(image, sigma).astype(float)
        assert spread.sum() == pytest.approx(1.0, abs=1e-5)
        # A pixel's own width adds 1/12.
        assert (spread.sum(axis=0) * x**2).sum() == pytest.approx(sigma**2 + 1 / 12, rel=0.02)
        np.testing.assert_allclose(spread, spread.T, atol=1e-7)
    # Narrower than a pixel: the share beyond the pixel's edges moves to the neighbours.
    narrow = blurred(image, 0.3)[30, 29:32].astype(float)
    assert narrow[0] / narrow.sum() == pytest.approx(0.5 * math.erfc(0.5 / 0.3 / math.sqrt(2)), rel=1e-3)
    np.testing.assert_allclose(blurred(np.full((9, 7), 0.3, np.float32), 2.0), 0.3, rtol=1e-5)


def scatter_of(view, detector, air=1.0):
    return scattered(absorbed(view, detector.scatter_sigma_px, air), detector, view.shape)


def test_scatter_is_a_share_of_what_is_lost_half_even_half_blurred():
    detector = Detector(scatter_fraction=0.2, scatter_sigma_px=12.0)
    np.testing.assert_allclose(scatter_of(np.ones((50, 60), np.float32), detector), 0.0, atol=1e-6)
    even = np.full((50, 60), 0.4, np.float32)
    np.testing.assert_allclose(scatter_of(even, detector), 0.2 * 0.6, rtol=1e-5)
    np.testing.assert_allclose(scatter_of(1.1 * even, detector, air=1.1), 0.2 * 0.66, rtol=1e-5)
    found = scatter_of(half_view(), detector)
    np.testing.assert_allclose(found[24, [0, 63]], [0.1 * (0.5 + 1.0), 0.1 * 0.5], atol=2e-3)
    np.testing.assert_allclose(found[24, 31:33].mean(), 0.1, atol=2e-3)
    assert (np.diff(found[24]) <= 1e-6).all()
    # Starved: more than the primary.
    dark = np.full((50, 60), 0.01, np.float32)
    assert (scatter_of(dark, detector) > 10 * dark).all()


def half_view():
    """Nothing passes on the left, everything on the right."""
    view = np.zeros((48, 64), np.float32)
    view[:, 32:] = 1.0
    return view


def seen(view, detector, air=1.0):
    """One view as measured without noise."""
    gain = np.ones(view.shape, np.float32)
    return measure(view, view, detector, gain, np.random.default_rng(0), air)


@pytest.mark.parametrize("scatter", [0.0, 0.3])
def test_glare_takes_from_every_pixel_and_brings_back_half_even_half_blurred(scatter):
    plain = Detector(scatter_fraction=scatter, scatter_sigma_px=12.0)
    glaring = replace(plain, glare_fraction=0.1)
    # An even view keeps its level: what leaves a pixel comes back from the others. So does air at any output.
    for level, air in ((0.3, 1.0), (1.0, 1.0), (0.9, 0.9)):
        even = np.full((50, 60), level, np.float32)
        np.testing.assert_allclose(seen(even, glaring, air), seen(even, plain, air), rtol=1e-5)
    without, found = seen(half_view(), plain), seen(half_view(), glaring)
    # Far from the edge the blurred half is the pixel's own level, the even half the mean; scattered signal is not
    # spread once more, which is worth 0.004 here.
    for column in (0, 63):
        back = 0.5 * without[24, column] + 0.5 * without.mean()
        assert found[24, column] == pytest.approx(0.9 * without[24, column] + 0.1 * back, abs=5e-3)
    assert found.mean() == pytest.approx(without.mean(), rel=5e-3)


def test_glare_has_no_noise_of_its_own():
    # What stays is drawn in quanta, what is spread is the light of all of them.
    even = np.full((200, 200), 0.3, np.float32)
    gain = np.ones(even.shape, np.float32)
    found = measure(even, even, Detector(photons=500.0, glare_fraction=0.2), gain, np.random.default_rng(1))
    assert found.mean() == pytest.approx(0.3, rel=2e-3)
    assert found.var() == pytest.approx(0.8**2 * 0.3 / 500, rel=0.05)


def test_focal_spot_widens_with_magnification():
    beam = ConeBeam(source_axis_mm=40.0, source_detector_mm=200.0, pixel_mm=0.1, columns=8, rows=8, views=1)
    # U = (M - 1) F = 4 · 5 um on the detector, as a full width at half maximum.
    assert focal_blur_px(beam, 0.005) == pytest.approx(0.02 / 2.354820 / 0.1)


def test_gain_errors_stay_in_place_and_make_the_same_offset_in_every_view():
    detector = Detector(gain_sd=0.01)
    found = line_integrals(flat(0.5), detector, seed=4)
    np.testing.assert_array_equal(found[0], found[2])
    assert found[0].std() == pytest.approx(0.01, rel=0.1)
    np.testing.assert_array_equal(gain_map(PERFECT, (4, 5), 1), 1.0)


def test_gain_errors_grow_over_the_scan():
    signal = flat(0.5, shape=(11, 60, 50))
    found = line_integrals(signal, Detector(gain_drift=0.01), seed=4)
    np.testing.assert_allclose(found[0], -math.log(0.5), atol=1e-6)
    assert found[10].std() == pytest.approx(0.01, rel=0.05)
    np.testing.assert_allclose(found[5] - found[0], (found[10] - found[0]) / 2, atol=2e-4)
    # The same drift of the whole scan, whatever the range of views.
    part = line_integrals(Projections(*(a[6:9] for a in signal)), Detector(gain_drift=0.01), 4, 6, views=11)
    np.testing.assert_array_equal(part, found[6:9])


def test_the_tubes_output_drifts_and_flickers_and_air_stays_what_it_was():
    signal = flat(0.5, shape=(101, 4, 5))
    steady = line_integrals(signal, Detector(intensity_drift=-0.02), seed=1)
    np.testing.assert_allclose(np.exp(-steady[[0, 50, 100], 0, 0]), [0.5, 0.495, 0.49], rtol=1e-5)
    restless = np.exp(-line_integrals(signal, Detector(intensity_sd=0.003), seed=1).astype(float)) / 0.5
    assert restless[:, 0, 0].std() == pytest.approx(0.003, rel=0.3)
    np.testing.assert_allclose(restless, restless[:, :1, :1] * np.ones((1, 4, 5)), rtol=1e-6)


def test_bad_columns_and_pixels_are_filled_in_from_their_neighbours_not_perfectly():
    rows, columns = np.mgrid[:60, :80]
    ramp = (0.2 + 0.005 * columns + 0.001 * rows).astype(np.float32)
    views = Projections(np.stack([ramp, ramp]), np.stack([ramp, ramp]))
    clean = Detector(bad_columns=2, bad_pixels=0.01)
    bad, _ = bad_map(clean, ramp.shape, 7)
    assert bad.all(axis=0).sum() == 2
    assert 0.004 < bad[:, ~bad.all(axis=0)].mean() < 0.02
    # A ramp is its own interpolation, but at the edge of the detector.
    filled = np.exp(-line_integrals(views, clean, seed=7))
    np.testing.assert_allclose(filled[0, :, 2:-2], ramp[:, 2:-2], rtol=1e-5)
    wrong = np.exp(
        -line_integrals(views, Detector(bad_columns=2, bad_pixels=0.01, bad_residual=0.05), seed=7)
    )
    error = wrong[0] / ramp - 1
    assert np.abs(error[bad]).mean() > 0.01
    np.testing.assert_allclose(error[~bad], 0.0, atol=1e-5)
    column = np.flatnonzero(bad.all(axis=0))[0]
    np.testing.assert_allclose(error[:, column], error[0, column], atol=1e-4)
    np.testing.assert_array_equal(wrong[0], wrong[1])
    # What a bad column would have seen is lost: a bright line on it leaves no trace.
    line = np.full((5, 30), 0.5, np.float32)
    mask = np.zeros((5, 30), bool)
    mask[:, 10], line[:, 10] = True, 0.9
    np.testing.assert_array_equal(filled_in(line, mask, np.ones_like(line)), 0.5)


def test_electronic_noise_and_steps():
    noisy = line_integrals(flat(1.0), Detector(photons=1e5, read_noise=50.0), seed=4)
    quiet = line_integrals(flat(1.0), Detector(photons=1e5), seed=4)
    assert noisy.var() == pytest.approx(quiet.var() + (50 / 1e5) ** 2, rel=0.1)
    coarse = np.exp(-line_integrals(flat(0.7), Detector(bits=4), seed=1))
    assert coarse[0, 0, 0] == pytest.approx(0.7, abs=0.5 * 1.5 / 15)
    assert coarse[0, 0, 0] == pytest.approx(0.1 * 7, abs=1e-6)


def test_starved_rays_are_clamped_to_half_a_quantum_and_stay_finite():
    detector = Detector(photons=1000.0, read_noise=3.0)
    found = line_integrals(flat(1e-6), detector, seed=9)
    assert np.isfinite(found).all()
    assert found.max() == pytest.approx(-math.log(0.5 / 1000.0), abs=1e-5)


def test_every_view_has_its_own_stream_whatever_the_range():
    detector = Detector(photons=1000.0, gain_sd=0.01, read_noise=2.0)
    together = line_integrals(flat(0.5), detector, seed=5)
    apart = line_integrals(Projections(*(a[2:] for a in flat(0.5))), detector, seed=5, first_view=2)
    np.testing.assert_array_equal(together[2:], apart)
    assert not np.array_equal(together[0], together[1])
    assert not np.array_equal(together, line_integrals(flat(0.5), detector, seed=6))


def test_impossible_detectors_are_refused():
    for wrong in (
        {"photons": 0.0},
        {"read_noise": -1.0},
        {"scatter_sigma_px": 0.0},
        {"gain_sd": float("nan")},
        {"bad_pixels": -0.1},
        {"glare_fraction": 0.6},
        {"glare_fraction": float("nan")},
        {"intensity_drift": -0.9},
    ):
        with pytest.raises(InputError, match="expected positive photons"):
            Detector(**wrong)
