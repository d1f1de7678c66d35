"""Joint shapes against the Young-Laplace equation as solved elsewhere.

The table is that of the domain document, section C: V = 0.0720 mm^3, radii 0.20 and 0.175 mm, tension 0.5 mN/mm,
computed there by scipy's solve_bvp (tolerance 1e-9) and, to all digits, by arc-length shooting (DOP853, 1e-12);
the last digit may be off by one. The third check solves the equation here by solve_ivp from the land upwards.
"""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from jointwise.data_gen.shapes import capillary
from jointwise.data_gen.shapes import envelope as env
from jointwise.joints.errors import InputError

V, A, B = 0.0720, 0.20, 0.175

# height, pressure kPa, force mN, radii at h/4, h/2, 3h/4, greatest radius and its height
TABLE = {
    "sphere": (0.383276, 3.721946, 0.0, (0.255343, 0.268398, 0.245993), (0.268677, 0.179408)),
    "pressed": (0.36, 3.985477, -0.094477, (0.263227, 0.277868, 0.255390), (0.278049, 0.17091)),
    "stretched": (0.46, 3.070865, 0.196953, (0.233291, 0.240132, 0.220562), (0.240894, 0.20233)),
}


@pytest.mark.parametrize("case", TABLE)
def test_pressure_force_and_radii_are_those_of_the_table(case):
    height, pressure, force, radii, (widest, level) = TABLE[case]
    h = env.free_height(A, B, V) if case == "sphere" else height
    assert h == pytest.approx(height, abs=1e-6)
    surface = capillary.bridge(A, B, h, V)
    assert surface.pressure(0.5) == pytest.approx(pressure, abs=1.5e-6 if case != "sphere" else 5e-6)
    assert surface.force(0.5) == pytest.approx(force, abs=1.5e-6)
    assert [surface.radius(f * h) for f in (0.25, 0.5, 0.75)] == pytest.approx(radii, abs=1.1e-6)
    assert surface.widest() == pytest.approx((widest, level), abs=1.1e-5)
    assert surface.widest()[0] == pytest.approx(widest, abs=1.1e-6)


@pytest.mark.parametrize(
    ("load", "height", "diameter"), [(0.1, 0.358760, 0.557117), (0.2, 0.337907, 0.574530)]
)
def test_a_load_presses_the_joint_to_the_height_of_the_table(load, height, diameter):
    h = capillary.loaded_height(A, B, V, load, 0.5)
    assert h == pytest.approx(height, abs=1.1e-6)
    assert 2 * capillary.bridge(A, B, h, V).widest()[0] == pytest.approx(diameter, abs=1.1e-6)


def test_the_slopes_at_the_lands_are_those_of_the_table():
    surface = capillary.bridge(A, B, 0.36, V)
    assert surface.slope(surface.first) == pytest.approx(1.179345, abs=1.1e-6)
    assert surface.slope(surface.last) == pytest.approx(-1.618537, abs=1.1e-6)


def test_force_is_the_change_of_surface_with_height():
    """F = tension dA/dh at fixed volume, the area summed from the profile."""

    def area(h):
        surface = capillary.bridge(A, B, h, V)
        z, r, _ = capillary._along(*surface)
        return sum(
            math.pi * (r[i] + r[i + 1]) * math.hypot(r[i + 1] - r[i], z[i + 1] - z[i])
            for i in range(len(z) - 1)
        )

    for h in (0.36, 0.46):
        found = 0.5 * (area(h + 1e-4) - area(h - 1e-4)) / 2e-4
        assert capillary.bridge(A, B, h, V).force(0.5) == pytest.approx(found, abs=3e-4)


@pytest.mark.parametrize(("h", "volume"), [(0.33, 0.072), (0.36, 0.08), (0.42, 0.066), (0.5, 0.075)])
def test_the_surface_solves_the_equation_and_its_pieces_stay_near(h, volume):
    """r'' = (1 + r'^2)^1.5 [1 / (r sqrt(1 + r'^2)) - pressure / tension], started at the board land.

    The pieces promise CLOSE_MM, a micrometre; half of that would cost every ray more pieces and no scan shows it.
    """
    surface = capillary.bridge(A, B, h, volume)
    ratio = surface.pressure(1.0)

    def rise(_, y):
        s = 1 + y[1] ** 2
        return [y[1], s**1.5 * (1 / (y[0] * math.sqrt(s)) - ratio), math.pi * y[0] ** 2]

    z = np.linspace(0.0, h, 200)
    solved = solve_ivp(
        rise, (0, h), [A, surface.slope(surface.first), 0.0], "DOP853", z, rtol=1e-11, atol=1e-12
    )
    assert solved.y[0, -1] == pytest.approx(B, abs=1e-6)
    assert solved.y[2, -1] == pytest.approx(volume, rel=1e-7)
    parts = capillary.joint_side(A, B, h, volume)
    assert np.abs(env.radii_at(parts, z) - solved.y[0]).max() < capillary.CLOSE_MM == 1e-3
    assert env.volume_below(parts, h) == pytest.approx(volume, rel=1e-9)
    for low, high in pairwise(parts):
        assert float(low.squared_radius(low.high)) == pytest.approx(
            float(high.squared_radius(high.low)), rel=1e-9
        )


def test_a_sphere_is_one_piece_and_an_impossible_surface_is_none():
    h = env.free_height(A, B, V)
    assert len(capillary.joint_side(A, B, h, V)) == 1
    assert capillary.bridge(A, B, 0.25, V) is None
    assert capillary.joint_side(A, B, 0.25, V) == env.quadric_side(A, B, 0.25, V)
    with pytest.raises(InputError, match="load"):
        capillary.loaded_height(A, B, V, 5.0)


def test_a_side_like_a_cone_is_a_quadric_within_a_micrometre():
    """Where Kenmotsu's B is about 0 Newton's method meets a singular matrix; there the quadric takes its place."""
    a, b, h, volume = 0.21792791967943437, 0.1860241200832748, 0.3575355223599756, 0.04587439415807862
    assert capillary.bridge(a, b, h, volume) is None
    assert capillary.joint_side(a, b, h, volume) == env.quadric_side(a, b, h, volume)
    for share in (0.97, 1.03):
        surface = capillary.bridge(a, b, h, share * volume)
        assert capillary.farthest(surface, env.quadric_side(a, b, h, share * volume)) < 1.01e-3
