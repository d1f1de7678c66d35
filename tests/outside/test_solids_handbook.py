"""Solids and joint shape against handbook formulas and the check values of the domain document.

Sources: spherical segment pi h (3 a^2 + 3 b^2 + h^2) / 6, cone frustum, spheroid and torus-free solids
of any mathematical handbook (Bronshtein & Semendyayev, section on stereometry); tables A, B and C of the
project's domain document, whose values were computed apart from this code.
"""

import math

import numpy as np
import pytest

from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes import solids as sd


@pytest.mark.parametrize(("a", "b", "h"), [(0.2, 0.175, 0.383), (0.3, 0.1, 0.5), (0.05, 0.4, 0.2)])
def test_segment_volume_is_the_handbooks(a, b, h):
    radius, z0 = env.sphere_through(a, b, h)
    solid = sd.segment((radius**2, 0.0, -1.0), (-z0, h - z0))
    assert sd.volumes(solid)[0] == pytest.approx(math.pi * h * (3 * a**2 + 3 * b**2 + h**2) / 6, rel=1e-12)


def test_handbook_volumes_of_the_constructors():
    turn = np.linalg.qr(np.random.default_rng(5).normal(size=(3, 3)))[0]
    cases = [
        (sd.sphere((1, 2, 3), 0.25), 4 / 3 * math.pi * 0.25**3),
        (sd.ellipsoid((1, 2, 3), (0.1, 0.2, 0.3), turn), 4 / 3 * math.pi * 0.006),
        (sd.cylinder((0, 0, 0), (1, 1, 1), 0.2), math.pi * 0.04 * math.sqrt(3)),
        (sd.cone((0, 0, 0), (0, 0, 2), 0.5, 0.2), math.pi * 2 / 3 * (0.25 + 0.1 + 0.04)),
        (sd.cap((0, 0, 0), 0.5, up=True, depth=0.1), math.pi * 0.01 * (1.5 - 0.1) / 3),
        (sd.cap((0, 0, 0), 0.5, up=False), math.pi * 4 / 3 * 0.125),
    ]
    for solid, expected in cases:
        assert sd.volumes(solid)[0] == pytest.approx(expected, rel=1e-12)


# Domain document, check values C: two spheres, zero load.
@pytest.mark.parametrize(
    ("volume", "height", "radius", "z0"),
    [(0.0720, 0.383276, 0.268677, 0.179408), (0.08, 0.405779, 0.276785, 0.191338)],
)
def test_truncated_sphere_vectors(volume, height, radius, z0):
    found = env.free_height(0.2, 0.175, volume)
    assert found == pytest.approx(height, abs=1e-6)
    assert env.sphere_through(0.2, 0.175, found) == pytest.approx((radius, z0), abs=1e-6)
    # At that height the segment of given volume is the sphere: C = -1.
    assert env.piece_of(0.0, found, 0.2, 0.175, volume).profile[2] == pytest.approx(-1.0, abs=1e-9)


def test_sphere_radii_at_quarter_heights():
    """Check values C, row 'sphere'."""
    piece = env.piece_of(0.0, 0.383276, 0.2, 0.175, 0.0720)
    radii = np.sqrt(piece.squared_radius(0.383276 * np.array([0.25, 0.5, 0.75])))
    np.testing.assert_allclose(radii, [0.255343, 0.268398, 0.245993], atol=2e-6)


@pytest.mark.parametrize(
    ("h", "radii", "largest"),
    [(0.36, (0.263227, 0.277868, 0.255390), 0.278049), (0.46, (0.233291, 0.240132, 0.220562), 0.240894)],
)
def test_loaded_joint_is_close_to_the_capillary_solution(h, radii, largest):
    """Check values C, rows 'pressed' and 'stretched', solved there from Young-Laplace.

    Our profile is a quadratic in z with the same ends, height and volume: not the capillary curve, but
    within 1.5 um of it at 6 % press and 20 % stretch, far under a voxel.
    """
    piece = env.piece_of(0.0, h, 0.2, 0.175, 0.0720)
    found = np.sqrt(piece.squared_radius(h * np.array([0.25, 0.5, 0.75])))
    np.testing.assert_allclose(found, radii, atol=1.5e-3)
    assert env.largest_radius((piece,)) == pytest.approx(largest, abs=1.5e-3)


# Domain document, table A: ball, board land, package opening, stencil, aperture -> h, Dmax.
TABLE_A = [
    (0.75, 0.55, 0.60, 0.150, 0.55, 0.559, 0.803),
    (0.60, 0.45, 0.50, 0.127, 0.45, 0.439, 0.648),
    (0.50, 0.40, 0.40, 0.127, 0.40, 0.369, 0.544),
    (0.40, 0.30, 0.32, 0.100, 0.33, 0.303, 0.433),
    (0.30, 0.25, 0.25, 0.100, 0.27, 0.223, 0.335),
    (0.25, 0.20, 0.22, 0.080, 0.22, 0.183, 0.279),
]


@pytest.mark.parametrize(("ball", "land", "opening", "stencil", "aperture", "height", "diameter"), TABLE_A)
def test_height_and_diameter_of_table_a(ball, land, opening, stencil, aperture, height, diameter):
    """Metal = ball + print x 0.5 by volume x 0.9 transfer; the table prints three digits."""
    volume = math.pi * ball**3 / 6 + 0.45 * math.pi * aperture**2 / 4 * stencil
    found = env.free_height(land / 2, opening / 2, volume)
    assert found == pytest.approx(height, abs=5.1e-4)
    assert env.largest_diameter(land / 2, opening / 2, found) == pytest.approx(diameter, abs=5.1e-4)


def test_pillow_head_and_merged_joint():
    """Check values B: cap of 0.0072 mm3 on a = 0.20; free ball on b = 0.20; both merged."""
    assert env.free_height(0.2, 0.0, 0.0072) == pytest.approx(0.1049566, abs=5e-7)
    ball = math.pi * 0.5**3 / 6
    head = env.free_height(0.0, 0.2, ball)
    assert head == pytest.approx(0.4207875, abs=1e-7)
    assert env.sphere_through(0.0, 0.2, head)[0] == pytest.approx(0.2579237, abs=1e-7)
    merged = env.free_height(0.2, 0.2, ball + 0.0072)
    assert merged == pytest.approx(0.3689192, abs=1e-7)
    assert env.largest_diameter(0.2, 0.2, merged) == pytest.approx(0.5441520, abs=1e-7)
