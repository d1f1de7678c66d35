"""Projections by physics laws. Guards: lost footprints, shifted pixels, wrong sense of rotation, averaged lengths."""

import importlib.util
from pathlib import Path

import numba
import numpy as np
import pytest
from numba import njit

from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.settings import DefectSettings, FamilySettings, GeneratorSettings, ProcessSettings
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.chords import alloy_lengths
from jointwise.data_gen.shapes.scene import (
    COPPER,
    LAMINATE,
    SECOND,
    SILICON,
    SOLDER,
    Boxes,
    Infeasible,
    Neck,
    leading_disjoint,
)
from jointwise.data_gen.xray.decay import decay
from jointwise.data_gen.xray.energies import scan_energies
from jointwise.data_gen.xray.geometry import ConeBeam, Pose, cone_beam, view_frames
from jointwise.data_gen.xray.projector import lengths, project
from jointwise.joints.errors import InputError
from jointwise.joints.lattice import rotation

spec = importlib.util.spec_from_file_location("scenes", Path(__file__).with_name("scenes.py"))
scenes = importlib.util.module_from_spec(spec)
spec.loader.exec_module(scenes)

BEAM = ConeBeam(
    source_axis_mm=40.0, source_detector_mm=200.0, pixel_mm=0.25, columns=60, rows=50, views=12, first_angle_deg=4.0
)  # fmt: skip


def rays(beam, view):
    """Source and unit directions (row, column, 3) in the file's frame, from their definition."""
    angle = beam.angles_rad[view]
    outward = np.array([np.sin(angle), 0, np.cos(angle)])
    across = np.array([np.cos(angle), 0, -np.sin(angle)])
    pixels = beam.u_mm()[None, :, None] * across + beam.v_mm()[:, None, None] * np.array([0, 1.0, 0])
    directions = pixels - beam.source_detector_mm * outward
    return beam.source_axis_mm * outward, directions / np.linalg.norm(directions, axis=-1, keepdims=True)


def sphere_chord(beam, view, centre, radius):
    source, directions = rays(beam, view)
    to_centre = np.asarray(centre) - source
    away = to_centre @ to_centre - (directions @ to_centre) ** 2
    return 2 * np.sqrt(np.maximum(radius**2 - away, 0))


@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_chord_through_a_sphere_is_the_closed_form_in_every_view(dtype):
    centre, radius = (0.5, -0.3, 0.2), 0.4
    found = lengths(scenes.scene_of(sd.sphere(centre, radius)), BEAM, dtype=dtype)
    for view in range(BEAM.views):
        expected = sphere_chord(BEAM, view, centre, radius)
        assert expected.max() > 0.79
        # float32 keeps 0.1 um but for grazing rays, where a chord's end moves like a square root.
        np.testing.assert_allclose(
            found[view, ..., SOLDER], expected, atol=1e-9 if dtype is np.float64 else 3e-3
        )
        if dtype is np.float32:
            assert np.sqrt(np.mean((found[view, ..., SOLDER] - expected) ** 2)) < 5e-5
    assert not found[..., COPPER:].any()


def test_turning_the_object_is_turning_the_scanner_the_other_way():
    # One step of the scan is 30 degrees about y; the board turned by as much looks the same one view later.
    board = scenes.scene_of(
        sd.sphere((0.5, -0.3, 0.2), 0.3), sd.ellipsoid((-0.6, 0.2, 0.1), (0.1, 0.2, 0.3)),
        copper=sd.cylinder((0.4, 0.4, -0.1), (0.4, 0.4, 0.3), 0.1),
    )  # fmt: skip
    still = lengths(board, BEAM)
    turned = lengths(board, BEAM, pose=Pose(rotation(0, 30, 0), np.zeros(3)))
    np.testing.assert_allclose(np.roll(still, 1, axis=0), turned, atol=1e-9)


def test_moving_the_board_is_moving_its_solids():
    pose = Pose(rotation(2.0, -3.0, 20.0), np.array([0.1, -0.2, 0.3]))
    centre = np.array([0.5, -0.3, 0.2])
    posed = lengths(scenes.scene_of(sd.sphere(centre, 0.3)), BEAM, pose=pose)
    placed = lengths(scenes.scene_of(sd.sphere(pose.to_file(centre), 0.3)), BEAM)
    np.testing.assert_allclose(posed, placed, atol=1e-9)


