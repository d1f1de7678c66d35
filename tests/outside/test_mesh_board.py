"""Truth of the development boards against closed forms (extra `mesh`; nothing is rendered)."""

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("manifold3d", reason="needs manifold3d, of the extra `mesh`")
sys.path.insert(0, str(Path(__file__).parent / "mesh_board"))

import cavities
import joint
import solder
from board import build
from manifold3d import Manifold
from outline import Pull, Seam, Slip
from presets import PRESETS, Board
from shapes import above, lean, volume_of

BOARD = replace(PRESETS["clean"], notch=0.0)


def site(recipe, seed, **changes):
    rng = np.random.default_rng(seed)
    return joint.Site(rng, replace(BOARD, **changes), recipe, 0.36, 0.0726, False, np.array([0.02, -0.01]))


def section(one):
    """Largest section of a joint from its profile, mm²."""
    return math.pi * one.profile[:, 0].max() ** 2


@pytest.mark.parametrize("seed", range(4))
def test_a_layer_covers_the_sum_of_its_voids_where_none_overlap(seed):
    one = site("layer", seed, layer_cover=(0.1, 0.25))
    voids = one.facts["voids"]
    apart = [
        math.dist(p[0][:2], q[0][:2]) - p[1][0] - q[1][0] for i, p in enumerate(voids) for q in voids[:i]
    ]
    covered = sum(math.pi * half[0] ** 2 for _, half in voids) / section(one)
    measured = one.truth["void_projected_area_pct"] / 100
    if min(apart) > 0:
        assert measured == pytest.approx(covered, rel=0.03)
    assert 0.8 * covered < measured < 1.01 * covered
    assert one.truth["void"] == (one.truth["void_projected_area_pct"] >= 5)


def test_a_wedge_holds_the_volume_of_its_mean_thickness():
    end = lean(above(lambda r: 0.02 + 0 * r, 0.4), 3.0, 40.0, [0, 0, 0.02])
    gap = Manifold.cylinder(0.3, 0.2, circular_segments=96) - end
    area = 96 / 2 * 0.2**2 * math.sin(2 * math.pi / 96)
    assert volume_of(gap) == pytest.approx(0.02 * area, rel=1e-3)
    thickest = gap.bounding_box()[5]
    assert thickest == pytest.approx(0.02 + 0.2 * math.tan(math.radians(3.0)), abs=5e-4)


@pytest.mark.parametrize("recipe", ["non_wet", "head_in_pillow"])
def test_a_free_gap_has_the_thickness_that_was_drawn(recipe):
    for seed in range(3):
        one = site(recipe, seed, gap_voxels=(2.0, 2.0), leaning=0.0, also_void=0.0)
        if "patches" not in one.facts and one.facts.get("dome_radius_mm", 0.0) < 2.0:
            assert one.truth["contact_fraction"] < 0.02
            assert one.truth["gap_um"] == pytest.approx(40.0, rel=0.5 if recipe == "non_wet" else 0.1)
        pieces = [piece for piece in one.solid.decompose() if abs(piece.volume()) > 1e-6]
        assert len(pieces) == (1 if "patches" in one.facts or recipe == "non_wet" else 2)


def test_a_bridge_is_as_thick_in_the_middle_as_its_truth_says():
    ends = [np.array([0.0, 0.0]), np.array([0.8, 0.0])]
    for seed in range(5):
        rod, thick = solder.neck(np.random.default_rng(seed), BOARD, ends, 0.36)
        middle = rod.translate([-0.4, 0, 0]).rotate([0, 90, 0]).slice(0.0).area()
        assert 2000 * math.sqrt(middle / math.pi) == pytest.approx(thick, rel=0.01)
        assert rod.bounding_box()[2] >= 0


def test_the_solder_of_a_sound_joint_is_what_was_drawn():
    one = site("sound", 1)
    assert volume_of(one.solid) == pytest.approx(0.0726, rel=0.004)
    assert one.truth["void_projected_area_pct"] == 0


