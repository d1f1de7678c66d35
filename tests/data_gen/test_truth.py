"""Truth against closed forms and the check values of the domain document, section B.

Guards: the sum of voids in place of their union, a free end's rim taken for a pillow, a label that
follows the recipe's name, contact lost at a wetted edge counted as open.
"""

import dataclasses
import math

import numpy as np
import pytest

from jointwise.data_gen.drawing.records import GapRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.drawing.surfaces import covered, draw_patches, lean_contact
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes import truth
from jointwise.data_gen.shapes.build import build_scene
from jointwise.data_gen.shapes.scene import Boxes, Joint, Neck, Scene
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import MEASURES

H, RADIUS = 0.36, 0.27
"""A joint cut from a ball of Dmax 0.54 (the domain document's example)."""


def ball_joint(*extra, x=0.0, col=0):
    """A truncated ball with extra primitives, standing at (x, 0)."""
    rise = H / 2
    body = sd.segment((RADIUS**2, 0.0, -1.0), (-rise, rise), origin=(0, 0, rise))
    land = math.sqrt(RADIUS**2 - rise**2)
    solids = sd.moved(sd.join(body, *extra), (x, 0, 0))
    here = np.array([x, 0.0])
    return Joint(
        0, col, solids, np.array([x, 0, rise]), np.array([x, 0, rise]), RADIUS, here, here, H, land, land,
        float(sd.volumes(body)[0]),
    )  # fmt: skip


def scene_of(*joints, necks=()):
    none = np.zeros((0, 3))
    return Scene(joints, necks, sd.empty(), sd.empty(), Boxes(none, none, np.zeros(0, np.int8)))


def row_of(*extra, step=0.001):
    return truth.scene_truth(scene_of(ball_joint(*extra)), step).iloc[0]


def test_a_sound_joint_has_no_finding_and_its_closed_form_volume():
    row = row_of()
    assert row[list(KINDS)].tolist() == [0, 0, 0, 0]
    assert row["present"] == 1
    assert row["ball"] == "A1"
    body = math.pi * (RADIUS**2 * H - H**3 / 12)
    assert row["metal_mm3"] == pytest.approx(body, rel=2e-5)
    assert row["contact_board"] == row["contact_package"] == 1.0
    assert np.isnan(row[["gap_um", "contact_fraction", "bridge_neck_um"]].astype(float)).all()
    assert row["void_projected_area_pct"] == row["void_volume_pct"] == row["void_largest_pct"] == 0.0
    assert row["clearance_um"] == np.inf


def test_void_radius_at_five_per_cent():
    """Check values B: Dmax 0.54, void_area = 0.05 at radius 0.0603738."""
    over = row_of(sd.sphere((0.03, 0.02, 0.2), 0.0606, sd.VOID))
    at = row_of(sd.sphere((0.03, 0.02, 0.2), 0.0603738, sd.VOID))
    under = row_of(sd.sphere((0.03, 0.02, 0.2), 0.0601, sd.VOID))
    assert at["void_projected_area_pct"] == pytest.approx(5.0, abs=0.01)
    assert (over["void"], under["void"]) == (1, 0)
    sphere = 4 / 3 * math.pi * 0.0603738**3
    whole = math.pi * (RADIUS**2 * H - H**3 / 12)
    assert at["void_volume_pct"] == pytest.approx(100 * sphere / whole, rel=2e-3)
    assert at["metal_mm3"] == pytest.approx(whole - sphere, rel=2e-4)


def test_two_voids_count_by_their_union():
    """Check values B: two voids r 0.06, offset 0.06 in x: union 0.079457; the sum, 0.098765, is wrong."""
    apart = row_of(sd.sphere((0, 0, 0.1), 0.06, sd.VOID), sd.sphere((0.06, 0, 0.26), 0.06, sd.VOID))
    assert apart["void_projected_area_pct"] == pytest.approx(7.9457, abs=0.01)
    # One above the other they are two voids; side by side at one height they are one.
    assert apart["void_largest_pct"] == pytest.approx(100 * (0.06 / RADIUS) ** 2, abs=0.01)
    joined = row_of(sd.sphere((0, 0, 0.18), 0.06, sd.VOID), sd.sphere((0.06, 0, 0.18), 0.06, sd.VOID))
    assert joined["void_largest_pct"] == pytest.approx(7.9457, abs=0.01)


