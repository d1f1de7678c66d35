"""Bridges and near-bridges of every sort: thickness exact, metal conserved, what stops in the air joins nothing."""

import dataclasses
import math

import numpy as np
import pytest

from jointwise.data_gen.drawing.bridges import bridged_pairs, draw_bulges, draw_neck
from jointwise.data_gen.drawing.records import BulgeRecord, NeckRecord
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.settings import DefectSettings, FamilySettings, GeneratorSettings
from jointwise.data_gen.shapes import build, truth
from jointwise.data_gen.shapes import solids as sd
from jointwise.joints.errors import InputError


def row_of_three(necks=(), bulges=()):
    """Three plain joints in a row."""
    family = FamilySettings(rows=(1, 1), cols=(3, 3))
    record = draw_scan(GeneratorSettings(family), 12, 0)
    joints = tuple(
        dataclasses.replace(
            j, site="joint", gaps=(), waist=None, voids=(), bulges=bulges if j.col == 0 else ()
        )
        for j in record.joints
    )
    return dataclasses.replace(record, joints=joints, necks=necks)


NECKS = {
    "thick": NeckRecord((0, 0), (0, 1), 0.30, 0.5, 0.9, 1.6),
    "slender": NeckRecord((0, 0), (0, 1), 0.025, 0.6, 0.9, 1.5),
    "film": NeckRecord((0, 0), (0, 1), math.sqrt(0.03 * 0.2), 0.02, 0.03 / 0.2, 1.2),
}


@pytest.mark.parametrize("kind", NECKS)
def test_thickness_is_that_of_the_least_section_and_metal_is_conserved(kind):
    record = row_of_three((NECKS[kind],))
    scene = build.build_scene(record)
    table = truth.joint_truth(scene, record)
    assert table["bridging"].tolist() == [1, 1, 0]
    neck = scene.necks[0]
    # Points in a thin slab about the neck's middle, across the line that joins the balls.
    rng = np.random.default_rng(1)
    middle, half = (neck.start + neck.end) / 2, 0.25
    points = middle + rng.uniform(-1, 1, (200_000, 3)) * (1e-6, half, 0.2)
    area = sd.inside(neck.solids, points)[0].mean() * 4 * half * 0.2
    error = 5 * math.sqrt(area * 4 * half * 0.2 / len(points))
    measured = math.pi / 4 * (table["bridge_neck_um"][0] / 1000) ** 2
    assert measured == pytest.approx(area, abs=error)
    assert table["metal_mm3"].sum() == pytest.approx(sum(j.solder_mm3 for j in record.joints), rel=2e-3)


def test_a_film_lies_flat_along_the_lands():
    neck = build.build_scene(row_of_three((NECKS["film"],))).necks[0]
    low, high = sd.bounding_boxes(neck.solids)
    assert 0.0 < low[0, 2] < 0.02
    assert high[0, 2] < 0.09
    assert high[0, 1] - low[0, 1] > 3 * (high[0, 2] - low[0, 2])


def test_a_bridge_over_three_balls_labels_all_three():
    two = (NECKS["thick"], NeckRecord((0, 1), (0, 2), 0.2, 0.4, 0.8, 1.4))
    record = row_of_three(two)
    table = truth.joint_truth(build.build_scene(record), record)
    assert table["bridging"].tolist() == [1, 1, 1]
    assert table["bridge_neck_um"][1] == max(table["bridge_neck_um"])
    assert table["metal_mm3"].sum() == pytest.approx(sum(j.solder_mm3 for j in record.joints), rel=2e-3)


@pytest.mark.parametrize(
    "bulge",
    [BulgeRecord(0, 1, 0.8, 0.5, 0.5), BulgeRecord(0, 1, 0.93, 0.6, 0.12, 0.8), BulgeRecord(0, 1, 0.9, 0.08, 0.4, 0.2)],
    ids=["blunt", "neck", "film"],
)  # fmt: skip
def test_what_stops_in_the_air_joins_nothing_and_leaves_the_air_it_should(bulge):
    record, plain = row_of_three(bulges=(bulge,)), row_of_three()
    air = truth.joint_truth(build.build_scene(plain), plain)["clearance_um"][0]
    table = truth.joint_truth(build.build_scene(record), record)
    assert table["bridging"].tolist() == [0, 0, 0]
    # The neighbour recedes at the height of a tip near the lands: at least, not at most, the recorded share.
    left = (1 - bulge.reach) * air
    assert left - 8.0 < table["clearance_um"][0] < left + 0.45 * air
    assert table["metal_mm3"][0] == pytest.approx(record.joints[0].solder_mm3, rel=3e-3)