def test_a_rim_bond_holds_the_share_of_its_sector_and_joins_both_parts():
    for seed in range(3):
        one = site(
            "head_in_pillow", seed, gap_voxels=(2.0, 2.0), leaning=0.0, oblique=0.1, rim=1.0, also_void=0.0
        )
        width, degrees = one.facts["rim_bond"]
        share = (1 - (1 - width) ** 2) * degrees / 360
        assert one.truth["contact_fraction"] == pytest.approx(share, abs=0.04)
        assert len([piece for piece in one.solid.decompose() if abs(piece.volume()) > 1e-6]) == 1


def test_an_empty_centre_has_neither_balls_nor_rows_in_the_truth():
    board = replace(PRESETS["sound"], rows=5, cols=4, depopulated=(3, 2))
    gone = [divmod(i, 4) for i in range(20) if board.left_empty(i)]
    assert gone == [(row, col) for row in (1, 2, 3) for col in (1, 2)]
    _, rows, record = build(board)
    assert len(rows) == 14
    assert not {(r["row"], r["col"]) for r in rows} & set(gone)
    assert [j["recipe"] for j in record["joints"]].count("depopulated") == 6


def test_a_laminographic_source_circles_the_normal_at_its_angle():
    xrays = pytest.importorskip("xrays", reason="needs gvxr, of the extra `mesh`")
    for angle in (0.0, 1.0, 4.0):
        frame = np.array(xrays.directions(55.0, angle))
        assert frame @ frame.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(frame) == pytest.approx(1.0)
        assert math.degrees(math.acos(frame[0] @ [0, 0, 1])) == pytest.approx(55.0)
    upright = np.array(xrays.directions(90.0, 0.7))
    assert upright == pytest.approx(
        np.array([[math.sin(0.7), 0, math.cos(0.7)], [math.cos(0.7), 0, -math.sin(0.7)], [0, 1, 0]])
    )


@pytest.mark.parametrize("wrong", [math.nan, math.inf, 40.0, -40.0])
def test_a_ray_that_missed_a_facet_becomes_the_mean_of_those_about_it(wrong):
    xrays = pytest.importorskip("xrays", reason="needs gvxr, of the extra `mesh`")
    lengths = np.tile(np.linspace(0.1, 0.3, 9, dtype=np.float32), (7, 1))
    broken = lengths.copy()
    broken[3, 4] = wrong
    assert xrays.without_spikes(broken) == pytest.approx(lengths, abs=1e-6)


def pieces_of(one):
    """Pieces of metal from low to high."""
    pieces = [piece for piece in one.solid.decompose() if abs(piece.volume()) > 1e-6]
    return sorted(pieces, key=lambda piece: piece.bounding_box()[2])


def mounds(**changes):
    for seed in range(8):
        yield site("head_in_pillow", seed, mound=1.0, also_void=0.0, oblique=15.0, **changes)


def test_a_ball_on_a_mound_has_metal_on_both_sides_of_the_gap_that_was_asked():
    parted = 0
    for one in mounds(gap_voxels=(0.5, 1.0)):
        face = one.facts["face"]
        assert one.form == "mound"
        assert volume_of(one.solid) == pytest.approx(0.0726, rel=0.004)
        assert one.truth["head_in_pillow"] == 1
        low, high = one.solid.slice(1e-4).area(), one.solid.slice(one.h - 1e-4).area()
        assert low == pytest.approx(math.pi * (BOARD.board_land / 2) ** 2, rel=0.01)
        assert high == pytest.approx(math.pi * (BOARD.package_land / 2) ** 2, rel=0.01)
        if face["bonded"]:
            assert len(pieces_of(one)) == 1
            continue
        mound, ball = pieces_of(one)
        assert volume_of(mound) == pytest.approx(one.facts["mound_mm3"], rel=0.02)
        # Across the air, which leans at most so much against the normal.
        assert 0.85 * face["gap"] < mound.min_gap(ball, 0.1) <= 1.02 * face["gap"]
        assert 0.0095 < face["gap"] < 0.0201
        assert one.truth["contact_fraction"] < 1e-3
        parted += 1
    assert parted >= 2


