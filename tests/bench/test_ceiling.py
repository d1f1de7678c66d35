"""What the best linear test could reach on a board: closed forms, and draws that come to the same."""

import math
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy.stats import norm

from jointwise.evaluation.statistics.measures import average_precision


@pytest.fixture(scope="module")
def ceiling(script: Callable[[str], ModuleType]) -> ModuleType:
    """The script."""
    return script("../ceiling")


def test_d_runs_straight_through_the_studied_sizes_and_on(ceiling: ModuleType) -> None:
    sizes, d = np.array([0.5, 1.0]), np.array([4.0, 7.0])
    assert ceiling.d_of([0.0, 0.125, 0.5, 0.75, 2.0], sizes, d) == pytest.approx([0.0, 1.0, 4.0, 5.5, 13.0])


def test_without_a_signal_precision_is_the_share_and_with_much_it_is_one(ceiling: ModuleType) -> None:
    assert ceiling.ap_limit(np.zeros(3), 0.15) == pytest.approx(0.15, abs=1e-4)
    assert ceiling.ap_limit(np.full(2, 12.0), 0.15) == pytest.approx(1.0, abs=1e-4)


def test_the_limit_is_what_many_draws_come_to(ceiling: ModuleType) -> None:
    """Against scores drawn by numpy and the project's average precision."""
    rng = np.random.default_rng(1)
    d = np.repeat([0.5, 1.5, 4.0], 20000)
    truth = np.append(np.ones(len(d)), np.zeros(3 * len(d)))
    drawn = average_precision(truth, rng.standard_normal(len(truth)) + np.append(d, np.zeros(3 * len(d))))
    assert ceiling.ap_limit(np.unique(d), 0.25) == pytest.approx(drawn, abs=0.004)


def test_a_factor_on_every_d_gives_the_wanted_precision(ceiling: ModuleType) -> None:
    d = np.array([0.5, 1.5, 4.0])
    times = ceiling.times_for(d, 0.2, 0.97)
    assert times > 1
    assert ceiling.ap_limit(times * d, 0.2) == pytest.approx(0.97, abs=1e-3)


def test_recall_at_a_rate_of_false_calls_is_the_normal_tail(ceiling: ModuleType) -> None:
    assert ceiling.recall_at(np.zeros(2), 0.02) == pytest.approx(0.02)
    assert ceiling.recall_at(np.array([norm.isf(0.02), 99.0]), 0.02) == pytest.approx(0.75)


def test_boards_drawn_anew_scatter_about_the_limit_and_more_where_d_is_unsure(ceiling: ModuleType) -> None:
    d = np.linspace(0.3, 4, 60)
    sure, unsure = (
        ceiling.drawn_opens(np.random.default_rng(2), d, np.full(60, error), 240) for error in (0.0, 1.0)
    )
    assert sure["ap"].mean() == pytest.approx(ceiling.ap_limit(d, 0.2), abs=0.02)
    assert sure["recall_at_0.02"].mean() == pytest.approx(ceiling.recall_at(d, 0.02), abs=0.01)
    assert unsure["ap"].std() > 2 * sure["ap"].std()


def test_root_mean_square_gap_of_a_wedge_and_of_a_dome_over_a_disc(ceiling: ModuleType) -> None:
    """Against means over points of a unit disc."""
    x, y = np.meshgrid(*[np.linspace(-1, 1, 801)] * 2)
    inside = x**2 + y**2 <= 1
    wedge = (10 + 6 * x)[inside]
    dome = (10 + 8 * (x**2 + y**2 - 0.5))[inside]
    assert ceiling.rms_gap(10, 6, 0, 0) == pytest.approx(math.sqrt((wedge**2).mean()), rel=1e-3)
    assert ceiling.rms_gap(10, 0, 8, 0) == pytest.approx(math.sqrt((dome**2).mean()), rel=1e-3)
    assert ceiling.rms_gap(10, 0, 0, 0.75) == pytest.approx(5)


def test_a_layer_is_the_gap_that_its_voids_make_of_the_land(ceiling: ModuleType) -> None:
    """A void over the whole land holds 4/3 of its half height on average; a quarter of the land, half as much."""
    assert ceiling.layer_gap([([0, 0, 0], [0.2, 0.2, 0.003])], 0.2) == pytest.approx(0.004)
    assert ceiling.layer_gap([([0, 0, 0], [0.1, 0.1, 0.003])], 0.2) == pytest.approx(0.002)
    assert ceiling.layer_gap([([0, 0, 0], [0.1, 0.1, 0.003])] * 4, 0.2) == pytest.approx(0.004)


def test_a_record_tells_wedge_dome_and_layer_in_um(ceiling: ModuleType) -> None:
    board = {"package_land": 0.4, "board_land": 0.4}
    joints = [
        {"wedge_um": 20.0},
        {"at_package": True, "dome_radius_mm": 0.25},
        {"voids_sort": "layer", "voids": [([0, 0, 0], [0.2, 0.2, 0.003])]},
    ]
    wedge, dome, layer = ceiling.sites_of({"board": board, "joints": joints})
    assert wedge.uneven_um == pytest.approx(10.0)
    # The dome rises by 0.25 - sqrt(0.25² - 0.2²) = 0.1 mm to the land's edge.
    assert dome.uneven_um == pytest.approx(100 / math.sqrt(12))
    assert (layer.layer_um, layer.sort, dome.sort) == (pytest.approx(4.0), "layer", "none")


def test_layers_are_told_by_bayes_rule_and_areas_by_their_error(ceiling: ModuleType) -> None:
    d, large = np.array([0.0, 2.0]), np.array([False, True])
    seen = np.array([1.0, 2.0])
    odds = math.exp(2.0 * 2.0 - 2.0)
    assert ceiling.large_by_layer(seen, d, large) == pytest.approx([0.5, odds / (1 + odds)])
    assert ceiling.large_by_area(np.array([5.0, 6.0]), 1.0) == pytest.approx([0.5, norm.cdf(1)])


def test_sizes_come_from_the_study_that_was_given_last(ceiling: ModuleType, tmp_path: Path) -> None:
    head = "kind,size,ideal_d,ideal_d_low,ideal_d_high,cnr\n"
    (tmp_path / "a.csv").write_text(head + "non_wet,0.5,2,1,3,19\nvoid,5,7,3,9,19\n")
    (tmp_path / "b.csv").write_text(head + "non_wet,1,5,4,6,19\nnon_wet,0.5,2.5,2,3,19\n")
    curve = ceiling.read_curve([tmp_path / "a.csv", tmp_path / "b.csv"], "non_wet")
    assert (curve.size.tolist(), curve.d.tolist(), curve.cnr) == ([0.5, 1.0], [2.5, 5.0], 19.0)
