"""Shifted sets beside the reference: differences, the envelope's notice, refusals."""

from dataclasses import replace

import numpy as np
import pytest

from jointwise.evaluation.report.measures import measures_section
from jointwise.evaluation.report.outside import outside_findings
from jointwise.evaluation.report.section import Figure, Grid, Paragraph
from jointwise.evaluation.report.shift import distance_table, shift_section, shift_table
from jointwise.evaluation.statistics.shift import shift_area
from jointwise.evaluation.verdicts import DISTANCE, Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from tests.evaluation.test_verdicts import example

N, BOARDS = 240, 24


def made(name: str, blur: float, far: float, seed: int = 0) -> Verdicts:
    """Joints whose scores are truth and so much noise, on scans so far from the training."""
    one, rng = example(N, seed), np.random.default_rng(seed)
    board = np.arange(N) % BOARDS
    table = one.table.assign(scan=[f"s{b}" for b in board], board_id=[f"b{b}" for b in board])
    table["learned" + DISTANCE] = (far + 0.3 * rng.normal(size=BOARDS))[board]
    score = np.clip(0.5 + 0.3 * (one.truth - 0.5) + blur * rng.normal(size=one.truth.shape), 0, 1)
    scores = {"learned": np.where(np.isnan(one.truth), 0.5, score), "rules": one.scores["rules"]}
    scores["learned"][~one.present] = np.nan
    return replace(one, name=name, table=table, scores=scores)


def fewer(one: Verdicts) -> Verdicts:
    """The same joints, as if of four boards."""
    home = [f"b{b % 4}" for b in one.boards]
    return replace(one, table=one.table.assign(board_id=home))


@pytest.fixture(scope="module")
def sets() -> list[Verdicts]:
    return [made("noisy", 0.4, 3.0, seed=1), made("usual", 0.05, 0.5), made("again", 0.05, 0.5, seed=2)]


def test_a_loss_is_shown_with_its_interval_and_none_where_there_is_none(sets: list[Verdicts]) -> None:
    table = shift_table(sets[1], [sets[0], sets[2]]).set_index(["set", "detector", "kind"])
    for kind in KINDS:
        noisy, again = table.loc[("noisy", "learned", kind)], table.loc[("again", "learned", kind)]
        assert noisy["d_ap"] == pytest.approx(
            noisy["ap"] - table.loc[("usual", "learned", kind)]["ap"], abs=1e-12
        )
        assert noisy["d_ap_low"] < noisy["d_ap"] < noisy["d_ap_high"] < 0.0
        assert again["d_ap_low"] <= 0.0 <= again["d_ap_high"]
    assert table.loc["usual"]["d_ap"].isna().all()
    assert (table["n"] > 200).all()


def test_a_set_against_its_own_copy_has_no_difference_whatever_the_order(sets: list[Verdicts]) -> None:
    base = sets[1]
    turned = replace(base.take(np.random.default_rng(3).permutation(N)), name="turned")
    table = shift_table(base, [turned])
    assert table["d_ap"].dropna().to_numpy() == pytest.approx(0.0, abs=1e-12)
    assert (table["d_ap_low"].dropna() <= 0).all()


def test_the_envelope_notices_what_lies_far_out(sets: list[Verdicts]) -> None:
    told = distance_table(sets[1], [sets[0], sets[2]]).set_index("set")
    assert told.loc["noisy", "auroc"] > 0.95
    assert told.loc["noisy", "outside"] == 1.0
    assert told.loc["again", "auroc_low"] < 0.5 < told.loc["again", "auroc_high"]
    assert told.loc["noisy", "scans"] == told.loc["noisy", "reference_scans"] == BOARDS
    assert set(told["detector"]) == {"learned"}


