"""The envelope: the ranges of the training scans, what lies outside them, and why, in words."""

import json

import numpy as np
import pandas as pd
import pytest

from jointwise.joints.errors import InputError
from jointwise.models.envelope import Envelope

RANGES: dict[str, tuple[float | None, float | None]] = {"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}


def scans(voxels: list[float], cnr: list[float], joints: int = 3) -> pd.DataFrame:
    """So many joints of each scan, one scan a board."""
    rows = pd.DataFrame({"voxels_per_ball": voxels, "cnr": cnr})
    rows = rows.assign(board_id=[f"b{i}" for i in range(len(rows))], scan="s")
    return rows.loc[rows.index.repeat(joints)].reset_index(drop=True)


def test_it_says_which_scans_are_strange_and_why() -> None:
    """Beyond either end, or not known at all; an open end lets everything through."""
    table = pd.DataFrame({"voxels_per_ball": [30, 9, 61, 30, 30, 10], "cnr": [5, 5, 2, 2, np.nan, np.inf]})
    assert Envelope(RANGES).outside(table).tolist() == [False, True, True, True, True, False]
    noise = "contrast of solder over air in units of the noise"
    assert Envelope(RANGES).reasons(table) == [
        "",
        "voxels per ball: 9, trained on 10 to 60",
        f"voxels per ball: 61, trained on 10 to 60; {noise}: 2, trained on from 3",
        f"{noise}: 2, trained on from 3",
        f"{noise}: not known, trained on from 3",
        "",
    ]


def test_ranges_of_few_scans_are_what_they_span() -> None:
    """Joints without noise have an infinite contrast-to-noise ratio, which leaves the end open."""
    found = Envelope.of(scans([30.0, 20.0, np.nan], [5.0, np.inf, 7.0]))
    assert found == Envelope({"voxels_per_ball": (20.0, 30.0), "cnr": (5.0, None)}, scans=3)


def test_one_odd_scan_among_many_does_not_widen_the_range() -> None:
    """However many joints it has: 199 scans of 20 to 30 voxels, one of 90 with a thousand joints."""
    usual = scans(list(np.linspace(20, 30, 199)), [8.0] * 199)
    odd = scans([90.0], [8.0], joints=1000).assign(board_id="odd")
    low, high = Envelope.of(pd.concat([usual, odd])).ranges["voxels_per_ball"]
    assert low == pytest.approx(20, abs=0.1)
    assert high == 30.0


def test_one_odd_joint_of_a_scan_does_not_widen_the_range() -> None:
    """A scan counts by its joints' median."""
    table = scans([20.0, 30.0], [8.0, 8.0], joints=5)
    table.loc[[0, 9], "cnr"] = [0.5, 70.0]
    assert Envelope.of(table).ranges == {"voxels_per_ball": (20.0, 30.0), "cnr": (8.0, 8.0)}


def test_every_scan_of_a_board_counts() -> None:
    """A board scanned coarsely and finely is two scans, not one of middling voxels."""
    twice = scans([20.0, 40.0], [8.0, 8.0]).assign(board_id="b", scan=["coarse"] * 3 + ["fine"] * 3)
    assert Envelope.of(twice).ranges["voxels_per_ball"] == (20.0, 40.0)


def test_json_round_trip_and_cards_that_do_not_count_scans() -> None:
    found = Envelope(RANGES, 40)
    assert Envelope.from_json(json.loads(json.dumps(found.to_json()))) == found
    assert Envelope.from_json({"voxels_per_ball": [10.0, 60.0], "cnr": [3.0, None]}) == Envelope(RANGES, 0)


def test_tables_without_the_columns_are_refused() -> None:
    table = scans([20.0], [5.0])
    with pytest.raises(InputError, match="column cnr"):
        Envelope.of(table.assign(cnr=np.nan))
    for name in ("cnr", "board_id"):
        with pytest.raises(InputError, match=f"columns {name}"):
            Envelope.of(table.drop(columns=name))
    with pytest.raises(InputError, match="columns cnr"):
        Envelope(RANGES).reasons(table.drop(columns="cnr"))


def test_dark_lanes_count_where_the_training_joints_tell_them() -> None:
    """The column is newer than the others: without it everywhere, nothing is said of it."""
    table = scans([20.0, 30.0], [5.0, 7.0]).assign(lane=[-0.6] * 3 + [0.1] * 3)
    found = Envelope.of(table)
    assert found.ranges["lane"] == (-0.6, 0.1)
    assert Envelope.from_json(json.loads(json.dumps(found.to_json()))) == found
    odd = table.assign(lane=[-1.4, -0.6, -0.3, 0.1, 0.2, np.nan])
    assert found.outside(odd).tolist() == [True, False, False, False, True, True]
    assert (
        found.reasons(odd)[0]
        == "level between neighbours, 0 as air, 1 as solder: -1.4, trained on -0.6 to 0.1"
    )
    table.loc[0, "lane"] = np.nan
    assert "lane" not in Envelope.of(table).ranges
