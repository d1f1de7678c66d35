"""Reconstruction by known bodies. Guards: shifted or mirrored voxels, wrong level, runs that miss voxels."""

import importlib.util
import math
from dataclasses import replace
from pathlib import Path

import numba
import numpy as np
import pytest

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.xray.backprojection import spread_line
from jointwise.data_gen.xray.geometry import STEADY, STILL, ConeBeam, Wobble, centred_lattice, view_frames
from jointwise.data_gen.xray.projector import project
from jointwise.data_gen.xray.reconstruct import (
    WINDOWS,
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
from jointwise.joints.errors import InputError
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


@pytest.mark.parametrize("slope", [0.93, 0.999, 1.0, 1.004, 1.08, 0.6, 1.7])
def test_a_line_of_the_detector_is_read_at_its_places(slope):
    """Against numpy's interpolation, by either way; 1e-6 of a row is what single precision knows of a place."""
    line = np.random.default_rng(3).random(401).astype(np.float32)
    for start, count in ((0.0, 200), (17.3, 150), (40.999, 1), (398.7 - 99 * slope, 100)):
        low = math.floor(start)
        size = min(int(start + (count - 1) * slope) + 2, 400) - low
        part = np.concatenate([line[low : low + size], line[low + size - 1 : low + size]])
        out = np.full(count, 2.0, np.float32)
        spread_line(part, np.float32(start - low), np.float32(slope), out, size)
        rows = np.minimum(start - low + np.arange(count) * slope, size)
        np.testing.assert_allclose(out, 2.0 + np.interp(rows, np.arange(size + 1), part), atol=5e-5)


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


def mounted(axis_tilt_deg=0.0, ray_deg=90.0, views=180):
    return replace(BEAM, axis_tilt_deg=axis_tilt_deg, ray_deg=ray_deg, rows=80, views=views)


MOUNTS = {
    "upright": (0.0, 90.0),
    "tilted": (30.0, 90.0),
    "laminography_45": (90.0, 45.0),
    "laminography_60": (90.0, 60.0),
}


@pytest.mark.parametrize("mount", MOUNTS)
def test_a_ball_keeps_its_level_and_its_place_in_every_mount(mount):
    """Middle within 1 % (3 % in laminography, whose scale is made for the middle of a ball), place within 0.1 voxel."""
    beam = mounted(*MOUNTS[mount])
    scene = scenes.scene_of(sd.sphere(CENTRE, RADIUS))
    integrals = -np.log(project(scene, beam, scenes.one_energy(MU)).signal)
    found = reconstruct(integrals, beam, all_voxels(LATTICE))
    away = np.linalg.norm(centres_of(LATTICE) - CENTRE, axis=-1)
    middle = found[away < 0.15].mean()
    assert middle == pytest.approx(MU, rel=0.03 if "laminography" in mount else 0.01)
    weights = np.where(away < RADIUS + 0.2, np.maximum(found - 0.4 * MU, 0.0), 0.0)
    place = np.tensordot(weights, centres_of(LATTICE), axes=3) / weights.sum()
    np.testing.assert_allclose((place - CENTRE) / beam.voxel_mm, 0.0, atol=0.1)


def test_the_general_road_equals_the_fast_one_where_both_apply(integrals, volume):
    # An axis tilted by a hair goes through the general backprojector.
    found = reconstruct(integrals, replace(BEAM, axis_tilt_deg=1e-7), all_voxels(LATTICE))
    np.testing.assert_allclose(found, volume, atol=2e-3 * MU)
    assert np.sqrt(np.mean((found - volume) ** 2)) < 2e-5 * MU


def test_laminography_loses_flat_layers_and_keeps_upright_ones():
    """A plate square to the normal has its spectrum in the cone that is never measured; a plate on edge does not."""
    contrast = {}
    for name, ends in (("flat", ((0, 0, -0.06), (0, 0, 0.06))), ("edge", ((-0.06, 0, 0), (0.06, 0, 0)))):
        scene = scenes.scene_of(sd.cylinder(*ends, 0.6))
        beam = mounted(90.0, 45.0)
        integrals = -np.log(project(scene, beam, scenes.one_energy(MU)).signal)
        found = reconstruct(integrals, beam, all_voxels(LATTICE))
        step = 0.2 * np.array([0.0, 0.0, 1.0] if name == "flat" else [1.0, 0.0, 0.0])
        at = [
            np.linalg.norm(centres_of(LATTICE) - point, axis=-1) < 0.05 for point in (0 * step, step, -step)
        ]
        levels = [found[mask].mean() for mask in at]
        contrast[name] = (levels[0] - 0.5 * (levels[1] + levels[2])) / MU
    assert contrast["edge"] > 0.9
    assert contrast["flat"] < 0.75 * contrast["edge"]


def test_unknown_departures_move_the_picture_as_geometry_says():
    scene = scenes.scene_of(sd.sphere((0.0, 0.0, 0.0), 0.3))
    spot = replace(BEAM, views=90)

    def place(wobble):
        integrals = -np.log(project(scene, spot, scenes.one_energy(MU), wobble=wobble).signal)
        weights = np.maximum(reconstruct(integrals, spot, all_voxels(LATTICE)) - 0.5 * MU, 0.0)
        return np.tensordot(weights, centres_of(LATTICE), axes=3) / weights.sum()

    # The spot 0.05 mm along the axis shifts the shadow on the axis by (1 - M), which the reconstruction reads as
    # -(M - 1)/M · 0.05 in the object; averaged over the scan the drift has settled by 1/(1 - e^-3) - 1/3.
    moved = place(Wobble(spot_drift_mm=(0.0, 0.05)))
    settled = 1 / (1 - np.exp(-3)) - 1 / 3
    assert moved[1] == pytest.approx(-0.75 * 0.05 * settled, abs=0.1 * BEAM.voxel_mm)
    np.testing.assert_allclose(place(STEADY), 0.0, atol=0.1 * BEAM.voxel_mm)
    # Views turned by unknown angles: the same for all ranges of views, and none without jitter.
    jitter = Wobble(jitter_deg=0.5, seed=3)
    whole = view_frames(spot, STILL, slice(None), jitter)
    np.testing.assert_array_equal(view_frames(spot, STILL, slice(7, 9), jitter), whole[7:9])
    turned = np.degrees(np.arctan2(whole[:, 0, 0], whole[:, 0, 2])) - np.degrees(spot.angles_rad)
    turned = (turned + 180) % 360 - 180
    assert turned.std() == pytest.approx(0.5, rel=0.25)


@pytest.mark.parametrize("apodisation", list(WINDOWS))
def test_every_window_starts_at_one_and_ends_at_its_cutoff(apodisation):
    plain, windowed = ramp_response(100, 0.1), ramp_response(100, 0.1, 0.8, apodisation)
    share = windowed / plain
    position = np.linspace(0.0, 1.0, len(plain)) / 0.8
    assert share[0] == pytest.approx(1.0)
    assert (share[position >= 1] == 0).all()
    # Half way to the cutoff: the windows' closed forms.
    half = np.interp(0.5, position, share)
    expected = {"ramlak": 1.0, "shepp_logan": 0.900316, "cosine": 0.707107, "hamming": 0.54, "hann": 0.5}
    assert half == pytest.approx(expected[apodisation], abs=2e-3)


def test_an_unknown_window_or_impossible_ray_is_refused():
    with pytest.raises(InputError, match="apodisation out of"):
        ramp_response(10, 0.1, 1.0, "boxcar")
    with pytest.raises(InputError, match="ray_deg"):
        replace(BEAM, ray_deg=178.0)
