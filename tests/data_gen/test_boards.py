"""Arrays and families: which sites there are, which become samples, how warpage, bow and offset act.

Guards: a site without land that still holds a joint, joints that only cast shadows turning up as samples, heights
that ignore the board, opens that follow warpage without being asked.
"""

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from jointwise.data_gen.drawing.board import draw_board, draw_sites
from jointwise.data_gen.drawing.record_json import from_json, to_json
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.scan import board_pose, found_joints, joint_table
from jointwise.data_gen.settings import DefectSettings, FamilySettings, GeneratorSettings, ProcessSettings
from jointwise.data_gen.shapes import build, truth
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.environment import site_height
from jointwise.data_gen.shapes.scene import COPPER, LAMINATE
from jointwise.joints.errors import InputError

NO_VOIDS = {f"voids_{kind}": 0.0 for kind in ("finding", "near", "small", "free", "sheet", "shrinkage")}
SMALL = FamilySettings(rows=(3, 3), cols=(4, 4))


def sites_of(form_seeds=range(60), rows=9, cols=11):
    family = FamilySettings(rows=(rows, rows), cols=(cols, cols), depopulated=1.0)
    for seed in form_seeds:
        rng = np.random.default_rng(seed)
        board = draw_board(rng, family, ProcessSettings(), "board")
        yield set(draw_sites(rng, family, board))


def test_depopulated_arrays_come_in_the_four_forms_of_the_trade():
    every = {(r, c) for r in range(9) for c in range(11)}
    seen = {"perimeter": 0, "centre": 0, "corner": 0, "random": 0}
    for sites in sites_of():
        absent = every - sites
        rings = {min(r, c, 8 - r, 10 - c) for r, c in absent}
        if absent == {(0, 0)}:
            seen["corner"] += 1
        elif sites == {s for s in every if min(s[0], s[1], 8 - s[0], 10 - s[1]) < min(rings)}:
            seen["perimeter"] += 1
        elif (4, 5) in absent and all(abs(r - 4) < 3 and abs(c - 5) < 4 for r, c in absent):
            seen["centre"] += 1
        else:
            seen["random"] += 1
            assert len(absent) < 30
    assert min(seen.values()) >= 5, seen


def test_without_depopulation_every_site_is_there():
    record = draw_scan(GeneratorSettings(SMALL), 1, 0)
    assert [(j.row, j.col) for j in record.joints] == [(r, c) for r in range(3) for c in range(4)]
    assert record.kept == tuple(range(12))


def test_depopulated_sites_have_neither_land_nor_joint_and_no_bridge():
    family = dataclasses.replace(SMALL, rows=(5, 5), cols=(5, 5), depopulated=1.0)
    for number in range(4):
        record = draw_scan(GeneratorSettings(family), 2, number)
        sites = {(j.row, j.col) for j in record.joints}
        assert all({n.first, n.second} <= sites for n in record.necks)
        reached = {(j.row + b.drow, j.col + b.dcol) for j in record.joints for b in j.bulges}
        assert reached <= sites
    scene = build.build_scene(record)
    assert len(scene.joints) == len(sites)


def kept_scan():
    family = dataclasses.replace(SMALL, rows=(8, 8), cols=(8, 8), kept=6)
    return draw_scan(GeneratorSettings(family), 3, 1)


def test_only_kept_joints_become_samples_and_the_others_are_sound():
    record = kept_scan()
    assert len(record.kept) == 6
    assert from_json(to_json(record)) == record
    for joint in record.joints:
        if not joint.kept:
            assert joint.recipe == "sound"
            assert joint.voids == ()
    kept = {(record.joints[i].row, record.joints[i].col) for i in record.kept}
    assert all(n.first in kept or n.second in kept for n in record.necks)
    scene = build.build_scene(record)
    pose = board_pose(record, scene)
    table = joint_table(record, scene, pose, None)
    assert [(r, c) for r, c in zip(table["row"], table["col"], strict=True)] == [
        (record.joints[i].row, record.joints[i].col) for i in record.kept
    ]
    assert found_joints(record, scene, pose).centres_mm.shape == (6, 3)
    whole = truth.scene_truth(scene, 0.01).iloc[list(record.kept)]
    some = truth.scene_truth(scene, 0.01, record.kept)
    for name in ("clearance_um", "bridging", "metal_mm3"):
        np.testing.assert_array_equal(whole[name], some[name])


def test_which_joints_are_kept_does_not_depend_on_faults():
    family = dataclasses.replace(SMALL, rows=(6, 6), cols=(6, 6), kept=8)
    quiet = DefectSettings(head_in_pillow=0, non_wet=0, bridging=0, missing=0)
    one, other = (draw_scan(GeneratorSettings(family, defects=d), 4, 0) for d in (DefectSettings(), quiet))
    assert one.kept == other.kept
    assert one.board == other.board


