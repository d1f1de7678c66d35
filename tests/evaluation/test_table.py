"""The per-kind and escape tables: laws, what they count, how they read, how they are written."""

import io
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from jointwise.evaluation import table
from jointwise.evaluation.statistics import measures
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS


class Judged(NamedTuple):
    """Arguments of both tables."""

    truth: np.ndarray
    present: np.ndarray
    scores: dict[str, np.ndarray]
    thresholds: dict[str, np.ndarray]


@pytest.fixture
def judged() -> Judged:
    """200 joints with every kind, two unknown labels, three missing balls, and two detectors."""
    rng = np.random.default_rng(11)
    truth = (rng.random((200, 4)) < [0.2, 0.1, 0.08, 0.06]).astype(float)
    signal = truth.copy()
    truth[:2, 1] = np.nan
    present = np.ones(200)
    present[[5, 50, 150]] = 0
    truth[present == 0] = np.nan
    scores = {
        "learned": np.clip(0.6 * signal + 0.6 * rng.random((200, 4)), 0, 1),
        "rules": np.clip(0.3 * signal + 0.7 * rng.random((200, 4)), 0, 1),
    }
    for score in scores.values():
        score[present == 0] = np.nan
    return Judged(
        truth, present, scores, {"learned": np.full(4, 0.55), "rules": np.array([0.5, 0.6, 0.7, 0.8])}
    )


def cell(frame: pd.DataFrame, kind: str, detector: str) -> Any:
    """The one row of a kind and a detector."""
    return frame[(frame["kind"] == kind) & (frame["detector"] == detector)].iloc[0]


def test_one_row_per_kind_and_detector_in_order(judged: Judged) -> None:
    rows = table.per_kind_table(*judged)
    assert list(rows["kind"]) == [kind for kind in KINDS for _ in range(2)]
    assert list(rows["detector"]) == ["learned", "rules"] * 4
    rows = table.escape_table(*judged)
    assert list(rows["kind"].unique()) == [*KINDS, table.ANY]


def test_counts_by_hand() -> None:
    truth = np.array([[1.0], [1], [0], [0], [np.nan], [np.nan]])
    present = np.array([1, 1, 1, 1, 1, 0])
    score = {"d": np.array([[0.9], [0.1], [0.8], [0.2], [0.9], [np.nan]])}
    row = table.per_kind_table(truth, present, score, {"d": [0.5]}, kinds=("void",)).iloc[0]
    assert (row["n"], row["unknown"], row["faulty"]) == (4, 1, 2)
    assert (row["tp"], row["fp"], row["fn"], row["tn"]) == (1, 1, 1, 1)
    assert (row["precision"], row["recall"], row["f1"], row["false_positive_rate"]) == (0.5, 0.5, 0.5, 0.5)
    assert (row["recall_low"], row["recall_high"]) == measures.wilson(1, 2)
    assert row["ap"] == pytest.approx(0.5 * 1 + 0.5 * 2 / 4)


def test_order_of_joints_does_not_matter(judged: Judged) -> None:
    order = np.random.default_rng(1).permutation(200)
    shuffled = Judged(
        judged.truth[order],
        judged.present[order],
        {name: score[order] for name, score in judged.scores.items()},
        judged.thresholds,
    )
    pd.testing.assert_frame_equal(table.per_kind_table(*shuffled), table.per_kind_table(*judged))
    pd.testing.assert_frame_equal(table.escape_table(*shuffled), table.escape_table(*judged))


def test_relabelling_the_kinds_moves_the_rows_and_nothing_else(judged: Judged) -> None:
    order = [2, 0, 3, 1]
    renamed = Judged(
        judged.truth[:, order],
        judged.present,
        {name: score[:, order] for name, score in judged.scores.items()},
        {name: limits[order] for name, limits in judged.thresholds.items()},
    )
    kinds = [KINDS[place] for place in order]
    for make in (table.per_kind_table, table.escape_table):
        ours = make(*judged).set_index(["kind", "detector"])
        theirs = make(*renamed, kinds=kinds).set_index(["kind", "detector"])
        pd.testing.assert_frame_equal(theirs.loc[ours.index], ours)


