"""Spectra boiled down to a few energies. Guards: bins that transmit wrongly, noise weights of other bins."""

import numpy as np
import pytest

from jointwise.data_gen.xray.energies import (
    FAINTEST,
    LINEARISED_TO,
    all_energies,
    linearisation,
    linearised,
    reduce,
    sample_lengths,
    scan_energies,
    worst_error,
)
from jointwise.data_gen.xray.spectra import detected, filtered, tube_spectrum
from jointwise.joints.errors import InputError

TUBES = [
    (80, 0.5, 0.1, "SAC305"),
    (100, 1.0, 0.1, "SAC305"),
    (130, 1.0, 0.5, "SAC305"),
    (130, 1.0, 0.5, "Sn63Pb37"),
    (160, 1.5, 0.1, "Sn42Bi58"),
    (160, 1.0, 0.5, "SAC305"),
]


@pytest.mark.parametrize("tube", TUBES, ids=str)
def test_eight_energies_transmit_like_the_whole_spectrum(tube):
    few, full = scan_energies(*tube[:3], 0.55, tube[3]), scan_energies(*tube[:3], 0.55, tube[3], 0)
    assert len(few.weight) <= 8 < len(full.weight)
    # Line integrals up to 8: one part in a thousand where rays are dark, far below the noise there.
    assert worst_error(few, full) < 0.012
    thin = sample_lengths(2000, 5) * 0.15
    np.testing.assert_allclose(np.log(few.signal(thin)), np.log(full.signal(thin)), atol=4e-3)


@pytest.mark.parametrize("tube", TUBES, ids=str)
def test_their_noise_is_the_whole_spectrums(tube):
    few, full = scan_energies(*tube[:3], 0.55, tube[3]), scan_energies(*tube[:3], 0.55, tube[3], 0)
    lengths = sample_lengths(2000, 7)
    seen = full.signal(lengths) > FAINTEST
    np.testing.assert_allclose(few.variance(lengths)[seen], full.variance(lengths)[seen], rtol=0.015)


@pytest.mark.parametrize(("kilovolts", "second"), [(100, "Sn63Pb37"), (130, "Sn42Bi58"), (160, "Sn63Pb37")])
def test_two_alloys_on_one_ray_transmit_like_the_whole_spectrum(kilovolts, second):
    tube = kilovolts, 1.0, 0.5, 0.55, "SAC305"
    few, full = (scan_energies(*tube, count, second_alloy=second) for count in (8, 0))
    assert worst_error(few, full) < 0.02
    # The fifth material is the other alloy: 0.3 mm of it alone is what a board of that alloy alone shows.
    alone = scan_energies(*tube[:4], second, 0).signal(np.array([[0.3, 0, 0, 0]]))
    assert full.signal(np.array([[0, 0, 0, 0, 0.3]])) == pytest.approx(alone, rel=1e-12)


def test_air_has_signal_one_and_the_variance_of_compound_poisson_noise():
    quanta = detected(filtered(tube_spectrum(120), {"Al": 1.0, "Cu": 0.2}), 0.55)
    air = np.zeros((1, 4))
    for energies in (all_energies(quanta, "SAC305"), reduce(all_energies(quanta, "SAC305"))):
        assert energies.signal(air)[0] == pytest.approx(1.0, abs=1e-12)
        # Variance over squared mean for one quantum: <E^2>/<E>^2.
        assert energies.variance(air)[0] == pytest.approx(quanta.swank_excess, rel=2e-3)
        assert (energies.weight > 0).all()
        assert (energies.quantum >= 0).all()


def test_more_energies_are_closer():
    full = scan_energies(130, 1.0, 0.5, 0.55, "SAC305", 0)
    errors = [worst_error(reduce(full, n), full) for n in (4, 6, 10)]
    assert errors == sorted(errors, reverse=True)
    assert errors[-1] < 5e-4


def test_too_few_energies_are_refused():
    with pytest.raises(InputError, match="two energies"):
        scan_energies(130, 1.0, 0.5, 0.55, "SAC305", 1)


@pytest.mark.parametrize("kilovolts", [80, 130, 160])
def test_linearised_solder_grows_in_proportion_to_its_thickness(kilovolts):
    energies = scan_energies(kilovolts, 1.0, 0.5, 0.55, "SAC305")
    thickness = np.array([0.05, 0.1, 0.3, 0.5, 1.0, 2.0])
    lengths = np.zeros((len(thickness), 4))
    lengths[:, 0] = thickness
    measured = -np.log(energies.signal(lengths))
    measured, thickness = measured[measured < LINEARISED_TO], thickness[measured < LINEARISED_TO]
    assert measured[-1] / measured[0] < 0.85 * thickness[-1] / thickness[0]  # hardening is there
    corrected = linearised(measured.astype(np.float32), linearisation(energies))
    np.testing.assert_allclose(corrected / corrected[0], thickness / thickness[0], rtol=0.03)
    # Thin objects keep their level, and beyond the fit it rises on, straight.
    thin = linearised(np.array([1e-3, -0.2], np.float32), linearisation(energies))
    assert thin[0] == pytest.approx(1e-3, rel=0.05)
    assert thin[1] == pytest.approx(-0.2, rel=0.05)
    far = linearised(np.array([7.0, 8.0, 9.0], np.float32), linearisation(energies))
    assert far[2] - far[1] == pytest.approx(far[1] - far[0], rel=1e-4)
    assert far[1] > far[0]
