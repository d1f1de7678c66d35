"""Readers and detectors against each other: what counts, what is left out, how it reads; the data sheet's table."""

import io
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

from jointwise.evaluation.labels.labelled_set import LabelledSet, read_set
from jointwise.evaluation.labels.readers import (
    TRUTH,
    Side,
    agreement,
    flat,
    readers_table,
    terminal,
)
from jointwise.evaluation.labels.set_verdicts import verdicts_of
from jointwise.evaluation.statistics import measures
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS

SHIPPED = Path(__file__).resolve().parents[2] / "demo_sets"

# Source: data sheet that came with the demo sets, table "How good the labels are": found, there, false per kind
# (239 present joints; the readers as they answered, sure or not; adjudicated rows without cannot_tell).
SHEET = {
    "reader_1": ((44, 48, 0), (34, 34, 0), (28, 30, 0), (33, 34, 3)),
    "reader_2": ((45, 48, 0), (34, 34, 0), (28, 30, 0), (34, 34, 0)),
    "adjudicated": ((42, 44, 0), (34, 34, 0), (28, 30, 0), (33, 33, 0)),
}


@pytest.fixture(scope="module")
def demo() -> LabelledSet:
    return read_set(SHIPPED, "demo")


@pytest.mark.parametrize("reader", SHEET)
def test_the_data_sheets_counts(demo: LabelledSet, reader: str) -> None:
    said = demo.labels if reader == "adjudicated" else demo.answers
    table = agreement(Side(reader, said[reader]), Side(TRUTH, demo.truth), np.zeros(demo.truth.shape, bool))
    found = [tuple(row) for row in table[["tp", "faulty", "fp"]].itertuples(index=False)]
    assert found == list(SHEET[reader])
    assert set(table["n"]) == {232 if reader == "adjudicated" else 239}


def test_the_data_sheets_gaps(demo: LabelledSet) -> None:
    """Source: the data sheet; 24 non_wet and 23 head_in_pillow with a gap of a voxel or more, 5 marginal joints."""
    keys = pd.MultiIndex.from_frame(demo.joints.table[["scan", "ball"]])
    gap = demo.tables.truth.set_index(["scan", "ball"]).loc[keys, "gap_um"].to_numpy()
    wide = (gap >= demo.joints.table["voxel_um"].to_numpy() - 1e-9) & ~demo.marginal
    assert demo.marginal.sum() == 5
    assert [int(demo.truth[wide, KINDS.index(k)].sum()) for k in ("non_wet", "head_in_pillow")] == [24, 23]


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


def test_who_is_held_against_whom() -> None:
    zero = np.zeros((3, 4))
    table = readers_table(said(zero, {"learned": zero, "rules": zero}, {"a": zero, "b": zero}), "majority")
    pairs = list(table[["judged", "against"]].drop_duplicates().itertuples(index=False, name=None))
    assert pairs == [
        *((d, o) for d in ("learned", "rules") for o in ("a", "b", "majority", TRUTH)),
        ("a", TRUTH), ("b", TRUTH), ("majority", TRUTH), ("a", "b"), ("b", "a"),
    ]  # fmt: skip
    assert len(table) == len(pairs) * len(KINDS)


def test_who_settles_is_not_one_of_the_readers_compared() -> None:
    zero = np.zeros((3, 4))
    table = readers_table(said(zero, {}, {"a": zero, "b": zero, "c": zero}), "c")
    pairs = set(table[["judged", "against"]].itertuples(index=False, name=None))
    assert pairs == {("a", TRUTH), ("b", TRUTH), ("c", TRUTH), ("a", "b"), ("b", "a")}


def test_without_truth_nobody_is_held_against_it() -> None:
    zero = np.zeros((3, 4))
    table = readers_table(said(np.full((3, 4), np.nan), {"rules": zero}, {"a": zero}), "majority")
    assert set(table["against"]) == {"a"}


def test_missing_balls_count_for_nobody_and_unknown_truth_is_told_apart_from_marginal() -> None:
    truth = np.zeros((5, 4))
    truth[1, 1], truth[2] = np.nan, np.nan  # marginal in one kind; unknown in all
    one = said(truth, {"rules": np.zeros((5, 4))}, {"a": np.zeros((5, 4))}, marginal=[0, 1, 0, 0, 0])
    table = readers_table(one.take([0, 1, 2]), "majority").set_index(["judged", "against", "kind"])
    assert table.loc[("rules", TRUTH, "non_wet"), ["n", "marginal", "unknown", "cannot_tell"]].tolist() == [
        1,
        1,
        1,
        0,
    ]
    assert table.loc[("rules", TRUTH, "void"), ["n", "marginal", "unknown"]].tolist() == [2, 0, 1]
    assert table.loc[("rules", "a", "non_wet"), ["n", "marginal", "unknown"]].tolist() == [2, 1, 0]
    gone = one.table.assign(present=[1, 1, 1, 0, 0])
    absent = np.where(gone["present"].to_numpy()[:, None] == 1, 0.0, np.full((5, 4), np.nan))
    fewer = Verdicts("made", "made up", gone, truth, {"rules": absent}, dict(one.cuts), {"a": absent})
    table = readers_table(fewer, "majority").set_index(["judged", "against", "kind"])
    assert table.loc[("rules", "a", "void"), ["n", "cannot_tell"]].tolist() == [3, 0]


