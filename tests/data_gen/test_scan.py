"""The whole road of a generated joint. Guards: a step that shifts, mirrors or rescales; rows without their record."""

from dataclasses import replace

import numpy as np
import pytest

from jointwise.data_gen.drawing.record_json import from_json
from jointwise.data_gen.drawing.records import JointRecord, ScannerRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.scan import (
    board_pose,
    found_joints,
    mistaken,
    reconstructed,
    scanned,
    simulate,
    simulate_volume,
    stored_like_file,
)
from jointwise.data_gen.settings import FamilySettings, GeneratorSettings, ScanSettings
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.scene import Boxes
from jointwise.joints.batch import Joints
from jointwise.joints.cutting import sample
from jointwise.joints.grid import Grid
from jointwise.joints.levels import Levels
from jointwise.joints.schema import SAMPLE_COLUMNS
from jointwise.joints.store import Store, StoreWriter

GRID = Grid((24, 28, 28))
SETTINGS = GeneratorSettings(
    family=FamilySettings(rows=(3, 3), cols=(3, 3)),
    scan=ScanSettings(voxels_per_ball=(12.0, 14.0), views=(90, 100)),
)


@pytest.fixture(scope="module")
def record():
    return draw_scan(SETTINGS, 5, 2)


@pytest.fixture(scope="module")
def joints(record):
    return simulate(record, GRID)


def without_errors(record, **changes):
    """The record with an ideal scanner but for the changes, and a finder whose errors stay."""
    scanner = replace(
        record.scanner,
        **{
            "photons_per_pixel": 1e14, "focal_spot_um": 0.0, "detector_blur_px": 0.0, "scatter_fraction": 0.0,
            "glare_fraction": 0.0, "gain_sd": 0.0, "read_noise": 0.0, "axis_offset_px": 0.0, "hann_cutoff": 100.0,
            "views": 240, "storage": "float32", "level_error": (0.0, 0.0), "gain_drift": 0.0,
            "bad_columns": 0, "bad_pixels": 0.0, "intensity_drift": 0.0, "intensity_sd": 0.0, "jitter_deg": 0.0,
            "spot_drift_um": (0.0, 0.0),
            "apodisation": "hann", "linearised": False,
        }
        | changes,
    )  # fmt: skip
    return replace(record, scanner=scanner)


def marked(scene, offset, radius=0.12):
    """The scene with every joint replaced by a small ball beside its centre, and nothing else."""
    joints = []
    for joint in scene.joints:
        ball = sd.sphere(joint.centre + offset, radius)
        joints.append(joint._replace(solids=ball, sphere_centre=joint.centre + offset, sphere_radius=radius))
    none = Boxes(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, np.int8))
    return scene._replace(joints=tuple(joints), necks=(), copper=sd.empty(), sunk=sd.empty(), boxes=none)


@pytest.mark.parametrize(
    ("storage", "mount"),
    [("float32", "upright"), ("uint16", "tilted"), ("uint8", "upright"), ("float32", "laminography")],
)
def test_an_off_centre_marker_lands_at_its_place_in_all_three_axes(storage, mount, tmp_path):
    # Through projection, reconstruction, storage as a file, the finder's errors, cutting and the store.
    record = draw_scan(replace(SETTINGS, scan=replace(SETTINGS.scan, mounts=(mount,))), 5, 2)
    record = without_errors(record, storage=storage, tilt_x_deg=1.4, tilt_y_deg=-1.2, in_plane_deg=9.0)
    scene = build_scene(record)
    offset = np.array([0.06, -0.045, 0.03])
    volumes, levels = scanned(record, marked(scene, offset), GRID)
    pose = board_pose(record, scene)
    found = found_joints(record, scene, pose)
    with StoreWriter(tmp_path, GRID, 1, {}) as writer:
        table = simulate_table(record, scene, levels)
        writer.add("scan", Joints(volumes, table, GRID))
    kept = Store(tmp_path).read()
    x, y, z = GRID.offsets_mm(record.board.pitch_mm, record.board.ball_mm)
    zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")
    points = np.stack([xx, yy, zz], axis=-1)
    for i, joint in enumerate(scene.joints):
        # Where the marker is, seen from where the finder put the joint.
        expected = (pose.to_file(joint.centre + offset) - found.centres_mm[i]) @ found.axes
        near = np.linalg.norm(points - expected, axis=-1) < 0.12 + 2 * record.scanner.voxel_mm
        weights = np.where(near, np.maximum(kept.volumes[i].astype(float) - 0.4, 0.0), 0.0)
        centre = np.tensordot(weights, points, axes=3) / weights.sum()
        np.testing.assert_allclose((centre - expected) / record.scanner.voxel_mm, 0.0, atol=0.1)


def simulate_table(record, scene, levels):
    from jointwise.data_gen.scan import joint_table

    return joint_table(record, scene, board_pose(record, scene), levels).assign(split="train")


