"""A thin flat gap: at weak attenuation against a closed form, at solder's own against an independent scan in numpy.

A slab of width g under a Gaussian blur s keeps erf(g / (2 sqrt(2) s)) of its contrast (domain document, section E; the
normal density's integral over the slab, in any table of the error function). The blur is fitted to the flat end of
the same disc in the same scan. One energy, no noise, no tilt. That form holds where the scan is linear: where so little
is absorbed that the logarithm is straight.

Solder absorbs 2 to 4 per mm. Then a pixel half in a gap sees e^(-mu L) in one half and 1 in the other; blur and pixel
average these *intensities*, light wins, and the logarithm of the mean is less than the mean of the logarithms (the
exponential edge-gradient effect: Joseph and Spital, Phys. Med. Biol. 26, 473, 1981). A gap thinner than the blur
looks up to half as deep again, and edges move inwards by up to 0.4 voxel. Every real scanner does the same, and no erf
can tell it. `fan_beam.py` scans the same slabs with 32 rays a pixel and shares no code with the project: with its blur
put after the logarithm it keeps erf at any attenuation, with the blur before it, it keeps what ours does.
"""

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.special import erf

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.scene import Boxes, Joint, Scene
from jointwise.data_gen.xray.detector import Detector, line_integrals
from jointwise.data_gen.xray.energies import Energies
from jointwise.data_gen.xray.geometry import ConeBeam, Pose
from jointwise.data_gen.xray.projector import project
from jointwise.data_gen.xray.reconstruct import Filter, all_voxels, backproject, empty_volume
from jointwise.joints.lattice import Lattice

spec = importlib.util.spec_from_file_location("fan_beam", Path(__file__).with_name("fan_beam.py"))
fan_beam = importlib.util.module_from_spec(spec)
spec.loader.exec_module(fan_beam)

VOXEL, WEAK, RADIUS, HALF_MM, BLUR_PX, CUTOFF = 0.02, 0.1, 0.5, 0.4, 0.7, 1.6
BEAM = ConeBeam(
    source_axis_mm=40.0, source_detector_mm=200.0, pixel_mm=0.1, columns=80, rows=6, views=720, first_angle_deg=0.3
)  # fmt: skip
DETECTOR = Detector(focal_blur_px=BLUR_PX)
FAN = fan_beam.Fan(40.0, 200.0, 0.1, 80, 720, 0.3)
FINE = VOXEL / 8
ACROSS = (np.arange(81) - 40) * FINE
GAPS = [0.25, 0.5, 1.0, 2.0]


def disc(gap_mm):
    """A disc whose axis is the board normal, cut by a flat gap in its middle."""
    halves = (
        sd.cylinder((0, 0, -HALF_MM), (0, 0, -gap_mm / 2), RADIUS),
        sd.cylinder((0, 0, gap_mm / 2), (0, 0, HALF_MM), RADIUS),
    )
    solids = sd.join(*halves)
    centre, reach = sd.enclosing_sphere(solids)
    joint = Joint(0, 0, solids, centre, centre, reach, centre[:2], centre[:2], 0.8, 0.5, 0.5, 0.6)
    none = np.zeros((0, 3))
    return Scene((joint,), (), sd.empty(), sd.empty(), Boxes(none, none, np.zeros(0, np.int8)))


def along_normal(gap_mm, shift_mm, mu):
    """Our values at the gap's middle and across the disc's upper end (at ACROSS), on the disc's axis."""
    energies = Energies(np.full((4, 1), mu), np.ones(1), np.ones(1), np.array([60.0]))
    pose, ramp = Pose(np.eye(3), np.array([0.0, 0.0, shift_mm])), Filter(BEAM, CUTOFF)
    spots = [
        Lattice((1, 1, 1), (0.0, 0.0, shift_mm), (FINE,) * 3),
        Lattice((81, 1, 1), (0.0, 0.0, shift_mm + HALF_MM - 40 * FINE), (FINE,) * 3),
    ]
    volumes = [empty_volume(spot) for spot in spots]
    for first in range(0, BEAM.views, 60):
        views = project(disc(gap_mm), BEAM, energies, pose=pose, views=slice(first, first + 60))
        filtered = ramp(line_integrals(views, DETECTOR, 1, first, BEAM.views))
        for spot, volume in zip(spots, volumes, strict=True):
            backproject(filtered, BEAM, first, all_voxels(spot), volume)
    return float(volumes[0][0, 0, 0]), volumes[1][:, 0, 0]