def test_the_section_tells_loss_notice_n_and_method(sets: list[Verdicts]) -> None:
    section = shift_section(sets, "usual")
    grids = [b for b in section.blocks if isinstance(b, Grid)]
    assert [g.stem for g in grids] == ["shift", "shift_noticed"]
    assert "Wilson" in grids[0].caption
    assert "resamplings of whole boards" in grids[0].caption
    texts = [b.text for b in section.blocks if isinstance(b, Paragraph)]
    assert any(
        text.startswith("“noisy”, learned: worse than on the reference in void AP 0.") for text in texts
    )
    assert any(text.startswith("“again”, learned: no loss of AP or recall") for text in texts)
    assert not any("unreliable" in b.text for b in section.blocks if isinstance(b, Paragraph))
    figure = next(b for b in section.blocks if isinstance(b, Figure))
    assert str(figure.svg).startswith("<svg")
    assert section.numbers["shift/noisy/learned/auroc"] > 0.95


def test_few_boards_single_boards_and_unknown_distances_are_said(sets: list[Verdicts]) -> None:
    one_board = replace(sets[0], table=sets[0].table.assign(board_id="b", ball=[f"A{i}" for i in range(N)]))
    plain = replace(one_board, table=one_board.table.drop(columns="learned" + DISTANCE))
    section = shift_section([sets[1], plain], "usual")
    words = " ".join(b.text for b in section.blocks if isinstance(b, Paragraph))
    assert "Under 10 boards in “noisy” (1)" in words
    assert "worse" not in words
    assert "no difference has an interval" in words
    few = [
        b.text for b in shift_section([sets[1], fewer(sets[0])], "usual").blocks if isinstance(b, Paragraph)
    ]
    told = next(text for text in few if text.startswith("“noisy”, learned: worse than on the reference in "))
    assert "too narrow: what they tell apart from chance is likely, not sure." in told
    assert "is not known for these sets" in words
    rows = shift_table(sets[1], [plain])
    assert rows.loc[rows["set"] == "noisy", "d_ap_low"].isna().all()


def test_joints_outside_the_training_are_the_first_finding_and_are_said_again(sets: list[Verdicts]) -> None:
    there = [
        replace(one, outside={"learned": np.full(N, out)})
        for one, out in zip(sets, (True, False, False), strict=True)
    ]
    n = int(there[0].present.sum())
    said = f"learned was trained on other scans: {n} of {n} joints lie outside its training"
    for section in (measures_section(there[0]), shift_section(there, "usual")):
        found = [b.text for b in section.blocks if isinstance(b, Paragraph) and b.role == "finding"]
        assert said in found[0]
        assert "no fair judgement" in found[0]
        assert sum("other scans" in text for text in found) == 1
    assert outside_findings(there[1]) == []


def test_classes_that_a_set_lacks_are_no_number(sets: list[Verdicts]) -> None:
    truth = np.where(np.isnan(sets[0].truth), np.nan, 0.0)
    table = shift_table(sets[1], [replace(sets[0], truth=truth)])
    empty = table[table["set"] == "noisy"]
    assert empty[["ap", "recall", "d_ap", "d_ap_low"]].isna().all(axis=None)
    assert empty["false_positive_rate"].notna().all()


def test_what_cannot_be_compared_is_refused(sets: list[Verdicts]) -> None:
    for some, name, said in (
        (sets, "other", "reference 'other'"),
        ([sets[1]], "usual", "at least one shifted set"),
        ([sets[1], sets[1]], "usual", "different names"),
    ):
        with pytest.raises(InputError, match=said):
            shift_section(some, name)
    with pytest.raises(InputError, match="distance of every scan"):
        shift_area([0.0, np.nan], [0, 1], [1.0], [0])


def test_areas_of_nothing_of_ties_and_of_everything_farther() -> None:
    assert np.isnan(shift_area([], [], [1.0], [0]).value)
    assert shift_area([1.0, 1.0], [0, 1], [1.0, 1.0], [0, 1]).value == 0.5
    whole = shift_area([0.0, 0.1], [0, 1], [2.0, np.inf], [0, 1])
    assert (whole.value, whole.low, whole.high) == (1.0, 1.0, 1.0)
    assert np.isnan(shift_area([0.0, 0.1], [0, 0], [2.0, 3.0], [0, 1]).low)
