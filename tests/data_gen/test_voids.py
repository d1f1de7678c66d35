"""Voids of every family: drawn as the trade knows them, inside their joint, with the truth that points give.

Guards: a family that never passes 5 % or always does, a layer far from its land, merged voids that came apart, a
truth that the lattice or the placing bends, a kind of fault that changes which voids are drawn.
"""

import dataclasses
import math

import numpy as np
import pytest

from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.drawing.voids import Stand, draw_voids
from jointwise.data_gen.settings import DefectSettings, FamilySettings, GeneratorSettings
from jointwise.data_gen.shapes import build, truth
from jointwise.data_gen.shapes import envelope as env
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.columns import INTERFACE_MM
from jointwise.data_gen.shapes.scene import Scene
from jointwise.data_gen.shapes.voids import shadow_area
from jointwise.joints.errors import InputError

NONE = {f"voids_{kind}": 0.0 for kind in ("finding", "near", "small", "free", "sheet", "shrinkage")}
FAMILIES = {
    "macrovoids": {"voids_finding": 1.0, "void_merged": 0.0},
    "merged": {"voids_finding": 1.0, "void_merged": 1.0},
    "layer": {"voids_sheet": 1.0},
    "shrinkage": {"voids_shrinkage": 1.0},
    "via": {"via_void": 1.0, "voids_free": 1.0},
}


@pytest.fixture(scope="module")
def board():
    return draw_scan(GeneratorSettings(), 11, 0).board


def nominal(board, height=1.0):
    """The board's nominal joint, at so many times its height."""
    a, b = 0.975 * board.board_land_mm / 2, 0.975 * board.package_land_mm / 2
    return Stand(a, b, height * board.height_mm, board.nominal_mm3)


def drawn(board, family, count, seed=1):
    defects = DefectSettings(**{**NONE, "via_void": 0.0, **FAMILIES[family]})
    rng = np.random.default_rng(seed)
    stand, wide = nominal(board), 1.08 * board.ball_mm
    return [draw_voids(rng, defects, stand, wide, family == "via") for _ in range(count)]


def joint_with(board, voids):
    """A sound joint of the board with these voids, its row of truth, and its height."""
    record = draw_scan(GeneratorSettings(), 11, 0)
    plain = dataclasses.replace(
        record.joints[8], site="joint", gaps=(), waist=None, bulges=(), offset=(0.0, 0.0), voids=voids
    )
    alone = dataclasses.replace(record, board=board, joints=(plain,), necks=())
    scene = build.build_scene(alone)
    joint = scene.joints[0]
    return joint, truth.scene_truth(Scene((joint,), (), scene.copper, scene.sunk, scene.boxes)).iloc[0]


@pytest.mark.parametrize("family", FAMILIES)
def test_truth_of_every_family_agrees_with_points(board, family):
    rng = np.random.default_rng(5)
    for voids in drawn(board, family, 3):
        joint, row = joint_with(board, voids)
        body, gas = (sd.of_role(joint.solids, role) for role in (sd.BODY, sd.VOID))
        reach = joint.sphere_radius
        points = joint.centre + rng.uniform(-1, 1, (60_000, 3)) * (reach, reach, joint.height_mm / 2)
        solid, hollow = sd.inside(body, points).any(axis=0), sd.inside(gas, points).any(axis=0)
        share = (solid & hollow).sum() / solid.sum()
        error = math.sqrt(max(share, 1e-4) / solid.sum())
        assert row["void_volume_pct"] / 100 == pytest.approx(share, abs=5 * error)
        # Shadow: columns of points in which any level is gas.
        flat = joint.centre[:2] + rng.uniform(-1, 1, (1500, 2)) * reach
        levels = np.linspace(1e-6, joint.height_mm - 1e-6, 150)
        column = np.concatenate([np.repeat(flat, 150, axis=0), np.tile(levels, 1500)[:, None]], axis=1)
        seen = (sd.inside(gas, column).any(axis=0) & sd.inside(body, column).any(axis=0)).reshape(1500, 150)
        section = math.pi * (row_of_section(joint)) ** 2
        area = seen.any(axis=1).mean() * 4 * reach**2 / section
        spread = 5 * math.sqrt(max(area, 1e-3) * section / (4 * reach**2) / 1500) * 4 * reach**2 / section
        assert row["void_projected_area_pct"] / 100 == pytest.approx(area, abs=spread)
        assert 0 < row["void_largest_pct"] <= row["void_projected_area_pct"] + 1e-9


def row_of_section(joint):
    a, b, c = sd.of_role(joint.solids, sd.BODY).profile[0]
    z = np.linspace(0, joint.height_mm, 400)
    return math.sqrt((a + b * z + c * z**2).max())