def modelled(gap_mm, shift_mm, mu, linear=False):
    """The same values by the independent scan."""
    slabs = fan_beam.Slabs(RADIUS, HALF_MM, gap_mm, shift_mm)
    line_sums = fan_beam.scanned(slabs, FAN, mu, BLUR_PX, linear)
    z = shift_mm + np.concatenate([[0.0], ACROSS + HALF_MM])
    values = fan_beam.on_axis(line_sums, FAN, z, CUTOFF)
    return values[0], values[1:]


def blurred_end(z, low, step, place, blur):
    return low + step * 0.5 * (1.0 - erf((z - place) / (blur * math.sqrt(2.0))))


def kept(middle, end, mu):
    """Share of the full contrast that the gap keeps, and place and blur (voxels) of the disc's end."""
    low, step, place, blur = curve_fit(blurred_end, ACROSS, end, (0.0, mu, 0.0, VOXEL))[0]
    assert step == pytest.approx(mu, rel=0.03)
    return (step - (middle - low)) / step, place / VOXEL, blur / VOXEL


def of_erf(gap_voxels, blur_voxels):
    return erf(gap_voxels / (2.0 * math.sqrt(2.0) * blur_voxels))


@pytest.mark.slow
@pytest.mark.parametrize("gap_voxels", GAPS)
def test_a_thin_gap_keeps_the_contrast_of_its_width_under_the_scans_own_blur(gap_voxels):
    ratios = []
    for shift in (0.125, 0.375, 0.625, 0.875):
        share, place, blur = kept(*along_normal(gap_voxels * VOXEL, shift * VOXEL, WEAK), WEAK)
        assert abs(place) < 0.1
        assert 0.8 < blur < 1.2
        ratios.append(share / of_erf(gap_voxels, blur))
    # Where the gap lies between two pixels or on one changes what it keeps; their mean is the formula's.
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.05)
    np.testing.assert_allclose(ratios, 1.0, atol=0.12)


@pytest.mark.slow
@pytest.mark.parametrize("gap_voxels", GAPS)
@pytest.mark.parametrize("mu", [1.0, 2.0, 3.0])
def test_at_solders_attenuation_a_thin_gap_keeps_what_an_independent_scan_keeps(gap_voxels, mu):
    ours, theirs = [], []
    for shift in (0.125, 0.375, 0.625, 0.875):
        where = gap_voxels * VOXEL, shift * VOXEL, mu
        ours.append(kept(*along_normal(*where), mu))
        theirs.append(kept(*modelled(*where), mu))
    (share, place, blur), (expected, edge, spread) = np.mean(ours, axis=0), np.mean(theirs, axis=0)
    assert share == pytest.approx(expected, rel=0.10)
    assert place == pytest.approx(edge, abs=0.05)
    assert blur == pytest.approx(spread, rel=0.05)
    if gap_voxels < 1.0:
        # The closed form cannot hold here: by more than its tenth, in both.
        assert share > 1.09 * of_erf(gap_voxels, blur)
        assert expected > 1.09 * of_erf(gap_voxels, spread)


@pytest.mark.parametrize("gap_voxels", GAPS)
@pytest.mark.parametrize(("mu", "linear"), [(WEAK, False), (3.0, True)])
def test_the_independent_scan_keeps_erf_where_it_is_linear(gap_voxels, mu, linear):
    shares = [kept(*modelled(gap_voxels * VOXEL, shift * VOXEL, mu, linear), mu) for shift in (0.125, 0.375)]
    share, place, blur = np.mean(shares, axis=0)
    assert share == pytest.approx(of_erf(gap_voxels, blur), rel=0.015)
    assert abs(place) < 0.02