def test_a_large_array_is_drawn_and_built_with_air_between_its_joints():
    family = dataclasses.replace(SMALL, rows=(20, 20), cols=(20, 20), kept=4)
    process = ProcessSettings(profile="quadric", mixed=0.0)
    record = draw_scan(GeneratorSettings(family, process), 5, 0)
    scene = build.build_scene(record)
    assert len(scene.joints) == 400
    assert sum(j.solids.size == 1 for j in scene.joints) > 380


def test_families_are_drawn_per_board():
    families = tuple(
        dataclasses.replace(SMALL, name=name, pitch_mm=pitch) for name, pitch in (("a", 0.8), ("b", 0.9))
    )
    records = [draw_scan(GeneratorSettings(families=families), 6, n) for n in range(24)]
    seen = {(r.board.component, r.board.pitch_mm) for r in records}
    assert seen == {("a", 0.8), ("b", 0.9)}
    settings = GeneratorSettings(families=families)
    assert from_json(to_json(settings), GeneratorSettings) == settings


def test_mixed_configuration_holds_the_families_of_their_own_files():
    import yaml

    folder = Path(__file__).parents[2] / "configs" / "family"
    mixed = yaml.safe_load((folder / "mixed.yaml").read_text())["families"]
    assert len(mixed) == 6
    for values in mixed:
        own = yaml.safe_load((folder / f"{values['name']}.yaml").read_text())
        size = {"rows", "cols", "kept", "depopulated"}
        assert {k: v for k, v in values.items() if k not in size} == {
            k: v for k, v in own.items() if k not in size
        }
        FamilySettings(**values)


def test_height_follows_warpage_twist_and_bow():
    record = draw_scan(GeneratorSettings(SMALL), 7, 0)
    joint = dataclasses.replace(record.joints[0], row=0, col=3, lift_mm=0.01)
    board = dataclasses.replace(
        record.board, height_mm=0.4, warpage=(0.01, -0.02, 0.005), bow=(0.004, -0.001)
    )
    x, y = 1.5 * board.pitch_mm, -1.0 * board.pitch_mm
    expected = 0.41 + (0.01 - 0.004) * x**2 + (-0.02 + 0.001) * y**2 + 0.005 * x * y
    assert site_height(board, joint) == pytest.approx(expected)


def test_bow_is_drawn_within_its_limit():
    process = ProcessSettings(bow=0.04, warpage=0.0)
    boards = [draw_board(np.random.default_rng(n), SMALL, process, "b") for n in range(40)]
    sag = [abs(b.bow[0]) * (1.5 * b.pitch_mm) ** 2 + abs(b.bow[1]) * b.pitch_mm**2 for b in boards]
    assert max(s / b.ball_mm for s, b in zip(sag, boards, strict=True)) <= 0.04 + 1e-9
    assert np.mean(sag) > 0.003


def test_opens_follow_warpage_only_when_asked():
    family = dataclasses.replace(SMALL, rows=(6, 6), cols=(6, 6))

    def correlation(follow):
        defects = DefectSettings(opens_follow_warpage=follow, **NO_VOIDS)
        high, failed = [], []
        for number in range(40):
            record = draw_scan(GeneratorSettings(family, defects=defects), 8, number)
            heights = np.array([site_height(record.board, j) for j in record.joints])
            high += list((heights - heights.mean()) / np.abs(heights - heights.mean()).max())
            failed += [j.recipe in ("non_wet", "head_in_pillow") for j in record.joints]
        return np.corrcoef(high, failed)[0, 1], np.mean(failed)

    (apart, share), (along, share_along) = correlation(0.0), correlation(1.0)
    assert abs(apart) < 0.1  # 4 standard deviations of 1440 joints
    assert along > 0.2
    assert share == pytest.approx(0.4, abs=0.06)
    assert share_along == pytest.approx(0.4, abs=0.06)


def test_packages_are_placed_within_and_on_some_boards_beyond_the_limit():
    boards = [draw_board(np.random.default_rng(n), SMALL, ProcessSettings(), "b") for n in range(300)]
    off = np.array([math.hypot(*b.package_offset) / b.board_land_mm for b in boards])
    assert (off <= 0.35 + 1e-9).all()
    assert np.mean(off > 0.081) == pytest.approx(0.08, abs=0.07)
    assert (off > 0.25).any()


def test_joints_of_a_badly_placed_package_keep_their_metal():
    process = ProcessSettings(offset_far_rate=1.0, offset_far=(0.34, 0.35))
    record = draw_scan(GeneratorSettings(dataclasses.replace(SMALL, rows=(2, 2), cols=(2, 3)), process), 9, 0)
    table = truth.joint_truth(build.build_scene(record), record)
    for metal, joint in zip(table["metal_mm3"], record.joints, strict=True):
        if joint.site == "joint":
            assert metal == pytest.approx(joint.solder_mm3, rel=4e-3)