def rich_scene():
    """Solder with void, gap and neck, free and sunk copper, boxes of two materials."""
    left = sd.join(
        sd.sphere((-0.4, 0.0, 0.2), 0.25), sd.sphere((-0.45, 0.05, 0.25), 0.08, role=sd.VOID),
        sd.cap((-0.4, 0.0, 0.1), 0.3, up=True), sd.cap((-0.4, 0.0, 0.12), 0.3, up=True, role=sd.KEEP),
    )  # fmt: skip
    scene = scenes.scene_of(
        left,
        sd.sphere((0.4, 0.0, 0.2), 0.25),
        copper=sd.cylinder((0.4, 0, -0.08), (0.4, 0, -0.05), 0.2),
        sunk=sd.cylinder((-0.4, 0, -0.5), (-0.4, 0, -0.2), 0.1),
        boxes=Boxes(
            np.array([[-2.0, -2, -1.0], [-1, -1, 0.5]]),
            np.array([[2.0, 2, -0.1], [1, 1, 0.9]]),
            np.array([LAMINATE, SILICON], np.int8),
        ),
    )
    neck = sd.cylinder((-0.4, 0, 0.2), (0.4, 0, 0.2), 0.06)
    return scene._replace(necks=(Neck(neck, (0, 1), np.zeros(3), np.zeros(3), 0.01),))


def test_a_ray_through_ball_neck_ball_meets_metal_once():
    # Along the row's axis: from the left ball's outside to the right one's, 1.3 mm, whatever overlaps.
    balls = scenes.scene_of(sd.sphere((-0.4, 0, 0.2), 0.25), sd.sphere((0.4, 0, 0.2), 0.25))
    neck = sd.cylinder((-0.4, 0, 0.2), (0.4, 0, 0.2), 0.06)
    scene = balls._replace(necks=(Neck(neck, (0, 1), np.zeros(3), np.zeros(3), 0.01),))
    beam = ConeBeam(
        source_axis_mm=40.0, source_detector_mm=200.0, pixel_mm=0.25, columns=21, rows=21, views=4
    )
    pose = Pose(np.eye(3), np.array([0.0, 0.0, -0.2]))
    found = lengths(scene, beam, pose=pose)[1, 10, 10, SOLDER]
    assert found == pytest.approx(1.3, abs=1e-9)
    assert lengths(balls, beam, pose=pose)[1, 10, 10, SOLDER] == pytest.approx(1.0, abs=1e-9)


def test_copper_inside_laminate_takes_its_place():
    scene = rich_scene()
    with_copper, without = lengths(scene, BEAM), lengths(scene._replace(sunk=sd.empty()), BEAM)
    sunk = with_copper[..., COPPER] - without[..., COPPER]
    assert sunk.max() > 0.2
    np.testing.assert_allclose(without[..., LAMINATE] - with_copper[..., LAMINATE], sunk, atol=1e-9)


@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_drawn_joints_are_what_sorting_all_events_of_every_ray_gives(dtype):
    """Pieces, notches, bulges, voids, gaps, pillows, mixed alloys: the quick ways give the plain rule's lengths."""
    settings = GeneratorSettings(
        family=FamilySettings(rows=(3, 3), cols=(3, 3)), process=ProcessSettings(mixed=1.0),
        defects=DefectSettings(head_in_pillow=0.4, non_wet=0.3, bridging=0.0, voids_sheet=0.3, near_bridge=0.5),
    )  # fmt: skip
    scene = build_scene(draw_scan(settings, 3, 2))
    kinds = {int(r) for joint in scene.joints for r in joint.solids.role}
    assert kinds >= {sd.BODY, sd.VOID, sd.GAP, sd.MIX}
    assert not scene.necks
    found = lengths(scene, BEAM, views=slice(0, 2), dtype=dtype)
    expected = np.zeros((*found.shape[:3], 2))
    for view in range(2):
        source, directions = rays(BEAM, view)
        for joint in scene.joints:
            flat = directions.reshape(-1, 3)
            starts = source + ((joint.sphere_centre - source) @ flat.T)[:, None] * flat
            expected[view] += alloy_lengths(joint.solids, starts, flat).reshape(*found.shape[1:3], 2)
    assert expected[..., 0].max() > 0.35
    assert expected[..., 1].max() > 0.01
    solder, second = found[..., SOLDER] + found[..., SECOND], found[..., SECOND]
    error = np.stack([solder, second], axis=-1) - expected
    assert np.abs(error).max() < (
        1e-9 if dtype is np.float64 else 3e-3
    )  # mm; grazing rays in single precision
    assert np.sqrt(np.mean(error**2)) < (1e-10 if dtype is np.float64 else 5e-6)


