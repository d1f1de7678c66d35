"""Painting: nothing changed where nothing is painted, the right change where something is, and what is refused.

The lab's scan is one of our own generator here, so that what was painted can be held against what the same faults look
like when they are generated; that it holds on a stranger's scan too is shown on a board of the mesh simulator.
"""

import json
from dataclasses import replace

import numpy as np
import pytest

from jointwise.data_gen.drawing.records import VoidRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.paint import (
    NEEDED,
    Model,
    check_paintable,
    faulty_record,
    model_of,
    paint_scan,
    paintable,
    painted,
)
from jointwise.data_gen.paint_fit import blur_px, see, solder_of
from jointwise.data_gen.scan import board_pose, joint_table, scan_boxes
from jointwise.data_gen.settings import (
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
    ProcessSettings,
    ScanSettings,
)
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.environment import site_height
from jointwise.data_gen.shapes.solids import metal_inside
from jointwise.joints.batch import Joints
from jointwise.joints.cutting import scale
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid

GRID = Grid((24, 28, 28))
CELL = float(np.prod(GRID.spacing_mm(0.8, 0.5)))  # mm³
RATES = (
    *(
        "head_in_pillow",
        "non_wet",
        "bridging",
        "missing",
        "waist",
        "near_bridge",
        "partial_wetting",
        "via_in_pad",
    ),
    *("voids_finding", "voids_near", "voids_small", "voids_free", "voids_sheet", "voids_shrinkage"),
)
NOTHING = replace(DefectSettings(), **dict.fromkeys(RATES, 0.0))
SCAN = ScanSettings(
    mounts=("upright",), apodisations=("hann",), linearised=0.0, gain_drift=(0, 0), bad_columns=(0, 0),
    bad_pixels=(0, 0), intensity_drift=0.0, intensity_sd=(0, 0), jitter_deg=(0, 0), spot_drift_um=0.0,
    kvp=(130, 130), filter_al_mm=(1, 1), filter_cu_mm=(0.4, 0.4), voxels_per_ball=(16, 16), views=(100, 100),
    photons_per_pixel=(1e9, 1e9), focal_spot_um=(0.1, 0.1), detector_blur_px=(0.7, 0.7), pixels_mm=(0.1,),
    sdd_mm=(400, 400), scatter_fraction=(0, 0), gain_sd=(0, 0), read_noise=(0, 0), glare_fraction=(0, 0),
    axis_offset_px=0.0, hann_cutoff=(1.3, 1.3), storage=("float32",), plane_error_deg=0.0, level_error=0.0,
)  # fmt: skip
FAMILY = FamilySettings(
    ball_range_mm=(0.5, 0.5),
    rows=(2, 2),
    cols=(3, 3),
    board_land_range_mm=(0.4, 0.4),
    package_land_range_mm=(0.4, 0.4),
)
# Joints of the plain kind: round lands, one alloy.
PROCESS = replace(ProcessSettings(), mixed=0.0, oblong=0.0)
SOUND = GeneratorSettings(FAMILY, PROCESS, NOTHING, SCAN)


@pytest.fixture(scope="module")
def known():
    """A sound board of which all is known, as if the model had met it: record, lab's joints, model."""
    record = draw_scan(SOUND, 3, 0)
    scene = build_scene(record)
    boxes, levels = scan_boxes(record, scene, GRID)
    pose = board_pose(record, scene)
    table = joint_table(record, scene, pose, levels)
    table = table.assign(split="validation", axes=json.dumps(pose.rotation.tolist()))[list(NEEDED)]
    noise = np.random.default_rng(1).normal(0.0, 0.02, boxes.shape)
    lab = Joints((scale(boxes, levels) + noise).astype(np.float16), table, GRID)
    model = Model(record, boxes, levels, np.ones(6, bool), (0.0, 0.0), (0.0, 0.0))
    return record, lab, model


def sites(record):
    return {(j.row, j.col) for j in record.joints}


def with_joint(record, index, **changes):
    joints = list(record.joints)
    joints[index] = replace(joints[index], **changes)
    return replace(record, joints=tuple(joints))


def test_painting_nothing_keeps_every_bit(known):
    record, lab, model = known
    drawn = draw_scan(SOUND, 3, 77)
    same = painted(lab, model, faulty_record(record, drawn, sites(record)), np.arange(6), "x")
    assert np.array_equal(same.volumes.view(np.uint16), lab.volumes.view(np.uint16))