def test_a_set_is_brought_into_verdicts_with_its_missing_balls(demo: LabelledSet) -> None:
    scores = {"rules": np.random.default_rng(0).random(demo.truth.shape)}
    one = verdicts_of(demo, scores, {"rules": np.full(demo.truth.shape, np.inf)})
    assert (len(one), int(one.present.sum()), int(one.table["marginal"].sum())) == (244, 239, 5)
    assert not one.calls("rules").any()
    np.testing.assert_array_equal(one.scores["rules"][one.present], scores["rules"])
    np.testing.assert_array_equal(one.readers["reader_1"][one.present], demo.labels["reader_1"])
    border = one.table["marginal"].to_numpy() == 1
    assert np.isnan(one.truth[border]).all()
    assert not np.isnan(one.truth[one.present & ~border]).any()
    assert {"gap_um", "contact_fraction", "voxel_um", "row", "board_id"} <= set(one.table)


@pytest.fixture
def counted() -> pd.DataFrame:
    """Eight joints: two found, one missed, one false, one sound; then untold by either side and two marginal."""
    void = np.array([1, 1, 1, 0, 0, 1, 1, 1], float)
    calls, labels = np.zeros((8, 4)), np.zeros((8, 4))
    labels[:, 0] = void
    calls[:, 0] = [1, 1, 0, 1, 0, 1, 1, 0]
    labels[5] = calls[6] = np.nan
    marginal = np.array([0, 0, 0, 0, 0, 0, 1, 1], bool)[:, None].repeat(4, axis=1)
    return agreement(Side("x", calls), Side("y", labels), marginal)


def test_left_out_joints_count_in_no_kind_and_are_told(counted: pd.DataFrame) -> None:
    assert set(counted["n"]) == {5}
    assert set(counted["marginal"]) == {2}
    assert set(counted["cannot_tell"]) == {1}  # the other is marginal already
    void = counted.iloc[0]
    assert [void[c] for c in ("faulty", "tp", "fp", "fn", "tn")] == [3, 2, 1, 1, 1]
    assert void["precision"] == void["recall"] == pytest.approx(2 / 3)
    assert (void["recall_low"], void["recall_high"]) == pytest.approx(measures.wilson(2, 3))


def test_nothing_to_divide_by_is_not_zero(counted: pd.DataFrame) -> None:
    assert counted.iloc[1:][["precision", "recall", "precision_low"]].isna().all(axis=None)
    assert "x/against_y/bridging/recall" not in flat(counted)
    assert flat(counted)["x/against_y/void/tp"] == 2


def test_who_finds_all_is_perfect_and_swapping_sides_swaps_rates() -> None:
    rng = np.random.default_rng(0)
    a, b = (rng.random((60, 4)) < 0.3).astype(float), (rng.random((60, 4)) < 0.3).astype(float)
    none = np.zeros((60, 4), bool)
    assert (agreement(Side("a", a), Side("a", a), none)[["precision", "recall"]] == 1).all(axis=None)
    one, other = agreement(Side("a", a), Side("b", b), none), agreement(Side("b", b), Side("a", a), none)
    assert one["precision"].tolist() == other["recall"].tolist()
    assert one["fp"].tolist() == other["fn"].tolist()


@pytest.mark.parametrize(
    ("labels", "marginal", "said"),
    [
        (np.zeros((3, 4)), np.zeros((2, 4), bool), "labels of the same joints"),
        (np.zeros((2, 4)), np.zeros((3, 4), bool), "labels of the same joints"),
        (np.full((3, 4), 0.5), np.zeros((3, 4), bool), "expected 0, 1 or empty"),
        (np.zeros((3, 3)), np.zeros((3, 4), bool), "expected 0, 1 or empty"),
    ],
)
def test_labels_that_do_not_fit_are_refused(labels: np.ndarray, marginal: np.ndarray, said: str) -> None:
    with pytest.raises(InputError, match=said):
        agreement(Side("x", labels), Side("y", np.zeros((3, 4))), marginal)


def test_nobody_to_judge() -> None:
    assert readers_table(said(np.full((3, 4), np.nan), {}, {"a": np.zeros((3, 4))}), "majority").empty


def test_page_fits_80_columns_and_says_where_labels_come_from(demo: LabelledSet) -> None:
    ones = {name: np.ones_like(demo.truth) for name in ("learned", "rules")}
    table = readers_table(verdicts_of(demo, ones, ones), "adjudicated")
    out = io.StringIO()
    Console(file=out, width=80).print(terminal(table, "239 joints", demo.provenance))
    page = out.getvalue()
    assert max(map(len, page.splitlines())) <= 80
    assert "…" not in page
    words = " ".join(page.split())
    assert words.startswith(demo.provenance)
    assert words.endswith(demo.provenance)
    assert "5 marginal joints" in words
    assert "cannot tell: 4 of reader_1, 7 of adjudicated." in words
    for kind in ("void", "non-wet", "bridging", "head-in-pillow"):
        assert page.count(f"\n{kind} ") == 1
