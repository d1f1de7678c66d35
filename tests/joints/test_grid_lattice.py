import numpy as np
import pytest

from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice, rotation


def test_the_box_spans_its_pitches_and_balls() -> None:
    grid = Grid()
    dx, dy, dz = grid.spacing_mm(0.8, 0.46)
    assert (dx * 56, dy * 56, dz * 48) == pytest.approx((1.2, 1.2, 0.598))


def test_offsets_are_centred() -> None:
    for axis, n in zip(Grid().offsets_mm(0.8, 0.5), (56, 56, 48), strict=True):
        assert len(axis) == n
        assert axis.sum() == pytest.approx(0, abs=1e-12)


def test_json_brings_the_same_grid_back() -> None:
    grid = Grid((16, 24, 20), 1.4, 1.2)
    assert Grid.from_json(grid.to_json()) == grid


@pytest.mark.parametrize("shape", [(4, 56, 56), (48, 56)])
def test_a_senseless_grid_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(InputError, match="grid.shape"):
        Grid(shape)  # type: ignore[arg-type]


def test_index_of_the_origin_is_zero_and_of_one_spacing_is_one() -> None:
    lattice = Lattice((4, 5, 6), (1.0, -2.0, 3.0), (0.1, 0.2, 0.3))
    points = np.array([[1.0, -2.0, 3.0], [1.1, -1.8, 3.3]])
    np.testing.assert_allclose(lattice.to_index(points), [[0, 0, 0], [1, 1, 1]], atol=1e-12)


def test_a_block_lies_on_the_same_voxels() -> None:
    lattice = Lattice((100, 100, 100), (-1.0, -1.1, -0.9), (0.02, 0.02, 0.02))
    block = lattice.block(np.array([0.131, -0.2, 0.3]), np.array([0.1, 0.2, 0.05]))
    index = lattice.to_index(np.array(block.origin_mm))
    np.testing.assert_allclose(index, np.round(index), atol=1e-9)
    assert block.shape[0] < block.shape[2] < block.shape[1]


def test_rotation_is_proper_and_in_plane_turns_x_to_y() -> None:
    turn = rotation(3.0, -2.0, 30.0)
    np.testing.assert_allclose(turn @ turn.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(turn) == pytest.approx(1)
    np.testing.assert_allclose(rotation(0, 0, 90)[:, 0], [0, 1, 0], atol=1e-12)


def test_tilt_about_x_moves_the_normal_in_y_only() -> None:
    np.testing.assert_allclose(rotation(10, 0, 0)[:, 2], [0, -np.sin(np.radians(10)), np.cos(np.radians(10))])