def test_interface_area_takes_voids_within_25_um_of_a_land():
    land = math.sqrt(RADIUS**2 - (H / 2) ** 2)
    near = row_of(sd.ellipsoid((0.05, 0, 0.03), (0.04, 0.04, 0.01), role=sd.VOID))
    # Its part below 25 um is as wide as the section half a semi-axis under its centre: 3/4 of the area.
    assert near["void_interface_pct"] == pytest.approx(75 * (0.04 / land) ** 2, rel=5e-3)
    assert row_of(sd.sphere((0, 0, 0.1), 0.06, sd.VOID))["void_interface_pct"] == 0.0
    top = row_of(sd.ellipsoid((0.05, 0, H - 0.03), (0.04, 0.04, 0.01), role=sd.VOID))
    assert top["void_interface_pct"] == pytest.approx(near["void_interface_pct"], rel=1e-2)


def test_a_void_beyond_the_rim_of_a_land_covers_none_of_it():
    """A joint bulges over the land's rim within the 25 um layer; a share of a land stays within the land."""
    land = math.sqrt(RADIUS**2 - (H / 2) ** 2)
    for z in (0.015, H - 0.015):
        beyond = row_of(sd.ellipsoid((land + 0.006, 0, z), (0.004, 0.004, 0.003), role=sd.VOID))
        assert beyond["void_projected_area_pct"] > 0.0
        assert beyond["void_interface_pct"] == 0.0
        across = row_of(sd.ellipsoid((0, 0, z), (land + 0.01, land + 0.01, 0.005), role=sd.VOID))
        assert across["void_interface_pct"] == 100.0


def dish(gap, *patches, vertex=0.12, radius=0.5):
    return (
        sd.cap((0, 0, vertex), radius, up=True, role=sd.GAP),
        sd.cap((0, 0, vertex + gap), radius, up=True, role=sd.KEEP),
        *patches,
    )


def test_pillow_gap_and_bonded_share():
    clean = row_of(*dish(0.012))
    assert clean["head_in_pillow"] == 1
    assert clean["non_wet"] == clean["void"] == 0
    # Rays near the rim leave through the side within the shell: a little under 12 um on the mean.
    assert clean["gap_um"] == pytest.approx(12.0, abs=0.3)
    assert clean["gap_max_um"] == pytest.approx(12.0, abs=1e-6)
    assert clean["contact_fraction"] == 0.0
    # The dish meets the ball's flank at radius 0.2694: patches of known area.
    patch = row_of(*dish(0.012, sd.cylinder((0, 0, 0), (0, 0, H), 0.11, sd.PATCH)))
    width = 0.2694
    assert patch["contact_fraction"] == pytest.approx((0.11 / width) ** 2, abs=0.01)
    assert patch["head_in_pillow"] == 1


@pytest.mark.parametrize(("radius", "label"), [(0.12, 1.0), (0.19, np.nan), (0.245, 0.0)])
def test_pillow_label_follows_the_bonded_share(radius, label):
    row = row_of(*dish(0.012, sd.cylinder((0, 0, 0), (0, 0, H), radius, sd.PATCH)))
    np.testing.assert_equal(float(row["head_in_pillow"]), label)


def cap(gap, *patches):
    return (
        sd.cylinder((0, 0, -0.02), (0, 0, gap + 0.03), 0.8, sd.GAP),
        sd.cap((0, 0, gap), 0.7, up=True, depth=0.3, role=sd.KEEP),
        *patches,
    )


def test_open_gap_is_the_mean_over_the_land_and_no_pillow():
    land = math.sqrt(RADIUS**2 - (H / 2) ** 2)
    row = row_of(*cap(0.02))
    assert (row["non_wet"], row["head_in_pillow"], row["void"]) == (1, 0, 0)
    assert row["contact_board"] == 0.0
    assert row["contact_package"] == 1.0
    # Mean rise of a ball's face of radius R over a disc of radius a: R - 2 (R^3 - (R^2 - a^2)^1.5) / (3 a^2).
    rise = 0.7 - 2 * (0.7**3 - (0.7**2 - land**2) ** 1.5) / (3 * land**2)
    assert row["gap_um"] == pytest.approx(1000 * (0.02 + rise), rel=2e-3)


