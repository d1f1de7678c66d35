"""The rules' numbers are those that their first, slow form gave: scipy's filters and plain numpy, joint by joint.

`rules_reference.npz` was written by that form (before its kernels) for fifteen phantoms with noise.
"""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from jointwise.joints.batch import Joints
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import truth_array
from jointwise.models.rules import detector as module
from jointwise.models.rules.detector import RuleDetector, measure_numbers
from jointwise.models.rules.filters import blurred, running_mean

REFERENCE = Path(__file__).with_name("rules_reference.npz")
Make = Callable[[int, float, int], Joints]


def test_numbers_scores_and_measures_are_those_of_the_slow_form(mixed_phantoms: Make) -> None:
    fit, joints = mixed_phantoms(30, 0.08, 1), mixed_phantoms(15, 0.06, 77)
    detector = RuleDetector.fit(fit, truth_array(fit.table))
    scores, measures = detector.score_and_measure(joints)
    with np.load(REFERENCE) as slow:
        for kind, numbers in measure_numbers(joints).items():
            np.testing.assert_allclose(numbers, slow[kind], rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(scores, slow["scores"], rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(measures.to_numpy(), slow["measures"], rtol=1e-6, atol=1e-6)
        assert set(KINDS) <= set(slow.files)


@pytest.mark.parametrize("threads", [1, 3])
def test_threads_change_nothing(mixed_phantoms: Make, monkeypatch: pytest.MonkeyPatch, threads: int) -> None:
    joints = mixed_phantoms(6, 0.06, 77)
    monkeypatch.setattr(module, "core_count", lambda: threads)
    with np.load(REFERENCE) as slow:
        for kind, numbers in measure_numbers(joints).items():
            np.testing.assert_allclose(numbers, slow[kind][:6], rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("shape", [(48, 20, 24), (5, 7, 9)])
@pytest.mark.parametrize("mode", ["reflect", "constant", "nearest"])
def test_blur_is_that_of_scipy_bit_for_bit(shape: tuple[int, int, int], mode: str) -> None:
    """Also where the kernel reaches over a whole volume and back."""
    values = np.random.default_rng(1).normal(size=shape).astype(np.float32)
    for sigma in (1.6, (1.0, 0.7, 0.7), (0.0, 1.0, 1.0), (4.5, 3.0, 3.0)):
        expected = ndimage.gaussian_filter(values, sigma, mode=mode)
        found = blurred(values, sigma, reflect=mode == "reflect", nearest=mode == "nearest")
        np.testing.assert_array_equal(found, expected)
        part = blurred(values, sigma, mode == "reflect", (1, 4), mode == "nearest")
        np.testing.assert_array_equal(part[1:4], expected[1:4])
        assert not part[4:].any()
        assert not part[:1].any()


def test_the_running_mean_is_that_of_scipy_bit_for_bit() -> None:
    values = np.random.default_rng(2).normal(size=(30, 11, 12)).astype(np.float32)
    expected = ndimage.uniform_filter1d(values, 3, axis=0, mode="nearest")
    np.testing.assert_array_equal(running_mean(values, 3), expected)
