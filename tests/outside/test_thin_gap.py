"""A thin flat gap against the closed form of the domain document, section E.

A slab of width g under a Gaussian blur s keeps erf(g / (2 sqrt(2) s)) of its contrast (the normal density's integral
over the slab, in any table of the error function). The blur is fitted to the flat end of the
same disc in the same scan. One energy, no noise, no tilt, and so little attenuation that the logarithm is straight:
solder's own makes thin gaps look up to a seventh deeper, which is physics and not what is tested here.
"""

import math

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

VOXEL, MU, RADIUS, HALF_MM = 0.02, 0.1, 0.5, 0.4
BEAM = ConeBeam(
    source_axis_mm=40.0, source_detector_mm=200.0, pixel_mm=0.1, columns=80, rows=6, views=720, first_angle_deg=0.3
)  # fmt: skip
DETECTOR = Detector(focal_blur_px=0.7)
FINE = VOXEL / 8


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


def along_normal(gap_mm, shift_mm):
    """Values at the gap's middle, and across the disc's upper end (distances, values), on the disc's axis."""
    energies = Energies(np.full((4, 1), MU), np.ones(1), np.ones(1), np.array([60.0]))
    pose, ramp = Pose(np.eye(3), np.array([0.0, 0.0, shift_mm])), Filter(BEAM, 1.6)
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
    return float(volumes[0][0, 0, 0]), (np.arange(81) - 40) * FINE, volumes[1][:, 0, 0]


def blurred_end(z, low, step, place, blur):
    return low + step * 0.5 * (1.0 - erf((z - place) / (blur * math.sqrt(2.0))))


@pytest.mark.slow
@pytest.mark.parametrize("gap_voxels", [0.25, 0.5, 1.0, 2.0])
def test_a_thin_gap_keeps_the_contrast_of_its_width_under_the_scans_own_blur(gap_voxels):
    ratios = []
    for shift in (0.125, 0.375, 0.625, 0.875):
        middle, z, end = along_normal(gap_voxels * VOXEL, shift * VOXEL)
        low, step, place, blur = curve_fit(blurred_end, z, end, (0.0, MU, 0.0, VOXEL))[0]
        assert step == pytest.approx(MU, rel=0.03)
        assert abs(place) < 0.1 * VOXEL
        assert 0.8 * VOXEL < blur < 1.2 * VOXEL
        kept = (step - (middle - low)) / step
        ratios.append(kept / erf(gap_voxels * VOXEL / (2.0 * math.sqrt(2.0) * blur)))
    # Where the gap lies between two pixels or on one changes what it keeps; their mean is the formula's.
    assert np.mean(ratios) == pytest.approx(1.0, abs=0.05)
    np.testing.assert_allclose(ratios, 1.0, atol=0.12)