def test_a_void_takes_its_own_volume_out_and_the_joint_keeps_its_metal(known):
    record, lab, model = known
    void = VoidRecord(0.2, 1.0, "bulk", 0.5, 0.0, 0.0)
    change = painted(lab, model, with_joint(record, 1, voids=(void,)), np.array([1]), "x")
    volume = (change.volumes[0].astype(float) - lab.volumes[1].astype(float)) * CELL
    x, y, z = GRID.offsets_mm(0.8, 0.5)
    zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")
    inside = np.sqrt(xx**2 + yy**2 + zz**2) < 0.17
    # Beam hardening and blur make it a few per cent less than the ball's volume; the metal that went to the rim of the
    # joint counts more there than in its core, so the sum is not quite zero.
    assert -volume[inside].sum() == pytest.approx(np.pi * 0.2**3 / 6, rel=0.12)
    assert abs(volume.sum()) < 0.3 * np.pi * 0.2**3 / 6
    assert change.table["void"].iloc[0] == 1.0


def test_less_metal_makes_a_change_of_that_integral(known):
    record, lab, model = known
    taken = 0.1 * record.joints[4].solder_mm3
    less = painted(
        lab, model, with_joint(record, 4, solder_mm3=record.joints[4].solder_mm3 - taken), np.array([4]), "x"
    )
    change = (less.volumes[0].astype(float) - lab.volumes[4].astype(float)).sum() * CELL
    assert change == pytest.approx(-taken, rel=0.1)


def test_truth_comes_from_the_solids_and_the_rest_from_the_lab(known):
    record, lab, model = known
    drawn = draw_scan(replace(SOUND, defects=replace(NOTHING, non_wet=1.0, bare=1.0)), 3, 5)
    rows = np.array([5, 2])
    out = painted(lab, model, faulty_record(record, drawn, sites(record)), rows, "lab_painted_000")
    assert list(out.table["non_wet"]) == [1.0, 1.0]
    assert out.table["gap_um"].between(3, 110).all()
    for column in ("ball", "board_id", "split", "x_mm", "cnr", "voxel_um"):
        assert list(out.table[column]) == list(lab.table[column].iloc[rows])
    assert list(out.table["painted_from"]) == [f"{record.scan}:B3", f"{record.scan}:A3"]
    assert set(out.table["scan"]) == {"lab_painted_000"}


def test_faults_and_bridges_stay_with_the_wanted_sites(known):
    record = known[0]
    wanted = {(0, 0), (0, 1), (1, 1)}
    settings = replace(SOUND, defects=replace(NOTHING, bridging=0.5, near_bridge=1.0, non_wet=1.0))

    def within(scan):
        return [(n.first, n.second) for n in scan.necks if {n.first, n.second} <= wanted]

    scans = (draw_scan(settings, 3, number) for number in range(40))
    drawn = next(s for s in scans if 0 < len(within(s)) < len(s.necks))
    faulty = faulty_record(record, drawn, wanted)
    for joint, sound in zip(faulty.joints, record.joints, strict=True):
        assert bool(joint.gaps) == ((joint.row, joint.col) in wanted)
        assert joint.solder_mm3 == sound.solder_mm3
        assert joint.found_voxels == sound.found_voxels
    assert [(n.first, n.second) for n in faulty.necks] == within(drawn)
    assert len(faulty_record(record, drawn, sites(record)).necks) == len(drawn.necks)


@pytest.mark.slow
def test_painted_faults_come_close_to_generated_ones(known):
    """The model knows neither the board's metal nor its height: it measures them. Changes of more than 0.03 rms
    correlate above 0.97 and differ by less than a fifth of their own rms (or 0.012)."""
    record, lab, _ = known
    defects = replace(DefectSettings(), via_in_pad=0.0)
    wide = replace(FAMILY, rows=(5, 5), cols=(5, 5))
    settings = GeneratorSettings(wide, PROCESS, defects, scan=replace(SCAN, detector_blur_px=(0.4, 0.4)))
    model = model_of(lab, settings, seed=1, number=0, edge_um=None)
    for ours, true in zip(model.record.joints, record.joints, strict=True):
        assert ours.solder_mm3 == pytest.approx(true.solder_mm3, rel=0.05)
        heights = [site_height(r.board, j) for r, j in ((model.record, ours), (record, true))]
        assert heights[0] == pytest.approx(heights[1], abs=0.015)
        assert np.abs(np.subtract(ours.found_voxels, true.found_voxels)).max() < 0.15
    narrow = replace(settings, family=replace(FAMILY))
    drawn = draw_scan(replace(narrow, defects=replace(defects, missing=0.0)), 1, 4)
    out = painted(lab, model, faulty_record(model.record, drawn, sites(record)), np.arange(6), "x")
    faulty = faulty_record(record, drawn, sites(record))
    boxes, _ = scan_boxes(faulty, build_scene(faulty), GRID)
    base, levels = scan_boxes(record, build_scene(record), GRID)
    compared = 0
    for i in range(6):
        ours = out.volumes[i].astype(float) - lab.volumes[i].astype(float)
        true = (boxes[i] - base[i]) / (levels.solder - levels.air)
        size, off = np.sqrt((true**2).mean()), np.sqrt(((ours - true) ** 2).mean())
        if size > 0.03:
            compared += 1
            assert np.corrcoef(ours.ravel(), true.ravel())[0, 1] > 0.97
            assert off < max(0.2 * size, 0.012)
    assert compared >= 3


