"""What follows from limits: which joints are accepted, rejected, left to a person, and the words for it."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from jointwise.joints.errors import InputError
from jointwise.joints.names import ball_name
from jointwise.joints.schema import MEASURES
from jointwise.scoring.judging.acceptance import Acceptance, read_acceptance
from jointwise.scoring.judging.dispose import WITHIN, beyond_counts, dispose, uncertainty
from jointwise.scoring.judging.judge import WHICH_WAY
from jointwise.scoring.judging.shows import Shows

Make = Callable[..., Acceptance]
SHOWS = Shows(8.0, 60.0, 2.0, 30.0, 60.0, 20.0, ())


def table(**cells: dict[str, object]) -> pd.DataFrame:
    """A sound array of 4 x 4 with void measures 1 %, changed at the named balls."""
    names = [ball_name(r, c) for r in range(4) for c in range(4)]
    rows = pd.DataFrame({"ball": names, "present": 1, "findings": None, "out_of_envelope": 0})
    rows = rows.assign(disposition=None, reason=None).astype({"findings": object, "reason": object})
    for measure in MEASURES:
        rows[measure] = 1.0 if measure.startswith("void") else np.nan
    for ball, changes in cells.items():
        for column, value in changes.items():
            rows.loc[rows["ball"] == ball, column] = value
    return rows


@pytest.fixture
def limits(tmp_path: Path) -> Make:
    """Limits from the words of a file."""

    def make(*entries: dict[str, object], **more: object) -> Acceptance:
        path = tmp_path / "limits.yaml"
        path.write_text(yaml.safe_dump({"limits": list(entries), **more}))
        return read_acceptance(path)

    return make


def said(rows: pd.DataFrame, ball: str) -> tuple[str, str]:
    row = rows.set_index("ball").loc[ball]
    return row["disposition"], row["reason"]


AREA = {"name": "area", "measure": "void_projected_area_pct", "most": 25}


def test_without_limits_nothing_changes() -> None:
    rows = table()
    assert dispose(rows, None) is rows


def test_sound_joints_are_accepted_and_those_beyond_a_limit_rejected_with_value_and_limit(
    limits: Make,
) -> None:
    rows = dispose(table(B2={"void_projected_area_pct": 31.4}), limits(AREA), SHOWS)
    assert said(rows, "A1") == ("accept", WITHIN)
    what, why = said(rows, "B2")
    assert what == "reject"
    assert why == "void area 31.4 %, at most 25 % allowed (area)"
    assert (rows["disposition"] == "accept").sum() == 15


@pytest.mark.parametrize(
    ("value", "what"), [(22.9, "accept"), (23.1, "review"), (26.9, "review"), (27.1, "reject")]
)
def test_what_the_scan_cannot_tell_is_for_review(limits: Make, value: float, what: str) -> None:
    rows = dispose(table(B2={"void_projected_area_pct": value}), limits(AREA), SHOWS)
    assert said(rows, "B2")[0] == what
    if what == "review":
        assert "only to ± 2 %" in said(rows, "B2")[1]
    exact = said(dispose(table(B2={"void_projected_area_pct": value}), limits(AREA)), "B2")[0]
    assert exact == ("accept" if value <= 25 else "reject")


def test_a_lower_limit(limits: Make) -> None:
    contact = {"kind": "non_wet", "measure": "contact_fraction", "least": 0.5, "name": "contact"}
    rows = table(
        A2={"findings": "non_wet", "contact_fraction": 0.2},
        A3={"findings": "non_wet", "contact_fraction": 0.9},
    )
    rows = dispose(rows, limits(contact), SHOWS)
    assert said(rows, "A2") == ("reject", "share in contact 0.2, at least 0.5 allowed (contact)")
    assert said(rows, "A3")[0] == "accept"


def test_a_finding_alone_decides(limits: Make) -> None:
    rules = limits({"kind": "bridging", "name": "none"}, {"kind": "void", "then": "review", "name": "look"})
    rows = dispose(table(A1={"findings": "void;bridging"}, A2={"findings": "void"}), rules, SHOWS)
    assert said(rows, "A1") == ("reject", "bridging found (none); void found (look)")
    assert said(rows, "A2") == ("review", "void found (look)")


def test_review_wins_outside_the_envelope_and_where_a_measure_is_lacking(limits: Make) -> None:
    rows = table(
        A1={"out_of_envelope": 1, "disposition": "review", "reason": "too coarse", "findings": "bridging"},
        A2={"void_projected_area_pct": np.nan},
        A3={"findings": "head_in_pillow"},
    )
    gap = {"measure": "gap_um", "most": 20, "name": "gap"}
    rows = dispose(rows, limits(AREA, gap, {"kind": "bridging"}), SHOWS)
    assert said(rows, "A1") == ("review", "too coarse")
    assert said(rows, "A2") == ("review", "void area not measured, and a limit needs it (area)")
    assert said(rows, "A3") == ("review", "gap not measured, and a limit needs it (gap)")
    assert said(rows, "A4")[0] == "accept"  # without a gap found there is nothing to measure


def test_missing_balls_follow_their_limit_or_are_for_review(limits: Make) -> None:
    rows = table(C3={"present": 0, "findings": "missing", "void_projected_area_pct": np.nan})
    assert said(dispose(rows, limits(AREA)), "C3")[0] == "review"
    assert said(dispose(rows, limits(AREA, {"kind": "missing", "name": "all there"})), "C3") == (
        "reject",
        "missing ball (all there)",
    )


PLACES = {
    "corner": ({"corners": 1}, {"A1", "A4", "D1", "D4"}),
    "deep": ({"corners": 2}, {ball_name(r, c) for r in range(4) for c in range(4)}),
    "rows": ({"rows": ["B"]}, {"B1", "B2", "B3", "B4"}),
    "columns": ({"columns": [2]}, {"A2", "B2", "C2", "D2"}),
    "some": ({"balls": ["A1", "C2:D3"]}, {"A1", "C2", "C3", "D2", "D3"}),
}


@pytest.mark.parametrize("name", list(PLACES))
def test_limits_hold_where_they_are_set(limits: Make, name: str) -> None:
    place, balls = PLACES[name]
    rows = table(**{ball: {"findings": "void"} for ball in table()["ball"]})
    rows = dispose(rows, limits({"kind": "void", "where": name}, places={name: place}))
    assert set(rows.loc[rows["disposition"] == "reject", "ball"]) == balls


def test_the_rim_is_so_many_rows_deep_and_a_place_outside_the_array_is_told(limits: Make) -> None:
    rows = table(**{ball: {"findings": "void"} for ball in table()["ball"]})
    rim = dispose(rows, limits({"kind": "void", "where": "rim"}, places={"rim": {"outer_rows": 1}}))
    assert set(rim.loc[rim["disposition"] == "accept", "ball"]) == {"B2", "B3", "C2", "C3"}
    with pytest.raises(InputError, match="found Z9|found H9"):
        dispose(rows, limits({"kind": "void", "where": "x"}, places={"x": {"balls": ["H9"]}}))


def test_counts_over_the_package(limits: Make) -> None:
    rows = table(A1={"findings": "void"}, A2={"findings": "void;bridging"})
    few = limits(
        AREA, counts=[{"kind": "void", "most": 1, "name": "few"}, {"kind": "bridging", "most_pct": 10}]
    )
    said = beyond_counts(rows, few)
    assert len(said) == 1
    assert "(few): void found at 2 of 16 sites, at most 1 allowed" in said[0]
    assert beyond_counts(rows, None) == ()


def test_the_uncertainty_is_that_of_the_scan() -> None:
    assert uncertainty("gap_um", SHOWS) == 8
    assert uncertainty("void_largest_pct", SHOWS) == 2
    assert uncertainty("void_volume_pct", SHOWS) == pytest.approx(100 * 0.02**1.5)
    assert uncertainty("bridge_neck_um", SHOWS) == 30
    assert uncertainty("contact_fraction", SHOWS) == pytest.approx(1 / 12)
    assert uncertainty("gap_um", None) == 0


SPLIT = {"findings": "non_wet", "reason": WHICH_WAY, "disposition": "review"}


def test_a_parted_joint_of_unsure_way_is_rejected_where_both_ways_are(limits: Make) -> None:
    """Whichever way it is open, the same follows."""
    both = [{"name": kind, "kind": kind} for kind in ("non_wet", "head_in_pillow")]
    what, why = said(dispose(table(B2=SPLIT), limits(*both), SHOWS), "B2")
    assert what == "reject"
    assert why.startswith(f"{WHICH_WAY}; ")
    assert "(non_wet)" in why
    assert "(head_in_pillow)" in why


def test_a_parted_joint_of_unsure_way_is_for_review_where_the_ways_differ(limits: Make) -> None:
    """The finding names non-wet, which no limit forbids; were it a pillow, it would be rejected."""
    pillow = limits({"name": "pillow", "kind": "head_in_pillow"})
    assert said(dispose(table(B2=SPLIT), pillow, SHOWS), "B2") == ("review", WHICH_WAY)
    sure = {"findings": "non_wet"}
    assert said(dispose(table(B2=sure), pillow, SHOWS), "B2") == ("accept", WITHIN)
    assert said(dispose(table(B2=SPLIT), limits(AREA), SHOWS), "B2")[0] == "accept"