@pytest.mark.parametrize(
    ("make", "word"),
    [
        (lambda: FamilySettings(depopulated=1.5), "depopulated"),
        (lambda: FamilySettings(kept=-1), "kept"),
        (lambda: ProcessSettings(bow=0.09), "bow"),
        (lambda: ProcessSettings(offset_far=(0.3, 0.8)), "offset_far"),
        (lambda: DefectSettings(opens_follow_warpage=2.0), "opens_follow_warpage"),
    ],
)
def test_arrays_that_make_no_sense_are_refused(make, word):
    with pytest.raises(InputError, match=word):
        make()


CROWDED = ProcessSettings(
    fanout_rate=1.0, land_trace_rate=1.0, chip_rate=1.0, trace_rate=1.0, plane_rate=1.0, via_drill_mm=(0.15, 0.2)
)  # fmt: skip


def crowded(number):
    """A board with everything on it, mask flush with the lands or not by the draw."""
    defects = DefectSettings(via_in_pad=0.5, **NO_VOIDS)
    family = dataclasses.replace(SMALL, depopulated=0.5)
    record = draw_scan(GeneratorSettings(family, CROWDED, defects), 10, number)
    return record, build.build_scene(record)


def copper_at(solids, points):
    """How many bodies of copper hold each point; a VOID takes its own body's inside away."""
    hits = sd.inside(solids, points)
    return hits[solids.role == sd.BODY].sum(axis=0) - hits[solids.role == sd.VOID].sum(axis=0)


@pytest.mark.parametrize("number", range(4))
def test_nothing_on_a_crowded_board_overlaps_anything(number):
    record, scene = crowded(number)
    rng = np.random.default_rng(number)
    bottom = scene.boxes.low[:, 2].min()
    reach = np.array([record.board.cols, record.board.rows]) * record.board.pitch_mm / 2 + 0.3
    zones = [(-0.05, 0.05), (bottom, 0.0), (0.0, 0.5)]
    for low, high in zones:
        points = rng.uniform((*-reach, low), (*reach, high), (15_000, 3))
        boxed = ((points[:, None] > scene.boxes.low) & (points[:, None] < scene.boxes.high)).all(2)
        free, sunk = copper_at(scene.copper, points), copper_at(scene.sunk, points)
        solder = sum(sd.metal_inside(j.solids, points).astype(int) for j in scene.joints if j.solids.size)
        assert boxed.sum(axis=1).max() <= 1
        assert sunk.max() <= 1
        assert (boxed.any(axis=1) + free + solder).max() <= 1
        laminate = boxed[:, scene.boxes.material == LAMINATE].any(axis=1)
        assert (laminate | (sunk == 0)).all()
        assert min(free.min(), sunk.min()) >= 0


def test_crowded_boards_carry_what_was_asked_for():
    records = [crowded(n)[0] for n in range(4)]
    boards = [r.board for r in records]
    assert all(b.planes_mm for b in boards)
    assert sum(len(b.chips) for b in boards) >= 2
    assert sum(len(b.vias) for b in boards) > 10
    assert sum(len(b.stubs) > len(b.vias) for b in boards) >= 2
    assert {b.flush for b in boards} == {True, False}
    quiet = ProcessSettings(fanout_rate=0.0, land_trace_rate=0.0, chip_rate=0.0, flush_rate=0.0)
    bare = draw_scan(GeneratorSettings(SMALL, quiet), 10, 0).board
    assert (bare.vias, bare.stubs, bare.chips, bare.flush) == ((), (), (), False)


def test_a_barrel_is_a_tube_of_its_wall_through_all_laminate():
    record, scene = next((r, s) for r, s in map(crowded, range(4)) if r.board.vias)
    via, board = record.board.vias[0], record.board
    x, y = via.place
    z = np.linspace(-board.board_mm - board.copper_mm + 1e-4, -board.copper_mm - 1e-4, 500)

    def copper(radius):
        points = np.stack([np.full(500, x + radius), np.full(500, y), z], axis=1)
        boxed = ((points[:, None] > scene.boxes.low) & (points[:, None] < scene.boxes.high)).all(2)
        plane = boxed[:, scene.boxes.material == COPPER].any(axis=1)
        return (copper_at(scene.sunk, points) > 0) | plane

    assert copper(via.drill_mm / 2 - via.wall_mm / 2).all()
    assert copper(0.0).mean() < 0.06  # only where a plane passes
    assert copper(via.drill_mm / 2 + 0.01).mean() < 0.06


def test_smallest_pitch_has_no_room_for_dog_bones_and_none_are_forced():
    family = FamilySettings(
        "bga_0400", 0.4, 0.25, 0.2, 0.22, (0.23, 0.26), (0.17, 0.21), (0.2, 0.23), 0.00137, (3, 3), (3, 3),
        package_mm=(0.6, 1.0), board_mm=(0.6, 1.0),
    )  # fmt: skip
    process = dataclasses.replace(CROWDED, via_drill_mm=(0.3, 0.3))
    assert draw_scan(GeneratorSettings(family, process), 10, 0).board.vias == ()