def test_only_bodies_stacked_along_one_axis_simply_add_up():
    low, high = sd.segment((0.04, 0, 0), (0.0, 0.2)), sd.segment((0.05, 0, 0), (0.2, 0.4))
    raised = sd.segment((0.05, 0, 0), (0.0, 0.2), origin=(0, 0, 0.2))
    overlapping, turned = sd.segment((0.05, 0, 0), (0.1, 0.4)), sd.sphere((0, 0, 0.6), 0.1)
    void = sd.sphere((0, 0, 0.1), 0.05, role=sd.VOID)
    assert leading_disjoint(sd.join(low, high, void)) == leading_disjoint(sd.join(low, raised)) == 2
    assert leading_disjoint(sd.join(low, overlapping)) == leading_disjoint(sd.join(low, void, high)) == 1
    assert leading_disjoint(sd.join(low, sd.sheared(high, 0.1, 0.0))) == 1
    assert leading_disjoint(sd.join(turned, low)) == 2  # a ball between planes above the cylinder
    assert leading_disjoint(sd.empty()) == leading_disjoint(void) == 0


def test_every_material_against_points_along_the_ray():
    # Brute force: step along each ray and ask the solids what is there.
    scene = rich_scene()
    found = lengths(scene, BEAM, views=slice(3, 4))[0]
    source, directions = rays(BEAM, 3)
    steps = np.linspace(37.0, 43.0, 6001)
    for row, column in [(25, 30), (25, 24), (23, 33), (27, 27), (20, 30), (25, 38)]:
        points = source + (steps[:, None] + 0.0005) * directions[row, column]
        solder = sd.metal_inside(scene.joints[0].solids, points) | sd.metal_inside(
            scene.joints[1].solids, points
        )
        bodies = [sd.metal_inside(sd.of_role(j.solids, sd.BODY), points) for j in scene.joints]
        solder |= sd.metal_inside(scene.necks[0].solids, points) & ~bodies[0] & ~bodies[1]
        sunk = sd.metal_inside(scene.sunk, points)
        boxes = [
            np.all((points >= low) & (points <= high), axis=1)
            for low, high in zip(scene.boxes.low, scene.boxes.high, strict=True)
        ]
        expected = [
            solder.sum(), (sd.metal_inside(scene.copper, points) | sunk).sum(), (boxes[0] & ~sunk).sum(),
            boxes[1].sum(), 0,
        ]  # fmt: skip
        np.testing.assert_allclose(found[row, column], np.array(expected) * 0.001, atol=4e-3)


def test_float32_is_float64_to_a_ten_thousandth_of_a_line_integral():
    energies = scan_energies(130, 1.0, 0.5, 0.55, "SAC305")
    single, double = (project(rich_scene(), BEAM, energies, dtype=d).signal for d in (np.float32, np.float64))
    difference = np.log(single) - np.log(double)
    assert np.sqrt(np.mean(difference**2)) < 1e-4
    assert np.abs(difference).max() < 2e-2  # single grazing rays


def test_single_precision_does_not_drift_along_a_row_of_thirty_balls():
    """A ray along 30 balls, 0.5 mm each at 0.8 mm pitch, from 60 mm: 15 mm of metal to a tenth of a micrometre."""
    row = [sd.sphere((0.8 * (i - 14.5), 0.003 * i, 0.0), 0.25) for i in range(30)]
    beam = ConeBeam(
        source_axis_mm=60.0,
        source_detector_mm=240.0,
        pixel_mm=0.05,
        columns=9,
        rows=9,
        views=4,
        first_angle_deg=90.0,
    )
    single, double = (
        lengths(scenes.scene_of(*row), beam, views=slice(0, 1), dtype=d) for d in (np.float32, np.float64)
    )
    assert double[0, 4, 4, SOLDER] > 0.95 * 15.0
    np.testing.assert_allclose(single[0, ..., SOLDER], double[0, ..., SOLDER], atol=5e-4)
    middle = np.abs(single[0, 3:6, 3:6, SOLDER] - double[0, 3:6, 3:6, SOLDER])
    assert middle.max() < 2e-5  # mm; sums of 30 chords, each right to some 2e-7 of its length


