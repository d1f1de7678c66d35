"""The darkest complete surface: exact where it claims to be, follows a curved gap, is not fooled by a void."""

import itertools

import numpy as np
import pytest

from jointwise.models.rules.edges import Frame, outline
from jointwise.models.rules.surface import SLOPE, STIFF, _radial_path, _relax_rows, darkest_surface


def surface_of(joints):
    row = joints.table.iloc[0]
    return darkest_surface(outline(joints.volumes[0], Frame.of(joints.grid, row["pitch_mm"], row["ball_mm"])))


def test_radial_path_is_the_best_of_all_paths() -> None:
    total = np.random.default_rng(5).normal(size=(5, 6))
    value, path = _radial_path(total)
    best = max(
        sum(total[r, k] for r, k in enumerate(p))
        for p in itertools.product(range(6), repeat=5)
        if all(abs(a - b) <= SLOPE for a, b in itertools.pairwise(p))
    )
    assert value == pytest.approx(best)
    assert sum(total[r, k] for r, k in enumerate(path)) == pytest.approx(best)


def _worth(reward: np.ndarray, height: np.ndarray) -> float:
    y, x = np.indices(height.shape)
    rise = np.abs(np.diff(height, axis=0)).sum() + np.abs(np.diff(height, axis=1)).sum()
    return float(reward[height, y, x].sum() - STIFF * rise)


def test_bending_never_makes_a_surface_worse() -> None:
    rng = np.random.default_rng(6)
    reward = rng.normal(size=(12, 9, 9)).astype(np.float32)
    base = np.full((9, 9), 6)
    height, before = base.copy(), _worth(reward, base)
    for _ in range(3):
        _relax_rows(reward, base, height)
        after = _worth(reward, height)
        assert after >= before - 1e-6
        before = after
    assert before > _worth(reward, base) + 10


@pytest.mark.parametrize("bend", [0.45, 1.2, -0.5])
@pytest.mark.parametrize("noise", [0.0, 0.1])
def test_follows_a_dish_and_a_dome(phantom, bend, noise) -> None:
    joints = phantom(gap=0.03, gap_radius=bend, gap_z=-0.02, noise=noise)
    surface = surface_of(joints)
    assert surface.complete
    x, y, z = joints.grid.offsets_mm(0.8, 0.5)
    rho2 = x[None, :] ** 2 + y[:, None] ** 2
    true = -0.02 + 0.015 + bend - np.sign(bend) * np.sqrt(np.maximum(bend**2 - rho2, 0))
    inside = rho2 < 0.2**2
    found = z[0] + surface.height * (z[1] - z[0])
    assert np.abs(found - true)[inside].mean() < 1.2 * (z[1] - z[0])
    gap, bonded = surface.gap()
    assert gap == pytest.approx(30, rel=0.3)
    assert bonded < 0.2


def test_a_void_or_a_sound_joint_has_no_complete_surface(phantom) -> None:
    for changes in (
        {},
        {"voids": ((0.03, 0.0, 0.0, 0.12),)},
        {"voids": ((0.0, 0.0, 0.0, 0.13),)},
        {"noise": 0.15},
    ):
        assert not surface_of(phantom(**changes)).complete


def test_a_gap_beside_a_void_is_still_found(phantom) -> None:
    assert surface_of(phantom(gap=0.03, gap_z=-0.04, voids=((0.05, 0.0, 0.08, 0.06),))).complete