def largest_section(joint):
    """Diameter of a circle as large as the joint's largest section (mm), by counting points of 5 um."""
    steps = np.arange(-0.4, 0.4, 0.005)
    x, y = np.meshgrid(steps + joint.centre[0], steps + joint.centre[1])
    levels = [np.full_like(x, share * joint.height_mm) for share in np.linspace(0.3, 0.7, 9)]
    points = [np.stack([x, y, z], axis=-1).reshape(-1, 3) for z in levels]
    return 2 * np.sqrt(max(metal_inside(joint.solids, p).sum() for p in points) * 0.005**2 / np.pi)


def test_measures_of_a_sub_volume_follow_the_ball(known):
    record, lab, _ = known
    seen = see(lab, 0.8, 0.5)
    scene = build_scene(record)
    widest = [largest_section(j) for j in scene.joints]
    assert np.abs(seen.diameter / widest - 1).max() < 0.06
    assert np.abs(seen.x * 1000 / 31.25 + [j.found_voxels[0] for j in record.joints]).max() < 0.35
    empty = see(Joints(np.zeros((1, *GRID.shape), np.float16), lab.table.iloc[:1], GRID), 0.8, 0.5)
    assert np.isnan(empty.diameter).all()


def test_metal_of_a_diameter_and_a_blur_for_an_edge(known):
    board = known[0].board
    # A truncated sphere: radius 0.27 on wetted radii of 0.195 both.
    height = 2 * np.sqrt(0.27**2 - 0.195**2)
    cap = np.pi * height * (6 * 0.195**2 + height**2) / 6
    assert solder_of(0.54, float(height), board) == pytest.approx(cap, rel=1e-6)
    # 20-80 % of a Gaussian edge is 1.683 standard deviations.
    assert blur_px(0.3, 1.683242 * 0.05, 1.683242 * 0.03, 0.02) == pytest.approx(
        np.sqrt(0.3**2 + 4.0), rel=1e-6
    )
    with pytest.raises(InputError, match="wider than their lands"):
        solder_of(0.3, 0.36, board)


def test_what_cannot_be_painted_is_refused(known):
    _, lab, _ = known
    for change, words in (
        (lab.table.drop(columns="axes"), "expected the columns axes"),
        (lab.table.assign(judging_only=True), "judging only"),
        (lab.table.assign(painted_from="a:A1"), "found painted ones"),
    ):
        with pytest.raises(InputError, match=words):
            check_paintable(Joints(lab.volumes, change, GRID))
    broken = lab.volumes.copy()
    broken[2, 0, 0, 0] = np.nan
    with pytest.raises(InputError, match="finite"):
        check_paintable(Joints(broken, lab.table, GRID))
    with pytest.raises(InputError, match="copies"):
        next(paint_scan(lab, SOUND, seed=0, copies=0))
    with pytest.raises(InputError, match="found none that measures so"):
        next(paint_scan(Joints(np.zeros_like(lab.volumes), lab.table, GRID), SOUND, seed=0))


def test_joints_with_a_finding_at_the_edge_or_missing_are_left_out(known):
    _, lab, _ = known
    table = lab.table.assign(
        findings=[None, "void", None, None, None, None], in_field=[True, True, False, True, True, True],
        present=[1, 1, 1, 0, 1, 1],
    )  # fmt: skip
    joints = Joints(lab.volumes, table, GRID)
    assert list(np.flatnonzero(paintable(joints, only_sound=True))) == [0, 4, 5]
    assert list(np.flatnonzero(paintable(joints, only_sound=False))) == [0, 1, 4, 5]
