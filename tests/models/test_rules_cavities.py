"""Voids: their four measures against closed forms, and what is no void."""

import numpy as np
import pytest

from jointwise.models.rules.cavities import LAND_DISC, Cavities, _interface
from jointwise.models.rules.numbers import examine
from jointwise.models.rules.pattern import darkness
from jointwise.models.rules.solder import _filled_core

R_MAX = 0.272


def voids_of(joints) -> Cavities:
    row = joints.table.iloc[0]
    found = examine(joints.volumes[0], joints.grid, row["pitch_mm"], row["ball_mm"])
    assert found is not None
    return found.cavities


@pytest.mark.parametrize("noise", [0.0, 0.08])
@pytest.mark.parametrize("radius", [0.07, 0.10, 0.13])
def test_area_and_volume_of_a_ball(phantom, radius, noise) -> None:
    voids = voids_of(phantom(voids=((0.06, -0.04, 0.02, radius),), noise=noise))
    assert voids.area_pct == pytest.approx(100 * (radius / R_MAX) ** 2, rel=0.3)
    assert voids.largest_pct == pytest.approx(100 * (radius / R_MAX) ** 2, rel=0.2)
    assert voids.volume_pct == pytest.approx(100 * (4 / 3 * np.pi * radius**3) / 0.0726, rel=0.4)


def test_area_is_the_union_not_the_sum(phantom) -> None:
    above, beside = (0.0, 0.0, 0.075, 0.06), (0.0, 0.0, -0.075, 0.06)
    one = voids_of(phantom(voids=(above,)))
    stacked = voids_of(phantom(voids=(above, beside)))
    apart = voids_of(phantom(voids=((0.09, 0.0, 0.0, 0.06), (-0.09, 0.0, 0.0, 0.06))))
    assert stacked.area_pct == pytest.approx(one.area_pct, rel=0.2)
    assert apart.area_pct == pytest.approx(2 * one.area_pct, rel=0.2)
    assert apart.largest_pct == pytest.approx(apart.area_pct / 2, rel=0.2)
    assert stacked.missing == pytest.approx(2 * one.missing, rel=0.3)


def test_no_void_in_sound_bridged_open_and_parted_joints(phantom) -> None:
    for changes in (
        {"cupping": 0.2},
        {"neck": 0.07},
        {"open_package": 0.03},
        {"gap": 0.03, "gap_radius": 0.6},
    ):
        voids = voids_of(phantom(**changes))
        assert voids.area_pct < 3, changes
        assert voids.volume_pct < 0.5, changes


def test_gas_beyond_a_land_covers_none_of_it(phantom) -> None:
    """The joint bulges beyond its land; the share of the land under voids stays a share."""
    joints = phantom()
    row = joints.table.iloc[0]
    body = examine(joints.volumes[0], joints.grid, row["pitch_mm"], row["ball_mm"]).body
    everywhere = np.ones(body.smooth.shape, np.bool_)
    for land_mm, inward in ((-0.16, 1), (0.16, -1)):
        assert _interface(body, everywhere, land_mm, inward) == 100.0
        beyond = everywhere & (body.ring >= LAND_DISC * row["ball_mm"])
        assert _interface(body, beyond, land_mm, inward) == 0.0
        half = everywhere & (body.frame.x < body.axis[0])
        assert _interface(body, half, land_mm, inward) == pytest.approx(50, abs=4)


def test_more_gas_means_larger_numbers(phantom) -> None:
    sizes = [voids_of(phantom(voids=((0.05, 0.0, 0.0, r),), noise=0.05)) for r in (0.05, 0.08, 0.12)]
    for name in ("missing", "clearly_missing", "shallow", "blob", "darkest"):
        numbers = [getattr(v, name) for v in sizes]
        assert numbers == sorted(numbers), name


def test_smooth_pattern_is_not_dark_and_a_hole_is() -> None:
    x = np.linspace(-1, 1, 31)
    yy, xx = np.meshgrid(x, x, indexing="ij")
    inside = (xx**2 + yy**2 < 0.8)[None]
    smooth = (1 - 0.3 * (1 - xx**2 - yy**2) + 0.05 * xx - 0.08 * (xx**2 - yy**2)).astype(np.float32)[None]
    assert np.abs(darkness(smooth, inside, x, x, 1.0)).max() < 0.01
    hole = ((xx - 0.4) ** 2 + yy**2 < 0.03)[None]
    dark = darkness(np.where(hole, 0.2, smooth).astype(np.float32), inside, x, x, 1.0)
    assert dark[hole].min() > 0.6
    assert np.abs(dark[inside & ~hole]).max() < 0.05


def test_mask_fills_holes_and_drops_necks() -> None:
    x = np.arange(-20.0, 21.0)
    yy, xx = np.meshgrid(x, x, indexing="ij")
    disc = np.hypot(xx, yy) < 12
    neck = (np.abs(yy) < 3) & (xx > 0)
    hole = np.hypot(xx - 4, yy - 2) < 3
    mask = _filled_core((disc | neck) & ~hole, x, x, 2)
    assert mask[hole].all()
    assert not mask[:, xx[0] > 13].any()
    assert mask.sum() == pytest.approx(np.pi * 10**2, rel=0.1)