def test_a_mound_is_low_and_no_wider_than_its_land_and_its_ball_is_round_below_and_wide_above():
    for one in mounds():
        if one.facts["face"]["bonded"]:
            continue
        mound, ball = (piece.bounding_box() for piece in pieces_of(one))
        lean = abs(one.shift).max() / one.h * mound[5]  # the joint is sheared
        assert mound[3] - mound[0] <= BOARD.board_land + lean + 1e-6
        assert mound[5] < 0.4 * one.h
        assert ball[3] - ball[0] > 1.05 * site("sound", 1).dmax
        slices = [pieces_of(one)[1].slice(one.facts["vertex_mm"] + mm).area() for mm in (0.002, 0.01, 0.05)]
        assert slices[0] < slices[1] < slices[2]
        assert slices[0] < 0.15 * slices[2]


def test_the_gap_over_a_mound_has_the_mean_of_its_surfaces_by_quadrature():
    for one in mounds(gap_voxels=(0.5, 1.0)):
        face = one.facts["face"]
        if face["bonded"]:
            continue
        ball = one.dmax / 2, float(one.profile[one.profile[:, 0].argmax(), 1]) - one.facts["vertex_mm"]
        r = (np.arange(400) + 0.5) / 400 * face["radius"]
        print_of_ball = ball[1] * (1 - np.sqrt(1 - (r / ball[0]) ** 2))
        away = (1 - face["follows"]) * print_of_ball
        away = away + face["shoulder"] * np.clip((r / face["radius"] - 0.6) / 0.4, 0, None) ** 2
        mean = face["gap"] - np.min(away - face["slope"] * r) + np.average(away, weights=r)
        assert one.truth["gap_um"] == pytest.approx(1000 * mean, rel=0.02)


def test_a_column_by_the_rim_bonds_the_share_of_the_mound_that_was_asked():
    bonded = [one for one in mounds() if one.facts["face"]["bonded"]]
    assert len(bonded) >= 2
    for one in bonded:
        share = one.facts["face"]["bonded"]
        assert 0.05 <= share < 0.25
        assert one.truth["contact_fraction"] == pytest.approx(share, abs=0.005)


def test_sound_joints_with_waist_or_neck_are_one_piece_of_the_metal_that_was_drawn():
    forms = set()
    for seed in range(6):
        one = site("sound", seed, waist=1.0)
        forms.add(one.form)
        assert len(pieces_of(one)) == 1
        assert volume_of(one.solid) == pytest.approx(0.0726, rel=0.004)
        assert not any(one.truth[kind] for kind in joint.KINDS)
        narrowest = min(one.solid.slice(z).area() for z in np.linspace(0.1, 0.6, 60) * one.h)
        assert narrowest < 0.8 * section(site("sound", seed))
    assert forms == {"neck", "waist"}


def test_solder_that_leads_away_sideways_leaves_a_pillow_and_a_sound_joint_as_they_were():
    for recipe in ("sound", "head_in_pillow"):
        rng = np.random.default_rng(3)
        board = replace(BOARD, mound=1.0, waist=1.0)
        one = joint.Site(rng, board, recipe, 0.36, 0.0726, False, np.zeros(2), crowded=True)
        assert one.form == ""


NEWER = ("slipped", "lopsided", "seam", "land_void", "burst")


@pytest.mark.parametrize("recipe", ["sound", "void", "head_in_pillow"])
def test_newer_builds_draw_nothing_where_nobody_asks_for_them(recipe):
    """Boards of before stay bit for bit what they were: a share of 0 takes no number from the generator."""
    assert all(getattr(Board(), name) == 0 for name in NEWER)
    drawn, rng = np.random.default_rng(5), np.random.default_rng(5)
    assert joint.Site._drawn_form(drawn, BOARD, recipe) == ""
    assert drawn.bit_generator.state == rng.bit_generator.state
    rare = replace(BOARD, **dict.fromkeys(NEWER, 1e-9))
    assert joint.Site._drawn_form(drawn, rare, recipe) == ""
    assert drawn.bit_generator.state != rng.bit_generator.state