def test_slender_bridges_are_rare_and_films_and_threes_are_there():
    defects, rng = DefectSettings(), np.random.default_rng(2)
    necks = [draw_neck(rng, defects, (0, 0), (0, 1), 0.5) for _ in range(1500)]
    films = [n for n in necks if n.level == 0.02]
    assert len(films) / len(necks) == pytest.approx(defects.film, abs=0.05)
    assert all(0.0199 <= n.diameter_mm * math.sqrt(n.squash) <= 0.0601 for n in films)
    slender = np.mean([n.diameter_mm < 0.1 for n in necks if n.level != 0.02])
    assert slender == pytest.approx(defects.slender, abs=0.04)
    pairs = bridged_pairs(rng, defects, [(row, col) for row in range(40) for col in range(40)])
    ends = np.array([site for pair in pairs for site in pair])
    _, counts = np.unique(ends, axis=0, return_counts=True)
    assert len(counts) / 1600 == pytest.approx(defects.bridging, abs=0.05)
    assert (counts >= 2).sum() > 10


def test_joints_at_the_edge_of_the_array_are_bridged_as_often_as_those_inside():
    """A frame of two rings, 6 x 6 sites: every place within 4 standard deviations of the wanted share."""
    sites = [(row, col) for row in range(6) for col in range(6) if min(row, col, 5 - row, 5 - col) < 2]
    rng, defects, times = np.random.default_rng(7), DefectSettings(), 3000
    counts = dict.fromkeys(sites, 0)
    for _ in range(times):
        for site in {s for pair in bridged_pairs(rng, defects, sites) for s in pair}:
            counts[site] += 1
    p = defects.bridging
    assert np.array(list(counts.values())) / times == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / times))


@pytest.mark.parametrize("gone", [{(0, 0)}, {(0, 0), (2, 3)}, {(1, 2), (3, 3), (4, 0)}])
def test_a_site_taken_out_makes_no_bridges_of_the_rest(gone):
    """Even shares then need some pairs less often than never; the others used to be joined in up to 98 % of draws."""
    sites = [(row, col) for row in range(6) for col in range(7) if (row, col) not in gone]
    rng, defects, times = np.random.default_rng(7), DefectSettings(), 1000
    counts = dict.fromkeys(sites, 0)
    for _ in range(times):
        for site in {s for pair in bridged_pairs(rng, defects, sites) for s in pair}:
            counts[site] += 1
    assert np.array(list(counts.values())) / times == pytest.approx(defects.bridging, abs=0.07)


def test_near_bridges_are_about_as_common_as_bridges():
    defects, rng = DefectSettings(), np.random.default_rng(3)
    bulges = draw_bulges(rng, defects, 40, 40)
    assert len(bulges) / 1600 == pytest.approx(defects.bridging + 0.08, abs=0.12)
    flat = [b for site in bulges.values() for b in site if b.squash < 0.31]
    thin = [b for site in bulges.values() for b in site if b.thickness < 0.25 and b.squash > 0.31]
    assert len(flat) > 10
    assert len(thin) > 40


def test_films_of_impossible_height_are_refused():
    with pytest.raises(InputError, match="film_um"):
        DefectSettings(film_um=(1.0, 50.0))


def test_thick_bridges_in_a_row_settle():
    """Their metal goes to and fro between bridge and joints; every joint keeps its own."""
    necks = (
        NeckRecord((0, 0), (0, 1), 0.32, 0.08, 0.95, 1.25),
        NeckRecord((0, 1), (0, 2), 0.36, 0.24, 1.0, 1.28),
    )
    record = row_of_three(necks)
    low = dataclasses.replace(
        record, board=dataclasses.replace(record.board, height_mm=0.84 * record.board.height_mm)
    )
    table = truth.scene_truth(build.build_scene(low), 0.004)
    wanted = [joint.solder_mm3 for joint in low.joints]
    assert table["metal_mm3"].to_numpy() == pytest.approx(wanted, rel=5e-3)