def test_layers_lie_flat_at_a_land_and_cover_what_was_drawn(board):
    areas, counts = [], []
    for voids in drawn(board, "layer", 40):
        first = voids[0]
        micro = tuple(v for v in voids if v.place == first.place and abs(v.level - first.level) < 0.09)
        counts.append(len(micro))
        joint, row = joint_with(board, micro)
        gas = sd.of_role(joint.solids, sd.VOID)
        low, high = sd.bounding_boxes(gas)
        gaps = low[:, 2] if voids[0].place == "board" else joint.height_mm - high[:, 2]
        assert gaps.min() >= -1e-9
        assert gaps.max() <= INTERFACE_MM + 1e-9
        assert np.ptp(gaps) < 0.003
        areas.append(row["void_projected_area_pct"])
        assert row["void_volume_pct"] < 8.0
        assert row["void_interface_pct"] > 0.0
    assert 6 <= min(counts) <= 12
    assert 30 <= max(counts) <= 41
    # Log-uniform 2-45 %: a fifth below 4 %, a quarter above 20 %.
    assert np.mean(np.array(areas) < 4.5) == pytest.approx(0.26, abs=0.2)
    assert np.mean(np.array(areas) > 15.0) == pytest.approx(0.35, abs=0.2)
    assert max(areas) < 48.0


def test_a_layer_has_much_area_and_little_volume(board):
    rows = [joint_with(board, v[:40])[1] for v in drawn(board, "layer", 25, seed=4)]
    wide = [r for r in rows if r["void_projected_area_pct"] > 8.0]
    assert len(wide) >= 5
    assert np.mean([r["void_volume_pct"] < 4.0 for r in wide]) > 0.7


def test_merged_voids_are_one_and_separate_ones_are_several(board):
    joined = [joint_with(board, v)[1] for v in drawn(board, "merged", 12)]
    apart = [joint_with(board, v)[1] for v in drawn(board, "macrovoids", 12) if len(v) > 2]
    share = [
        np.mean([r["void_largest_pct"] / r["void_projected_area_pct"] for r in rows])
        for rows in (joined, apart)
    ]
    assert share[0] > 0.93 > share[1]


def ball(x, z):
    return sd.sphere((x, 0.0, z), 0.05, sd.VOID)


def lens(x, z):
    return sd.ellipsoid((x, 0.0, z), (0.05, 0.05, 0.02), role=sd.VOID)


@pytest.mark.parametrize(
    ("one", "other", "groups"),
    [
        # Overlaps and gaps of 0.2 um, far below the distance of the rays.
        (ball(-0.0499, 0.2), ball(0.0499, 0.2), 1), (ball(-0.0501, 0.2), ball(0.0501, 0.2), 2),
        (lens(-0.0499, 0.2), lens(0.0499, 0.2), 1), (lens(-0.0501, 0.2), lens(0.0501, 0.2), 2),
        (ball(-0.0499, 0.2), lens(0.0499, 0.2), 1), (ball(-0.0501, 0.2), lens(0.0501, 0.2), 2),
        (lens(0.0, 0.1999), lens(0.0, 0.1601), 1), (lens(0.0, 0.2001), lens(0.0, 0.1599), 2),
    ],
)  # fmt: skip
def test_touching_voids_are_one_whatever_the_lattice_sees(one, other, groups):
    from jointwise.data_gen.shapes.void_groups import void_groups

    parents = void_groups(sd.join(one, other))
    assert (parents == np.arange(2)).sum() == groups


def test_shrinkage_is_thin_jagged_and_near_the_surface(board):
    for voids in drawn(board, "shrinkage", 6):
        assert 4 <= len(voids) <= 12
        joint, row = joint_with(board, voids)
        gas = sd.of_role(joint.solids, sd.VOID)
        axes = np.linalg.svd(np.linalg.inv(gas.matrix), compute_uv=False)
        assert (axes[:, 0] <= 0.0501).all()
        assert (axes[:, 2] / axes[:, 0] <= 0.26).all()
        depth = [
            env.radius_at((env.Piece(0.0, joint.height_mm, tuple(joint.solids.profile[0])),), float(z))
            - math.hypot(x - joint.centre[0], y - joint.centre[1])
            for x, y, z in gas.origin
        ]
        assert max(depth) < 0.13
        assert row["void_volume_pct"] < 1.0


def test_the_largest_bubble_over_a_via_is_a_dome_at_the_board_land_maybe_wider_than_the_via(board):
    """A via moves a bubble and adds none: one that would have hung elsewhere in the joint sits on the land instead."""
    wide = []
    for voids in drawn(board, "via", 24):
        domes = [i for i, void in enumerate(voids) if void.place == "via"]
        if not domes:  # no bubble in the bulk to sit on the via
            continue
        joint, row = joint_with(board, voids)
        low, high = (edge[domes[0]] for edge in sd.bounding_boxes(sd.of_role(joint.solids, sd.VOID)))
        assert low[2] < 0.0 < high[2]
        assert row["void_interface_pct"] > 0
        wide.append(high[0] - low[0])
    assert len(wide) > 12
    assert max(wide) > 0.15
    assert min(wide) < 0.10


