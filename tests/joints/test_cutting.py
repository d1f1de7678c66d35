import numpy as np
import pytest

from jointwise.joints.cutting import cut, inside, level_reading, sample
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice, rotation
from jointwise.joints.levels import Levels, combine, lane_level

PITCH, BALL = 0.8, 0.46


def lattice(voxel: float = 0.02, half: float = 1.0) -> Lattice:
    n = int(2 * half / voxel) + 1
    return Lattice((n, n, n), (-half, -half, -half), (voxel, voxel, voxel))


def points_of(grid: Lattice) -> np.ndarray:
    axes = [
        o + s * np.arange(n)
        for o, s, n in zip(grid.origin_mm, grid.spacing_mm, grid.shape[::-1], strict=True)
    ]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    return np.stack([x, y, z], axis=-1)


def ball(
    grid: Lattice, centre: tuple[float, float, float], radius: float = 0.23, blur: float = 0.02
) -> np.ndarray:
    """A ball of value 3 in air of value 0.2 with a smooth edge."""
    distance = np.linalg.norm(points_of(grid) - np.asarray(centre), axis=-1)
    return 0.2 + 2.8 / (1 + np.exp((distance - radius) / (blur / 4)))


def test_sampling_a_linear_field_is_exact_anywhere_inside() -> None:
    grid = lattice(0.1)
    slope = np.array([0.3, -0.7, 1.1])
    volume = points_of(grid) @ slope
    where = np.random.default_rng(1).uniform(-0.9, 0.9, (200, 3))
    np.testing.assert_allclose(sample(volume, grid, where), where @ slope, atol=1e-6)


def test_inside_reaches_half_a_voxel_beyond_the_outer_centres() -> None:
    grid = Lattice((3, 3, 3), (0, 0, 0), (1, 1, 1))
    points = np.array([[-0.5, 0, 0], [-0.51, 0, 0], [2.5, 2.5, 2.5], [0, 0, 2.6]])
    assert inside(grid, points).tolist() == [True, False, True, False]


@pytest.mark.parametrize("dtype", [np.float32, np.uint16])
def test_cut_scales_air_to_0_and_solder_to_1(dtype: type) -> None:
    grid = lattice()
    volume = (ball(grid, (0.1, -0.05, 0.02)) * 1000).astype(dtype)
    joint = cut(volume, grid, np.array([0.1, -0.05, 0.02]), np.eye(3), Grid(), PITCH, BALL, Levels(200, 3000))
    assert joint.shape == Grid().shape
    assert joint[24, 28, 28] == pytest.approx(1, abs=2e-3)
    assert joint[24, 2, 2] == pytest.approx(0, abs=2e-3)


def centroid(joint: np.ndarray) -> np.ndarray:
    """Centre of gravity in grid indices (x, y, z)."""
    index = np.indices(joint.shape)
    return np.array([(index[a] * joint).sum() / joint.sum() for a in (2, 1, 0)])


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_marker_off_centre_lands_on_its_side_of_each_axis(axis: int) -> None:
    """Guards against a swapped or mirrored axis: a small ball 0.1 mm along one board axis of a tilted board."""
    scan, grid, turn = lattice(), Grid(), rotation(4.0, -3.0, 20.0)
    centre = np.array([0.05, 0.1, -0.08])
    marker = centre + 0.1 * turn[:, axis]
    joint = cut(
        ball(scan, tuple(marker), radius=0.08), scan, centre, turn, grid, PITCH, BALL, Levels(0.2, 3.0)
    )
    expected = (np.array(grid.shape[::-1]) - 1) / 2
    expected[axis] += 0.1 / grid.spacing_mm(PITCH, BALL)[axis]
    np.testing.assert_allclose(centroid(joint.clip(min=0)), expected, atol=0.1)


def test_fine_scans_are_averaged_not_picked() -> None:
    """White noise of a scan four times finer than the grid must shrink, as it would in a coarser scan."""
    scan = lattice(0.005, 0.35)
    noise = np.random.default_rng(0).normal(0, 1, scan.shape)
    grid = Grid((24, 20, 20), pitches=0.5, balls=0.9)
    joint = cut(noise, scan, np.zeros(3), np.eye(3), grid, PITCH, BALL, Levels(0, 1))
    assert joint.std() < 0.2


def array_scan(noise: float) -> tuple[np.ndarray, Lattice]:
    scan = lattice(0.02, 0.9)
    volume = np.full(scan.shape, 0.0)
    for x in (-0.8, 0, 0.8):
        for y in (-0.8, 0, 0.8):
            volume += ball(scan, (x, y, 0.0)) - 0.2
    volume += 0.2 + np.random.default_rng(3).normal(0, noise, scan.shape)
    return volume, scan


def test_levels_and_noise_are_read_beside_and_in_a_ball() -> None:
    volume, scan = array_scan(0.05)
    reading = level_reading(volume, scan, np.zeros(3), np.eye(3), Grid(), PITCH, BALL)
    assert reading.air == pytest.approx(0.2, abs=0.02)
    assert reading.solder == pytest.approx(3.0, abs=0.06)
    # Trilinear interpolation at any place leaves (2/3)^(3/2) of white noise on average.
    assert reading.noise == pytest.approx(0.05 * (2 / 3) ** 1.5, rel=0.2)


def test_lanes_are_read_between_neighbours() -> None:
    """Rows of balls along x, and dark lanes in them; a bridge over one of two lanes counts as little as open air."""
    grid = Grid()
    x, y, z = np.meshgrid(*grid.offsets_mm(PITCH, BALL), indexing="ij")
    row = np.where(np.abs(y) < 0.1 * PITCH, -0.8, 0.0) + 0.0 * x * z
    row[np.hypot(x, y) < BALL / 2] = 1.0
    row = np.ascontiguousarray(row.transpose(2, 1, 0))
    bridged = row.copy()
    bridged[:, :, grid.shape[2] // 2 :] = np.maximum(bridged[:, :, grid.shape[2] // 2 :], 0.9)

    def level(*volumes: np.ndarray) -> float:
        return lane_level(np.array(volumes, np.float16), grid.offsets_mm(PITCH, BALL), PITCH, BALL)

    assert level(row) == pytest.approx(-0.8, abs=1e-3)
    assert level(row.transpose(0, 2, 1)) == pytest.approx(-0.8, abs=1e-3)
    assert level(row, bridged, row) == pytest.approx(-0.8, abs=1e-3)
    assert level(np.zeros(grid.shape)) == 0.0
    assert np.isnan(level())


def test_a_missing_ball_does_not_move_the_levels_of_the_scan() -> None:
    volume, scan = array_scan(0.0)
    good = level_reading(volume, scan, np.zeros(3), np.eye(3), Grid(), PITCH, BALL)
    missing = level_reading(np.full(scan.shape, 0.2), scan, np.zeros(3), np.eye(3), Grid(), PITCH, BALL)
    assert combine([good, missing, good]).solder == pytest.approx(good.solder)


@pytest.mark.parametrize(("air", "solder"), [(1.0, 1.0), (2.0, 1.0), (float("nan"), 1.0)])
def test_levels_without_metal_are_refused(air: float, solder: float) -> None:
    with pytest.raises(InputError, match="solder level above the air level"):
        Levels(air, solder)


def test_no_readings_are_refused() -> None:
    with pytest.raises(InputError, match="at least one joint"):
        combine([])