def test_signal_and_variance_are_those_of_the_path_lengths():
    energies = scan_energies(130, 1.0, 0.5, 0.55, "SAC305")
    through = lengths(rich_scene(), BEAM, views=slice(0, 2))
    found = project(rich_scene(), BEAM, energies, views=slice(0, 2), sub_rays=1, dtype=np.float64)
    flat = through.reshape(-1, 5)
    np.testing.assert_allclose(found.signal.ravel(), energies.signal(flat), rtol=1e-10)
    np.testing.assert_allclose(found.variance.ravel(), energies.variance(flat), rtol=1e-10)


def mixed_scene():
    """A ball whose lower third is of the second alloy, beside a ball of one alloy."""
    mix = sd.cylinder((-0.4, 0.0, -0.1), (-0.4, 0.0, 0.12), 0.4, sd.MIX)
    scene = rich_scene()
    left = sd.join(scene.joints[0].solids, mix)
    return scene._replace(joints=(scenes.joint_of(left), scene.joints[1]))


def test_the_second_alloy_takes_its_share_of_the_solder():
    mixed, plain = (
        lengths(mixed_scene(), BEAM, views=slice(3, 4))[0],
        lengths(rich_scene(), BEAM, views=slice(3, 4))[0],
    )
    np.testing.assert_allclose(mixed[..., SOLDER] + mixed[..., SECOND], plain[..., SOLDER], atol=1e-12)
    np.testing.assert_array_equal(plain[..., SECOND], 0.0)
    source, directions = rays(BEAM, 3)
    steps, scene = np.linspace(37.0, 43.0, 6001), mixed_scene()
    for row, column in [(25, 28), (24, 28), (26, 29)]:
        points = source + (steps[:, None] + 0.0005) * directions[row, column]
        solids = scene.joints[0].solids
        second = sd.metal_inside(solids, points) & sd.inside(sd.of_role(solids, sd.MIX), points)[0]
        assert second.sum() > 50
        assert mixed[row, column, SECOND] == pytest.approx(0.001 * second.sum(), abs=3e-3)


def test_signal_behind_two_alloys_is_that_of_the_path_lengths():
    energies = scan_energies(130, 1.0, 0.5, 0.55, "SAC305", second_alloy="Sn63Pb37")
    flat = lengths(mixed_scene(), BEAM, views=slice(0, 2)).reshape(-1, 5)
    found = project(mixed_scene(), BEAM, energies, views=slice(0, 2), sub_rays=1, dtype=np.float64)
    np.testing.assert_allclose(found.signal.ravel(), energies.signal(flat), rtol=1e-10)
    one = scan_energies(130, 1.0, 0.5, 0.55, "SAC305")
    brighter = project(mixed_scene(), BEAM, one, views=slice(0, 2), sub_rays=1, dtype=np.float64).signal
    assert (found.signal - brighter).min() < -0.01  # lead absorbs more


def test_without_a_second_alloy_mix_changes_nothing():
    energies = scan_energies(130, 1.0, 0.5, 0.55, "SAC305")
    mixed, plain = (
        project(s, BEAM, energies, views=slice(0, 2), dtype=np.float64) for s in (mixed_scene(), rich_scene())
    )
    np.testing.assert_allclose(mixed.signal, plain.signal, rtol=1e-12)


def test_sub_rays_average_intensities():
    # A pixel's signal is the mean over its area: compare with a detector of half the pixel, averaged 2x2.
    energies, scene = scenes.one_energy(4.0), scenes.scene_of(sd.sphere((0.1, 0.2, 0.1), 0.4))
    fine = cone_beam(
        source_axis_mm=40.0, source_detector_mm=200.0, pixel_mm=0.125, columns=120, rows=100, views=12,
        first_angle_deg=4.0,
    )  # fmt: skip
    coarse = project(scene, BEAM, energies, views=slice(0, 3), dtype=np.float64).signal
    exact = project(scene, fine, energies, views=slice(0, 3), sub_rays=1, dtype=np.float64).signal
    np.testing.assert_allclose(coarse, exact.reshape(3, 50, 2, 60, 2).mean(axis=(2, 4)), rtol=1e-9)


