"""Reconstruction by known bodies. Guards: shifted or mirrored voxels, wrong level, runs that miss voxels."""

import importlib.util
from pathlib import Path

import numba
import numpy as np
import pytest

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.xray.geometry import ConeBeam, centred_lattice
from jointwise.data_gen.xray.projector import project
from jointwise.data_gen.xray.reconstruct import (
    Filter,
    all_voxels,
    backproject,
    empty_volume,
    in_file_order,
    padded_length,
    ramp_response,
    reconstruct,
    voxels_around,
)
from jointwise.joints.lattice import Lattice, rotation

spec = importlib.util.spec_from_file_location("scenes", Path(__file__).with_name("scenes.py"))
scenes = importlib.util.module_from_spec(spec)
spec.loader.exec_module(scenes)

BEAM = ConeBeam(
    source_axis_mm=50.0, source_detector_mm=200.0, pixel_mm=0.2, columns=80, rows=64, views=180, first_angle_deg=11.0
)  # fmt: skip
LATTICE = centred_lattice((40, 44, 48), BEAM.voxel_mm)
CENTRE, RADIUS, MU = (0.35, -0.25, 0.15), 0.5, 2.0


@pytest.fixture(scope="module")
def integrals():
    scene = scenes.scene_of(sd.sphere(CENTRE, RADIUS))
    return -np.log(project(scene, BEAM, scenes.one_energy(MU)).signal)


@pytest.fixture(scope="module")
def volume(integrals):
    return reconstruct(integrals, BEAM, all_voxels(LATTICE))


def centres_of(lattice):
    axes = [
        np.asarray(lattice.origin_mm)[i] + np.arange(lattice.shape[2 - i]) * lattice.spacing_mm[i]
        for i in range(3)
    ]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    return np.stack([x, y, z], axis=-1)


def test_a_uniform_ball_comes_back_at_its_level(volume):
    away = np.linalg.norm(centres_of(LATTICE) - CENTRE, axis=-1)
    inside, outside = volume[away < RADIUS - 0.12], volume[(away > RADIUS + 0.15) & (away < 0.9)]
    assert inside.mean() == pytest.approx(MU, rel=0.01)
    assert inside.std() < 0.02 * MU
    assert abs(outside.mean()) < 0.01 * MU


def test_a_marker_lands_at_its_place_in_all_three_axes(volume):
    # Centre of gravity, less than a tenth of a voxel off; a mirrored or shifted axis would be off by voxels.
    weights = np.where(np.linalg.norm(centres_of(LATTICE) - CENTRE, axis=-1) < RADIUS + 0.2, volume, 0.0)
    found = np.tensordot(weights, centres_of(LATTICE), axes=3) / weights.sum()
    np.testing.assert_allclose((found - CENTRE) / BEAM.voxel_mm, 0.0, atol=0.1)


def test_reconstruction_is_linear(integrals, volume):
    np.testing.assert_allclose(
        reconstruct(0.5 * integrals, BEAM, all_voxels(LATTICE)), 0.5 * volume, atol=1e-5
    )


def test_chosen_voxels_are_the_same_as_in_the_whole_volume_and_others_stay_zero(integrals, volume):
    turn = rotation(4.0, -3.0, 25.0)
    half = (0.4, 0.3, 0.2)
    centres = np.array([CENTRE, (-0.5, 0.2, -0.1)])
    runs = voxels_around(LATTICE, centres, turn, half)
    found = reconstruct(integrals, BEAM, runs)
    wanted = np.zeros(LATTICE.shape, bool)
    for centre in centres:
        wanted |= np.all(np.abs((centres_of(LATTICE) - centre) @ turn) <= half, axis=-1)
    assert 500 < wanted.sum() < wanted.size / 4
    chosen = np.zeros_like(wanted)
    for z, x, first, last in runs.table:
        chosen[z, first:last, x] = True
    np.testing.assert_array_equal(chosen, wanted)
    np.testing.assert_allclose(found[wanted], volume[wanted], atol=2e-5)
    assert not found[~wanted].any()


def test_blocks_lie_on_the_lattice_they_are_given(integrals, volume):
    # The same points as a part of the whole: origin and order of axes must agree.
    part = Lattice((5, 7, 9), tuple(np.asarray(LATTICE.origin_mm) + np.array([20, 12, 15]) * BEAM.voxel_mm),
                   LATTICE.spacing_mm)  # fmt: skip
    np.testing.assert_allclose(
        reconstruct(integrals, BEAM, all_voxels(part)), volume[15:20, 12:19, 20:29], atol=2e-5
    )


def test_bits_do_not_depend_on_threads(integrals):
    before = numba.get_num_threads()
    results = []
    for threads in (1, before):
        numba.set_num_threads(threads)
        results.append(reconstruct(integrals[:, :, :], BEAM, all_voxels(LATTICE)))
    numba.set_num_threads(before)
    np.testing.assert_array_equal(*results)


def test_views_outside_the_detector_add_nothing_and_nothing_breaks(integrals):
    far = Lattice((2, 3, 2), (30.0, 40.0, 0.0), (0.1, 0.1, 0.1))
    volume = empty_volume(far)
    backproject(Filter(BEAM)(integrals[:10]), BEAM, 0, all_voxels(far), volume)
    assert not in_file_order(volume).any()


def test_the_ramp_keeps_the_level_and_a_window_only_takes_high_frequencies():
    plain, soft = ramp_response(100, 0.1), ramp_response(100, 0.1, 0.8)
    length = padded_length(100)
    assert length >= 199
    assert length % 2 == 0
    frequencies = np.arange(len(plain)) / (length * 0.1)
    # |f| but for the band limit's small lift at zero.
    np.testing.assert_allclose(plain[5:], frequencies[5:], rtol=0.02)
    assert 0 < plain[0] < 0.02
    assert (soft <= plain + 1e-12).all()
    assert soft[-1] == 0.0
    assert soft[1] == pytest.approx(plain[1], rel=1e-3)