def test_a_via_changes_where_the_largest_bubble_sits_and_nothing_else(board):
    defects = DefectSettings(**{**NONE, **FAMILIES["via"]})
    for seed in range(20):
        there, plain = (
            draw_voids(np.random.default_rng(seed), defects, nominal(board, 1.0), 0.54, via)
            for via in (True, False)
        )
        assert [v.diameter_mm for v in there] == [v.diameter_mm for v in plain]
        moved = [(a, b) for a, b in zip(there, plain, strict=True) if a != b]
        assert all((a.place, b.place) == ("via", "bulk") for a, b in moved)
        assert len(moved) <= 1


def shadows(stand, defects, count):
    """Areas of the voids of `count` such joints over the joint's largest section."""
    rng, section = np.random.default_rng(8), math.pi * env.largest_radius(stand.outer) ** 2
    return [
        shadow_area(
            build.void_solids(
                draw_voids(rng, defects, stand, 0.54, rng.random() < 0.12), stand.outer, stand.height, None
            )
        )
        / section
        for _ in range(count)
    ]


@pytest.mark.parametrize("height", [0.85, 1.0, 1.1])
def test_voids_just_below_a_finding_stay_below_however_high_the_joint_stands(board, height):
    """On a stretched joint, whose section is small, they would tip over, and the height would tell of voids."""
    near = DefectSettings(**{**NONE, "voids_near": 1.0})
    areas = np.array(shadows(nominal(board, height), near, 80))
    assert areas.max() < 0.05
    assert areas.min() > 0.025


def test_no_void_fills_its_joint_from_land_to_land(board):
    stand = nominal(board, 0.8)
    wide = DefectSettings(**{**NONE, "voids_finding": 1.0, "void_area": (0.3, 0.45), "void_merged": 0.0})
    rng = np.random.default_rng(4)
    high = [v.diameter_mm * v.flatness for _ in range(80) for v in draw_voids(rng, wide, stand, 0.54, False)]
    assert 0.7 * stand.height < max(high) <= 0.81 * stand.height


def test_a_fifth_of_all_joints_has_a_finding_and_as_many_come_near(board):
    """By the shadows of the nominal joint, 5 standard deviations of 600 joints."""
    areas = shadows(nominal(board), DefectSettings(), 600)
    finding, near = (
        (np.array(areas) >= 0.05).mean(),
        ((np.array(areas) >= 0.03) & (np.array(areas) < 0.05)).mean(),
    )
    assert finding == pytest.approx(0.20, abs=0.08)
    assert near == pytest.approx(0.20, abs=0.08)


def test_voids_do_not_look_at_the_fault():
    few = DefectSettings(head_in_pillow=0.0, non_wet=0.0, bridging=0.0)
    many = DefectSettings(head_in_pillow=0.5, non_wet=0.5)
    family = FamilySettings(rows=(4, 4), cols=(4, 4))
    one, other = (draw_scan(GeneratorSettings(family, defects=d), 3, 1) for d in (few, many))
    for a, b in zip(one.joints, other.joints, strict=True):
        assert a.voids == b.voids or "paste" in (a.site, b.site) or "bare" in (a.site, b.site)


@pytest.mark.parametrize(
    ("change", "word"),
    [({"sheet_area": (0.0, 0.4)}, "sheet_area"), ({"sheet_size": (0.04, 0.4)}, "sheet_size"),
     ({"void_merged": 1.5}, "void_merged"), ({"shrinkage_um": (0.0, 5.0)}, "shrinkage_um")],
)  # fmt: skip
def test_void_settings_that_make_no_sense_are_refused(change, word):
    with pytest.raises(InputError, match=word):
        DefectSettings(**change)


def test_two_micrometres_give_the_truth_of_less():
    """The stated tolerances of truth.STEP_MM on one drawn board of the smallest pitch."""
    family = FamilySettings(
        "bga_0400", 0.4, 0.25, 0.2, 0.22, (0.23, 0.26), (0.17, 0.21), (0.2, 0.23), 0.00137, (2, 2), (3, 3),
        package_mm=(0.6, 1.0), board_mm=(0.6, 1.0),
    )  # fmt: skip
    scene = build.build_scene(draw_scan(GeneratorSettings(family), 277, 1))
    coarse, fine = truth.scene_truth(scene), truth.scene_truth(scene, 0.0005)
    limits = {"void_projected_area_pct": 0.1, "contact_board": 0.003, "contact_package": 0.003, "gap_um": 0.1,
              "contact_fraction": 0.003}  # fmt: skip
    for name, limit in limits.items():
        np.testing.assert_allclose(coarse[name].astype(float), fine[name].astype(float), atol=limit, rtol=0)
