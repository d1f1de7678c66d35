"""The novelty detector: what it learns from sound joints, what it must not use, and its files."""

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.models.bench import load_bench
from jointwise.models.novelty import (
    NOVELTY_TENSORS,
    NoveltyDetector,
    cells_of,
    fit_sound,
    read_novelty,
    write_novelty,
)
from jointwise.models.thresholds import Thresholds

CUTS = Thresholds(((0.2, 0.4, 0.6, 0.8),), "f1", None, ((1, 2, 3, 4),), ((5, 6, 7, 8),))
SHAPE = (6, 8, 8)


def sound_cells(n: int = 60, seed: int = 0, noise: float = 0.02) -> np.ndarray:
    """A blob whose height and width vary, with noise."""
    rng = np.random.default_rng(seed)
    z, y, x = np.meshgrid(*(np.linspace(-1, 1, size) for size in SHAPE), indexing="ij")
    wide, tall = rng.uniform(0.3, 0.5, (2, n, 1, 1, 1))
    blob = np.exp(-(x**2 + y**2) / wide - z**2 / tall)
    return blob + noise * rng.standard_normal((n, *SHAPE))


def test_cells_are_means_whatever_the_grid() -> None:
    volumes = np.random.default_rng(0).random((2, 24, 28, 30)).astype(np.float32)
    cells = cells_of(volumes)
    assert cells.shape == (2, 12, 14, 14)
    np.testing.assert_allclose(cells[1, 2, 3, 0], volumes[1, 4:6, 6:8, :2].mean(), rtol=1e-6)
    # 30 voxels in 14 cells: some two wide, some three, none left out.
    np.testing.assert_allclose(cells_of(np.ones((1, 24, 28, 30), np.float16)), 1)
    assert cells_of(volumes[:, :9, :8, :8]).shape == (2, 9, 8, 8)


def test_what_sound_joints_do_is_not_new_and_a_hole_is() -> None:
    sound = fit_sound(sound_cells())
    others = sound_cells(60, 1)
    holed = others.copy()
    holed[:, 3, 4, 4] -= 0.3
    before, after = sound.novelty(others), sound.novelty(holed)
    assert (after > before).all()
    assert np.quantile(after, 0.1) > np.quantile(before, 0.9)


def test_mirrored_and_turned_joints_are_as_new_as_they_were() -> None:
    sound, odd = fit_sound(sound_cells()), sound_cells(20, 2)
    odd[:, 1, 2, 5] += 0.2
    for turned in (odd[:, :, ::-1], np.rot90(odd, 1, (2, 3)), np.rot90(odd[..., ::-1], 3, (2, 3))):
        np.testing.assert_allclose(sound.novelty(turned), sound.novelty(odd), atol=1e-3)


def test_noise_moves_it_less_than_the_residual_alone() -> None:
    sound = fit_sound(sound_cells())
    quiet, noisy = sound_cells(60, 3), sound_cells(60, 3, noise=0.08)
    moved = np.median(sound.novelty(noisy)) - np.median(sound.novelty(quiet))
    # Four times the noise lifts the squared residual by log 16 = 2.8.
    assert 0 < moved < 1.9


def test_labels_of_faults_reach_the_calibration_only() -> None:
    cells = np.concatenate([sound_cells(20, 4), sound_cells(20, 5) + 0.3 * (np.arange(8) == 4)])
    truth = np.repeat([[0.0] * 4, [1.0] * 4], 20, axis=0)
    one = NoveltyDetector.fit(sound_cells(), cells, truth, Grid())
    other = NoveltyDetector.fit(sound_cells(), cells, 1 - truth, Grid())
    for name in ("mean", "axes", "scale"):
        np.testing.assert_array_equal(getattr(one.sound, name), getattr(other.sound, name))
    assert one.calibration != other.calibration


def test_every_kind_ranks_joints_alike() -> None:
    """A falling line is never taken: a kind that odd joints have less often keeps the order and says its share."""
    cells = np.concatenate([sound_cells(40, 4), sound_cells(40, 5) + 0.3 * (np.arange(8) == 4)])
    truth = np.repeat([[0.0, 1, 0, np.nan], [1, 0, 0, np.nan]], 40, axis=0)
    detector = NoveltyDetector.fit(sound_cells(), cells, truth, Grid())
    scores = detector.score_cells(cells)
    order = np.argsort(scores[:, 0], kind="stable")
    assert (np.diff(scores[order], axis=0) >= 0).all()
    assert scores[40:, 0].min() > scores[:40, 0].max()
    np.testing.assert_allclose(scores[:, 1], 0.5, atol=0.05)


def test_too_few_sound_joints_or_copies_are_refused() -> None:
    with pytest.raises(InputError, match="at least 10 sound training joints .* found 3"):
        fit_sound(sound_cells(3))
    with pytest.raises(InputError, match="found copies of one"):
        fit_sound(np.repeat(np.zeros((1, *SHAPE)), 20, axis=0))


def fitted() -> NoveltyDetector:
    truth = np.repeat([[0.0] * 4, [1.0] * 4], 20, axis=0)
    return NoveltyDetector.fit(sound_cells(), sound_cells(40, 6), truth, Grid((12, 16, 16)))


def test_a_bench_of_novelty_alone(tmp_path: Path) -> None:
    write_novelty(tmp_path, fitted(), CUTS, {"training_joints": 60})
    bench = load_bench(tmp_path, ["novelty"])
    assert list(bench.judges) == ["novelty"]
    assert bench.grid == Grid((12, 16, 16))
    assert bench.deciding.thresholds == CUTS
    assert json.loads((tmp_path / "novelty.json").read_text())["data"] == {"training_joints": 60}


def test_another_grid_is_refused(mixed_phantoms: Callable[..., Joints]) -> None:
    with pytest.raises(InputError, match=r"\[12, 16, 16\].*cut the scan"):
        fitted().score(mixed_phantoms(1, 0.0, 0))


@pytest.mark.parametrize("damage", ["tensors", "text", "format", "absent"])
def test_damaged_files_are_refused_in_one_sentence(tmp_path: Path, damage: str) -> None:
    write_novelty(tmp_path, fitted(), CUTS, {})
    if damage == "tensors":
        whole = (tmp_path / NOVELTY_TENSORS).read_bytes()
        (tmp_path / NOVELTY_TENSORS).write_bytes(whole[:-4])
    elif damage == "absent":
        (tmp_path / NOVELTY_TENSORS).unlink()
    else:
        text = "[]" if damage == "text" else '{"format": "another"}'
        (tmp_path / "novelty.json").write_text(text)
    with pytest.raises(InputError, match="expected a novelty detector") as caught:
        read_novelty(tmp_path)
    assert "\n" not in str(caught.value)
