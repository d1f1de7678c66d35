"""Laws of kappa, of settling readers, and of who is nearer to the truth."""

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.labels.adjudication import adjudicate, independent, rule_for, sides
from jointwise.evaluation.labels.agreement import beats_table, kappa_table, open_joints, untold_table
from jointwise.evaluation.statistics.kappa import agreement_of, cohen, fleiss
from jointwise.evaluation.statistics.mcnemar import exact
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS

NAN = np.nan


def said(
    truth: np.ndarray, detectors: dict[str, np.ndarray], readers: dict[str, np.ndarray], **columns: object
) -> Verdicts:
    """Verdicts of joints that are all there, on boards of five; detectors give their calls as scores."""
    n = len(truth)
    table = pd.DataFrame(
        {"scan": [f"s{i // 5}" for i in range(n)], "board_id": [f"b{i // 5}" for i in range(n)]}
    )
    table = table.assign(ball=[f"A{i}" for i in range(n)], present=1, **columns)
    cuts = {who: np.full((n, 4), 0.5) for who in detectors}
    return Verdicts("made", "made up", table, truth, detectors, cuts, readers)


def answers(readers: int = 3, n: int = 120, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    labels = (rng.random((readers, n)) < 0.4).astype(float)
    labels[:, : n // 2] = labels[0, : n // 2]
    return labels


@pytest.mark.parametrize("readers", [2, 3])
def test_order_of_joints_and_readers_and_names_of_boards_and_answers_do_not_matter(readers: int) -> None:
    labels, boards = answers(readers), np.arange(120) // 8
    one, order = agreement_of(labels, boards), np.random.default_rng(1).permutation(120)
    np.testing.assert_allclose(agreement_of(labels[:, order], boards[order]), one, rtol=0, atol=1e-12)
    np.testing.assert_allclose(agreement_of(labels[::-1], boards), one, rtol=0, atol=1e-12)
    np.testing.assert_allclose(agreement_of(1 - labels, boards), one, rtol=0, atol=1e-12)
    np.testing.assert_allclose(agreement_of(labels, 7 + 3 * boards), one, rtol=0, atol=1e-12)


@pytest.mark.parametrize("readers", [2, 4])
def test_agreed_is_one_and_opposed_is_minus_one_or_least(readers: int) -> None:
    same = np.repeat(answers(1), readers, axis=0)
    assert agreement_of(same, np.arange(120) // 8)[:4] == pytest.approx((1, 1, 1, 1))
    half = np.array([[1.0, 0, 1, 0], [0, 1, 0, 1]] * (readers // 2))
    assert agreement_of(half, np.arange(4)).kappa == pytest.approx(-1 / (readers - 1))


def test_readers_who_guess_agree_as_by_chance() -> None:
    rng = np.random.default_rng(2)
    found = agreement_of((rng.random((3, 4000)) < 0.3).astype(float), np.arange(4000) // 20)
    assert found.low < 0 < found.high
    assert found.kappa == pytest.approx(0, abs=0.04)


def test_alike_joints_widen_the_interval() -> None:
    """Ten copies of each joint on its board say no more than one."""
    one, boards = answers(2, 40), np.arange(40)
    thin = agreement_of(one, boards)
    thick = agreement_of(np.repeat(one, 10, axis=1), np.repeat(boards, 10))
    loose = agreement_of(np.repeat(one, 10, axis=1), np.arange(400))
    assert thick[:4] == pytest.approx(thin[:4])
    assert loose.high - loose.low < 0.5 * (thick.high - thick.low)


def test_where_nothing_can_be_told_kappa_is_not_a_number() -> None:
    boards = np.arange(6) // 2
    assert np.isnan(agreement_of(np.zeros((2, 6)), boards)[:3]).all()  # one answer everywhere
    assert agreement_of(np.zeros((2, 6)), boards).observed == 1
    nobody = agreement_of(np.full((3, 6), NAN), boards)
    assert np.isnan(nobody[:4]).all()
    assert nobody[4:] == (0, 0)
    one = agreement_of(np.array([[1.0], [0.0]]), np.zeros(1))
    assert one.kappa == 0
    assert np.isnan(one.low)
    assert np.isnan(cohen(np.zeros((2, 2))))
    assert np.isnan(fleiss(np.zeros((0, 2))))


@pytest.mark.parametrize(
    "labels", [np.zeros((1, 4)), np.full((2, 4), 0.5), np.zeros((2, 3)), np.zeros(4)], ids=str
)
def test_answers_that_do_not_fit_are_refused(labels: np.ndarray) -> None:
    with pytest.raises(InputError, match="expected"):
        agreement_of(labels, np.zeros(4))


def test_fleiss_wants_as_many_readers_on_each_joint() -> None:
    with pytest.raises(InputError, match="same two or more readers"):
        fleiss([[2, 1], [1, 1]])
    with pytest.raises(InputError, match="from 0 on"):
        exact(-1, 2)


def test_the_rule_is_the_users_else_the_adjudicated_reader_else_majority() -> None:
    readers = {name: np.zeros((1, 4)) for name in ("a", "b", "adjudicated")}
    assert rule_for(readers) == "adjudicated"
    assert rule_for(readers, "consensus") == "consensus"
    assert rule_for({"a": readers["a"]}) == "majority"
    with pytest.raises(InputError, match="one of the readers a, b, adjudicated, found 'c'"):
        rule_for(readers, "c")
    assert list(independent(readers, "b")) == ["a", "adjudicated"]
    assert list(sides(readers, "b")) == ["a", "b", "adjudicated"]
    assert list(sides(readers, "majority")) == ["a", "b", "adjudicated", "majority"]
    assert list(sides({"a": readers["a"]}, "majority")) == ["a"]


@pytest.mark.parametrize("rule", ["majority", "consensus"])
def test_order_of_readers_does_not_change_what_is_settled_and_one_reader_settles_alone(rule: str) -> None:
    labels = np.where(
        np.random.default_rng(3).random((3, 20, 4)) < 0.2, NAN, answers(240).reshape(-1, 20, 4)[:3]
    )
    readers = dict(zip("abc", labels, strict=True))
    other = {name: readers[name] for name in "cab"}
    np.testing.assert_array_equal(adjudicate(readers, rule), adjudicate(other, rule))
    np.testing.assert_array_equal(adjudicate({"a": labels[0]}, rule), labels[0])


def everybody() -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Ten joints; a is right but for the last, b could tell the first six and errs in two, c could not tell two."""
    truth = np.zeros((10, 4))
    truth[:5] = 1
    a, b, c = truth.copy(), truth.copy(), truth.copy()
    a[9], b[6:], b[:2], c[8:] = 1, NAN, 0, NAN
    return truth, {"a": a, "b": b, "c": c}


def test_kappa_of_each_pair_and_of_all() -> None:
    truth, readers = everybody()
    table = kappa_table(said(truth, {}, readers), "majority")
    assert list(table["readers"].unique()) == ["a and b", "a and c", "b and c", "all 3"]
    assert table.loc[table["readers"] == "all 3", "statistic"].unique().tolist() == ["Fleiss"]
    void = table[table["kind"] == "void"].set_index("readers")
    assert void[["n", "left_out"]].values.tolist() == [[6, 4], [8, 2], [6, 4], [6, 4]]
    assert void.loc["a and c", "kappa"] == 1
    assert kappa_table(said(truth, {}, readers), "c")["readers"].unique().tolist() == ["a and b"]
    assert kappa_table(said(truth, {}, {"a": readers["a"]}), "majority").empty


def test_joints_nobody_could_call() -> None:
    truth, readers = everybody()
    readers["a"] = readers["a"].copy()
    readers["a"][9] = NAN
    one = said(truth, {}, readers)
    void = untold_table(one, "majority").iloc[0]
    assert void[["n", "some", "nobody", "differ", "open"]].tolist() == [10, 4, 1, 2, 1]
    assert void["share"] == 0.1
    assert untold_table(one, "consensus").iloc[0]["open"] == 6
    assert open_joints(one, "majority")["ball"].tolist() == ["A9"]
    assert open_joints(one, "majority")["a"].tolist() == ["? ? ? ?"]
    shown = said(truth, {}, readers, labelled=[3] * 9 + [0])
    assert untold_table(shown, "majority").iloc[0][["n", "nobody"]].tolist() == [9, 0]
    assert open_joints(shown, "majority").empty


def test_who_is_nearer_to_the_truth() -> None:
    truth = np.zeros((40, 4))
    truth[:20] = 1
    blind = np.zeros((40, 4))
    blind[20:30, 1] = 1  # and in one kind false besides
    one = said(truth, {"good": truth, "blind": blind}, {"a": truth, "b": np.where(truth == 1, NAN, truth)})
    table = beats_table(one, "a").set_index(["detector", "reader", "kind"])
    lost = table.loc[("blind", "a", "non_wet")]
    counted = [
        "n",
        "left_out",
        "detector_only",
        "reader_only",
        "reader_only_missed",
        "reader_only_false",
        "better",
    ]
    assert lost[counted].tolist() == [40, 0, 0, 30, 20, 10, "reader"]
    assert lost["p"] == exact(0, 30)
    assert table.loc[("good", "a", "void"), ["p", "better"]].tolist() == [1.0, "too few"]
    assert table.loc[("blind", "b", "void"), ["n", "left_out", "better"]].tolist() == [20, 20, "too few"]
    assert len(table) == 2 * 2 * len(KINDS)
    swapped = beats_table(said(truth, {"good": truth}, {"a": blind}), "a").set_index("kind")
    assert swapped.loc["non_wet", ["detector_only", "better"]].tolist() == [30, "detector"]


def test_unknown_truth_beats_nobody() -> None:
    nothing = np.full((5, 4), NAN)
    assert beats_table(said(nothing, {"x": np.zeros((5, 4))}, {"a": np.zeros((5, 4))}), "majority").empty


def test_tables_are_the_same_for_joints_in_another_order() -> None:
    truth, readers = everybody()
    one = said(truth, {"x": truth}, readers)
    other = one.take(np.random.default_rng(4).permutation(10))
    for table in (kappa_table, untold_table, beats_table):
        pd.testing.assert_frame_equal(table(one, "majority"), table(other, "majority"), check_exact=False)
