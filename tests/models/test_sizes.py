"""Sizes that a network learns: scaled as said, 0 where nothing is, unknown where nobody knows."""

from typing import Any

import numpy as np
import pandas as pd
import pytest

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.models.sizes import SIZES, sizes_of, void_area_pct

NAN = float("nan")
SOUND = dict.fromkeys(KINDS, 0.0) | {"present": 1, "voxel_um": 10.0, "void_projected_area_pct": 0.0,
                                     "gap_um": NAN, "bridge_neck_um": NAN}  # fmt: skip


def size(name: str, **changes: Any) -> float:
    """One size of a joint that is sound but for the changes."""
    return float(sizes_of(pd.DataFrame([SOUND | changes]))[0, SIZES.index(name)])


def test_a_void_is_told_by_its_diameter_in_units_of_the_limit() -> None:
    """5 % counts 1; four times the area is twice the diameter; the sound joint has 0."""
    areas = {0.0: 0.0, 1.25: 0.5, 5.0: 1.0, 20.0: 2.0}
    found = [size("void_projected_area_pct", void_projected_area_pct=area) for area in areas]
    assert found == pytest.approx(list(areas.values()), abs=1e-12)
    assert np.isnan(size("void_projected_area_pct", void_projected_area_pct=NAN))


@pytest.mark.parametrize("kind", ["non_wet", "head_in_pillow"])
def test_a_gap_is_told_in_voxels(kind: str) -> None:
    """One voxel is ln 2, thin ones are nearly linear; the same gap in twice the voxel is half as many."""
    assert size("gap_um", gap_um=10.0, **{kind: 1.0}) == pytest.approx(np.log(2))
    assert size("gap_um", gap_um=0.01, **{kind: 1.0}) == pytest.approx(0.001, rel=1e-3)
    assert size("gap_um", gap_um=60.0, voxel_um=20.0, **{kind: 1.0}) == pytest.approx(np.log(4))
    assert np.isnan(size("gap_um", gap_um=NAN, **{kind: 1.0}))


def test_a_neck_is_told_in_voxels() -> None:
    """Of a bridge alone: solder that ends in the air has no neck to the neighbour."""
    assert size("bridge_neck_um", bridge_neck_um=30.0, bridging=1.0) == pytest.approx(np.log(4))
    assert np.isnan(size("bridge_neck_um", bridge_neck_um=NAN, bridging=1.0))


def test_a_joint_that_is_known_to_have_none_has_zero() -> None:
    """Also where a table gives the gap of a surface too well bonded to count."""
    assert size("gap_um") == size("bridge_neck_um") == 0.0
    assert size("gap_um", gap_um=8.0) == 0.0


@pytest.mark.parametrize("kind", ["non_wet", "head_in_pillow"])
def test_a_marginal_joint_is_unknown_unless_its_gap_was_measured(kind: str) -> None:
    """Neither a joint with the kind nor one without: never 0."""
    assert np.isnan(size("gap_um", **{kind: NAN}))
    assert size("gap_um", gap_um=10.0, **{kind: NAN}) == pytest.approx(np.log(2))
    assert np.isnan(size("bridge_neck_um", bridging=NAN))


def test_a_site_without_a_ball_is_unknown() -> None:
    """Whatever its row says."""
    assert np.isnan(size("gap_um", present=0))
    assert np.isnan(size("bridge_neck_um", present=0))


def test_the_area_comes_back_from_what_was_learned() -> None:
    """The inverse law over the whole range; what a network says below 0 is no void."""
    area = np.linspace(0, 60, 25)
    table = pd.DataFrame([SOUND] * len(area)).assign(void_projected_area_pct=area)
    np.testing.assert_allclose(void_area_pct(sizes_of(table)), area, atol=1e-12)
    assert void_area_pct(np.array([[-0.3, 1.0, 1.0]])).tolist() == [0.0]


def test_a_table_without_sizes_is_refused_by_column() -> None:
    """A store of a lab that did not measure gaps, say."""
    table = pd.DataFrame([SOUND])
    for name in (*SIZES, "voxel_um"):
        with pytest.raises(InputError, match=f"expected the columns {name}"):
            sizes_of(table.drop(columns=name))
