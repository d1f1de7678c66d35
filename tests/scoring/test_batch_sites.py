"""Sites over boards: counts, intervals and chance against known answers, and what is too few to tell."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from jointwise.joints.names import ball_name
from jointwise.scoring.summary.sites import FEWEST_BOARDS, chances, expected, holm, part_sites, wilson


def board(rows: int, cols: int, findings: dict[str, str]) -> pd.DataFrame:
    row, col = np.divmod(np.arange(rows * cols), cols)
    balls = [ball_name(r, c) for r, c in zip(row.tolist(), col.tolist(), strict=True)]
    return pd.DataFrame({"ball": balls, "row": row, "col": col, "findings": [findings.get(b) for b in balls]})


def test_wilson_interval_of_27_of_30() -> None:
    """By hand from the formula of Wilson 1927 with z = 1.959964; also in evaluation's own tests."""
    assert wilson(27, 30) == pytest.approx((0.743789, 0.965400), abs=1e-6)
    assert wilson(0, 5) == pytest.approx((0, 0.434482), abs=1e-6)


def test_holm_by_hand() -> None:
    """R's p.adjust(c(0.01, 0.04, 0.03, 0.005), "holm") gives 0.03 0.06 0.06 0.02."""
    np.testing.assert_allclose(holm(np.array([0.01, 0.04, 0.03, 0.005])), [0.03, 0.06, 0.06, 0.02])
    np.testing.assert_allclose(holm(np.array([0.5, 0.6])), [1, 1])


def test_expected_sites_by_hand() -> None:
    """Ten sites on two boards, four findings: share 0.2, so 10 (1 - 0.8²) = 3.6 with one or more, 0.4 with two."""
    k = pd.Series([2, 1, 1, 0, 0, 0, 0, 0, 0, 0])
    table = expected(k, pd.Series([2] * 10))
    assert list(table["seen"]) == [3, 1]
    np.testing.assert_allclose(table["expected"], [3.6, 0.4])
    np.testing.assert_allclose(chances(k, pd.Series([2] * 10))[:4], [0.04, 0.36, 0.36, 1])


def test_a_site_that_fails_on_every_board_stands_out_alone() -> None:
    boards = {f"b{n}": board(6, 7, {"C4": "void;non_wet", ball_name(n % 6, n): "void"}) for n in range(6)}
    part = part_sites("U1", boards)
    sites = part.sites.set_index("ball")
    assert list(part.marked["ball"]) == ["C4"]
    assert sites.loc["C4", ["n", "k", "void", "non_wet", "bridging"]].tolist() == [6, 6, 6, 6, 0]
    assert sites.loc["A1", "k"] == 1
    share = 12 / (42 * 6)
    assert part.share == pytest.approx(share)
    assert sites.loc["C4", "p"] == pytest.approx(share**6)
    assert sites.loc["C4", "p_holm"] == pytest.approx(42 * share**6)
    assert sites["n"].sum() == 42 * 6
    assert part.shapes == (("6 × 7", 6),)


def test_too_few_boards_tell_nothing() -> None:
    few = {f"b{n}": board(4, 4, {"B2": "missing"}) for n in range(FEWEST_BOARDS - 1)}
    part = part_sites("", few)
    assert not part.enough
    assert part.marked.empty
    assert part.sites["p"].isna().all()
    assert part.sites["k"].max() == FEWEST_BOARDS - 1
    assert part_sites("", {**few, "more": board(4, 4, {"B2": "missing"})}).enough


def test_arrays_of_two_sizes_meet_by_ball() -> None:
    boards = {f"b{n}": board(4, 4, {}) for n in range(4)} | {"small": board(4, 3, {"A3": "void"})}
    part = part_sites("", boards)
    sites = part.sites.set_index("ball")
    assert sites.loc["A4", "n"] == 4
    assert sites.loc["A3", ["n", "k"]].tolist() == [5, 1]
    assert part.shapes == (("4 × 4", 4), ("4 × 3", 1))


@pytest.mark.parametrize("boards", [5, 20, 60])
def test_alike_sites_are_marked_in_no_more_than_one_map_in_twenty(boards: int) -> None:
    """1,000 maps of 100 alike sites: Holm keeps 5 %, binomial counts stay below it as they are steps."""
    rng = np.random.default_rng(boards)
    n = pd.Series([boards] * 100)
    wrong = sum(
        bool((holm(chances(pd.Series(rng.binomial(boards, 0.03, 100)), n)) <= 0.05).any())
        for _ in range(1000)
    )
    assert wrong <= stats.binom.ppf(0.999, 1000, 0.05)


def test_a_site_ten_times_as_bad_is_found_over_twenty_boards() -> None:
    rng = np.random.default_rng(1)
    found = 0
    for _ in range(100):
        k = pd.Series(rng.binomial(20, [0.4, *[0.02] * 99]))
        found += holm(chances(k, pd.Series([20] * 100)))[0] <= 0.05
    assert found >= 80
