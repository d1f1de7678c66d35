"""Detection curves: laws of the fit, every refusal, targets of the four kinds, and the report's section."""

import dataclasses
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from scipy import special

from jointwise.evaluation.bridges import bridge_table
from jointwise.evaluation.measured import board_weights
from jointwise.evaluation.report.pod import judge, pod_section
from jointwise.evaluation.report.section import Figure, Grid, Paragraph
from jointwise.evaluation.statistics.pod import Curve, NoCurve, fit_pod
from jointwise.evaluation.statistics.pod_boards import a90_of_boards
from jointwise.evaluation.statistics.pod_checks import (
    best_curve,
    falling_groups,
    goodness,
    lasting_misses,
    most_misses,
    size_groups,
)
from jointwise.evaluation.statistics.pod_likelihood import LINKS
from jointwise.evaluation.targets import SIZE_MEASURES, targets
from jointwise.evaluation.verdicts import Verdicts

BY_NAME = {measure.name: measure for measure in SIZE_MEASURES}


def drawn(
    n: int = 200, seed: int = 0, slope: float = 2.0, floor: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Sizes from 3 to 150, half of them found at 20."""
    rng = np.random.default_rng(seed)
    x = rng.uniform(1, 5, n)
    return np.exp(x), rng.random(n) < floor + (1 - floor) * special.expit(slope * (x - 3))


def curve(size: np.ndarray, hit: np.ndarray, floor: float = 0.0) -> Curve:
    found = fit_pod(size, hit, "logit", floor)
    assert isinstance(found, Curve)
    return found


def refusal(size: object, hit: object, floor: float = 0.0) -> NoCurve:
    found, _ = best_curve(np.asarray(size, float), np.asarray(hit, bool), floor)
    assert isinstance(found, NoCurve)
    assert (found.n, found.hits) == (len(np.asarray(size)), int(np.sum(hit)))
    return found


def test_order_does_not_matter() -> None:
    size, hit = drawn()
    order = np.random.default_rng(1).permutation(len(size))
    one, two = curve(size, hit), curve(size[order], hit[order])
    assert (two.a90, two.a90_95) == pytest.approx((one.a90, one.a90_95), rel=1e-9)
    boards = np.arange(len(size)) % 20
    assert a90_of_boards(size, hit, boards, one, 50) == a90_of_boards(
        size[order], hit[order], boards[order], one, 50
    )
    np.testing.assert_allclose(goodness(size, hit, one), goodness(size[order], hit[order], two), rtol=1e-9)


@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("floor", [0.0, 0.08])
def test_the_unit_of_size_does_not_matter(link: str, floor: float) -> None:
    size, hit = drawn(floor=floor)
    one, two = fit_pod(size, hit, link, floor), fit_pod(size / 25, hit, link, floor)  # type: ignore[arg-type]
    assert isinstance(one, Curve)
    assert isinstance(two, Curve)
    assert (25 * two.a50, 25 * two.a90, 25 * two.a90_95) == pytest.approx(
        (one.a50, one.a90, one.a90_95), rel=1e-7
    )
    np.testing.assert_allclose(two.lower(size / 25), one.lower(size), rtol=1e-6)


def test_the_lower_curve_meets_the_bound_where_it_is_0_9() -> None:
    """Two ways to the same number: the contour of the likelihood, and the profile over the size."""
    for floor in (0.0, 0.1):
        found = curve(*drawn(floor=floor), floor)
        assert found.lower(np.array([found.a90_95]))[0] == pytest.approx(0.9, abs=1e-6)
        sizes = np.geomspace(3, 150, 40)
        assert (found.lower(sizes) < found.pod(sizes)).all()
        assert (np.diff(found.pod(sizes)) > 0).all()
        assert found.a50 < found.a90 < found.a90_95


def test_more_targets_bring_the_bound_nearer() -> None:
    size, hit = drawn()
    one, four = curve(size, hit), curve(np.tile(size, 4), np.tile(hit, 4))
    assert four.a90 == pytest.approx(one.a90)
    assert np.log(four.a90_95 / four.a90) < 0.6 * np.log(one.a90_95 / one.a90)


def test_a_floor_takes_chance_hits_among_the_small_off_the_slope() -> None:
    """Hits drawn with a floor of 0.15: with it the curve is steeper, likelier, and ends at the floor."""
    size, hit = drawn(1000, slope=4, floor=0.15)
    with_floor, without = curve(size, hit, 0.15), curve(size, hit)
    assert with_floor.slope > 1.3 * without.slope
    assert with_floor.log_likelihood > without.log_likelihood + 5
    assert with_floor.pod(np.array([1e-6]))[0] == pytest.approx(0.15, abs=1e-6)


@pytest.mark.parametrize(
    ("size", "hit", "key"),
    [
        ([], [], "no_targets"),
        ([5.0], [True], "all_hit"),
        ([5.0], [False], "all_missed"),
        (np.arange(1, 101), np.ones(100), "all_hit"),
        (np.arange(1, 101), np.zeros(100), "all_missed"),
        (np.repeat([5, 9], 40), np.arange(80) % 2, "too_few_sizes"),
        (np.arange(1, 101), np.arange(1, 101) > 40, "separable"),
        (np.arange(1, 101), np.arange(1, 101) < 40, "falls"),
        (np.arange(1, 31), (np.arange(1, 31) > 8) & (np.arange(1, 31) != 10), "too_few"),
        (np.tile(np.arange(1, 21), 5), np.repeat(np.arange(5), 20) < 3, "flat"),
    ],
)
def test_what_bears_no_curve_is_refused_with_a_reason(size: object, hit: object, key: str) -> None:
    found = refusal(size, hit)
    assert found.key == key
    assert found.reason


def test_falling_and_hollow_shares_are_refused() -> None:
    size, hit = drawn(400)
    assert refusal(size, ~hit).key == "falls"
    hollow = hit & ~((size > 60) & (size < 100))
    assert fit_pod(size, hollow).hits == hollow.sum()
    assert refusal(size, hollow).key == "not_monotone"
    assert falling_groups(size, hit) is None


def test_a_floor_too_high_or_one_that_explains_all_small_hits_is_refused() -> None:
    size, hit = drawn()
    assert refusal(size, hit, 0.95).key == "floor_too_high"
    size = np.arange(1.0, 201.0)
    hit = (size > 100) | (size % 5 == 0)
    assert refusal(size, hit, 0.2).key == "separable"


def test_no_curve_is_a_step_between_two_targets() -> None:
    """Steep truth with a floor: what comes out rises where there are targets, or is refused as separable."""
    keys = set()
    for seed in range(40):
        found = fit_pod(*drawn(60, seed, slope=40, floor=0.1), "logit", 0.1)
        if isinstance(found, NoCurve):
            keys.add(found.key)
            continue
        sizes = np.exp(found.middle + found.spread * found.z)
        assert ((found.pod(sizes) > 0.101) & (found.pod(sizes) < 0.999)).any()
    assert keys == {"separable"}


def test_lasting_misses_are_told() -> None:
    size, hit = drawn(600, slope=4)
    assert lasting_misses(size, hit, curve(size, hit)) is None
    lost = hit & ((size < 100) | (np.arange(600) % 3 > 0))
    found = lasting_misses(size, lost, curve(size, lost))
    assert found is not None
    assert found[0].n - found[0].hits > found[1]


def test_a_curve_of_another_shape_does_not_fit() -> None:
    """Three in ten are lost whatever their size: no rise to 1, and the deviance sees it."""
    size, hit = drawn(1500, slope=5)
    lost = hit & (np.random.default_rng(0).random(1500) < 0.7)
    bad, good = goodness(size, lost, curve(size, lost)), goodness(size, hit, curve(size, hit))
    assert bad is not None
    assert good is not None
    assert bad.p < 1e-3 < good.p


def test_groups_hold_every_target_once_and_share_no_size() -> None:
    size, hit = drawn(130)
    groups = size_groups(np.round(size), hit)
    assert sum(group.n for group in groups) == 130
    assert sum(group.hits for group in groups) == hit.sum()
    assert all(a.largest < b.smallest for a, b in pairwise(groups))
    assert size_groups(size[:0], hit[:0]) == []
    assert [most_misses(n) for n in (28, 29, 46, 61, 76)] == [-1, 0, 1, 2, 3]


def test_boards_that_differ_widen_the_interval() -> None:
    """Every board finds all of its targets or none: drawing boards must see it, drawing joints could not."""
    size, hit = drawn(400, slope=3)
    boards = np.arange(400) % 16
    even = a90_of_boards(size, hit, boards, curve(size, hit), 400)
    shift = np.where(boards % 2 == 0, 0.5, 2.0)
    rng = np.random.default_rng(4)
    uneven = rng.random(400) < special.expit(3 * (np.log(size * shift) - 3))
    wide = a90_of_boards(size, uneven, boards, curve(size, uneven), 400)
    assert even[0] < curve(size, hit).a90 < even[1]
    assert np.log(wide[1] / wide[0]) > 1.3 * np.log(even[1] / even[0])


def verdicts(n: int = 600, seed: int = 0) -> Verdicts:
    """Joints of 20 boards with sizes; `sharp` finds them by size, `blind` calls nothing, `calls_all` everything."""
    rng = np.random.default_rng(seed)
    truth = np.zeros((n, 4))
    kind = np.arange(n) % 6
    truth[np.arange(n)[kind < 4], kind[kind < 4]] = 1
    gap = np.where((truth[:, 1] == 1) | (truth[:, 3] == 1), np.exp(rng.uniform(1, 5, n)), np.nan)
    void = np.where(truth[:, 0] == 1, rng.uniform(5, 40, n), np.where(kind == 4, rng.uniform(0.1, 5, n), 0))
    neck = np.where(truth[:, 2] == 1, np.exp(rng.uniform(3, 6, n)), np.nan)
    size = np.stack([void * 3, gap, neck / 5, gap], 1)
    found = rng.random((n, 4)) < special.expit(2 * (np.log(np.where(size > 0, size, 1e-9)) - 3))
    sharp = np.where(found, 0.9, 0.1)
    table = pd.DataFrame(
        {
            "scan": [f"s{i % 20}" for i in range(n)], "board_id": [f"b{i % 20}" for i in range(n)],
            "ball": [f"A{i}" for i in range(n)], "present": np.ones(n, np.int64), "gap_um": gap,
            "void_projected_area_pct": void, "void_largest_pct": void / 2, "bridge_neck_um": neck, "voxel_um": 20.0,
            "ball_mm": 0.5,
        }
    )  # fmt: skip
    scores = {"sharp": sharp, "blind": np.zeros((n, 4)), "calls_all": np.ones((n, 4))}
    return Verdicts("made", "made up", table, truth, scores, {who: np.full((n, 4), 0.5) for who in scores})


def test_targets_are_the_joints_with_the_kind_and_a_known_size() -> None:
    one = verdicts()
    found = targets(one, "sharp", BY_NAME["non_wet_gap_um"])
    assert found is not None
    assert len(found.size) == 100
    assert (found.sound, found.false_calls, found.unknown_label, found.unknown_size) == (200, 0, 0, 0)
    voxels = targets(one, "sharp", BY_NAME["non_wet_gap_voxels"])
    assert voxels is not None
    np.testing.assert_allclose(20 * voxels.size, found.size)


def test_unknown_labels_and_sizes_are_left_out_and_counted() -> None:
    one = verdicts()
    truth, table = one.truth.copy(), one.table.copy()
    truth[1, 1] = np.nan
    table.loc[7, "gap_um"] = np.nan
    found = targets(
        Verdicts("made", "", table, truth, one.scores, one.cuts), "sharp", BY_NAME["non_wet_gap_um"]
    )
    assert found is not None
    assert (len(found.size), found.unknown_label, found.unknown_size) == (98, 1, 1)


def test_voids_below_the_label_are_targets_and_their_diameter_is_that_of_the_shadow() -> None:
    one = verdicts()
    area, wide = (targets(one, "sharp", BY_NAME[name]) for name in ("void_area_pct", "void_diameter_um"))
    assert area is not None
    assert wide is not None
    assert (len(area.size), area.size.min() < 5, area.sound) == (200, True, 100)
    np.testing.assert_allclose(np.pi / 4 * wide.size**2, area.size / 2 / 100 * np.pi / 4 * 500**2)


def test_a_bridge_counts_once_and_is_found_at_either_joint() -> None:
    table = pd.DataFrame({"scan": "s", "board_id": "b", "ball": list("ABCDE"), "present": 1})
    table = table.assign(
        bridge_neck_um=[50.0, 50.0, 80.0, 80.0, 90.0], row=[0, 0, 0, 5, 7], col=[0, 1, 2, 2, 0]
    )
    truth = np.zeros((5, 4))
    truth[:, 2] = 1
    scores = {"one": np.where(np.arange(5)[:, None] == 1, 1.0, np.zeros((5, 4)))}
    found = targets(
        Verdicts("made", "", table, truth, scores, {"one": np.full((5, 4), 0.5)}),
        "one",
        BY_NAME["bridge_neck_um"],
    )
    assert found is not None
    # A and B share a bridge; C and D have equal necks five rows apart: two bridges.
    assert found.size.tolist() == [50.0, 80.0, 80.0, 90.0]
    assert found.hit.tolist() == [True, False, False, False]


def test_the_bridges_of_curves_are_those_of_the_measures() -> None:
    """A chain of three, a pair of which one neck is known, one without a neck, and one of another scan."""
    table = pd.DataFrame({"scan": list("sssssst"), "board_id": "b", "ball": list("ABCDEFG"), "present": 1})
    table = table.assign(
        bridge_neck_um=[50.0, 80.0, 80.0, 60.0, np.nan, np.nan, 60.0],
        row=[0, 0, 0, 4, 4, 9, 4],
        col=[0, 1, 2, 1, 2, 9, 1],
    )
    truth = np.zeros((7, 4))
    truth[:, 2] = 1
    scores = {"one": np.where(np.isin(np.arange(7), (0, 4))[:, None], 1.0, np.zeros((7, 4)))}
    one = Verdicts("made", "", table, truth, scores, {"one": np.full((7, 4), 0.5)})
    found = targets(one, "one", BY_NAME["bridge_neck_um"])
    assert found is not None
    assert found.size.tolist() == [80.0, 60.0, 60.0]
    assert found.hit.tolist() == [True, True, False]
    assert found.unknown_size == 1
    assert len(found.size) + found.unknown_size == bridge_table(one, board_weights(one))["bridges"].iloc[0]
    bare = dataclasses.replace(one, table=table.drop(columns=["row", "col"]))
    alone = targets(bare, "one", BY_NAME["bridge_neck_um"])
    assert alone is not None
    assert (len(alone.size), alone.unknown_size) == (5, 2)


def test_the_section_holds_curve_refusals_and_pictures() -> None:
    section = pod_section(verdicts())
    grids = [block for block in section.blocks if isinstance(block, Grid)]
    figures = [block for block in section.blocks if isinstance(block, Figure)]
    frame = grids[0].frame.set_index(["detector", "measure"])
    assert len(figures) == 7
    assert all(isinstance(figure.svg, str) and figure.svg.startswith("<svg") for figure in figures)
    sharp = frame.loc[("sharp", "non_wet_gap_um")]
    assert 0 < sharp["a90_low"] < sharp["a90"] < sharp["a90_95"]
    assert section.numbers["made.sharp.non_wet_gap_um.a90"] == sharp["a90"]
    assert set(frame.loc["blind", "refused"]) == {"all_missed"}
    assert set(frame.loc["calls_all", "refused"]) <= {"floor_too_high"}
    assert np.isnan(frame.loc[("blind", "void_area_pct"), "a90"])
    said = [block for block in section.blocks if isinstance(block, Paragraph) and block.role == "warning"]
    assert any("blind, no curve: non-wet: " in block.text for block in said)
    found = [block for block in section.blocks if isinstance(block, Paragraph) and block.role == "finding"]
    kinds = ["non-wet", "head-in-pillow", "void", "bridging"]
    assert [block.text.split(" found ")[0] for block in found] == [f"sharp: {kind}" for kind in kinds]


def test_few_boards_bring_no_interval_and_few_targets_a_warning() -> None:
    one = verdicts()
    few = one.take(np.isin(one.boards, range(9)))
    told = judge(few, "sharp", BY_NAME["head_in_pillow_gap_um"])
    assert told is not None
    assert np.isnan(told.row["a90_low"])
    assert any("targets, 60 are asked for" in remark for remark in told.row["remarks"])  # type: ignore[attr-defined]


@pytest.mark.parametrize("rows", [[], [0]])
def test_one_joint_or_none_makes_a_section(rows: list[int]) -> None:
    section = pod_section(verdicts().take(np.array(rows, dtype=np.int64)))
    assert section.numbers == {}
    assert any(isinstance(block, Grid) for block in section.blocks)


def test_a_set_without_sizes_says_so() -> None:
    one = verdicts()
    bare = one.table[["scan", "board_id", "ball", "present"]]
    section = pod_section([Verdicts("bare", "", bare, one.truth, one.scores, one.cuts)])
    assert [b.text for b in section.blocks if isinstance(b, Paragraph)][-1].startswith("No set holds sizes")


def test_findings_give_lengths_in_voxels_and_micrometres_and_tell_unwanted_misses() -> None:
    section = pod_section(verdicts())
    frame = next(b for b in section.blocks if isinstance(b, Grid)).frame.set_index(["detector", "measure"])
    found = [b.text for b in section.blocks if isinstance(b, Paragraph) and b.role == "finding"]
    ends = [frame.loc[("sharp", f"non_wet_gap_{unit}"), "a90_95"] for unit in ("voxels", "um")]
    assert ends[1] == pytest.approx(20 * ends[0], rel=1e-3)
    assert f"surely (95 %) from {ends[0]:.2f} voxels ({ends[1]:.0f} µm) on" in found[0]
    # Of 200 voids 100 cover under 5 %.
    row = frame.loc[("sharp", "void_diameter_um")]
    small = targets(verdicts(), "sharp", BY_NAME["void_area_pct"])
    assert small is not None
    assert row["small_missed"] == np.sum(~small.hit & (small.size < 5)) > 0
    assert f"{row['misses']} missed, {row['small_missed']} of them under 5 % of the cross-section" in found[2]


def test_largest_targets_without_a_miss_are_a_finding_where_there_is_no_curve() -> None:
    one = verdicts()
    every = dataclasses.replace(
        one, scores={"all": np.nan_to_num(one.truth)}, cuts={"all": one.cuts["sharp"]}
    )
    section = pod_section(every)
    found = [b.text for b in section.blocks if isinstance(b, Paragraph) and b.role == "finding"]
    assert "non-wet proven at 95 % to be found 9 times of 10 among sizes from " in found[0]
    assert ": 29 without a miss" in found[0]
    few = pod_section(every.take(np.arange(60)))
    assert not any("proven" in b.text for b in few.blocks if isinstance(b, Paragraph))


def test_notes_are_numbered_once_and_stand_below_the_table() -> None:
    section = pod_section(verdicts())
    at, grid = next((i, b) for i, b in enumerate(section.blocks) if isinstance(b, Grid))
    notes = [b.text for b in section.blocks[at:] if isinstance(b, Paragraph)]
    assert [note.split(":")[0] for note in notes] == [f"Note {i + 1}" for i in range(len(notes))]
    assert len({note.split(": ", 1)[1] for note in notes}) == len(notes)
    for row in grid.frame.to_dict("records"):
        named = [notes[int(number) - 1] for number in row["note"].split(", ") if number]
        assert "; ".join(note.split(": ", 1)[1].removesuffix(".") for note in named) == row["remarks"]
    assert [column.title for column in grid.columns] == [
        "kind", "size", "detector", "targets", "missed", "a50", "a90", "a90/95", "note",
    ]  # fmt: skip
