"""The compiled interpolation gives scipy's bits, at the edges and for every type of voxel."""

import numpy as np
import pytest
from scipy import ndimage

from jointwise.joints.cutting import sample, sample_means
from jointwise.joints.lattice import Lattice
from jointwise.joints.sampling import TYPES


@pytest.mark.parametrize("kind", [*sorted(TYPES), ">i2", "i8"])
def test_the_same_bits_as_scipy(kind: str) -> None:
    rng = np.random.default_rng(4)
    volume = (100 * rng.random((7, 8, 9))).astype(kind)[:, 1:, :-1]
    lattice = Lattice((7, 7, 8), (0.1, 0.2, 0.3), (0.03, 0.04, 0.05))
    points = rng.uniform(-0.1, 0.6, (40, 50, 3))
    index = np.moveaxis(lattice.to_index(points)[..., ::-1], -1, 0)
    ours = sample(volume, lattice, points)
    assert ours.shape == (40, 50)
    np.testing.assert_array_equal(
        ours, ndimage.map_coordinates(volume, index, output=np.float32, order=1, mode="nearest")
    )


def test_a_place_that_is_none_reads_nothing_outside() -> None:
    volume = np.arange(8, dtype=np.float32).reshape(2, 2, 2)
    lattice = Lattice((2, 2, 2), (0, 0, 0), (1, 1, 1))
    assert sample(volume, lattice, np.array([[np.nan, np.nan, np.nan]]))[0] == 0.0
    assert sample_means(volume, lattice, np.full((1, 3), np.nan), np.zeros((1, 1, 3)))[0, 0] == 0.0


@pytest.mark.parametrize("kind", ["u2", "f4", ">i2"])
def test_means_about_places_are_those_of_their_points(kind: str) -> None:
    """Places well inside, at the edge and beyond it."""
    rng = np.random.default_rng(5)
    volume = (100 * rng.random((12, 14, 16))).astype(kind)[:, 1:, :-1]
    lattice = Lattice((12, 13, 15), (0.1, 0.2, 0.3), (0.03, 0.04, 0.05))
    middle = np.array([0.1 + 7 * 0.03, 0.2 + 6 * 0.04, 0.3 + 6 * 0.05])
    centres = middle + np.array([[0, 0, 0], [0.01, 0, 0.02], [0.2, 0, 0], [0, -0.3, 0]])
    offsets = rng.uniform(-0.08, 0.08, (6, 4, 5, 3))
    means = sample_means(volume, lattice, centres, offsets)
    assert means.shape == (4, 6, 4)
    points = sample(volume, lattice, centres[:, None, None, None] + offsets)
    np.testing.assert_allclose(means, points.mean(axis=-1), rtol=2e-6)
