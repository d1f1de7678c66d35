"""Chords against closed forms, dense sampling and their own single precision.

Guards: a ray that misses the second interval of a waist, a lead coefficient near zero, metal counted
twice where solids meet, single precision that loses a joint seen from afar, promoted literals.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from jointwise.data_gen.shapes import chords, scene
from jointwise.data_gen.shapes import solids as sd


def unit(v):
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def random_solids(rng, count):
    """Any mixture of roles, kinds of profile, axes, shears."""
    parts = []
    for _ in range(count):
        turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
        matrix = turn @ np.diag(rng.uniform(0.7, 1.5, 3)) + rng.normal(scale=0.1, size=(3, 3))
        profile = rng.uniform(0.005, 0.05), rng.normal(scale=0.1), rng.choice([-1.0, 0.0, 0.3, 2.0, 8.0])
        low = rng.uniform(-0.25, 0.0)
        parts.append(
            sd.segment(profile, (low, low + rng.uniform(0.02, 0.4)), origin=rng.normal(scale=0.1, size=3),
                       matrix=matrix, role=int(rng.integers(0, 5)))
        )  # fmt: skip
    return sd.join(sd.sphere((0, 0, 0), 0.3), *parts)


def random_rays(rng, count, spread=0.25):
    directions = unit(rng.normal(size=(count, 3)))
    return rng.normal(scale=spread, size=(count, 3)), directions


def test_chord_through_a_sphere_is_two_roots_of_r2_minus_d2():
    rng = np.random.default_rng(1)
    starts, directions = random_rays(rng, 500)
    centre, radius = np.array([0.02, -0.05, 0.1]), 0.31
    away = starts - centre
    d2 = (away**2).sum(1) - (away * directions).sum(1) ** 2
    expected = 2 * np.sqrt(np.maximum(radius**2 - d2, 0))
    found = chords.metal_lengths(sd.sphere(centre, radius), starts, directions)
    np.testing.assert_allclose(found, expected, atol=1e-12)


@pytest.mark.parametrize("seed", range(12))
def test_metal_length_equals_dense_sampling_of_inside(seed):
    rng = np.random.default_rng([2, seed])
    solids = random_solids(rng, 7)
    starts, directions = random_rays(rng, 25)
    step = 5e-4
    t = np.arange(-1.6, 1.6, step) + step / 2
    points = starts[:, None, :] + t[:, None] * directions[:, None, :]
    sampled = sd.metal_inside(solids, points.reshape(-1, 3)).reshape(len(starts), -1).sum(1) * step
    found = chords.metal_lengths(solids, starts, directions)
    # Each crossing is off by at most half a step; on the average they cancel.
    np.testing.assert_allclose(found, sampled, atol=10 * step)
    assert abs((found - sampled).mean()) < step / 2


def test_a_steep_ray_through_a_waist_has_two_intervals():
    waist = sd.segment((0.01, 0.0, 4.0), (-0.3, 0.3))
    direction = unit(np.array([0.35, 0.0, 1.0]))
    start = np.array([0.2, 0.0, 0.0])
    args = *(a for a in waist[:4]), 0, *start, *direction
    t0, t1, t2, t3 = chords.segment_intervals(*args)
    assert t0 < t1 < t2 < t3
    for t in (t0, t1, t2, t3):
        q = start + t * direction
        on_end = abs(abs(q[2]) - 0.3) < 1e-12
        on_flank = abs(q[0] ** 2 + q[1] ** 2 - 0.01 - 4 * q[2] ** 2) < 1e-12
        assert on_end or on_flank


@pytest.mark.parametrize("off", [0.0, 1e-17, -1e-17, 1e-12, -1e-12, 1e-9, -1e-9, 1e-6, -1e-6])
def test_a_ray_parallel_to_a_cones_flank_is_handled(off):
    """There the leading coefficient vanishes and the quadratic becomes linear."""
    cone = sd.segment((0.04, -0.4, 1.0), (0.0, 0.15))  # r = 0.2 - z
    direction = unit(np.array([-1.0 + off, 0.0, 1.0]))
    start = np.array([0.05, 0.03, 0.02])
    t0, t1, t2, t3 = chords.segment_intervals(*cone[:4], 0, *start, *direction)
    t = np.linspace(-0.5, 0.5, 400_001)
    inside = sd.inside(cone, start + t[:, None] * direction)[0]
    assert max(t1 - t0, 0) + max(t3 - t2, 0) == pytest.approx(inside.sum() * (t[1] - t[0]), abs=1e-5)


@pytest.mark.parametrize("direction", [(1, 0, 0), (0, 1, 0), (0, 0, 1)])
def test_rays_along_the_axes_of_a_cylinder(direction):
    rod = sd.cylinder((0, 0, -0.1), (0, 0, 0.2), 0.15)
    found = chords.metal_lengths(rod, np.array([[0.05, 0.02, 0.01]]), np.array([direction], float))[0]
    other = {(1, 0, 0): 0.02, (0, 1, 0): 0.05}.get(direction)
    assert found == pytest.approx(0.3 if other is None else 2 * math.sqrt(0.15**2 - other**2), abs=1e-12)


def test_metal_counts_once_where_bodies_meet():
    pair = sd.join(sd.sphere((0, 0, 0), 0.2), sd.sphere((0.1, 0, 0), 0.2), sd.sphere((0.05, 0, 0), 0.05))
    assert chords.metal_lengths(pair, np.zeros((1, 3)), np.array([[1.0, 0, 0]]))[0] == pytest.approx(0.5)


def test_a_ray_along_a_neck_sees_ball_neck_ball_once():
    left, right = sd.sphere((-0.4, 0, 0), 0.27), sd.sphere((0.4, 0, 0), 0.27)
    neck = sd.segment((0.04, 0, 0.1), (-0.2, 0.2), matrix=sd.axis_frame((1, 0, 0)).T)
    solids = sd.join(left, right, neck)
    times, marks = chords.work_arrays()
    rows = *solids[:4], solids.role
    for y, expected in ((0.0, 1.34), (0.15, 0.8 + 2 * math.sqrt(0.27**2 - 0.15**2))):
        ray = -1.0, y, 0.0, 1.0, 0.0, 0.0
        balls = sum(chords.solder_length(*rows, k, k + 1, *ray, times, marks)[0] for k in (0, 1))
        assert balls + chords.neck_length(*rows, 2, 3, 0, 1, 1, 2, *ray, times, marks) == pytest.approx(
            expected
        )


def test_a_shell_is_its_thickness_along_the_shift():
    """GAP less KEEP, the same ball moved by g: exactly g along z wherever both caps are met."""
    gap = 0.007
    solids = sd.join(
        sd.cylinder((0, 0, 0), (0, 0, 0.4), 0.2),
        sd.cap((0, 0, 0.15), 0.5, up=True, role=sd.GAP),
        sd.cap((0, 0, 0.15 + gap), 0.5, up=True, role=sd.KEEP),
    )
    rng = np.random.default_rng(3)
    starts = np.column_stack([rng.uniform(-0.1, 0.1, (50, 2)), np.zeros(50)])
    found = chords.metal_lengths(solids, starts, np.tile([0.0, 0.0, 1.0], (50, 1)))
    np.testing.assert_allclose(found, 0.4 - gap, atol=1e-12)
    bonded = sd.join(solids, sd.cylinder((0, 0, 0.1), (0, 0, 0.3), 0.15, sd.PATCH))
    assert chords.metal_lengths(bonded, starts, np.tile([0.0, 0.0, 1.0], (50, 1))) == pytest.approx(0.4)


@given(seed=st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_turning_object_and_ray_together_changes_nothing(seed):
    rng = np.random.default_rng(seed)
    solids = random_solids(rng, 5)
    starts, directions = random_rays(rng, 20)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    shift = rng.normal(size=3)
    found = chords.metal_lengths(sd.affine(solids, turn, shift), starts @ turn.T + shift, directions @ turn.T)
    np.testing.assert_allclose(found, chords.metal_lengths(solids, starts, directions), atol=1e-9)


def test_float32_follows_float64_within_a_tenth_of_a_micrometre():
    """A joint with a 2 um gap under a nearly flat cap, voids and a patch, seen from 120 mm away."""
    solids = sd.join(
        sd.segment((0.04, 1.2, -2.8), (0.0, 0.36)),
        sd.sphere((0.05, 0.02, 0.2), 0.06, sd.VOID),
        sd.ellipsoid((-0.1, 0.03, 0.05), (0.02, 0.02, 0.008), role=sd.VOID),
        sd.cylinder((0, 0, -0.01), (0, 0, 0.02), 0.5, sd.GAP),
        sd.cap((0, 0, 0.002), 12.0, up=True, role=sd.KEEP),
        sd.cylinder((0.1, 0, -0.01), (0.1, 0, 0.05), 0.02, sd.PATCH),
    )
    shift = np.array([4.2, -3.1, 0.0])
    solids = sd.moved(solids, shift)
    rng = np.random.default_rng(4)
    target = shift + np.array([0, 0, 0.18]) + rng.uniform(-0.35, 0.35, (20_000, 3))
    far = target - 120 * unit(rng.normal(size=(20_000, 3)))
    far = far.astype(np.float32)
    directions = unit(target - far).astype(np.float32)
    lengths = {}
    for dtype in (np.float32, np.float64):
        packed = scene.pack(_one_joint(solids), dtype)
        times, marks = chords.work_arrays(dtype)
        lengths[dtype] = np.array([
            chords.joint_length(*packed[:5], 0, solids.size, packed.joint_centre, packed.joint_radius, 0,
                                *e.astype(dtype), *d.astype(dtype), times, marks)[0]
            for e, d in zip(far, directions, strict=True)
        ])  # fmt: skip
    assert (lengths[np.float64] > 0).mean() > 0.3
    error_um = 1e3 * (lengths[np.float32] - lengths[np.float64])
    assert math.sqrt((error_um**2).mean()) < 0.02
    # A ray that grazes a surface turns an error e of place into a chord of sqrt(e R): hence not the maximum.
    assert np.quantile(np.abs(error_um), 0.999) < 0.1


def _one_joint(solids):
    centre, radius = sd.enclosing_sphere(sd.of_role(solids, sd.BODY))
    none = np.zeros((0, 3))
    joint = scene.Joint(0, 0, solids, centre, centre, radius, centre[:2], centre[:2], 0.36, 0.2, 0.18, 0.07)
    return scene.Scene((joint,), (), sd.empty(), sd.empty(), scene.Boxes(none, none, np.zeros(0, np.int8)))


@pytest.mark.parametrize("function", [chords.segment_intervals, chords.solder_length, chords.neck_length,
                                      chords.joint_length, chords.disjoint_length, chords.box_length,
                                      chords.approach])  # fmt: skip
def test_no_literal_promotes_single_precision(function):
    """The compiled float32 version returns float32 throughout."""
    solids = sd.sphere((0, 0, 0), 0.2)
    arrays = [a.astype(np.float32) for a in solids[:4]]
    ray = [np.float32(v) for v in (0, 0, -1, 0, 0, 1)]
    work = chords.work_arrays(np.float32)
    calls = {
        "segment_intervals": (*arrays, 0, *ray),
        "solder_length": (*arrays, solids.role, 0, 1, *ray, *work),
        "neck_length": (*arrays, solids.role, 0, 1, 0, 1, 0, 1, *ray, *work),
        "joint_length": (*arrays, solids.role, 0, 1, arrays[1], arrays[2][:, 0], 0, *ray, *work),
        "disjoint_length": (*arrays, solids.role, 0, 1, *ray),
        "box_length": (arrays[1], arrays[1], 0, *ray),
        "approach": (*ray, *ray[:3]),
    }
    function(*calls[function.__name__])
    returned = [str(s.return_type) for s in function.nopython_signatures if "float32" in str(s.args)]
    assert returned
    assert not any("float64" in name for name in returned)


def test_too_many_crossings_are_an_error_not_a_wrong_length():
    row = sd.join(*(sd.sphere((0.1 * i, 0, 0), 0.04) for i in range(40)))
    with pytest.raises(ValueError, match="more than 32 primitives"):
        chords.metal_lengths(row, np.zeros((1, 3)), np.array([[1.0, 0, 0]]))


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
def test_the_form_without_branches_gives_the_lengths_of_the_one_with_them(dtype):
    rng = np.random.default_rng(6)
    shapes = sd.join(
        sd.segment((0.04, 0.3, -1.0), (0.0, 0.36)),
        sd.cylinder((0.1, 0, -0.02), (0.1, 0, 0.02), 0.3),
        sd.sheared(sd.ellipsoid((0, 0.1, 0.1), (0.1, 0.2, 0.3)), 0.1, -0.05),
        sd.cone((0, 0, 0), (0.1, 0.2, 0.3), 0.2, 0.2),
        sd.segment((0.01, -0.2, 1.6), (-0.2, 0.3)),
    )
    arrays = [np.ascontiguousarray(a, dtype) for a in shapes[:4]]
    source, centre = np.array([3.0, -20.0, 35.0], dtype), np.array([0.05, 0.0, 0.1], dtype)
    target = rng.uniform(-0.5, 0.5, (4000, 3))
    directions = np.ascontiguousarray(unit(target - source).T, dtype)
    pieces, twice = np.empty((4, 4002), dtype), 0
    for k in range(shapes.size):
        chords.row_intervals(*arrays, k, source, centre, directions, 0, 4000, pieces, 2)
        found = np.zeros(4000, dtype)
        chords.interval_lengths(pieces, 2, 4000, found)
        twice += ((pieces[1] > pieces[0]) & (pieces[3] > pieces[2]))[2:].sum()
        expected = [
            chords.disjoint_length(
                *arrays, shapes.role, k, k + 1, *chords.approach(*source, *d, *centre)[:3], *d
            )
            for d in directions.T
        ]
        assert (found > 0).sum() > 200
        # Compilers may contract a product and a sum in one of the two forms.
        np.testing.assert_allclose(found, expected, atol=2e-7 if dtype is np.float64 else 2e-3)
        assert np.mean(found != np.array(expected)) < 0.5
    assert twice > 50  # rays that leave the waist and come back


def test_a_ray_along_a_straight_flank_is_cut_by_the_end_planes():
    rod = sd.cylinder((0, 0, -0.1), (0, 0, 0.3), 0.2)
    directions = np.tile(np.array([[0.0], [0.0], [1.0]]), (1, 2))
    pieces = np.empty((4, 2))
    for x, expected in ((0.0, 0.4), (0.1, 0.4), (0.25, 0.0)):
        source = np.array([x, 0.0, -9.0])
        chords.row_intervals(*rod[:4], 0, source, np.zeros(3), directions, 0, 2, pieces, 0)
        found = np.zeros(2)
        chords.interval_lengths(pieces, 0, 2, found)
        np.testing.assert_allclose(found, expected, atol=1e-12)


def test_metal_inside_mix_is_of_the_second_alloy_and_counts_once():
    # A ball of 1 mm with a void of 0.2 mm in its lower half, which is of the second alloy (two overlapping MIX).
    ball = sd.join(sd.sphere((0, 0, 0), 0.5), sd.sphere((0, 0, -0.25), 0.1, role=sd.VOID))
    mix = sd.join(*(sd.cylinder((0, 0, -0.6), (0, 0, top), 0.7, sd.MIX) for top in (0.0, -0.1)))
    starts, up = np.array([[0.0, 0, -2], [0.3, 0, -2]]), np.tile([0.0, 0, 1], (2, 1))
    for dtype, atol in ((np.float64, 1e-12), (np.float32, 1e-6)):
        found = chords.alloy_lengths(sd.join(ball, mix), starts, up, dtype)
        np.testing.assert_allclose(found, [[0.8, 0.3], [0.8, 0.4]], atol=atol)
        np.testing.assert_array_equal(found[:, 0], chords.metal_lengths(ball, starts, up, dtype))


def test_box_and_disjoint_lengths():
    low, high = np.array([[-1.0, -2.0, 0.0]]), np.array([[1.0, 2.0, 0.5]])
    diagonal = unit(np.array([1.0, 1.0, 0.0]))
    assert chords.box_length(low, high, 0, 0.0, 0.0, 0.2, *diagonal) == pytest.approx(2 * math.sqrt(2))
    assert chords.box_length(low, high, 0, 0.0, 0.0, 0.6, 1.0, 0.0, 0.0) == 0.0
    assert chords.box_length(low, high, 0, 0.0, 3.0, 0.2, 1.0, 0.0, 0.0) == 0.0
    barrel = sd.join(sd.cylinder((0, 0, 0), (0, 0, 1), 0.1), sd.cylinder((0, 0, 0), (0, 0, 1), 0.08, sd.VOID))
    across = chords.disjoint_length(*barrel[:4], barrel.role, 0, 2, -1.0, 0.0, 0.5, 1.0, 0.0, 0.0)
    assert across == pytest.approx(0.04)
