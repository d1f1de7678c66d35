"""Finding the array in phantoms: every site where it is, under the right name, and nothing else taken for a ball."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice
from jointwise.scoring.finding.locate import ArrayFound, locate
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings, ScoreSettings

Make = Callable[..., Any]
PART = ArraySettings(pitch_mm=0.8, ball_mm=0.46)


def scan(volume: np.ndarray, lattice: Lattice) -> Scan:
    return Scan(Path("board.mha"), volume, lattice)


def find(made: Any, part: ArraySettings = PART, **settings: Any) -> ArrayFound:
    return locate(scan(made.volume, made.lattice), part, ScoreSettings(**settings))


def errors(found: ArrayFound, made: Any) -> np.ndarray:
    """Distance of every site from its true place, voxels; the sites must be the same and rightly present."""
    merged = made.truth.merge(found.sites, on=["row", "col"], suffixes=("_true", ""), validate="1:1")
    assert len(merged) == len(made.truth) == len(found.sites)
    np.testing.assert_array_equal(merged["present"], merged["present_true"])
    true, ours = (merged[[f"{a}_mm{end}" for a in "xyz"]].to_numpy() for end in ("_true", ""))
    return np.asarray(np.linalg.norm(true - ours, axis=1) / made.board.voxel)


def refusal(part: ArraySettings, volume: np.ndarray, lattice: Lattice) -> str:
    with pytest.raises(InputError) as caught:
        locate(scan(volume, lattice), part, ScoreSettings())
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_defects_and_a_chip_in_the_field(phantom: Make) -> None:
    made = phantom(missing=((1, 2),), bridges=(((2, 2), (2, 3)), ((3, 1), (4, 1))), voids=((3, 3),))
    found = find(made)
    off = errors(found, made)
    assert np.median(off) < 0.1
    assert off.max() < 0.3
    assert found.shape == (5, 6)
    assert found.pitch_mm == pytest.approx(0.8, rel=0.003)
    np.testing.assert_allclose(found.axes, made.axes, atol=0.004)
    assert list(found.sites["ball"].iloc[[0, 5, 6, 29]]) == ["A1", "A6", "B1", "E6"]
    assert found.sites["in_field"].all()


@pytest.mark.parametrize(
    "fields",
    [
        {"tilt": (8.0, -5.0), "in_plane": -40.0},
        {"in_plane": 44.0, "rows": 4, "cols": 4},
        {
            "pitch": 0.5,
            "ball": 0.3,
            "voxel": 0.02,
            "rows": 6,
            "cols": 7,
            "warp": 0.06,
            "missing": ((0, 0), (5, 3)),
        },
        {"rows": 2, "cols": 2},
        {"rows": 1, "cols": 6},
        {"voxel": 0.05, "noise": 0.8},
        {"margin": 0.4},
    ],
    ids=["tilted", "turned", "bent", "four", "row", "noisy", "tight"],
)
def test_boards_of_all_sorts(phantom: Make, fields: dict[str, Any]) -> None:
    made = phantom(**fields)
    part = ArraySettings(pitch_mm=made.board.pitch, ball_mm=made.board.ball)
    found = find(made, part)
    off = errors(found, made)
    assert np.median(off) < 0.3
    assert off.max() < 0.7
    np.testing.assert_allclose(found.axes[:, 0], made.axes[:, 0], atol=0.01)


def test_a_bent_board_keeps_its_heights(phantom: Make) -> None:
    made = phantom(pitch=0.5, ball=0.3, voxel=0.02, rows=6, cols=7, warp=0.06, missing=((0, 0), (5, 3)))
    found = find(made, ArraySettings(pitch_mm=0.5, ball_mm=0.3))
    assert found.bend_um == pytest.approx(60, abs=10)
    missing = errors(found, made)[found.sites["present"] == 0]
    assert len(missing) == 2
    assert missing.max() < 0.5  # also at a corner, where the lattice is extrapolated along the bend


def test_package_below(phantom: Make) -> None:
    """The grid's z still runs from board to package; rows and columns still count along the file's y and x."""
    made = phantom(flip=True, missing=((0, 1),))
    found = find(made, package_side="low")
    assert errors(found, made).max() < 0.3
    assert found.axes[2, 2] < -0.99
    assert np.linalg.det(found.axes) == pytest.approx(1)
    np.testing.assert_allclose(found.axes, made.axes, atol=0.004)
    upside_down = find(made)
    np.testing.assert_allclose(upside_down.axes, found.axes * [1, -1, -1], atol=1e-12)
    assert errors(upside_down, made).max() < 0.3


@pytest.mark.parametrize(
    ("dtype", "slope", "offset"), [("uint16", 100, 300), ("int16", 1000, -500), ("uint8", 50, 60)]
)
def test_the_unit_of_the_values_does_not_matter(
    phantom: Make, dtype: str, slope: float, offset: float
) -> None:
    made = phantom(missing=((1, 2),), bridges=(((2, 2), (2, 3)), ((3, 1), (4, 1))), voids=((3, 3),))
    limits = np.iinfo(dtype)
    stored = np.clip(made.volume * slope + offset, limits.min, limits.max).astype(dtype)
    assert errors(find(replace(made, volume=stored)), made).max() < 0.3


def test_shift_moves_the_sites_and_nothing_else(phantom: Make) -> None:
    made = phantom(rows=4, cols=4, in_plane=44.0)
    z, y, x = made.lattice.origin_mm[::-1]
    moved = Lattice(made.lattice.shape, (x + 10, y - 20, z + 30), made.lattice.spacing_mm)
    here, there = find(made).sites, find(replace(made, lattice=moved)).sites
    for axis, by in (("x_mm", 10), ("y_mm", -20), ("z_mm", 30)):
        np.testing.assert_allclose(there[axis] - here[axis], by, atol=1e-4)


def test_another_array_beside_it(phantom: Make) -> None:
    """Of two parts in the field the one whose pitch was given is found, whole and alone."""
    coarse = phantom(rows=4, cols=4, voxel=0.03, clutter=False)
    fine = phantom(rows=6, cols=6, pitch=0.5, ball=0.3, voxel=0.03, in_plane=-7.0, clutter=False)
    depth = min(len(coarse.volume), len(fine.volume))
    wide = max(coarse.volume.shape[1], fine.volume.shape[1])
    both = []
    for made in (coarse, fine):
        start = (len(made.volume) - depth) // 2
        pad = wide - made.volume.shape[1]
        both.append(np.pad(made.volume[start : start + depth], ((0, 0), (0, pad), (0, 0)), mode="edge"))
    volume = np.concatenate(both, axis=2)
    x, y, z = coarse.lattice.origin_mm
    start = (len(coarse.volume) - depth) // 2
    lattice = Lattice(volume.shape, (x, y, z + start * 0.03), (0.03,) * 3)
    assert errors(locate(scan(volume, lattice), PART, ScoreSettings()), coarse).max() < 0.3
    found = locate(scan(volume, lattice), ArraySettings(pitch_mm=0.5, ball_mm=0.3), ScoreSettings())
    assert (len(found.sites), found.sites["present"].sum()) == (36, 36)


def test_a_hollow_array_and_sites_left_empty_on_purpose(phantom: Make) -> None:
    hollow = tuple((r, c) for r in range(1, 6) for c in range(1, 6))
    made = phantom(rows=7, cols=7, voxel=0.04, missing=hollow)
    found = find(made, replace(PART, depopulated=["none"]))
    assert errors(found, made).max() < 0.3
    assumed = find(made)
    assert assumed.sites["present"].all()
    assert len(assumed.sites) == 24
    assert "assumed to be left empty" in assumed.remarks[-1]
    part = replace(PART, depopulated=["B2:F5", "B6", "F6:C6"])
    told = find(made, part).sites
    assert len(told) == 49 - 25
    assert told["present"].all()
    assert set(told["ball"]) == set(found.sites.loc[found.sites["present"] == 1, "ball"])
    assert "array.depopulated" in refusal(replace(PART, depopulated=["T40"]), made.volume, made.lattice)
    assert "array.depopulated" in refusal(replace(PART, depopulated=["B2:C3:D4"]), made.volume, made.lattice)


def test_rows_and_columns_told_by_the_user(phantom: Make) -> None:
    empty_row = phantom(rows=4, cols=4, missing=tuple((0, c) for c in range(4)))
    assert find(empty_row).shape == (3, 4)
    told = find(empty_row, replace(PART, rows=4))
    assert (
        errors(told, empty_row).max() < 0.7
    )  # the empty row is put on the side where the scan has room for it
    assert told.sites["present"].sum() == 12
    assert find(empty_row, replace(PART, rows=2, cols=3)).shape == (2, 3)
    words = refusal(replace(PART, rows=9), empty_row.volume, empty_row.lattice)
    assert "beyond its edge" in words
    assert "array.rows" in words


def test_a_field_that_ends_amid_the_array(phantom: Make) -> None:
    made = phantom()
    x, y, z = made.lattice.origin_mm
    cropped = made.volume[:, 30:]
    found = locate(scan(cropped, Lattice(cropped.shape, (x, y + 0.9, z), (0.03,) * 3)), PART, ScoreSettings())
    assert found.shape == (4, 6)
    assert found.sites["present"].all()
    assert not found.sites["in_field"].all()  # boxes at the new edge reach beyond it
    thin = made.volume[:24]
    assert "both ends" in refusal(PART, thin, Lattice(thin.shape, (x, y, z), (0.03,) * 3))


def test_corner_of_a1_changes_names_only(phantom: Make) -> None:
    made = phantom(rows=4, cols=4, in_plane=44.0)
    plain = find(made).sites
    turned = find(made, replace(PART, a1_corner="x_high_y_high")).sites
    assert list(turned["ball"]) == list(plain["ball"])[::-1]
    assert turned.drop(columns="ball").equals(plain.drop(columns="ball"))


@pytest.mark.parametrize("pitch", [0.4, 0.5, 0.65, 1.0, 1.27])
def test_a_pitch_that_does_not_fit_names_the_one_seen(phantom: Make, pitch: float) -> None:
    made = phantom(margin=0.4)
    words = refusal(ArraySettings(pitch_mm=pitch, ball_mm=0.6 * pitch), made.volume, made.lattice)
    assert f"expected a pitch of {pitch:g} mm" in words
    assert "about 0.8" in words


def test_a_ball_that_does_not_fit_names_the_one_seen(phantom: Make) -> None:
    made = phantom(margin=0.4)
    for ball in (0.25, 0.7):
        words = refusal(ArraySettings(pitch_mm=0.8, ball_mm=ball), made.volume, made.lattice)
        assert "array.ball_mm" in words
        assert "about 0.4" in words
    assert errors(find(made, ArraySettings(pitch_mm=0.8, ball_mm=0.55)), made).max() < 0.3


def test_nothing_that_looks_like_balls() -> None:
    lattice = Lattice((40, 120, 120), (0, 0, 0), (0.03,) * 3)
    rng = np.random.default_rng(3)
    noise = rng.standard_normal(lattice.shape).astype(np.float32)
    slab, block = np.zeros(lattice.shape, np.float32), np.zeros(lattice.shape, np.float32)
    slab[10:30] = 3
    block[10:30, 40:90, 40:90] = 3
    scattered = np.ones(lattice.shape, bool)
    scattered[20, rng.integers(10, 110, 20), rng.integers(10, 110, 20)] = False
    blobs = np.where(ndimage.distance_transform_edt(scattered) < 8, 3.0, 0.0).astype(np.float32)
    for volume in (noise, ndimage.gaussian_filter(noise, 3), slab + 0.1 * noise, block + 0.1 * noise, blobs):
        words = refusal(PART, volume, lattice)
        assert "no regular layer of balls" in words or "not round as joints are" in words


def test_bare_lands_are_no_balls(phantom: Make) -> None:
    made = phantom(missing=tuple((r, c) for r in range(5) for c in range(6)))
    assert "not round as joints are" in refusal(PART, made.volume, made.lattice)


def test_voxels_too_coarse(phantom: Make) -> None:
    made = phantom(margin=0.4)
    coarse = Lattice(made.lattice.shape, (0, 0, 0), (0.15,) * 3)
    assert "found 3.1" in refusal(PART, made.volume, coarse)


@pytest.mark.parametrize(
    ("part", "key"),
    [
        (ArraySettings(pitch_mm=800), "array.pitch_mm"),
        (ArraySettings(pitch_mm=0.8, ball_mm=0.9), "array.ball_mm"),
        (ArraySettings(rows=0), "array.rows"),
        (ArraySettings(cols=1000), "array.cols"),
        (ArraySettings(a1_corner="top"), "array.a1_corner"),
    ],
)
def test_settings_are_checked_first(part: ArraySettings, key: str) -> None:
    volume = np.zeros((20, 20, 20), np.float32)
    assert refusal(part, volume, Lattice(volume.shape, (0, 0, 0), (0.03,) * 3)).startswith(key)