def test_a_scan_too_noisy_for_anything_is_a_scan():
    """Fifteen quanta a pixel and few views: contrast below four times the noise, and still numbers and truth."""
    poor = ScanSettings(
        voxels_per_ball=(40.0, 40.0), views=(60, 60), photons_per_pixel=(15.0, 15.0), apodisations=("ramlak",),
        hann_cutoff=(1.6, 1.6), detector_blur_px=(0.2, 0.2), kvp=(80, 80), mounts=("upright",),
        storage=("float32",),
    )  # fmt: skip
    family = FamilySettings(rows=(2, 2), cols=(2, 2))
    joints = simulate(draw_scan(GeneratorSettings(family=family, scan=poor), 5, 0), GRID)
    assert 0.0 < joints.table["cnr"].iloc[0] < 4.0
    assert np.isfinite(joints.volumes).all()
    assert joints.table["metal_mm3"].notna().all()


def test_rows_carry_truth_place_and_record(record, joints):
    table = joints.table
    assert joints.volumes.shape == (9, *GRID.shape)
    assert joints.volumes.dtype == np.float16
    assert np.isfinite(joints.volumes.astype(float)).all()
    assert set(SAMPLE_COLUMNS) - {"split"} <= set(table.columns)
    assert (table["scan"] == record.scan).all()
    assert from_json(table["scanner_record"][0], ScannerRecord) == record.scanner
    assert tuple(from_json(t, JointRecord) for t in table["joint_record"]) == record.joints
    # Row 0, column 0 lies at the lowest x and y of the file's frame.
    first = table[(table["row"] == 0) & (table["col"] == 0)].iloc[0]
    assert first["x_mm"] == table[table["row"] == 0]["x_mm"].min()
    assert first["y_mm"] == table[table["col"] == 0]["y_mm"].min()
    assert (table["cnr"] > 1).all()


def test_solder_is_near_one_and_a_corner_of_the_box_near_zero(joints):
    present = joints.table["present"].to_numpy() > 0
    sound = (
        present
        & (joints.table["void_projected_area_pct"].to_numpy() < 2)
        & (joints.table["recipe"].to_numpy() == "sound")
    )
    middle = joints.volumes[:, 11:13, 13:15, 13:15].astype(float).mean(axis=(1, 2, 3))
    assert sound.any()
    assert np.all(np.abs(middle[sound] - 1.0) < 0.45)  # cupping darkens some, edge joints are brighter
    lanes = joints.volumes[present][:, 12, [4, 4, 23, 23], [4, 23, 4, 23]].astype(float)
    assert abs(np.median(lanes)) < 0.3


def test_a_record_gives_the_same_bits_again(record, joints):
    again = simulate(record, GRID)
    np.testing.assert_array_equal(again.volumes, joints.volumes)
    assert again.table.equals(joints.table)


def test_another_noise_seed_changes_the_noise_only(record, joints):
    other = simulate(replace(record, scanner=replace(record.scanner, noise_seed=99)), GRID)
    difference = other.volumes.astype(float) - joints.volumes.astype(float)
    assert 0 < difference.std() < 0.2


def test_the_whole_volume_holds_what_the_sub_volumes_are_cut_from(record):
    record = replace(record, scanner=replace(record.scanner, storage="float32"))
    volume, lattice, table = simulate_volume(record, margin_mm=0.2)
    assert volume.shape == lattice.shape
    scene = build_scene(record)
    pose = board_pose(record, scene)
    np.testing.assert_allclose(
        table[["x_mm", "y_mm", "z_mm"]], pose.to_file(np.array([j.centre for j in scene.joints])), atol=1e-12
    )
    metal = table["metal_mm3"].to_numpy() > 0.8 * record.board.nominal_mm3
    at_centres = sample(volume, lattice, table[["x_mm", "y_mm", "z_mm"]].to_numpy())
    assert np.median(at_centres[metal]) > 0.5 * np.percentile(volume, 99)


def test_reconstruction_without_noise_is_blind_to_the_noise_seed(record):
    from jointwise.data_gen.xray.reconstruct import all_voxels
    from jointwise.joints.lattice import Lattice

    scene = build_scene(record)
    pose = board_pose(record, scene)
    spot = all_voxels(Lattice((3, 3, 3), (0.0, 0.0, 0.0), (0.04, 0.04, 0.04)))
    one = reconstructed(without_errors(record, noise_seed=1), scene, pose, spot)
    other = reconstructed(without_errors(record, noise_seed=2), scene, pose, spot)
    np.testing.assert_allclose(one, other, atol=1e-4)
    assert one.min() > 0.3  # metal


def test_storage_rounds_like_a_file():
    rng = np.random.default_rng(0)
    volume = rng.normal(0.5, 1.0, (20, 20, 20)).astype(np.float32)
    assert stored_like_file(volume, "float32") is volume
    for storage, levels in (("uint8", 255), ("uint16", 65535)):
        stored = stored_like_file(volume, storage)
        assert stored.dtype == np.dtype(storage)
        low, high = np.percentile(volume, (0.05, 99.95))
        step = 1.2 * (high - low) / levels
        back = stored * step + low - (high - low) / 10
        inside = (volume > low) & (volume < high)
        np.testing.assert_allclose(back[inside], volume[inside], atol=0.51 * step)


def test_levels_are_mistaken_by_shares_of_their_difference():
    assert mistaken(Levels(0.1, 2.1, 0.3), (0.0, 0.0)) == Levels(0.1, 2.1, 0.3)
    wrong = mistaken(Levels(0.1, 2.1, 0.3), (0.02, -0.01))
    assert (wrong.air, wrong.solder, wrong.noise) == pytest.approx((0.14, 2.08, 0.3))
