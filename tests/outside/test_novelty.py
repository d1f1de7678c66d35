"""The novelty detector's subspace and residual against scikit-learn's PCA."""

import numpy as np
from sklearn.decomposition import PCA

from jointwise.models.novelty import FLOOR, KEEP, MEDIAN_NORMAL, OUTSTANDING, fit_sound


def images(cells: np.ndarray) -> np.ndarray:
    """All eight mirror images and turns, made one by one."""
    both = (cells, cells[..., ::-1])
    return np.concatenate([np.rot90(one, k, (2, 3)) for one in both for k in range(4)])


def test_axes_and_residual_against_scikit_learn() -> None:
    """sklearn.decomposition.PCA on the eight images of every joint: same axes, same reconstruction error."""
    rng = np.random.default_rng(0)
    smooth = rng.standard_normal((50, 3, 4, 4)).cumsum(axis=1).cumsum(axis=2).cumsum(axis=3)
    sound = fit_sound(smooth)
    stacked = images(smooth).reshape(400, -1)
    full = PCA(svd_solver="full").fit(stacked)
    shares = np.cumsum(full.explained_variance_ratio_)
    count = len(sound.axes)
    # One axis more than needed at most, where a pair has equal variance.
    assert count - int(np.searchsorted(shares, KEEP)) in (1, 2)
    theirs = full.components_[:count]
    assert sound.axes.shape == theirs.shape
    np.testing.assert_allclose(sound.mean, full.mean_, atol=1e-5)
    # Axes of equal variance may turn among themselves: what they span is compared.
    np.testing.assert_allclose(sound.axes.T @ sound.axes, theirs.T @ theirs, atol=2e-4)
    cut = PCA(count, svd_solver="full").fit(stacked)
    left = stacked - cut.inverse_transform(cut.transform(stacked))
    variance = (left**2).mean(axis=0)
    scale = np.sqrt(variance + FLOOR**2 * np.median(variance) + 1e-9)
    np.testing.assert_allclose(sound.scale, scale, rtol=1e-3)

    new = rng.standard_normal((7, 3, 4, 4)).cumsum(axis=1)
    flat = new.reshape(7, -1)
    size = np.abs(flat - cut.inverse_transform(cut.transform(flat))) / scale
    top = np.sort(size, axis=1)[:, -max(1, int(OUTSTANDING * 48)) :]
    expected = np.log((top**2).mean(axis=1)) - np.log(np.maximum(np.median(size, axis=1) / MEDIAN_NORMAL, 1))
    np.testing.assert_allclose(sound.novelty(new), expected, atol=1e-3)
