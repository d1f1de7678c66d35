"""The finder's parts alone: plane, lattice, span, frame, names."""

import numpy as np
import pytest

from jointwise.joints.lattice import Lattice
from jointwise.scoring.finding.ball_lattice import BallLattice, find_lattice, fit_lattice
from jointwise.scoring.finding.balls import Candidates, thinned
from jointwise.scoring.finding.extent import found_span, own_points, possible_starts
from jointwise.scoring.finding.frame import first_frame, fit_frame
from jointwise.scoring.finding.naming import site_names
from jointwise.scoring.finding.plane import Plane, find_plane

RNG = np.random.default_rng(7)


def lattice_points(rows: int, cols: int, pitch: float, turn: float, noise: float) -> np.ndarray:
    row, col = np.divmod(np.arange(rows * cols), cols)
    z = (3 - 2j) + pitch * np.exp(1j * np.radians(turn)) * (col + 1j * row)
    return np.stack([z.real, z.imag], axis=1) + noise * RNG.standard_normal((rows * cols, 2))


def test_thinning_keeps_the_mean_and_the_place() -> None:
    lattice = Lattice((13, 21, 22), (1.0, 2.0, 3.0), (0.02, 0.02, 0.02))
    x = np.indices(lattice.shape)[2]
    volume = (1.0 + 0.02 * x).astype(np.float32)
    thin, coarse = thinned(volume, lattice, ball_mm=0.33)  # three voxels a block
    assert thin.shape == coarse.shape == (4, 7, 7)
    np.testing.assert_allclose(coarse.spacing_mm, (0.06,) * 3)
    places = coarse.origin_mm[0] + coarse.spacing_mm[0] * np.arange(7)
    np.testing.assert_allclose(thin[2, 3], places, rtol=1e-6)
    alike, same = thinned(volume, lattice, ball_mm=0.1)
    np.testing.assert_array_equal(alike, volume)
    assert same == lattice


def test_plane_among_strays() -> None:
    xy = RNG.uniform(-5, 5, (60, 2))
    z = 1.5 + xy @ [0.1, -0.05] + 0.01 * RNG.standard_normal(60)
    strays = np.column_stack([RNG.uniform(-5, 5, (40, 2)), RNG.uniform(-3, 3, 40)])
    points = np.concatenate([np.column_stack([xy, z]), strays])
    found = find_plane(Candidates(points, np.ones(100)), 0.3, 10.0)
    assert found is not None
    plane, within = found
    np.testing.assert_allclose(plane.slope, (0.1, -0.05), atol=0.004)
    assert within[:60].all()
    assert plane.tilt_deg == pytest.approx(6.38, abs=0.2)
    np.testing.assert_allclose(plane.axes.T @ plane.axes, np.eye(3), atol=1e-12)
    assert np.linalg.det(plane.axes) == pytest.approx(1)
    assert find_plane(Candidates(np.zeros((0, 3)), np.zeros(0)), 0.3, 10.0) is None


@pytest.mark.parametrize("turn", [-44.0, -13.0, 0.0, 7.0, 44.0])
@pytest.mark.parametrize("scale", [0.97, 1.0, 1.03])
def test_lattice_for_any_turn_and_a_pitch_a_little_off(turn: float, scale: float) -> None:
    places = lattice_points(20, 15, 0.8 * scale, turn, 0.02)
    with_strays = np.concatenate([places, RNG.uniform(-10, 20, (80, 2))])
    found = find_lattice(with_strays, np.ones(380), 0.8)
    assert found is not None
    lattice, _ = found
    assert lattice.pitch_mm == pytest.approx(0.8 * scale, rel=1e-3)
    assert lattice.turn_deg == pytest.approx(turn, abs=0.1)
    row, col, off = lattice.sites(places)
    assert off.max() < 0.2
    assert np.ptp(row) == 19
    assert np.ptp(col) == 14
    np.testing.assert_allclose(lattice.place(row, col), places, atol=0.12)


def test_no_lattice_without_points() -> None:
    assert find_lattice(np.zeros((0, 2)), np.zeros(0), 0.8) is None
    assert find_lattice(np.zeros((1, 2)), np.ones(1), 0.8) is None


def test_fit_and_move_agree() -> None:
    row, col = np.divmod(np.arange(12), 4)
    true = BallLattice(1 + 2j, 0.5 * np.exp(0.3j))
    places = true.place(row, col)
    fitted = fit_lattice(places, np.ones(12), row, col, BallLattice(0j, 1 + 0j))
    assert fitted.step == pytest.approx(true.step)
    assert fitted.origin == pytest.approx(true.origin)
    np.testing.assert_allclose(true.moved(1, 2).place(row - 1, col - 2), places)
    lone = fit_lattice(places[:1], np.ones(1), row[:1], col[:1], true)
    assert lone == true  # one point does not determine a lattice


def test_own_points_leave_out_a_neighbour_with_another_lattice() -> None:
    ours = lattice_points(8, 8, 0.8, 0.0, 0.01)
    other = lattice_points(12, 12, 0.5, 9.0, 0.01) + np.array([7.0, 0.0])
    own = own_points(BallLattice(3 - 2j, 0.8 + 0j), np.concatenate([ours, other]))
    assert own[:64].all()
    assert own[64:].sum() == 0


def test_spans() -> None:
    rows = np.repeat(np.arange(3, 9), 6)
    assert found_span(rows) == (3, 6)
    assert found_span(np.append(rows, [11])) == (3, 6)  # one point in a far row is something else
    assert possible_starts(rows, None) == ([3], 6)
    assert possible_starts(rows, 6) == ([3], 6)
    assert possible_starts(rows, 8) == ([3, 2, 1], 8)
    assert possible_starts(np.append(rows, [9]), 6) == ([3], 6)


def test_frame_sets_outliers_aside() -> None:
    row, col = np.divmod(np.arange(64), 8)
    plane = Plane(1.0, (0.03, -0.02))
    start = first_frame(plane, BallLattice(0.5 + 0.2j, 0.8 * np.exp(0.05j)))
    true = start.place(row, col)
    seen = true + 0.003 * RNG.standard_normal(true.shape)
    seen[::9] += [0.1, -0.1, 0.2]
    frame = fit_frame(seen, np.ones(64), row, col, start)
    np.testing.assert_allclose(frame.place(row, col), true, atol=0.006)
    assert frame.tilt_deg == pytest.approx(plane.tilt_deg, abs=0.05)
    assert frame.bent_mm(row, col) < 0.01
    same = fit_frame(true, np.zeros(64), row, col, start)
    assert same is start  # nothing seen, nothing learned


def test_names_follow_the_corner_of_a1() -> None:
    row, col = np.divmod(np.arange(6), 3)
    assert site_names(row, col, "x_low_y_low") == ["A1", "A2", "A3", "B1", "B2", "B3"]
    assert site_names(row, col, "x_high_y_low") == ["A3", "A2", "A1", "B3", "B2", "B1"]
    assert site_names(row, col, "x_low_y_high") == ["B1", "B2", "B3", "A1", "A2", "A3"]
    assert site_names(row, col, "x_high_y_high") == ["B3", "B2", "B1", "A3", "A2", "A1"]
