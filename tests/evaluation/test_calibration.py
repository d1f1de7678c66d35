"""Calibration: laws of bins, errors and Brier parts, intervals by boards, refits on validation only, the section."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy import special

from jointwise.evaluation.report.calibration import calibration_section, refitted
from jointwise.evaluation.report.section import Figure, Grid, Paragraph
from jointwise.evaluation.statistics.bootstrap import Resampling
from jointwise.evaluation.statistics.calibration import (
    CUTS,
    bin_edges,
    brier,
    calibration_error,
    chance_error,
    judge_calibration,
    reliability_bins,
)
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.models.calibration import METHODS


def drawn(n: int = 400, seed: int = 0, bold: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Truth, and scores whose log odds are `bold` times the true ones."""
    rng = np.random.default_rng(seed)
    odds = rng.normal(-0.5, 2, n)
    return (rng.random(n) < special.expit(odds)).astype(float), special.expit(bold * odds)


@pytest.mark.parametrize("cut", CUTS)
def test_bins_hold_every_joint_once_with_their_upper_end(cut: str) -> None:
    score = np.array([0.0, 0.1, 0.1, 0.2, 0.25, 1.0, 0.3, 0.9])
    bins = reliability_bins(np.ones(8), score, 10, cut)  # type: ignore[arg-type]
    assert sum(b.n for b in bins) == 8
    assert all(b.low <= b.mean_score <= b.high for b in bins)
    if cut == "width":
        assert [b.n for b in bins][:3] == [3, 1, 2]
    assert bin_edges(np.full(50, 0.5), 10, "count").tolist() == [0.0, 0.5, 1.0]


@pytest.mark.parametrize("cut", CUTS)
def test_order_does_not_matter(cut: str) -> None:
    truth, score = drawn()
    order = np.random.default_rng(1).permutation(len(truth))
    one, two = (
        calibration_error(truth, score, cut=cut),
        calibration_error(truth[order], score[order], cut=cut),
    )  # type: ignore[arg-type]
    assert two == pytest.approx(one, abs=1e-12)


def test_turning_labels_round_changes_no_brier_score() -> None:
    truth, score = drawn()
    one, two = brier(truth, score), brier(1 - truth, 1 - score)
    assert two.score == pytest.approx(one.score)
    assert two.uncertainty == pytest.approx(one.uncertainty)
    assert two.skill == pytest.approx(one.skill)


def test_perfect_useless_and_wrong_scores() -> None:
    truth, _ = drawn()
    assert calibration_error(truth, truth) == 0
    perfect, useless, wrong = (
        brier(truth, truth),
        brier(truth, np.full(400, truth.mean())),
        brier(truth, 1 - truth),
    )
    assert (perfect.score, perfect.skill) == (0, 1)
    assert perfect.resolution == pytest.approx(perfect.uncertainty)
    assert useless.skill == pytest.approx(0, abs=1e-12)
    assert useless.resolution == pytest.approx(0, abs=1e-12)
    assert (wrong.score, calibration_error(truth, 1 - truth)) == (1, 1)


def test_the_parts_add_up_and_nothing_is_within_where_bins_hold_one_score() -> None:
    truth, score = drawn()
    parts = brier(truth, score)
    assert parts.score == pytest.approx(
        parts.reliability - parts.resolution + parts.uncertainty + parts.within, abs=1e-12
    )
    assert abs(parts.within) > 1e-5
    assert brier(truth, np.ceil(score * 10) / 10 - 0.05).within == pytest.approx(0, abs=1e-12)


def test_no_joint_and_one_class_are_not_zero_by_accident() -> None:
    assert math.isnan(calibration_error([], []))
    assert math.isnan(chance_error([]))
    assert math.isnan(brier([], []).score)
    assert math.isnan(brier([0, 0], [0.1, 0.2]).skill)
    none = judge_calibration([], [], np.zeros(0, np.int64))
    assert (none.n, none.boards) == (0, 0)
    assert math.isnan(none.error.value)
    one = judge_calibration([1], [0.7], [0])
    assert one.error.value == pytest.approx(0.3)
    assert math.isnan(one.error.low)


@pytest.mark.parametrize(
    ("truth", "score", "said"),
    [([0, 2], [0.1, 0.2], "0 or 1"), ([0], [0.1, 0.2], "one score"), ([0], [1.2], "from 0 to 1")],
)
def test_what_are_no_probabilities_is_refused(truth: list[float], score: list[float], said: str) -> None:
    with pytest.raises(InputError, match=said):
        calibration_error(truth, score)


def test_honest_scores_lie_within_chance_and_bold_ones_far_off() -> None:
    boards = np.arange(2000) % 40
    honest = judge_calibration(*drawn(2000), boards)
    bold = judge_calibration(*drawn(2000, bold=3.0), boards)
    assert honest.error.low < honest.chance < 0.03
    assert honest.error.low <= honest.error.value <= honest.error.high
    assert bold.error.low > 3 * bold.chance
    assert bold.brier.reliability > 5 * honest.brier.reliability
    assert bold.brier_interval.low < bold.brier.score < bold.brier_interval.high


def test_boards_that_are_off_together_widen_the_interval() -> None:
    """Odd boards hold the kind far more often than their scores say, even ones less."""
    rng = np.random.default_rng(2)
    score, boards = rng.uniform(0.3, 0.7, 1000), np.arange(1000) % 20
    off = np.where(boards < 10, 0.25, -0.25)
    truth = (rng.random(1000) < score + off).astype(float)
    clustered, single = (
        judge_calibration(truth, score, boards),
        judge_calibration(truth, score, np.arange(1000)),
    )
    wide, narrow = (found.error.high - found.error.low for found in (clustered, single))
    assert wide > 1.5 * narrow


