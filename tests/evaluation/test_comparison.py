"""Detectors against each other: frames of figures, the joints behind them, and the section they become."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.comparison import (
    NOBODY,
    cost_curves,
    cost_table,
    discordant,
    mcnemar_table,
    questions,
    recall_table,
    suspicion,
)
from jointwise.evaluation.report.compare import compare_section
from jointwise.evaluation.report.compare_words import kind_words, pair_findings
from jointwise.evaluation.report.section import Figure, Grid, Paragraph
from jointwise.evaluation.set_up import SetUp, read_set_up
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from tests.evaluation.test_verdicts import example

DRAWS = 100


def changed(verdicts: Verdicts, **scores: np.ndarray) -> Verdicts:
    """The same joints with the scores of these detectors, each cut at 0.5."""
    cuts = {who: np.full_like(verdicts.truth, 0.5) for who in scores}
    return Verdicts(verdicts.name, verdicts.provenance, verdicts.table, verdicts.truth, scores, cuts)


def perfect(verdicts: Verdicts) -> np.ndarray:
    return np.nan_to_num(verdicts.truth)


def paragraphs(verdicts: Verdicts, role: str) -> list[str]:
    blocks = compare_section(verdicts, draws=DRAWS).blocks
    return [block.text for block in blocks if isinstance(block, Paragraph) and block.role == role]


def test_counts_are_those_of_the_joints_behind_them() -> None:
    one = example(200)
    table, joints = mcnemar_table(one, DRAWS), discordant(one, "learned", "rules")
    for kind in KINDS:
        row = table[(table["kind"] == kind) & (table["joints"] == "all")].iloc[0]
        part = joints[joints["kind"] == kind]
        assert (part["right"] == "learned").sum() == row["only_one"]
        assert (part["right"] == "rules").sum() == row["only_other"]
        faulty = table[(table["kind"] == kind) & (table["joints"] == "faulty")].iloc[0]
        assert (part["truth"] == 1).sum() == faulty["discordant"]
        assert row["n"] == one.known[:, KINDS.index(kind)].sum()
    parts = table[table["joints"] != "all"].groupby("kind")[["n", "only_one", "neither"]].sum()
    whole = table[table["joints"] == "all"].set_index("kind")[["n", "only_one", "neither"]]
    pd.testing.assert_frame_equal(parts, whole.loc[parts.index])


def test_each_discordant_joint_is_what_it_is_said_to_be() -> None:
    one = example(100)
    joints = discordant(one, "rules", "learned")
    assert len(joints) > 20
    for row in joints.to_dict("records"):
        k = KINDS.index(row["kind"])
        assert one.table.loc[row["row"], "ball"] == row["ball"]
        assert one.truth[row["row"], k] == row["truth"]
        assert one.scores[row["wrong"]][row["row"], k] == row["wrong_score"]
        assert (row["right_score"] >= row["right_cut"]) == (row["truth"] == 1)
        assert (row["wrong_score"] >= row["wrong_cut"]) == (row["truth"] == 0)
        assert row["what"] == ("missed" if row["truth"] == 1 else "called in vain")
    far = (joints["wrong_score"] - joints["wrong_cut"]).abs()
    assert all((np.diff(far[joints["kind"] == kind]) <= 0).all() for kind in KINDS)
    with pytest.raises(InputError, match="found rules and novelty"):
        discordant(one, "rules", "novelty")
    with pytest.raises(InputError, match="found rules and rules"):
        discordant(one, "rules", "rules")


def test_detectors_change_places_with_the_sign() -> None:
    one = example(150)
    other = changed(one, rules=one.scores["rules"], learned=one.scores["learned"])
    for table in (lambda v: mcnemar_table(v, DRAWS), lambda v: recall_table(v, draws=DRAWS), cost_table):
        here, there = table(one), table(other)
        np.testing.assert_allclose(here["difference"], -there["difference"], atol=1e-12)
        np.testing.assert_allclose(here["difference_low"], -there["difference_high"], atol=1e-9)


def test_the_order_of_joints_does_not_matter() -> None:
    one = example(120)
    # Boards keep their numbers: the first joints of each board stay first.
    order = np.concatenate([np.arange(3), 3 + np.random.default_rng(0).permutation(117)])
    other = one.take(order)
    for table in (
        lambda v: mcnemar_table(v, DRAWS),
        lambda v: recall_table(v, draws=DRAWS),
        cost_table,
        cost_curves,
    ):
        pd.testing.assert_frame_equal(table(one), table(other))


def test_a_perfect_detector_against_a_useless_one() -> None:
    one = changed(example(90), sure=perfect(example(90)), silent=np.zeros((90, 4)))
    table = mcnemar_table(one, DRAWS)
    assert (table["only_other"] == 0).all()
    faulty = table[table["joints"] == "faulty"]
    assert (faulty["only_one"] == faulty["n"]).all()
    prices = cost_table(one, draws=DRAWS)
    assert (prices["cost_one"] == 0).all()
    assert (prices["cheaper"] == "sure").all()
    assert prices["equal_at"].isna().all()
    assert (recall_table(one, draws=DRAWS)["difference"] == 1).all()
    (found,) = paragraphs(one, "finding")
    assert found.startswith("sure against silent, 88 to 89 joints: sure is right more often on void (")
    assert "any kind (" in found
    assert "finds a larger share of void (+1.00, 1.00 to 1.00)" in found
    detail = [text for text in paragraphs(one, "words") if "sure against silent" in text]
    assert len(detail) == 5
    assert all("sure is right more often" in text and "sure costs less" in text for text in detail)


def test_a_detector_against_itself_is_too_few_to_tell() -> None:
    scores = example(90).scores["rules"]
    one = changed(example(90), rules=scores, again=scores)
    assert (cost_table(one, draws=DRAWS)["cheaper"] == NOBODY).all()
    (found,) = paragraphs(one, "finding")
    assert found.endswith(
        "too few joints differ to tell for void, non-wet, bridging, head-in-pillow and any kind."
    )
    detail = [text for text in paragraphs(one, "words") if "rules against again" in text]
    assert len(detail) == 5
    assert all("too few to tell (p < 0.05 needs at least 6 such joints)" in text for text in detail)


def test_difference_that_hangs_on_one_board_is_said_to_be_so() -> None:
    """Twelve joints of one board in six: McNemar sees twelve, the boards say one."""
    n = 72
    table = pd.DataFrame(
        {"scan": "s", "board_id": np.arange(n) // 12, "ball": [f"A{i}" for i in range(n)], "present": 1}
    )
    sure = np.zeros((n, 4))
    sure[:, 0] = 1.0
    half = sure.copy()
    half[:12, 0] = 0.0
    cuts = {who: np.full((n, 4), 0.5) for who in ("sure", "half")}
    one = Verdicts("one board", "made up", table, sure.copy(), {"sure": sure, "half": half}, cuts)
    (short,) = pair_findings(mcnemar_table(one), recall_table(one))
    assert "void (12 joints to 0, p 0.00049, but not shown by boards)" in short
    assert "void" not in short[short.index("too few") :]
    found = kind_words(mcnemar_table(one), recall_table(one), cost_table(one))
    assert "sure is right more often, alone on 12 faulty and 0 sound" in found[0]
    assert "only if joints of a board are independent" in found[0]
    assert "too few" in found[1]
    assert "Only 6 boards" in paragraphs(one, "warning")[0]


def test_differences_that_cancel_are_another_cut_not_another_eye() -> None:
    """Of 90 sites one finds every void and calls some joints in vain, the other misses some and calls none in vain."""
    one = example(90)
    truth = np.nan_to_num(one.truth)
    void = truth[:, 0] == 1
    eager, shy = truth.copy(), truth.copy()
    shy[np.flatnonzero(void & one.present)[:9], 0] = 0
    eager[np.flatnonzero(~void & one.known[:, 0])[:9], 0] = 1
    both = changed(
        one,
        eager=np.where(one.present[:, None], eager, np.nan),
        shy=np.where(one.present[:, None], shy, np.nan),
    )
    (found,) = paragraphs(both, "finding")
    assert "Void: eager finds 9 that shy misses, 0 the other way (p 0.0039)" in found
    assert (
        "on joints without the kind shy is right 9 times alone, 0 the other way (p 0.0039): a different cut"
        in found
    )
    alike = changed(one, eager=np.where(one.present[:, None], eager, np.nan), shy=perfect(one))
    assert "different cut" not in " ".join(paragraphs(alike, "finding"))


def test_any_kind_asks_whether_a_joint_is_called_at_all() -> None:
    one = example(40)
    asked = questions(one)[-1]
    assert asked.kind == "any"
    np.testing.assert_array_equal(asked.called["rules"], one.calls("rules").any(axis=1))
    assert np.isnan(asked.truth[3])
    how = suspicion(one, "rules")
    np.testing.assert_array_equal((how >= 0)[one.present], asked.called["rules"][one.present])
    assert np.nanmin(how) >= -1
    assert np.nanmax(how) <= 1
    never = replace(one, cuts={**one.cuts, "rules": np.full((40, 4), np.inf)})
    assert (suspicion(never, "rules") == -1).all()


def test_costs_at_a_prevalence_are_those_of_the_rates() -> None:
    one = example(80)
    row = cost_table(one, {"void": 0.01}, DRAWS).query("kind == 'void' and ratio == 100").iloc[0]
    known, yes = one.known[:, 0], one.truth[:, 0] == 1
    called = one.calls("learned")[:, 0]
    miss, false = 1 - called[known & yes].mean(), called[known & ~yes].mean()
    assert row["cost_one"] == pytest.approx(0.01 * 100 * miss + 0.99 * false)
    for table in (
        lambda *given: cost_table(one, *given, draws=DRAWS),
        lambda *given: cost_curves(one, *given),
    ):
        usual, told = table(), table({"void": 0.01})
        pd.testing.assert_frame_equal(usual[usual["kind"] != "void"], told[told["kind"] != "void"])
        assert not usual[usual["kind"] == "void"].equals(told[told["kind"] == "void"])


@pytest.mark.parametrize("rows", [[0], [3], []])
def test_one_joint_a_missing_ball_and_none_at_all(rows: list[int]) -> None:
    one = example(12).take(np.array(rows, dtype=np.int64))
    section = compare_section(one, draws=10)
    assert len([block for block in section.blocks if isinstance(block, Grid)]) == 4
    assert all(math.isfinite(value) for value in section.numbers.values())
    assert len(discordant(one, "learned", "rules")) <= 4


def test_the_section_holds_figures_once_and_says_where_they_come_from() -> None:
    one = example(150)
    section = compare_section(one, {"rules": SetUp(30, 10, False, 90.0)}, {"non_wet": 0.02}, DRAWS)
    figure = next(block for block in section.blocks if isinstance(block, Figure))
    assert str(figure.svg).startswith("<svg")
    assert "flatters" in figure.caption
    assert "non-wet 0.02, as given; else as in this set" in figure.caption
    grids = {block.stem: block for block in section.blocks if isinstance(block, Grid)}
    assert list(grids) == ["mcnemar", "recall_at_equal_false_calls", "cost", "set_up"]
    for grid in grids.values():
        assert all(column.name in grid.frame for column in grid.columns)
    assert set(grids["cost"].frame["ratio"].round(6)) == {1, 10, 100, 1000}
    set_up = grids["set_up"].frame.set_index("detector")
    assert set_up.loc["rules"].to_dict() == {
        "milliseconds": 10, "training_joints": 30, "validation_joints": 10, "origin": "labelled",
        "labelled_joints": 40, "fit_minutes": 1.5,
    }  # fmt: skip
    assert set_up.loc["learned", ["milliseconds", "labelled_joints", "fit_minutes"]].isna().all()
    assert section.numbers["compare/learned_rules/void/p"] == grids["mcnemar"].frame["p"].iloc[0]


def test_one_detector_alone_is_compared_with_nobody() -> None:
    one = example(12)
    section = compare_section(changed(one, rules=one.scores["rules"]), draws=10)
    assert "nothing to compare" in str(section.blocks[0])


def test_set_up_is_what_the_files_tell(tmp_path: Path) -> None:
    model = tmp_path / "model"
    model.mkdir()
    (model / "card.json").write_text(
        json.dumps({"data": {"training_joints": 600, "validation_joints": 50, "simulated": True}})
    )
    (model / "rules.json").write_text(json.dumps({"data": {"training_joints": 40, "validation_joints": 20}}))
    assert read_set_up(model) == {"learned": SetUp(600, 50, True), "rules": SetUp(40, 20)}
    lines = [json.dumps({"epoch": i, "joints_per_second": speed}) for i, speed in enumerate((50.0, 60.0))]
    (tmp_path / "metrics.jsonl").write_text("\n".join(lines))
    (tmp_path / "fitted.json").write_text(json.dumps({"rules": 12.5}))
    found = read_set_up(model)
    assert found["learned"].fit_seconds == pytest.approx(600 / 50 + 600 / 60)
    assert found["rules"].fit_seconds == 12.5
    assert found["learned"].labelled_joints == 0
    assert found["rules"].labelled_joints is None
    assert SetUp(40, 20, False).labelled_joints == 60
    assert read_set_up(tmp_path / "nowhere") == {}
