"""Masks of joints. Guards: shares that lose volume, a shifted or mirrored mask, masks that disagree with the truth."""

import math
from dataclasses import replace

import numpy as np
import pytest

from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.scan import scan_masks, simulate
from jointwise.data_gen.settings import DefectSettings, FamilySettings, GeneratorSettings, ScanSettings
from jointwise.data_gen.shapes import columns as cl
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.columns import sweep
from jointwise.data_gen.shapes.occupancy import scene_masks
from jointwise.data_gen.shapes.scene import Boxes, Joint, Neck, Scene
from jointwise.data_gen.shapes.truth import ask_truth, tell_truth
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import rotation
from jointwise.joints.masks import FULL, MASKS, cell_mm, mask_shape

GRID, PITCH, BALL = Grid(), 0.8, 0.48
CELL = cell_mm(GRID, PITCH, BALL)
SOLDER, VOID, GAP, BRIDGE = range(4)
HIGH, RADIUS, LAND = 0.4, 0.22, 0.15
MIDDLE = np.array([0.0, 0.0, HIGH / 2])


def joint(*solids, x=0.0, col=0, land=LAND):
    here = np.array([x, 0.0])
    middle = np.array([x, 0.0, HIGH / 2])
    moved = sd.moved(sd.join(*solids), (x, 0.0, 0.0))
    return Joint(0, col, moved, middle, middle, RADIUS, here, here, HIGH, land, land, 0.05)


def scene_of(*joints, necks=()):
    none = np.zeros((0, 3))
    return Scene(joints, necks, sd.empty(), sd.empty(), Boxes(none, none, np.zeros(0, np.int8)))


def shares(scene, centre=MIDDLE, axes=None, index=0):
    """Masks of one joint as shares; and their volumes in mm^3."""
    axes = np.eye(3) if axes is None else axes
    masks = scene_masks(scene, [index], np.atleast_2d(centre), axes, GRID, PITCH, BALL)[0]
    assert masks.shape == mask_shape(GRID)
    assert masks.dtype == np.uint8
    found = masks.astype(float) / FULL
    return found, found.sum((1, 2, 3)) * math.prod(CELL)


def block(low, high, role=sd.BODY, radius=LAND):
    return sd.cylinder((0, 0, low), (0, 0, high), radius, role)


def test_volumes_of_a_ball_and_of_a_void_in_it():
    ball, gas = sd.sphere(MIDDLE, 0.19), sd.sphere(MIDDLE + np.array([0.05, -0.03, 0.04]), 0.06, sd.VOID)
    void = 4 / 3 * math.pi * 0.06**3
    _, volumes = shares(scene_of(joint(ball, gas, land=1e-6)), MIDDLE + np.array([0.011, 0.007, -0.013]))
    assert volumes[VOID] == pytest.approx(void, rel=5e-3)
    assert volumes[SOLDER] == pytest.approx(4 / 3 * math.pi * 0.19**3 - void, rel=1e-3)
    assert volumes[GAP] == volumes[BRIDGE] == 0.0


@pytest.mark.parametrize("thickness", [0.06, 0.1, 0.37, 1.6])
def test_a_flat_gap_far_thinner_than_a_cell_keeps_its_thickness(thickness):
    """0.1 cells are 25.5 of 255: rounded alike everywhere, 2 % would be lost."""
    mean = thickness * CELL[2]
    parted = (block(0.0, HIGH), block(0.21, 0.21 + mean, sd.GAP, 1.0))
    found, _ = shares(scene_of(joint(*parted)))
    inner = found[GAP][:, 12:16, 12:16]
    assert inner.sum(0).mean() == pytest.approx(thickness, rel=0.01)
    lifted = block(mean, HIGH)
    found, _ = shares(scene_of(joint(lifted)))
    assert found[GAP][:, 12:16, 12:16].sum(0).mean() == pytest.approx(thickness, rel=0.01)


def test_a_lifted_joint_has_its_gap_over_the_land_alone():
    lifted = sd.cylinder((0, 0, 0.03), (0, 0, HIGH), 0.2)
    _, volumes = shares(scene_of(joint(lifted)))
    assert volumes[GAP] == pytest.approx(math.pi * LAND**2 * 0.03, rel=0.02)
    _, upside = shares(scene_of(joint(sd.cylinder((0, 0, 0), (0, 0, HIGH - 0.03), 0.2))))
    assert upside[GAP] == pytest.approx(volumes[GAP], rel=1e-2)


def test_a_turned_box_sees_the_joint_turned():
    """A gas ball's middle lies where the box's own axes say, and the joint's metal and gaps keep their volume."""
    at = np.array([0.05, -0.04, 0.31])
    scene = scene_of(joint(block(0.02, HIGH), sd.sphere(at, 0.05, sd.VOID)))
    axes, centre = rotation(4.0, -3.0, 0.0), MIDDLE + np.array([0.02, -0.01, 0.03])
    found, volumes = shares(scene, centre, axes)
    straight = shares(scene)[1]
    np.testing.assert_allclose(volumes, straight, rtol=0.02)
    z, y, x = np.indices(found[VOID].shape)
    place = [float((i * found[VOID]).sum() / found[VOID].sum()) for i in (x, y, z)]
    offset = (np.array(place) - (np.array(found[VOID].shape[::-1]) - 1) / 2) * CELL
    np.testing.assert_allclose(offset, axes.T @ (at - centre), atol=0.001)


