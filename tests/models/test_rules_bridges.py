"""Connections to neighbours: the widest path is exact, necks are measured, air is not bridged."""

import itertools

import numpy as np
import pytest

from jointwise.models.rules.bridges import Bridge, _widest_path
from jointwise.models.rules.numbers import examine


def bridge_of(joints) -> Bridge:
    row = joints.table.iloc[0]
    found = examine(joints.volumes[0], joints.grid, row["pitch_mm"], row["ball_mm"])
    assert found is not None
    return found.bridge


def test_widest_path_is_the_best_of_all_paths() -> None:
    lane = np.random.default_rng(8).random((4, 3, 3)).astype(np.float32)
    places = list(itertools.product(range(3), range(3)))
    best = max(
        min(lane[t, k, w] for t, (k, w) in enumerate(path))
        for path in itertools.product(places, repeat=4)
        if all(max(abs(a[0] - b[0]), abs(a[1] - b[1])) <= 1 for a, b in itertools.pairwise(path))
    )
    value, path = _widest_path(lane)
    assert value == pytest.approx(best)
    assert min(lane[t, k, w] for t, (k, w) in enumerate(path)) == pytest.approx(best)


@pytest.mark.parametrize("noise", [0.0, 0.1])
@pytest.mark.parametrize("radius", [0.03, 0.06, 0.1])
def test_neck_is_found_and_measured(phantom, radius, noise) -> None:
    bridge = bridge_of(phantom(neck=radius, neck_z=-0.04, noise=noise))
    assert bridge.narrow > 0.5
    assert bridge.neck_um == pytest.approx(2000 * radius, rel=0.25)


def test_neck_is_found_in_every_direction(phantom) -> None:
    joints = phantom(neck=0.05)
    row = joints.table.iloc[0]
    plain = bridge_of(joints)
    for turns in (1, 2, 3):
        turned = np.rot90(joints.volumes[0], turns, axes=(1, 2))
        found = examine(turned, joints.grid, row["pitch_mm"], row["ball_mm"])
        assert found is not None
        assert found.bridge.narrow == pytest.approx(plain.narrow, rel=0.05)
        assert found.bridge.neck_um == pytest.approx(plain.neck_um, rel=0.05)


def test_air_is_no_bridge(phantom) -> None:
    for changes in ({}, {"noise": 0.1}, {"voids": ((0.1, 0.0, 0.0, 0.1),)}):
        bridge = bridge_of(phantom(**changes))
        assert bridge.narrow < 0.25
        assert bridge.neck_um == 0


def test_a_neck_that_stops_short_is_no_bridge(phantom) -> None:
    joints = phantom(neck=0.06)
    cut = joints.volumes.copy()
    cut[:, :, :, 46:50] = np.minimum(cut[:, :, :, 46:50], 0.0)  # air across the neck, four steps wide
    row = joints.table.iloc[0]
    found = examine(cut[0], joints.grid, row["pitch_mm"], row["ball_mm"])
    assert found is not None
    assert found.bridge.narrow < 0.3
