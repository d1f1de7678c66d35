"""Outline of a joint: two levels, axis, radius and blur, whatever is wrong with the joint."""

import numpy as np
import pytest

from jointwise.models.rules.edges import Body, Frame, outer_crossing, outline, polar_mean


def body_of(joints) -> Body:
    row = joints.table.iloc[0]
    return outline(joints.volumes[0], Frame.of(joints.grid, row["pitch_mm"], row["ball_mm"]))


SHIFT = (0.012, -0.02, 0.008)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"voids": ((0.08, 0.05, 0.0, 0.11),)},
        {"neck": 0.06},
        {"gap": 0.03, "gap_z": -0.03},
        {"noise": 0.15},
        {"open_board": 0.03},
    ],
)
def test_axis_and_radius_survive_faults_and_noise(phantom, changes) -> None:
    body = body_of(phantom(shift=SHIFT, **changes))
    assert body.axis[:2] == pytest.approx(SHIFT[:2], abs=0.006)
    assert body.edge.max() == pytest.approx(0.272, rel=0.03)
    assert body.present


def test_levels_do_not_depend_on_the_scan_s_scale(phantom) -> None:
    joints = phantom(noise=0.05)
    row = joints.table.iloc[0]
    frame = Frame.of(joints.grid, row["pitch_mm"], row["ball_mm"])
    plain, scaled = outline(joints.volumes[0], frame), outline(0.8 * joints.volumes[0] + 0.05, frame)
    np.testing.assert_allclose(scaled.raw, plain.raw, atol=1e-4)
    assert scaled.contrast == pytest.approx(0.8 * plain.contrast, rel=1e-4)


def test_blur_and_noise_are_read_from_the_joint(phantom) -> None:
    sharp, soft = body_of(phantom(blur=0.012)), body_of(phantom(blur=0.022))
    assert sharp.blur == pytest.approx(0.012, rel=0.35)
    assert soft.blur == pytest.approx(0.022, rel=0.2)
    noisy = body_of(phantom(noise=0.15))
    assert noisy.noise == pytest.approx(0.15 / noisy.contrast, rel=0.2)
    assert sharp.noise < 0.03


def test_missing_ball_is_absent(phantom) -> None:
    assert not body_of(phantom(present=False, noise=0.05)).present


def test_polar_mean_of_a_radial_field_is_that_field() -> None:
    x = np.linspace(-1, 1, 41)
    distance = np.hypot(x[None, :] - 0.1, x[:, None] + 0.05)
    values = np.stack([1 - distance, 2 - distance]).astype(np.float32)
    mean = polar_mean(values, x, x, np.zeros(2), np.array([0.1, -0.05, 0.0, 0.0]), 0.05, 15)
    np.testing.assert_allclose(mean[0, 2:], 1 - 0.05 * np.arange(2, 15), atol=0.01)
    np.testing.assert_allclose(mean[1] - mean[0], 1, atol=1e-6)


def test_outer_crossing_is_the_last_one_and_zero_without_one() -> None:
    rows = np.array([[1.0, 0.2, 0.9, 0.1, 0.0], [0.4, 0.3, 0.2, 0.1, 0.0]])
    np.testing.assert_allclose(outer_crossing(rows, 0.5), [2.5, 0.0])