@pytest.mark.parametrize(("share", "label"), [(0.2, 1.0), (0.5, np.nan), (0.8, 0.0)])
def test_open_label_follows_the_lands_contact(share, label):
    land = math.sqrt(RADIUS**2 - (H / 2) ** 2)
    row = row_of(*cap(0.01, sd.cylinder((0, 0, -0.02), (0, 0, 0.1), land * math.sqrt(share), sd.PATCH)))
    assert row["contact_board"] == pytest.approx(share, abs=2e-3)
    np.testing.assert_equal(float(row["non_wet"]), label)


def neck_between(one, two, radius, flare=0.5):
    inward = np.array([0.2, 0, 0])
    start, end = one.centre + inward, two.centre - inward
    half = float(np.linalg.norm(end - start)) / 2
    solid = sd.segment(
        (radius**2, 0, flare * radius**2 / half**2), (-half, half), origin=(start + end) / 2,
        matrix=sd.axis_frame(end - start).T,
    )  # fmt: skip
    return Neck(solid, (0, 1), start, end, math.pi * radius**2)


def test_both_bridged_balls_are_labelled_with_the_least_thickness():
    one, two = ball_joint(), ball_joint(x=0.8, col=1)
    table = truth.scene_truth(scene_of(one, two, necks=(neck_between(one, two, 0.05),)))
    assert table["bridging"].tolist() == [1, 1]
    assert table["bridge_neck_um"].to_numpy() == pytest.approx(100.0)
    assert table["clearance_um"].tolist() == [0, 0]
    # The neck, cut in the middle, is metal of both: their sum is the union.
    union = 2 * math.pi * (RADIUS**2 * H - H**3 / 12)
    rng = np.random.default_rng(3)
    points = rng.uniform((0, -0.1, 0.08), (0.8, 0.1, 0.28), (400_000, 3))
    body = sd.metal_inside(one.solids, points) | sd.metal_inside(two.solids, points)
    neck = 0.8 * 0.2 * 0.2 * (sd.inside(table_neck(one, two), points)[0] & ~body).mean()
    assert table["metal_mm3"].sum() == pytest.approx(union + neck, rel=1e-3)


def table_neck(one, two):
    return neck_between(one, two, 0.05).solids


def test_unbridged_neighbours_have_their_air():
    table = truth.scene_truth(scene_of(ball_joint(), ball_joint(x=0.8, col=1)), 0.002)
    assert table["bridging"].tolist() == [0, 0]
    assert table["clearance_um"].to_numpy() == pytest.approx(260.0, abs=0.1)


def test_a_neck_that_ends_in_gas_joins_nothing():
    one = ball_joint(sd.sphere((0.17, 0, H / 2), 0.09, sd.VOID))
    two = ball_joint(x=0.8, col=1)
    table = truth.scene_truth(scene_of(one, two, necks=(neck_between(one, two, 0.03),)), 0.002)
    assert table["bridge_neck_um"].isna().all()


def test_little_metal_is_no_ball():
    paste = sd.cap((0, 0, 0.05), 0.3, up=False, depth=0.05, role=sd.BODY)
    joint = ball_joint()._replace(solids=paste)
    row = truth.scene_truth(scene_of(joint)).iloc[0]
    assert row["present"] == 0
    assert row[list(KINDS) + list(MEASURES)].isna().all()
    bare = truth.scene_truth(scene_of(ball_joint()._replace(solids=sd.empty()))).iloc[0]
    assert bare["present"] == 0
    assert bare["metal_mm3"] == 0.0