def test_a_detector_is_judged_alone(judged: Judged) -> None:
    alone = table.per_kind_table(
        judged.truth, judged.present, {"rules": judged.scores["rules"]}, judged.thresholds
    )
    beside = table.per_kind_table(*judged)
    beside = beside[beside["detector"] == "rules"].reset_index(drop=True)
    pd.testing.assert_frame_equal(alone, beside)


def test_what_does_not_count_changes_nothing(judged: Judged) -> None:
    """Another score where there is no ball or no known truth: the same per-kind table."""
    other = {name: score.copy() for name, score in judged.scores.items()}
    for score in other.values():
        score[judged.present == 0] = 0.99
        score[:2, 1] = 0.99
    pd.testing.assert_frame_equal(
        table.per_kind_table(judged.truth, judged.present, other, judged.thresholds),
        table.per_kind_table(*judged),
    )


def test_perfect_and_useless_detectors(judged: Judged) -> None:
    truth = np.nan_to_num(judged.truth)
    scores = {"perfect": truth, "mute": np.zeros_like(truth), "alarm": np.ones_like(truth)}
    args = (truth, judged.present, scores, {name: np.full(4, 0.5) for name in scores})
    rows, escapes = table.per_kind_table(*args), table.escape_table(*args)
    for kind in KINDS:
        perfect, mute, alarm = (cell(rows, kind, name) for name in scores)
        assert (perfect["precision"], perfect["recall"], perfect["f1"], perfect["ap"]) == (1, 1, 1, 1)
        assert mute["recall"] == mute["f1"] == 0
        assert np.isnan(mute["precision"])
        frequency = mute["faulty"] / mute["n"]
        assert mute["ap"] == pytest.approx(frequency)
        assert (alarm["recall"], alarm["precision"]) == pytest.approx((1, frequency))
        assert perfect["guess_precision"] == pytest.approx(frequency)
    assert cell(escapes, table.ANY, "perfect")[["escape_rate", "false_call_rate"]].tolist() == [0, 0]
    assert cell(escapes, table.ANY, "mute")[["escape_rate", "false_call_rate"]].tolist() == [1, 0]
    assert cell(escapes, table.ANY, "alarm")[["escape_rate", "false_call_rate"]].tolist() == [0, 1]


def test_an_empty_kind_is_not_available_and_says_so(judged: Judged) -> None:
    truth = judged.truth.copy()
    truth[:, 2] = np.where(np.isnan(truth[:, 2]), np.nan, 0)
    rows = table.per_kind_table(truth, *judged[1:])
    bridging = cell(rows, "bridging", "learned")
    names = ["recall", "recall_low", "recall_high", "f1", "ap", "guess_precision", "guess_recall", "guess_ap"]
    assert bridging[names].isna().all()
    assert bridging["faulty"] == 0


@pytest.mark.parametrize("case", ["no joints", "one joint", "all missing", "all unknown"])
def test_sets_with_next_to_nothing_in_them(case: str) -> None:
    n = {"no joints": 0, "one joint": 1}.get(case, 5)
    truth = np.full((n, 4), np.nan if case == "all unknown" else 0.0)
    present = np.full(n, case != "all missing")
    scores = {"d": np.full((n, 4), np.nan if case == "all missing" else 0.2)}
    rows = table.per_kind_table(truth, present, scores, {"d": np.full(4, 0.5)})
    escapes = table.escape_table(truth, present, scores, {"d": np.full(4, 0.5)})
    assert (rows["n"] == (1 if case == "one joint" else 0)).all()
    assert (rows["unknown"] == (5 if case == "all unknown" else 0)).all()
    assert rows[["precision", "recall", "f1", "ap"]].isna().all(axis=None)
    assert escapes["escape_rate"].isna().all()
    assert "n/a" in printed(rows, escapes)