def centroid(section):
    """Of a section, from its outline."""
    x, y = np.vstack(section.to_polygons()[0]).T
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    return np.array([((c + np.roll(c, -1)) * cross).sum() / (3 * cross.sum()) for c in (x, y)])


def straight(recipe, seed, **changes):
    """A joint whose package land lies over its board land."""
    rng = np.random.default_rng(seed)
    return joint.Site(rng, replace(BOARD, **changes), recipe, 0.36, 0.0726, False, np.zeros(2))


def slipped(seeds=range(6), **changes):
    for seed in seeds:
        yield straight("head_in_pillow", seed, slipped=1.0, also_void=0.0, pitch=1.0, **changes)


def test_a_ball_that_slipped_lies_as_far_beside_its_paste_as_was_drawn():
    for one in slipped(gap_voxels=(0.5, 1.0)):
        slip = Slip(**one.facts["slip"])
        assert one.form == "slipped"
        assert one.truth["head_in_pillow"] == 1
        assert volume_of(one.solid) == pytest.approx(0.0726, rel=0.004)
        across = slip.aside(slip.level, True) - slip.aside(slip.level, False)
        assert np.hypot(*across) == pytest.approx(slip.far)
        assert 0.06 < slip.far / (2 * one.profile[:, 0].max()) < 0.19
        # Well over and under the face, on the meshes.
        for z, ball in ((0.85 * one.h, True), (0.08 * one.h, False)):
            assert centroid(one.solid.slice(z)) == pytest.approx(slip.aside(z, ball), abs=2e-3)
        for z, land in ((1e-4, BOARD.board_land), (one.h - 1e-4, BOARD.package_land)):
            assert one.solid.slice(z).area() == pytest.approx(math.pi * (land / 2) ** 2, rel=0.01)


def test_the_gap_under_a_slipped_ball_is_as_thick_as_was_asked_and_parts_it_from_the_paste():
    parted = 0
    for one in slipped(range(6, 16), gap_voxels=(0.5, 0.5), leaning=0.0):
        if "patches" in one.facts:
            assert 0.0 < one.truth["contact_fraction"] < 0.25
            assert len(pieces_of(one)) == 1
            continue
        paste, ball = pieces_of(one)
        assert one.truth["contact_fraction"] < 1e-3
        assert one.truth["gap_um"] == pytest.approx(10.0, rel=0.02)
        # Upright as thick everywhere, so thinner across where the face is steep.
        assert 5.5 < 1000 * paste.min_gap(ball, 0.1) <= 10.1
        parted += 1
    assert parted >= 2


def test_a_slipped_gap_is_no_thicker_than_the_domain_has_it():
    for one in slipped(gap_voxels=(9.0, 10.0), leaning=0.0):
        assert 490 * joint.THICKEST < one.truth["gap_um"] < 1001 * joint.THICKEST


def sound_and_whole(form, seed):
    """A sound joint of a form: in one piece, of the solder that was drawn, without a fault."""
    one = straight("sound", seed, **{form: 1.0})
    assert one.form == form
    assert len(pieces_of(one)) == 1
    assert volume_of(one.solid) == pytest.approx(0.0726, rel=0.004)
    assert not any(one.truth[kind] for kind in joint.KINDS)
    return one


def test_a_sound_joint_drawn_aside_is_whole_and_reaches_out_as_far_as_was_drawn():
    for seed in range(4):
        one = sound_and_whole("lopsided", seed)
        pull = Pull(**one.facts["lopsided"])
        at = one.solid.slice(pull.peak * one.h)
        assert at.area() > 0
        outline = np.vstack(at.to_polygons()[0])
        away = np.hypot(*outline.T)
        azimuth = np.degrees(np.arctan2(outline[:, 1], outline[:, 0]))
        radius = one.width_at(pull.peak * one.h)
        for side, sign in ((pull.azimuth, 1), (pull.azimuth + 180, -1)):
            there = np.abs((azimuth - side + 180) % 360 - 180).argmin()
            oval = pull.flat * math.cos(2 * math.radians(azimuth[there] - pull.flat_azimuth))
            assert away[there] / radius == pytest.approx(1 + sign * pull.most + oval, abs=0.01)
        assert centroid(one.solid.slice(1e-4)) == pytest.approx([0, 0], abs=1e-3)