def test_turning_the_board_about_its_normal_changes_no_truth():
    solids = (*dish(0.01, sd.cylinder((0.1, 0.05, 0), (0.1, 0.05, H), 0.05, sd.PATCH)),
              sd.sphere((0.05, -0.08, 0.25), 0.05, sd.VOID))  # fmt: skip
    joint = ball_joint(*solids)
    c, s = math.cos(0.7), math.sin(0.7)
    turned = joint._replace(solids=sd.affine(joint.solids, [[c, -s, 0], [s, c, 0], [0, 0, 1]]))
    one, two = (truth.scene_truth(scene_of(j), 0.001).iloc[0] for j in (joint, turned))
    for name in ("void_projected_area_pct", "void_volume_pct", "gap_um", "contact_fraction", "metal_mm3"):
        assert one[name] == pytest.approx(two[name], rel=2e-3), name


PATCH_HALF = ((0.3, 0.2, 0.25), (-0.4, 0.1, 0.2))
AT_RIM = ((-0.88415, 0.0, 0.6),)
"""A column across the rim over a fifth of the face: the lens of circles of 1 and 0.6, its area found by sampling."""


@pytest.mark.parametrize(
    ("gap", "contact"),
    [
        (GapRecord("board", "cap", 0.0, 40.0, 0.5, (0.0, 0.0), 0.0, ()), 0.0),
        (GapRecord("package", "cap", 0.0, 40.0, 0.1, (0.6, 0.7), 0.0, ()), 0.0),
        (GapRecord("package", "cap", 0.0, 30.0, 0.02, (0.0, 1.6), 0.0, ()), lean_contact(1.6)),
        (
            GapRecord("board", "cap", 0.0, 20.0, 0.05, (-1.5, 1.5), 0.0, ()),
            lean_contact(math.hypot(1.5, 1.5)),
        ),
        (GapRecord("interface", "dish", 0.13, 6.0, 0.9, (0.2, 0.2), 0.0, ()), 0.0),
        (GapRecord("interface", "dome", 0.13, 6.0, 0.9, (0.2, -0.2), 0.0, ()), 0.0),
        (GapRecord("interface", "dish", 0.64, 60.0, 0.8, (-0.3, 0.0), 0.1025, PATCH_HALF), 0.1025),
        (GapRecord("interface", "dome", 0.5, 1.0, 3.0, (0.0, 0.3), 0.0, ()), 0.0),
        (GapRecord("interface", "dish", 0.3, 40.0, 1.0, (0.0, 0.0), 0.2, AT_RIM), 0.2),
        (GapRecord("board", "cap", 0.0, 15.0, 0.3, (0.1, 0.0), 0.2, AT_RIM), 0.2),
        (GapRecord("interface", "dish", 0.4, 20.0, 0.6, (0.1, 0.2), 0.2, AT_RIM, (-0.9, 0.1), 1.0), 0.2),
        (GapRecord("interface", "dome", 0.5, 40.0, 1.5, (0.1, 0.0), 0.0, (), (0.9, 0.1), 0.5), 0.0),
        (GapRecord("interface", "dish", 0.14, 9.0, 0.9, (0.1, 0.0), 0.0, (), (0.5, -0.5), 1.5), 0.0),
    ],
)
@pytest.mark.parametrize("edge", [False, True])
def test_leaning_touching_and_double_faults_measure_as_drawn(gap, contact, edge):
    """Free ends that lean or touch, pillows low, tall and tilted, alone or with a dry edge at the other land."""
    record = draw_scan(GeneratorSettings(), 11, 1)
    other = "board" if gap.place == "package" else "package"
    dry = GapRecord(other, "edge", 0.0, 20.0, 0.0, (0.6, 0.8), 0.9, ())
    whole = dataclasses.replace(
        record.joints[12], site="joint", voids=(), bulges=(), waist=None, board_wetted=1.0, package_wetted=1.0
    )
    joint = dataclasses.replace(whole, gaps=(gap, dry) if edge else (gap,))
    scene = build_scene(dataclasses.replace(record, joints=(joint,), necks=()))
    row = truth.scene_truth(scene, 0.002).iloc[0]
    assert row["metal_mm3"] == pytest.approx(joint.solder_mm3, rel=1e-3)
    assert row["head_in_pillow"] == (gap.place == "interface")
    assert row["non_wet"] == (gap.place != "interface")
    assert row["gap_um"] == pytest.approx(gap.gap_um, rel=0.06, abs=0.1)
    assert row["contact_fraction"] == pytest.approx(contact, abs=0.02)
    assert row[f"contact_{other}"] == pytest.approx(0.9 if edge else 1.0, abs=0.01)