def test_the_fast_exponential_is_the_exponential_to_single_precision():
    @njit
    def compiled(depth):
        decay(depth)

    depth = np.linspace(0.0, 80.0, 100_001)
    single, double = depth.astype(np.float32), depth.copy()
    compiled(single)
    compiled(double)
    np.testing.assert_allclose(single, np.exp(-depth.astype(np.float32).astype(float)), rtol=1e-5)
    np.testing.assert_allclose(double, np.exp(-depth), rtol=1e-14)
    at_zero = np.zeros(1, np.float32)
    compiled(at_zero)
    assert at_zero[0] == 1.0


def test_an_empty_scene_transmits_everything():
    views = project(scenes.scene_of(), BEAM, scenes.one_energy(), views=slice(0, 2))
    np.testing.assert_array_equal(views.signal, 1.0)


def test_bits_do_not_depend_on_threads_or_on_the_range_of_views():
    energies = scenes.one_energy(3.0)
    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        alone = project(rich_scene(), BEAM, energies).signal
        numba.set_num_threads(before)
        together = project(rich_scene(), BEAM, energies).signal
    finally:
        numba.set_num_threads(before)
    np.testing.assert_array_equal(alone, together)
    np.testing.assert_array_equal(project(rich_scene(), BEAM, energies, views=slice(5, 7)).signal, alone[5:7])


def test_too_many_solids_on_one_ray_do_not_pass_unseen():
    many = sd.join(sd.sphere((0, 0, 0), 0.5), *(sd.sphere((0, 0, 0), 0.3, role=sd.VOID) for _ in range(40)))
    with pytest.raises(Infeasible, match="solids of one joint"):
        project(scenes.scene_of(many), BEAM, scenes.one_energy())


def test_a_scan_fills_in_what_follows():
    beam = cone_beam(columns=8, rows=6, views=4, pixel_mm=0.1, voxel_mm=0.02, source_axis_mm=40.0)
    assert beam.source_detector_mm == pytest.approx(200.0)
    assert beam.magnification == pytest.approx(5.0)
    again = cone_beam(
        columns=8, rows=6, views=4, voxel_mm=0.02, source_axis_mm=40.0, source_detector_mm=200.0
    )
    assert again.pixel_mm == pytest.approx(0.1)
    np.testing.assert_allclose(beam.u_mm()[[0, -1]], [-0.35, 0.35])


def test_contradicting_or_missing_sizes_are_refused_by_name():
    with pytest.raises(InputError, match=r"magnification gives .* but pixel_mm/voxel_mm gives"):
        cone_beam(
            columns=8, rows=8, views=4, magnification=4, pixel_mm=0.1, voxel_mm=0.02, source_axis_mm=40.0
        )
    with pytest.raises(InputError, match="source_axis_mm"):
        cone_beam(columns=8, rows=8, views=4, pixel_mm=0.1, voxel_mm=0.02)
    with pytest.raises(InputError, match="give one of them"):
        cone_beam(columns=8, rows=8, views=4, pixel_mm=0.1, source_axis_mm=40.0)
    with pytest.raises(InputError, match="at least one column"):
        cone_beam(columns=0, rows=8, views=4, magnification=2, pixel_mm=0.1, source_axis_mm=40.0)
    with pytest.raises(InputError, match="source_axis_mm < source_detector_mm"):
        cone_beam(columns=8, rows=8, views=4, magnification=0.5, pixel_mm=0.1, source_axis_mm=40.0)


def test_view_frames_are_orthonormal_and_the_source_circles_in_x_and_z():
    frames = view_frames(BEAM, Pose(np.eye(3), np.zeros(3)), slice(None))
    np.testing.assert_allclose(frames[:, 0, 1], 0.0)
    np.testing.assert_allclose(np.linalg.norm(frames[:, 0], axis=1), 40.0)
    np.testing.assert_allclose(
        frames[:, 1:] @ frames[:, 1:].transpose(0, 2, 1), np.tile(np.eye(3), (12, 1, 1)), atol=1e-12
    )
