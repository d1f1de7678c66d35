"""The table on abstention: counts by hand, and a detector that knows its doubts gains by passing joints on."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.report.abstention import abstention_table, doubt
from jointwise.evaluation.verdicts import Verdicts


def made(n: int = 200) -> Verdicts:
    """Scores that are true probabilities of the first kind; the other kinds are never there nor believed."""
    random = np.random.default_rng(2)
    truth, scores = np.zeros((n, 4)), np.full((n, 4), 0.001)
    scores[:, 0] = random.uniform(0.01, 0.99, n)
    truth[:, 0] = random.uniform(size=n) < scores[:, 0]
    table = pd.DataFrame({"scan": "s", "board_id": "b", "ball": [f"A{i}" for i in range(n)], "present": 1})
    outside = {"d": np.arange(n) >= 150}
    return Verdicts(
        "made", "made up", table, truth, {"d": scores}, {"d": np.full((n, 4), 0.5)}, outside=outside
    )


def test_rows_count_what_is_left() -> None:
    """Wrong, escaped and false from their definitions, on the joints kept."""
    one = made()
    frame = abstention_table([one], False).frame.set_index("kept")
    called, faulty = one.scores["d"][:, 0] >= 0.5, one.truth[:, 0] == 1
    for name, kept in (("all", np.ones(200, bool)), ("inside", ~one.outside["d"])):
        row = frame.loc[name]
        assert row["n"] == kept.sum()
        assert row["wrong"] == pytest.approx((called != faulty)[kept].mean())
        assert row["escaped"] == pytest.approx((~called & faulty)[kept].sum() / faulty[kept].sum())
        assert row["false"] == pytest.approx((called & ~faulty)[kept].sum() / (~faulty[kept]).sum())
    assert frame.loc["inside", "share"] == pytest.approx(0.75)


def test_the_surest_half_is_wrong_less_often() -> None:
    """Those nearest the cut are passed on: of scores that are true, they are wrong most often."""
    one = made(2000)
    frame = abstention_table([one], False).frame.set_index("kept")
    half = np.abs(one.scores["d"][:, 0] - 0.5) > np.median(np.abs(one.scores["d"][:, 0] - 0.5))
    wrong = (one.scores["d"][:, 0] >= 0.5) != (one.truth[:, 0] == 1)
    assert frame.loc["the surest 50 %", "wrong"] == pytest.approx(wrong[half].mean(), abs=0.002)
    assert frame.loc["the surest 50 %", "wrong"] < 0.7 * frame.loc["all", "wrong"]


def test_marginal_joints_and_missing_balls_count_as_elsewhere() -> None:
    """No kind known: no row counts it; a kind unknown is neither right nor wrong."""
    one = made(20)
    truth = one.truth.copy()
    truth[0], truth[1, 0] = np.nan, np.nan
    scores = {"d": one.scores["d"].copy()}
    scores["d"][2] = np.nan
    table = one.table.assign(present=np.where(np.arange(20) == 2, 0, 1))
    truth[2] = np.nan
    frame = abstention_table([replace(one, table=table, truth=truth, scores=scores)], False).frame
    assert frame["n"].iloc[0] == 18


def test_doubt_is_distance_in_log_odds_and_a_cut_of_infinity_leaves_none() -> None:
    """The nearest cut of the four decides."""
    scores, cuts = np.array([[0.2, 0.01, 0.01, 0.01]]), np.array([[0.5, 0.5, np.inf, 0.5]])
    assert doubt(scores, cuts) == pytest.approx([-np.log(4)])
    assert doubt(scores, np.array([[np.inf, 0.5, np.inf, 0.5]])) == pytest.approx([-np.log(99)])
