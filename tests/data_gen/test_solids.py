"""Volume, inside and bounding spheres agree with each other for every primitive.

Guards: a map applied the wrong way round, a bounding ball that cuts its solid, a waist's negative r^2
counted as volume.
"""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes import solids as sd


def any_solid(rng):
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    matrix = np.diag(rng.uniform(0.6, 2.0, 3)) @ turn + rng.normal(scale=0.2, size=(3, 3))
    profile = rng.uniform(0.01, 0.2), rng.normal(scale=0.5), rng.choice([-4.0, -1.0, 0.0, 1.0, 5.0])
    low = rng.uniform(-0.4, 0.1)
    return sd.segment(profile, (low, low + rng.uniform(0.1, 0.5)), origin=rng.normal(size=3), matrix=matrix)


@given(seed=st.integers(0, 100_000))
@settings(max_examples=30, deadline=None)
def test_volume_is_the_share_of_points_inside_and_the_ball_holds_them_all(seed):
    rng = np.random.default_rng(seed)
    solid = any_solid(rng)
    centres, radii = sd.bounding_spheres(solid)
    centre, radius = centres[0], max(radii[0], 1e-6)
    # Sample a cube twice as wide as the ball, so that a ball drawn too small would show.
    points = centre + rng.uniform(-2, 2, (40_000, 3)) * radius
    hits = sd.inside(solid, points)[0]
    assert np.linalg.norm(points[hits] - centre, axis=1).max(initial=0.0) <= radius * (1 + 1e-9)
    cube = (4 * radius) ** 3
    spread = cube * np.sqrt(max(hits.mean() * (1 - hits.mean()), 1e-5) / len(points))
    assert sd.volumes(solid)[0] == pytest.approx(hits.mean() * cube, abs=5 * spread)


def test_affine_image_carries_points_and_scales_volume():
    rng = np.random.default_rng(7)
    solid = any_solid(rng)
    linear, shift = rng.normal(size=(3, 3)), rng.normal(size=3)
    points = solid.origin[0] + rng.normal(scale=0.3, size=(2000, 3))
    image = sd.affine(solid, linear, shift)
    before = sd.inside(solid, points)
    assert 0 < before.sum() < before.size
    np.testing.assert_array_equal(sd.inside(image, points @ linear.T + shift), before)
    assert sd.volumes(image)[0] == pytest.approx(sd.volumes(solid)[0] * abs(np.linalg.det(linear)))


def test_shear_keeps_volume_and_nothing_happens_at_zero():
    solid = any_solid(np.random.default_rng(8))
    assert sd.sheared(solid, 0.0, 0.0) is solid
    assert sd.volumes(sd.sheared(solid, 0.1, -0.2))[0] == pytest.approx(sd.volumes(solid)[0], rel=1e-12)


def test_negative_squared_radius_is_no_volume():
    double_cone = sd.segment((-0.04, 0.0, 1.0), (-0.3, 0.5))  # empty for |z| < 0.2
    upper = np.pi * ((0.5**3 - 0.2**3) / 3 - 0.04 * 0.3)
    lower = np.pi * ((0.3**3 - 0.2**3) / 3 - 0.04 * 0.1)
    assert sd.volumes(double_cone)[0] == pytest.approx(upper + lower)


def test_roles_decide_what_is_metal():
    solids = sd.join(
        sd.sphere((0, 0, 0), 1.0),
        sd.sphere((0.5, 0, 0), 0.2, sd.VOID),
        sd.sphere((0, 0, 0), 0.4, sd.GAP),
        sd.sphere((0, 0, 0.2), 0.4, sd.KEEP),
        sd.sphere((0, 0, -0.3), 0.05, sd.PATCH),
    )
    points = [(0, 0, 0.9), (0.5, 0, 0), (0, 0, -0.21), (0, 0, 0.1), (0, 0, -0.3), (0, 0, 1.1)]
    assert sd.metal_inside(solids, points).tolist() == [True, False, False, True, True, False]


def test_empty_joins_and_encloses():
    assert sd.join().size == 0
    assert sd.enclosing_sphere(sd.empty())[1] == 0.0
    one = sd.sphere((1, 2, 3), 0.5)
    assert sd.join(sd.empty(), one).size == 1
    centre, radius = sd.enclosing_sphere(sd.join(one, sd.sphere((2, 2, 3), 0.5)))
    np.testing.assert_allclose(centre, (1.5, 2, 3))
    assert radius == pytest.approx(1.0)