def test_a_seam_creases_the_outline_over_its_span_and_leaves_the_joint_solid():
    whole = 0
    for seed in range(6):
        one = sound_and_whole("seam", seed)
        seam = Seam(**one.facts["seam"])
        assert 0.005 <= seam.depth <= 0.04
        mean = one.width_at(seam.level)
        assert float(seam(math.radians(seam.azimuth + 90), seam.level, mean)) >= 1 - seam.depth / mean - 1e-9
        phi = np.radians(seam.middle + np.array([0.0, 180.0]))
        levels = seam.level + seam.rise * np.cos(phi - math.radians(seam.azimuth))
        bare = 1 - np.array([float(seam(p, z, mean)) for p, z in zip(phi, levels, strict=True)])
        assert bare[0] == pytest.approx(seam.depth / mean, rel=1e-6)
        assert bare[1] == pytest.approx(seam.depth / mean if seam.span >= 360 else 0.0, abs=1e-6)
        whole += seam.span >= 360
    assert whole < 6


def test_voids_on_a_land_are_measured_as_the_ellipsoids_they_are_half_of():
    forms = set()
    for seed in range(8):
        one = straight("void", seed, land_void=1.0)
        forms.add(one.form)
        voids = one.facts["voids"]
        assert all(at[2] in (0.0, one.h) for at, _ in voids)
        land = (BOARD.board_land if voids[0][0][2] == 0.0 else BOARD.package_land) / 2
        # Solder all round: the void is enclosed between joint and land.
        assert all(math.hypot(*at[:2]) + half[0] < land for at, half in voids)
        assert one.truth["void"] == (one.truth["void_projected_area_pct"] >= 5)
        assert not one.truth["non_wet"]
        if one.form == "dome":
            [(_, half)] = voids
            area, size = math.pi * half[0] ** 2, 2 / 3 * math.pi * math.prod(half)
            assert one.truth["void_projected_area_pct"] == pytest.approx(100 * area / section(one), rel=0.02)
            assert one.truth["void_volume_pct"] == pytest.approx(100 * size / 0.0726, rel=0.03)
        else:
            assert max(half[2] for _, half in voids) <= cavities.FILM
            assert 0.1 < one.truth["void_projected_area_pct"] / 100 < 0.7
    assert forms == {"dome", "film"}


def test_a_burst_void_opens_the_outline_and_counts_as_far_as_it_lies_in_the_joint():
    for seed in range(4):
        one = straight("void", seed, burst=1.0)
        [(at, half)] = one.facts["voids"]
        assert one.form == "burst"
        assert len(pieces_of(one)) == 1
        # No closed cavity is left: the mesh has one closed surface, and it has no handle.
        assert one.solid.genus() == 0
        out = math.hypot(*at[:2])
        assert out + half[0] > one.width_at(at[2]) > out
        ball = 4 / 3 * math.pi * math.prod(half)
        assert 0.7 * ball < 0.0726 * one.truth["void_volume_pct"] / 100 < ball
        assert one.truth["void_projected_area_pct"] < 101 * math.pi * half[0] ** 2 / section(one)


def test_a_joint_drawn_aside_as_wide_as_the_pitch_is_refused():
    with pytest.raises(RuntimeError, match="as wide as the pitch"):
        straight("sound", 1, lopsided=1.0, pitch=0.55)


THIRD = ("plain_e", "plain_f", "hard_e", "hard_f")


@pytest.mark.parametrize("name", THIRD)
def test_boards_of_the_third_examination_are_of_sizes_that_no_other_has(name):
    board = PRESETS[name]
    for other in {key: PRESETS[key] for key in PRESETS if key != name}.values():
        assert (board.pitch, board.ball) != (other.pitch, other.ball)
        assert board.voxel != other.voxel
        assert board.seed != other.seed
    assert all(getattr(board, build) > 0 for build in NEWER)