def test_escapes_and_false_calls_by_hand() -> None:
    truth = np.array([[1.0, 0], [1, 0], [0, 1], [0, 0], [0, 0], [np.nan, 0]])
    score = np.array([[0.0, 1], [0, 0], [0, 1], [1, 1], [1, 0], [1, 1]])
    rows = table.escape_table(truth, np.ones(6), {"d": score}, {"d": [0.5, 0.5]}, kinds=("a", "b"))
    found = rows[["kind", "faulty", "escapes", "sound", "false_calls"]].values.tolist()
    # Joint 0 has kind a but is called b: stopped all the same. Joint 5 may be faulty: in neither column.
    assert found == [["a", 2, 1, 2, 2], ["b", 1, 0, 2, 1], [table.ANY, 3, 1, 2, 2]]


def test_guessing_at_the_frequency_of_another_set(judged: Judged) -> None:
    rows = table.per_kind_table(*judged, guess_rates=[0.5, 0.5, 0.5, 0.5])
    assert (rows["guess_recall"] == 0.5).all()
    assert (rows["guess_precision"] < 0.4).all()


def printed(rows: pd.DataFrame, escapes: pd.DataFrame, width: int = 80) -> str:
    """What the terminal shows."""
    console = Console(width=width, file=io.StringIO(), record=True)
    console.print(table.terminal(rows, escapes, "200 simulated joints"))
    return console.export_text()


def test_the_terminal_fits_80_columns_and_shows_every_number(judged: Judged) -> None:
    rows, escapes = table.per_kind_table(*judged), table.escape_table(*judged)
    text = printed(rows, escapes)
    assert "…" not in text
    for row in rows.to_dict("records"):
        assert f"{row['recall']:.2f} {row['recall_low']:.2f}–{row['recall_high']:.2f}" in text
        assert f"{row['faulty']} of {row['n']}" in text
    assert text.count("guess ") == 4
    words = " ".join(text.split())
    assert "independent joints" in words
    assert "Escape: a faulty joint for which nothing is called." in words
    for name in ("head-in-pillow", "any kind", "200 simulated joints"):
        assert name in text


def test_refused_in_one_sentence(judged: Judged) -> None:
    truth, present, scores, thresholds = judged
    holes = {"rules": np.where(np.arange(200)[:, None] == 7, np.nan, scores["rules"])}
    for wrong, words in (
        ((truth, present, {}, thresholds), "at least one detector"),
        ((truth, present, {"new": scores["rules"]}, thresholds), "thresholds of detector 'new'"),
        ((truth, present, {"rules": scores["rules"][:9]}, thresholds), "score the same joints"),
        ((truth, present, holes, thresholds), "score"),
        ((truth[:, :3], present, scores, thresholds), "one truth column"),
    ):
        for make in (table.per_kind_table, table.escape_table):
            with pytest.raises(InputError, match=words) as refusal:
                make(*wrong)
            assert "\n" not in str(refusal.value)


def test_each_joint_may_have_its_own_thresholds(judged: Judged) -> None:
    """The same for all is the same table; a joint at whose noise nothing is called loses its calls."""
    truth, present, scores, thresholds = judged
    alike = {name: np.tile(limits, (len(truth), 1)) for name, limits in thresholds.items()}
    pd.testing.assert_frame_equal(
        table.per_kind_table(truth, present, scores, alike),
        table.per_kind_table(truth, present, scores, thresholds),
    )
    noisy = {
        name: np.where(np.arange(len(truth))[:, None] < 3, np.inf, limits) for name, limits in alike.items()
    }
    found = table.per_kind_table(truth, present, scores, noisy)
    plain = table.per_kind_table(truth[3:], present[3:], {n: s[3:] for n, s in scores.items()}, thresholds)
    assert (found["tp"] == plain["tp"]).all()
    assert (found["fp"] == plain["fp"]).all()
    assert (found["threshold"] == plain["threshold"]).all()
    assert np.isinf(found["threshold_highest"]).any()