@given(
    h=st.floats(0.25, 0.5), a=st.floats(0.15, 0.22), b=st.floats(0.15, 0.22), volume=st.floats(0.06, 0.085)
)
@settings(max_examples=50, deadline=None)
def test_one_piece_has_its_ends_and_its_volume(h, a, b, volume):
    piece = env.piece_of(0.0, h, a, b, volume)
    assert float(piece.squared_radius(h)) == pytest.approx(b**2)
    solid = sd.segment(piece.profile, (0, h))
    if env.smallest_radius((piece,)) > 0:
        assert sd.volumes(solid)[0] == pytest.approx(volume)


def test_waisted_joint_keeps_volume_and_dips_by_its_depth():
    smooth = env.piece_of(0.0, 0.36, 0.2, 0.2, 0.07)
    lower, upper = env.waisted(env.quadric_side, 0.2, 0.2, 0.36, 0.07, (0.14, 0.03, 1.0))
    total = sum(sd.profile_volume(p.profile, 0.0, p.high - p.low) for p in (lower, upper))
    assert total == pytest.approx(0.07)
    ring = np.sqrt(smooth.squared_radius(0.14)) - 0.03
    assert env.radius_at((lower, upper), 0.14) == pytest.approx(ring)
    assert env.largest_radius((lower,)) > ring < env.largest_radius((upper,))


@given(
    level=st.floats(0.12, 0.65), depth=st.floats(0.005, 0.1), mouth=st.floats(0.02, 0.5),
    h=st.floats(0.25, 0.45), volume=st.floats(0.06, 0.085),
)  # fmt: skip
@settings(max_examples=50, deadline=None)
def test_grooved_joint_keeps_volume_and_is_smooth_beside_its_groove(level, depth, mouth, h, volume):
    a, b = 0.2, 0.18
    made = env.grooved(env.quadric_side, a, b, h, volume, (level * h, depth, mouth * h))
    held = env.volume_below(made, h)
    assert held == pytest.approx(volume, rel=2e-5)
    # The smooth joint of the volume that it has with its groove filled: everywhere beside the mouth they are one.
    low, high = max(level - mouth / 2, 0.02) * h, min(level + mouth / 2, 0.98) * h
    (walls_low, walls_high) = (p for p in made if p.profile[2] == 0.0)
    assert (walls_low.low, walls_low.high) == pytest.approx((low, level * h))
    assert (walls_high.low, walls_high.high) == pytest.approx((level * h, high))
    below = env.piece_of(0.0, h, a, b, _filled(made, h, low, volume))
    z = np.array([0.3 * low, 0.9 * low, low, high, 0.5 * (high + h)])
    np.testing.assert_allclose(env.radii_at(made, z), np.sqrt(below.squared_radius(z)), rtol=2e-4)
    ring = max(math.sqrt(below.square_at(level * h)) - depth, 0.55 * b)
    assert env.radius_at(made, level * h) == pytest.approx(ring, rel=2e-4)
    assert made[0].low == 0.0
    assert made[-1].high == h
    assert all(one.high == two.low for one, two in itertools.pairwise(made))


def _filled(made, h, low, volume):
    """Volume of the one quadric through both ends whose radius at the mouth's lower edge is that of `made`."""
    a, b = env.radius_at(made, 0.0), env.radius_at(made, h)

    def off(whole):
        return env.piece_of(0.0, h, a, b, whole).square_at(low) - env.radius_at(made, low) ** 2

    return brentq(off, 0.8 * volume, 1.6 * volume)


def test_bounding_boxes_touch_their_solids():
    rng = np.random.default_rng(9)
    for _ in range(10):
        solid = any_solid(rng)
        low, high = (corner[0] for corner in sd.bounding_boxes(solid))
        points = low - 0.2 + rng.uniform(size=(60_000, 3)) * (high - low + 0.4)
        hits = points[sd.inside(solid, points)[0]]
        assert (hits >= low).all()
        assert (hits <= high).all()
    np.testing.assert_allclose(
        sd.bounding_boxes(sd.sphere((1, 2, 3), 0.5)), [[[0.5, 1.5, 2.5]], [[1.5, 2.5, 3.5]]]
    )
