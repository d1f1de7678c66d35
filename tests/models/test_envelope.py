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
    before = table.drop(columns="lane")  # a set of before lanes were measured: judged by the rest
    assert not found.outside(before).any()
    odd = table.assign(lane=[-1.4, -0.6, -0.3, 0.1, 0.2, np.nan])
    assert found.outside(odd).tolist() == [True, False, False, False, True, True]
    assert (
        found.reasons(odd)[0]
        == "level between neighbours, 0 as air, 1 as solder: -1.4, trained on -0.6 to 0.1"
    )
    table.loc[0, "lane"] = np.nan
    assert "lane" not in Envelope.of(table).ranges


def test_distance_is_nothing_in_the_middle_one_at_the_ends_and_grows_beyond() -> None:
    """10 to 40 voxels: the middle is 20 on a logarithmic scale, its half from 14.1 to 28.3."""
    envelope = Envelope({"voxels_per_ball": (10.0, 40.0), "cnr": (4.0, 100.0)})
    voxels = [20.0, 14.2, 28.2, 10.0, 40.0, 80.0, 160.0, 5.0]
    table = pd.DataFrame({"voxels_per_ball": voxels, "cnr": 20.0})
    assert envelope.distance(table) == pytest.approx([0, 0, 0, 1, 1, 3, 5, 3], abs=0.02)
    ordered = envelope.distance(pd.DataFrame({"voxels_per_ball": np.geomspace(20, 400, 50), "cnr": 20.0}))
    assert (np.diff(ordered) >= 0).all()
    assert ordered[-1] > 5


def test_the_farthest_quantity_counts_and_one_that_is_not_known_is_infinitely_far() -> None:
    envelope = Envelope({"voxels_per_ball": (10.0, 40.0), "cnr": (4.0, 100.0), "lane": (-0.6, 0.2)})
    table = pd.DataFrame({"voxels_per_ball": 20.0, "cnr": [20.0, 2.0, np.nan, np.inf], "lane": -0.2})
    found = envelope.distance(table)
    assert found[0] == 0.0
    assert 1.0 < found[1] < 2.0
    assert np.isinf(found[2:]).all()
    lanes = pd.DataFrame({"voxels_per_ball": 20.0, "cnr": 20.0, "lane": [-1.0, 0.2, 0.0]})
    assert envelope.distance(lanes) == pytest.approx([3.0, 1.0, 0.0])


def test_an_open_end_is_never_far() -> None:
    table = pd.DataFrame({"voxels_per_ball": 20.0, "cnr": [3.0, 6.0, 1e6, np.inf, 1.5]})
    assert Envelope(RANGES).distance(table) == pytest.approx([1.0, 0.0, 0.0, 0.0, 2.0])


def test_distance_is_above_one_exactly_where_a_joint_is_outside() -> None:
    """Ends included, whatever rounding makes of their logarithms, and also where all training scans were alike."""
    rng = np.random.default_rng(0)
    for low, high in ((12.046271585500008, 39.7983805685495), (20.0, 20.0), (5.5, None)):
        envelope = Envelope({"voxels_per_ball": (low, high), "cnr": (5.511948641428649, 246.99025323455507)})
        values = np.concatenate([rng.uniform(1, 80, 300), [low, high or low, np.nextafter(low, 0), np.nan]])
        noise = np.concatenate([rng.uniform(1, 400, 302), [5.511948641428649, 246.99025323455507]])
        table = pd.DataFrame({"voxels_per_ball": values, "cnr": noise})
        assert ((envelope.distance(table) > 1.0) == envelope.outside(table)).all()
