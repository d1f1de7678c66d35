"""The smooth pattern's kernels give what plain least squares give."""

import numpy as np
from numpy.typing import NDArray

from jointwise.models.rules.pattern import darkness

Floats = NDArray[np.float64]


def plainly(values: Floats, u: Floats, v: Floats) -> Floats:
    """Darkness of one slice's points, by numpy's solver, every sum made anew."""
    r2, twice = u * u + v * v, u * u - v * v
    terms = [np.ones_like(u), r2, r2**2, r2**3, u, v, twice, 2 * u * v, r2 * twice, r2 * 2 * u * v]
    design = np.stack([*terms, twice**2 - (2 * u * v) ** 2], axis=1)
    weight = np.ones(len(values))
    for _ in range(5):
        system = design.T @ (weight[:, None] * design) + 1e-4 * np.eye(11)
        model = design @ np.linalg.solve(system, design.T @ (weight * values))
        off = values - model
        spread = max(1.4826 * float(np.median(np.abs(off))), 0.004)
        weight = np.where(off < -1.5 * spread, 0.05, np.where(off > 3 * spread, 0.3, 1.0))
    return np.clip(1 - values / np.maximum(model, 0.3), -0.5, 1.0)


def test_darkness_is_that_of_plain_least_squares() -> None:
    rng = np.random.default_rng(3)
    x, y = np.linspace(-1, 1, 26) + 0.03, np.linspace(-1.1, 1, 25)
    xx, yy = np.meshgrid(x, y)
    inside = np.stack([xx**2 + yy**2 < size for size in (0.9, 0.6, 0.05)])
    values = 0.9 - 0.2 * (xx**2 + yy**2) + 0.05 * rng.standard_normal((3, 25, 26))
    values[:, 8:12, 9:13] -= 0.4
    values = values.astype(np.float32)
    size = 0.8
    dark = darkness(values, inside, x, y, size)
    assert not dark[~inside].any()
    assert not dark[2].any()  # too few points for a pattern
    for k in (0, 1):
        here = inside[k]
        expected = plainly(values[k][here].astype(np.float64), xx[here] / size, yy[here] / size)
        np.testing.assert_allclose(dark[k][here], expected, atol=1e-6)
        assert dark[k][here].max() > 0.3