def test_the_same_draws_give_the_same_interval() -> None:
    truth, score = drawn()
    boards = np.arange(400) % 12
    one, two = (judge_calibration(truth, score, boards, Resampling(12, 300, 5)) for _ in range(2))
    assert one == two


def verdicts(n: int = 900, splits: bool = True) -> Verdicts:
    """Thirty boards, a third for validation; `bold` gives log odds three times too large, `honest` true ones."""
    rng = np.random.default_rng(3)
    odds = rng.normal(-1, 2, (n, 4))
    truth = (rng.random((n, 4)) < special.expit(odds)).astype(float)
    truth[:, 3] = np.nan
    board = np.arange(n) % 30
    table = pd.DataFrame(
        {
            "scan": [f"s{b}" for b in board],
            "board_id": [f"b{b}" for b in board],
            "ball": [f"A{i}" for i in range(n)],
        }
    ).assign(present=1)
    if splits:
        table["split"] = np.where(board < 10, "validation", "test")
    scores = {"honest": special.expit(odds), "bold": special.expit(3 * odds)}
    return Verdicts("made", "made up", table, truth, scores, {who: np.full((n, 4), 0.5) for who in scores})


@pytest.mark.parametrize("method", METHODS)
def test_a_refit_mends_bold_scores_on_joints_it_never_saw(method: str) -> None:
    one = verdicts()
    fitting, judged = one.take(one.table["split"] == "validation"), one.take(one.table["split"] == "test")
    scores, counted = refitted(fitting, judged, "bold", method)
    assert counted[:3] == (300, 300, 300)
    before = [calibration_error(judged.truth[:, k], judged.scores["bold"][:, k]) for k in range(3)]
    after = [calibration_error(judged.truth[:, k], scores[:, k]) for k in range(3)]
    assert max(after) < 0.6 * min(before)
    # No known truth: no fit, the scores stay to the last digit.
    np.testing.assert_array_equal(scores[:, 3], judged.scores["bold"][:, 3])


def test_the_judged_joints_have_no_part_in_the_refit() -> None:
    """Their truth turned round changes what is said of them, not their refitted scores."""
    one = verdicts()
    test = (one.table["split"] == "test").to_numpy()
    truth = np.where(test[:, None], 1 - one.truth, one.truth)
    other = Verdicts("made", "", one.table, truth, one.scores, one.cuts)
    for method in METHODS:
        first, second = (refitted(v.take(~test), v.take(test), "bold", method)[0] for v in (one, other))
        np.testing.assert_array_equal(first, second)


def test_the_section_judges_test_joints_and_names_the_better_refit() -> None:
    section = calibration_section(verdicts())
    frames = {block.stem: block.frame for block in section.blocks if isinstance(block, Grid)}
    assert list(frames) == ["calibration", "abstention", "calibration_refits"]
    calibration, refits = frames["calibration"], frames["calibration_refits"]
    assert frames["abstention"]["n"].max() == 600
    assert set(calibration.loc[calibration["kind"] != "head_in_pillow", "n"]) == {600}
    assert set(calibration.loc[calibration["kind"] == "head_in_pillow", "n"]) == {0}
    assert len([block for block in section.blocks if isinstance(block, Figure)]) == 3
    assert set(refits["method"]) == {"as it is", *METHODS}
    bold = refits[(refits["detector"] == "bold") & (refits["method"] == "platt")]
    assert (bold["brier_change_high"] < 0).all()
    assert bold["fitted_on"].tolist() == [300, 300, 300]
    assert "made.bold.void.ece" in section.numbers
    assert section.numbers["made.bold.void.ece"] > section.numbers["made.honest.void.ece"]
    texts = " ".join(block.text for block in section.blocks if isinstance(block, Paragraph))
    assert "Too few joints with or without (under 20) to tell: head-in-pillow" in texts
    assert "bold, void (platt, temperature, isotonic)" in texts
    found = [b.text for b in section.blocks if isinstance(b, Paragraph) and b.role == "finding"]
    assert found[0].startswith(
        "honest, 600 joints: on average scores differ from the share that truly has the kind by void 0.0"
    )
    assert calibration_section([verdicts(), verdicts()]).blocks[2].text.startswith("“made”, honest, 600")


def test_without_validation_joints_no_refit_is_tried() -> None:
    section = calibration_section([verdicts(90, splits=False)])
    stems = [block.stem for block in section.blocks if isinstance(block, Grid)]
    assert stems == ["calibration", "abstention"]
    assert any("no refit" in block.text for block in section.blocks if isinstance(block, Paragraph))


def test_a_set_of_nothing_but_validation_joints_says_that_it_flatters() -> None:
    one = verdicts()
    section = calibration_section(one.take(one.table["split"] == "validation"))
    assert any("flatters" in block.text for block in section.blocks if isinstance(block, Paragraph))


@pytest.mark.parametrize("rows", [[], [4]])
def test_one_joint_or_none_makes_a_section(rows: list[int]) -> None:
    section = calibration_section(verdicts(60, splits=False).take(np.array(rows, dtype=np.int64)))
    assert section.anchor == "calibration"
    assert all(np.isfinite(value) for value in section.numbers.values())
