"""Bridges as bridges: who belongs together, and how many a detector finds."""

import dataclasses
import json

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.bridges import BRIDGING, bridge_table, called_bridges, can_group, true_bridges
from jointwise.evaluation.measured import board_weights
from jointwise.evaluation.statistics.measures import wilson
from jointwise.evaluation.verdicts import Verdicts

Site = tuple[int, int]


def array(bridged: dict[Site, float], called: set[Site], side: int = 5) -> Verdicts:
    """One square array; bridged joints with the thickness of their bridge, µm, and joints called bridging."""
    sites = [(row, col) for row in range(side) for col in range(side)]
    truth, score = np.zeros((side**2, 4)), np.zeros((side**2, 4))
    truth[:, BRIDGING] = [site in bridged for site in sites]
    score[:, BRIDGING] = [site in called for site in sites]
    table = pd.DataFrame(sites, columns=["row", "col"]).assign(
        scan="s", board_id="b", present=1, ball=[f"{r}_{c}" for r, c in sites]
    )
    table["bridge_neck_um"] = [bridged.get(site, np.nan) for site in sites]
    return Verdicts("an array", "made up", table, truth, {"d": score}, {"d": np.full(truth.shape, 0.5)})


def groups(verdicts: Verdicts) -> set[frozenset[Site]]:
    """The true bridges as sets of sites."""
    sites = list(zip(verdicts.table["row"], verdicts.table["col"], strict=True))
    labels = true_bridges(verdicts)
    return {
        frozenset(sites[i] for i in np.flatnonzero(labels == one)) for one in np.unique(labels[labels >= 0])
    }


PAIR = {(0, 0): 80.0, (0, 1): 80.0}
CHAIN = {(3, 0): 120.0, (3, 1): 120.0, (3, 2): 60.0}
CORNERS = {(3, 4): 50.0, (4, 3): 50.0}


def test_neighbours_of_equal_thickness_are_one_bridge_and_a_chain_is_one() -> None:
    found = groups(array(PAIR | CHAIN | CORNERS, set()))
    assert found == {frozenset(PAIR), frozenset(CHAIN), frozenset(CORNERS)}


def test_two_bridges_side_by_side_stay_two() -> None:
    side_by_side = {(0, 0): 80.0, (0, 1): 80.0, (0, 2): 95.0, (0, 3): 95.0}
    assert len(groups(array(side_by_side, set()))) == 2
    unknown = array(side_by_side, set())
    unknown = dataclasses.replace(unknown, table=unknown.table.drop(columns="bridge_neck_um"))
    assert len(groups(unknown)) == 1, "without thickness they cannot be told apart"


def test_the_generators_necks_go_before_place_and_names_before_both() -> None:
    one = array({(0, 0): 80.0, (0, 1): 80.0, (1, 0): 80.0, (1, 1): 80.0}, set())
    necks = [{"first": [0, 0], "second": [1, 0]}, {"first": [0, 1], "second": [1, 1]}]
    recorded = dataclasses.replace(one, table=one.table.assign(neck_records=json.dumps(necks)))
    assert len(groups(one)) == 1
    assert groups(recorded) == {frozenset({(0, 0), (1, 0)}), frozenset({(0, 1), (1, 1)})}
    names = [
        f"bridge {row}" if row < 2 and col < 2 else None for row, col in one.table[["row", "col"]].values
    ]
    named = dataclasses.replace(recorded, table=recorded.table.assign(bridge=names))
    assert groups(named) == {frozenset({(0, 0), (0, 1)}), frozenset({(1, 0), (1, 1)})}


def test_a_joint_whose_partner_is_not_in_the_set_is_a_bridge_of_its_own() -> None:
    """Its neighbour's bridge is equally thick by chance; the record knows better."""
    one = array({(2, 2): 80.0, (2, 3): 80.0}, set())
    necks = [{"first": [2, 2], "second": [9, 9]}, {"first": [2, 3], "second": [8, 8]}]
    recorded = dataclasses.replace(one, table=one.table.assign(neck_records=json.dumps(necks)))
    assert len(groups(one)) == 1
    assert len(groups(recorded)) == 2


def test_scans_are_kept_apart() -> None:
    one = array(PAIR, set())
    apart = one.table.assign(scan=np.where(one.table["col"] == 0, "s", "t"))
    assert len(groups(dataclasses.replace(one, table=apart))) == 2


def test_found_by_any_by_all_and_false_bridges() -> None:
    called = {(0, 0), (3, 0), (3, 1), (3, 2), (1, 3), (0, 4)}
    one = array(PAIR | CHAIN | CORNERS, called)
    row = bridge_table(one, board_weights(one)).iloc[0]
    assert row[["bridges", "found_any", "found_all", "joints", "found_joint"]].tolist() == [3, 2, 1, 7, 4]
    assert (row["any_rate_low"], row["any_rate_high"]) == wilson(2, 3)
    assert row["false_bridges"] == 1, "(1, 3) and (0, 4) hang together and touch no bridge"
    assert np.isnan(row["any_rate_boards_low"]), "one board"
    assert called_bridges(one, "d").max() == 2


def test_a_call_beside_a_true_bridge_or_on_an_unknown_joint_is_no_false_bridge() -> None:
    one = array(PAIR, {(0, 1), (0, 2), (4, 4)})
    truth = one.truth.copy()
    truth[24, BRIDGING] = np.nan
    unknown = dataclasses.replace(one, truth=truth)
    assert bridge_table(one, board_weights(one)).iloc[0]["false_bridges"] == 1
    assert bridge_table(unknown, board_weights(unknown)).iloc[0]["false_bridges"] == 0


def test_the_order_of_joints_does_not_matter() -> None:
    one = array(PAIR | CHAIN | CORNERS, {(0, 0), (3, 0), (1, 3)})
    other = one.take(np.random.default_rng(0).permutation(25))
    assert groups(other) == groups(one)
    pd.testing.assert_frame_equal(
        bridge_table(other, board_weights(other)), bridge_table(one, board_weights(one))
    )


@pytest.mark.parametrize("rows", [[], [0]])
def test_no_bridge_no_joint(rows: list[int]) -> None:
    one = array({}, set()).take(np.array(rows, dtype=int))
    row = bridge_table(one, board_weights(one)).iloc[0]
    assert row[["bridges", "found_any", "found_all", "false_bridges"]].tolist() == [0, 0, 0, 0]
    assert np.isnan(row["any_rate"])


def test_without_rows_and_columns_nothing_is_grouped() -> None:
    table = array(PAIR, set()).table
    assert can_group(table)
    assert not can_group(table.drop(columns="row"))
    assert can_group(table.drop(columns=["row", "col"]).assign(bridge="x"))


def test_named_bridges_need_no_rows_and_columns() -> None:
    one = array(PAIR, {(0, 0), (4, 4)})
    names = np.where(one.known[:, BRIDGING] & (one.truth[:, BRIDGING] == 1), "first", None)
    named = dataclasses.replace(one, table=one.table.drop(columns=["row", "col"]).assign(bridge=names))
    row = bridge_table(named, board_weights(named)).iloc[0]
    assert row[["bridges", "found_any", "found_all"]].tolist() == [1, 1, 0]
    assert np.isnan(row["false_bridges"])