def test_a_column_at_the_rim_covers_what_is_asked():
    """Against sampling, and against the textbook's lens of two equal circles whose centres lie a radius apart."""
    x, y = np.random.default_rng(3).uniform(-1, 1, (2, 2_000_000))
    inside = x**2 + y**2 < 1
    for away, radius in ((0.88415, 0.6), (0.5, 0.7), (1.2, 0.9), (0.1, 0.5), (1.7, 0.6)):
        share = float(((x - away) ** 2 + y**2 < radius**2)[inside].mean())
        assert covered(away, radius) == pytest.approx(share, abs=2e-3)
    assert covered(1.0, 1.0) == pytest.approx((2 * math.pi / 3 - math.sqrt(3) / 2) / math.pi)
    rng = np.random.default_rng(4)
    for contact in (0.02, 0.11, 0.25):
        ((u, v, r),) = draw_patches(rng, contact, rim_bond=1.0)
        assert covered(math.hypot(u, v), r) == pytest.approx(contact, abs=1e-9)
        assert math.hypot(u, v) + r > 1.0


def test_a_free_end_that_would_lean_past_a_low_joints_flank_leans_less_and_keeps_gap_and_metal():
    """75 um open and leaning by 1.4 of them on a joint pressed to 0.8 of its height: its rim had no place before."""
    record = draw_scan(GeneratorSettings(), 11, 1)
    gap = GapRecord("package", "cap", 0.0, 75.0, 0.1, (0.8, -1.15), 0.0, ())
    joint = dataclasses.replace(
        record.joints[12], site="joint", voids=(), bulges=(), waist=None, gaps=(gap,), lift_mm=0.0
    )
    board = dataclasses.replace(
        record.board, height_mm=0.82 * record.board.height_mm, warpage=(0.0, 0.0, 0.0), bow=(0.0, 0.0)
    )
    scene = build_scene(dataclasses.replace(record, board=board, joints=(joint,), necks=()))
    row = truth.scene_truth(scene, 0.002).iloc[0]
    assert row["metal_mm3"] == pytest.approx(joint.solder_mm3, rel=1e-3)
    assert row["non_wet"] == 1
    assert row["gap_um"] == pytest.approx(75.0, rel=0.06)


def test_generated_joints_carry_the_labels_of_their_geometry():
    """A drawn scan: schema columns, measures that agree with the records, labels without regard to the name."""
    record = draw_scan(GeneratorSettings(), 11, 1)
    scene = build_scene(record)
    table = truth.joint_truth(scene, record, 0.002)
    assert set(KINDS) | set(MEASURES) | {"scan", "board_id", "component", "ball"} <= set(table.columns)
    assert len(table) == len(record.joints)
    bridged = {site for n in record.necks for site in (n.first, n.second)}
    for (_, row), joint in zip(table.iterrows(), record.joints, strict=True):
        if joint.site != "joint":
            assert row["present"] == 0
            continue
        assert row["metal_mm3"] == pytest.approx(joint.solder_mm3, rel=4e-3)
        assert (row["bridging"] == 1) == ((joint.row, joint.col) in bridged)
        gap = next((g for g in joint.gaps if g.form != "edge"), None)
        if gap is None:
            assert row["head_in_pillow"] == row["non_wet"] == 0
        elif gap.contact < 0.2:
            assert row["head_in_pillow"] == (gap.place == "interface")
            assert row["non_wet"] == (gap.place != "interface")
            assert row["gap_um"] == pytest.approx(gap.gap_um, rel=0.15)
            assert row["contact_fraction"] == pytest.approx(gap.contact, abs=0.04)
    renamed = dataclasses.replace(
        record, joints=tuple(dataclasses.replace(j, recipe="sound") for j in record.joints)
    )
    again = truth.joint_truth(build_scene(renamed), renamed, 0.002)
    np.testing.assert_array_equal(again[list(KINDS)], table[list(KINDS)])