def test_a_bridge_is_counted_between_both_balls_and_solder_up_to_the_middle():
    apart, radius, thick = 0.6, 0.2, 0.05
    neck = sd.cylinder((0.1, 0, 0.2), (apart - 0.1, 0, 0.2), thick)
    ends = np.array([0.1, 0, 0.2]), np.array([apart - 0.1, 0, 0.2])
    bridge = Neck(neck, (0, 1), *ends, math.pi * thick**2)
    pair = [joint(block(0, HIGH, radius=radius), x=apart * i, col=i) for i in range(2)]
    found, volumes = shares(scene_of(*pair, necks=(bridge,)))
    plain = shares(scene_of(*pair))[1]
    # What a ball takes of the neck is a little more than up to its foremost point.
    between = math.pi * thick**2 * (apart - 2 * radius + 2 * thick**2 / (8 * radius))
    assert volumes[BRIDGE] == pytest.approx(between, rel=0.02)
    assert volumes[SOLDER] - plain[SOLDER] == pytest.approx(between / 2, rel=0.03)
    mirrored = shares(scene_of(*pair, necks=(bridge,)), MIDDLE + np.array([apart, 0, 0]), index=1)[0]
    np.testing.assert_allclose(mirrored[..., ::-1], found, atol=2 / FULL)
    # A neck that ends in gas joins nothing.
    hollow = joint(block(0, HIGH, radius=radius), sd.sphere((-0.1, 0, 0.2), 0.09, sd.VOID), x=apart, col=1)
    assert shares(scene_of(pair[0], hollow, necks=(bridge,)))[1][BRIDGE] == 0.0


@pytest.fixture(scope="module")
def board():
    """A board of 30 joints with faults of all kinds."""
    faults = DefectSettings(
        head_in_pillow=0.3, non_wet=0.3, voids_finding=0.2, pillow_gap_um=(5, 80), open_gap_um=(5, 100)
    )
    scan = ScanSettings(centre_error_voxels=0.2, height_error_voxels=0.2)
    settings = GeneratorSettings(FamilySettings(rows=(5, 5), cols=(6, 6)), defects=faults, scan=scan)
    return draw_scan(settings, 3, 1)


def test_masks_agree_with_the_truth_of_drawn_joints(board):
    scene = build_scene(board)
    cell = cell_mm(GRID, board.board.pitch_mm, board.board.ball_mm)
    volume = scan_masks(board, scene, GRID).astype(float).sum((2, 3, 4)) / FULL * math.prod(cell)
    asked = ask_truth(scene, 0.004, board.kept)
    swept = [sweep(ready) for ready in asked.sweeps if ready is not None]
    table = tell_truth(asked, swept)
    there = [i for i, ready in enumerate(asked.sweeps) if ready is not None]
    assert (table[["void", "non_wet", "bridging", "head_in_pillow"]] == 1).sum().min() >= 2
    for i, c in zip(there, swept, strict=True):
        row, sums = table.iloc[i], c.sums * c.cell_mm2
        # A neck between tilted columns is halved at a plane that leans by tenths of a degree.
        assert volume[i, SOLDER] == pytest.approx(row["metal_mm3"], rel=0.01)
        assert volume[i, VOID] == pytest.approx(sums[cl.GAS], rel=0.03, abs=2e-5)
        gaps = sums[cl.SHELL_GAP] + sums[cl.LIFT_B] + sums[cl.LIFT_P]
        assert volume[i, GAP] == pytest.approx(gaps, rel=0.04, abs=3e-5)
        assert (volume[i, BRIDGE] > 0) == (row["bridging"] == 1)


def test_masks_lie_where_the_sub_volume_is_bright_and_dark():
    """A scan without noise: metal bright, gas and gaps dark, and less so for every mirrored mask."""
    faults = DefectSettings(
        head_in_pillow=0.4, non_wet=0.4, pillow_gap_um=(40, 80), open_gap_um=(40, 100), voids_finding=0.3
    )
    scan = ScanSettings(
        ("upright",),
        voxels_per_ball=(16, 17),
        views=(180, 190),
        pixels_mm=(0.2,),
        photons_per_pixel=(1e5, 1e5),
    )
    record = draw_scan(
        GeneratorSettings(FamilySettings(rows=(3, 3), cols=(2, 2)), defects=faults, scan=scan), 4, 1
    )
    quiet = {
        "photons_per_pixel": 1e12,
        "scatter_fraction": 0.0,
        "focal_spot_um": 0.0,
        "level_error": (0.0, 0.0),
    }
    joints = simulate(replace(record, scanner=replace(record.scanner, **quiet)), GRID, True)
    assert joints.masks is not None
    n, (z, y, x) = len(joints), mask_shape(GRID)[1:]
    coarse = joints.volumes.astype(float).reshape(n, z, 2, y, 2, x, 2).mean((2, 4, 6))
    solder, gas, gap = (
        joints.masks[:, MASKS.index(name)].astype(float) for name in ("solder", "void", "gap")
    )
    # Of gas and gaps only cells wholly within the joint: outside it is as dark.
    within = solder + gas + gap > 0.95 * FULL
    everywhere = np.ones_like(within)
    for name, mask, sign, where in (
        ("solder", solder, 1, everywhere),
        ("gas and gap", gas + gap, -1, within),
    ):
        match, *mirrored = (
            sign * float(np.corrcoef(coarse[where], turned[where])[0, 1])
            for turned in (mask, *(np.flip(mask, axis) for axis in (1, 2, 3)))
        )
        assert match > 0.5, name
        assert match > max(mirrored), name
