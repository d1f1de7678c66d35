"""Measures from masks: painted bodies of known size, and nothing where nothing is."""

import numpy as np
import pandas as pd
import pytest

from jointwise.joints.grid import Grid
from jointwise.joints.masks import MASKS, cell_mm, mask_shape
from jointwise.joints.schema import MEASURES
from jointwise.models.mask_measures import BY_MASKS, measured_by_masks
from jointwise.models.measured import FEWEST, BothWays, choose, measures_of
from jointwise.models.sizes import SIZES

GRID, PITCH, BALL = Grid(), 0.8, 0.5
FINER = 6


def points() -> tuple[np.ndarray, ...]:
    """Places (z, y, x) in mm from the box's centre, 6 to a cell's edge."""
    edges = cell_mm(GRID, PITCH, BALL)[::-1]
    counts = mask_shape(GRID)[1:]
    axes = [((np.arange(n * FINER) + 0.5) / FINER - n / 2) * e for n, e in zip(counts, edges, strict=True)]
    return tuple(np.meshgrid(*axes, indexing="ij", sparse=True))


def painted(**bodies: np.ndarray) -> np.ndarray:
    """Shares (1, mask, z, y, x) of bodies on the fine points."""
    shares = np.zeros((1, *mask_shape(GRID)))
    for name, body in bodies.items():
        z, y, x = (n // FINER for n in body.shape)
        shares[0, MASKS.index(name)] = body.reshape(z, FINER, y, FINER, x, FINER).mean(axis=(1, 3, 5))
    return shares


def measured(shares: np.ndarray) -> dict[str, float]:
    found = measured_by_masks(shares, GRID, np.full(len(shares), PITCH), np.full(len(shares), BALL))
    return dict(zip(BY_MASKS, found[0], strict=True))


Z, Y, X = points()
SPHERE = X**2 + Y**2 + Z**2 < 0.25**2


def test_a_sound_ball_has_neither_void_nor_gap_nor_neck() -> None:
    """0 where a void would be, NaN where a gap or a neck would be."""
    found = measured(painted(solder=SPHERE))
    assert [found[name] for name in BY_MASKS[:3]] == [0, 0, 0]
    assert np.isnan([found["gap_um"], found["bridge_neck_um"]]).all()
    assert np.isnan(measured(np.zeros((1, *mask_shape(GRID))))["void_projected_area_pct"])


def test_voids_by_their_areas_and_volumes() -> None:
    """Two spheres of 60 and 100 um radius in one of 250: r^2 and r^3 shares; side by side and one above the other."""
    small = (X + 0.12) ** 2 + Y**2 + Z**2 < 0.06**2
    large = (X - 0.08) ** 2 + Y**2 + Z**2 < 0.1**2
    found = measured(painted(solder=SPHERE & ~small & ~large, void=small | large))
    assert found["void_volume_pct"] == pytest.approx(100 * (0.06**3 + 0.1**3) / 0.25**3, rel=0.02)
    assert found["void_projected_area_pct"] == pytest.approx(100 * (0.06**2 + 0.1**2) / 0.25**2, rel=0.1)
    assert found["void_largest_pct"] == pytest.approx(100 * 0.1**2 / 0.25**2, rel=0.1)
    above = X**2 + Y**2 + (Z - 0.16) ** 2 < 0.06**2
    middle = X**2 + Y**2 + Z**2 < 0.08**2
    found = measured(painted(solder=SPHERE & ~above & ~middle, void=above | middle))
    assert found["void_projected_area_pct"] == pytest.approx(100 * 0.08**2 / 0.25**2, rel=0.2)


@pytest.mark.parametrize("gap_um", [9.0, 13.5, 27.0, 63.0])
def test_a_gap_by_its_thickness_far_below_a_cell(gap_um: float) -> None:
    """A flat gap across the ball, thinner and thicker than a cell of 27 um, whatever cells it lies in."""
    for place in (0.0, 0.031):
        gap = SPHERE & (np.abs(Z - place) < gap_um / 2000)
        thick = gap.any(axis=(1, 2)).sum() * cell_mm(GRID, PITCH, BALL)[2] / FINER * 1000
        assert measured(painted(solder=SPHERE & ~gap, gap=gap))["gap_um"] == pytest.approx(thick, rel=0.08)


def test_a_dry_rim_is_no_gap() -> None:
    """A ring about a land that is wetted elsewhere, as sound joints have it."""
    rim = SPHERE & (np.abs(Z + 0.15) < 0.005) & (X**2 + Y**2 > 0.19**2)
    assert np.isnan(measured(painted(solder=SPHERE & ~rim, gap=rim))["gap_um"])


@pytest.mark.parametrize("axis", ["x", "y"])
@pytest.mark.parametrize("side", [1, -1])
def test_a_neck_by_its_least_section(axis: str, side: int) -> None:
    """A waist of 60 um radius at the middle, thicker at its ends, towards any neighbour."""
    along, across = (X, Y) if axis == "x" else (Y, X)
    radius = 0.06 + 0.4 * (side * along - 0.4) ** 2
    neck = (across**2 + Z**2 < radius**2) & (side * along > 0.24) & (side * along < 0.56)
    found = measured(painted(solder=SPHERE, bridge=neck))
    assert found["bridge_neck_um"] == pytest.approx(120, rel=0.05)


def test_the_way_with_the_smaller_error_is_taken() -> None:
    """Per measure; masks where too few joints tell; gap and neck only where the masks show one."""
    n = 2 * FEWEST
    truth = pd.DataFrame({"void_projected_area_pct": np.full(n, 10.0), "gap_um": np.full(n, 20.0)})
    truth["bridge_neck_um"] = np.where(np.arange(n) < FEWEST - 1, 50.0, np.nan)
    by_masks, by_sizes = np.full((n, len(BY_MASKS)), 7.0), np.full((n, len(SIZES)), 10.0)
    by_masks[:, BY_MASKS.index("gap_um")] = 19.0
    by_masks[0, BY_MASKS.index("void_projected_area_pct")] = np.nan
    both = BothWays(by_masks, by_sizes)
    chosen = choose(both, truth)
    assert {name: told["by"] for name, told in chosen.items()} == {
        "void_projected_area_pct": "sizes", "gap_um": "masks", "bridge_neck_um": "masks",
    }  # fmt: skip
    assert chosen["gap_um"] == {"by": "masks", "n": n, "masks_error": 1.0, "sizes_error": 10.0}
    assert chosen["bridge_neck_um"]["n"] == FEWEST - 1
    table = measures_of(both, chosen)
    assert tuple(table.columns) == MEASURES
    assert table["void_projected_area_pct"].iloc[1:].eq(10.0).all()
    assert table["gap_um"].eq(19.0).all()
    assert np.isnan(table["void_projected_area_pct"].iloc[0])
    assert table["contact_fraction"].isna().all()
    assert measures_of(both, {})["void_projected_area_pct"].iloc[1:].eq(7.0).all()
    assert choose(BothWays(by_masks, None), truth) == {}
