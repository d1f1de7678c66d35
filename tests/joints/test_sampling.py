"""Straight-line values on a grid laid anywhere: those of scipy at the same points."""

import numpy as np
import pytest
from scipy import ndimage

from jointwise.joints.cutting import resample
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice, rotation
from jointwise.joints.sampling import grid_samples, samples_in_place

SHAPE = (20, 24, 28)
X, Y, Z = np.linspace(-9, 9, 13), np.linspace(-7, 8, 11), np.linspace(-6, 6, 9)


def scipys(volume: np.ndarray, first: np.ndarray, steps: np.ndarray) -> np.ndarray:
    zz, yy, xx = np.meshgrid(Z, Y, X, indexing="ij")
    points = first + np.stack([xx, yy, zz], axis=-1) @ steps
    at = np.moveaxis(points[..., ::-1], -1, 0)
    return ndimage.map_coordinates(volume, at, output=np.float32, order=1, mode="nearest")


@pytest.mark.parametrize("kind", ["u1", "i2", "u2", "f4", "f8"])
@pytest.mark.parametrize("first", [(14.0, 12.0, 10.0), (1.5, -3.0, 22.0)])
def test_values_are_scipys_inside_and_beyond_the_edge(kind: str, first: tuple[float, float, float]) -> None:
    volume = (np.random.default_rng(0).random(SHAPE) * 200).astype(kind)
    steps = rotation(3, -5, 20).T * [1.0, 0.9, 1.1]
    values = grid_samples(volume, np.array(first), steps, (X, Y, Z))
    np.testing.assert_allclose(values, scipys(volume, np.array(first), steps), rtol=1e-6, atol=1e-4)


def test_a_read_only_view_is_sampled_in_place() -> None:
    volume = np.random.default_rng(0).random(SHAPE).astype(np.float32)[2:, 1:, 3:]
    volume.flags.writeable = False
    first, steps = np.array([12.0, 11.0, 9.0]), rotation(2, 1, 7).T
    np.testing.assert_allclose(
        grid_samples(volume, first, steps, (X, Y, Z)), scipys(volume, first, steps), rtol=1e-6
    )


def test_other_byte_orders_and_types_give_the_same_joint() -> None:
    """They go the slow way."""
    volume = (np.random.default_rng(0).random((40, 60, 60)) * 60000).astype("u2")
    lattice, grid = Lattice(volume.shape, (0.0, 0.0, 0.0), (0.03,) * 3), Grid((24, 28, 28))
    place, axes = np.array([0.9, 0.9, 0.6]), rotation(1, 2, 3)
    plain = resample(volume, lattice, place, axes, grid, 0.8, 0.5)
    for kind in (">u2", "i8"):
        assert not samples_in_place(volume.astype(kind))
        other = resample(volume.astype(kind), lattice, place, axes, grid, 0.8, 0.5)
        np.testing.assert_allclose(other, plain, rtol=1e-6)


def test_a_place_that_is_no_number_is_refused() -> None:
    with pytest.raises(InputError, match="not finite"):
        grid_samples(np.zeros(SHAPE, np.float32), np.array([np.nan, 1, 1]), np.eye(3), (X, Y, Z))
