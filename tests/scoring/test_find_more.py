"""Finding with less told: several packages, a layout, a parts file, no pitch, no side; boxes only."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Lattice
from jointwise.scoring.cut import cut_array
from jointwise.scoring.finding import balls, refine
from jointwise.scoring.finding.balls import find_candidates
from jointwise.scoring.finding.empties import left_empty
from jointwise.scoring.finding.found import ArrayFound
from jointwise.scoring.finding.groups import neighbours
from jointwise.scoring.finding.locate import OTHERS, locate, locate_all
from jointwise.scoring.finding.naming import site_names
from jointwise.scoring.finding.not_found import NotFound
from jointwise.scoring.finding.parts import arrays_wanted
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings, ArrayWanted, ScoreSettings

Make = Callable[..., Any]
PART = ArraySettings(pitch_mm=0.8, ball_mm=0.46)


def scan_of(made: Any) -> Scan:
    return Scan(Path("board.mha"), made.volume, made.lattice)


def side_by_side(*boards: Any) -> Scan:
    """Phantoms of one voxel size beside each other along y."""
    depth = min(len(made.volume) for made in boards)
    wide = max(made.volume.shape[2] for made in boards)
    parts = []
    for made in boards:
        cut = made.volume[(len(made.volume) - depth) // 2 :][:depth]
        parts.append(np.pad(cut, [(0, 0), (0, 0), (0, wide - cut.shape[2])]))
    volume = np.concatenate(parts, axis=1)
    return Scan(Path("both.mha"), volume, Lattice(volume.shape, (0, 0, 0), boards[0].lattice.spacing_mm))


class Boxes:
    """A volume that gives boxes of a limited size and nothing else."""

    def __init__(self, volume: NDArray[Any], most: int) -> None:
        self._volume, self.most, self.largest = volume, most, 0

    @property
    def shape(self) -> tuple[int, ...]:
        return self._volume.shape

    @property
    def dtype(self) -> np.dtype[Any]:
        return self._volume.dtype

    def __getitem__(self, box: tuple[slice, slice, slice]) -> NDArray[Any]:
        part = self._volume[box]
        assert part.ndim == 3
        assert part.size <= self.most, f"a box of {part.size} voxels"
        self.largest = max(self.largest, part.size)
        return part.copy()


def alike(one: ArrayFound, other: ArrayFound) -> None:
    pd.testing.assert_frame_equal(one.sites, other.sites, check_exact=True)
    np.testing.assert_array_equal(one.axes, other.axes)
    assert one.levels == other.levels


@pytest.mark.slow
def test_a_scan_read_box_by_box_gives_the_same_bits(phantom: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(refine, "AT_ONCE", 12)
    monkeypatch.setattr(balls, "MOST_AT_ONCE", 20 * 100 * 100)
    made = phantom(rows=10, cols=11, voxel=0.04, missing=((1, 2),))
    whole = scan_of(made)
    boxes = Boxes(made.volume, made.volume.size // 2)
    lazy = Scan(whole.path, boxes, made.lattice)
    settings = ScoreSettings(workers=1)
    there, here = locate(lazy, PART, settings), locate(whole, PART, settings)
    alike(there, here)
    grid = Grid((16, 20, 20))
    cuts = [cut_array(scan, here, PART, settings, grid).joints.volumes for scan in (lazy, whole)]
    np.testing.assert_array_equal(*cuts)
    assert boxes.largest > 1000


def test_candidates_found_in_tiles_are_those_of_the_whole(
    phantom: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = phantom(rows=10, cols=11, voxel=0.04, missing=((1, 2),))
    whole = find_candidates(made.volume, made.lattice, 0.5, 0.3)
    monkeypatch.setattr(balls, "MOST_AT_ONCE", 20 * 100 * 100)
    coarse = balls.thinned_lattice(made.volume, made.lattice, 0.3)
    assert len(balls._tiles(coarse, 0.3, 0.5)) > 1
    tiled = find_candidates(made.volume, made.lattice, 0.5, 0.3)
    np.testing.assert_array_equal(tiled.points_mm, whole.points_mm)
    np.testing.assert_array_equal(tiled.strength, whole.strength)


def test_neighbours_lie_together() -> None:
    row, col = np.divmod(np.arange(900), 30)
    points = np.column_stack([col, row, 0 * row]).astype(float)
    groups = neighbours(points, 64)
    assert sorted(np.concatenate(groups).tolist()) == list(range(900))
    assert max(len(group) for group in groups) <= 64
    assert max(np.ptp(points[group], axis=0).max() for group in groups) < 10


@pytest.mark.slow
def test_two_packages_of_one_part_and_another_part(phantom: Make) -> None:
    one = phantom(rows=4, cols=4, clutter=False)
    two = phantom(rows=4, cols=4, clutter=False, in_plane=30.0, tilt=(1.2, -0.9))
    fine = phantom(rows=6, cols=6, pitch=0.5, ball=0.3, in_plane=-7.0, clutter=False)
    scan = side_by_side(one, fine, two)
    both = locate_all(scan, [replace(PART, packages=2, component="U1")], ScoreSettings())
    assert [found.array.component for found in both] == ["U1_1", "U1_2"]
    assert [len(found.sites) for found in both] == [16, 16]
    assert both[0].middle_mm[1] < both[1].middle_mm[1]
    assert both[1].turn_deg == pytest.approx(30, abs=1)
    assert not any(remark.startswith(OTHERS) for found in both for remark in found.remarks)
    first = locate_all(scan, [PART], ScoreSettings())[0]
    assert first.remarks[-1].startswith(f"{OTHERS}: 16 balls")
    many = locate_all(scan, [replace(PART, packages=None)], ScoreSettings())
    assert [found.middle_mm.tolist() for found in many] == [found.middle_mm.tolist() for found in both]
    parts = [
        ArrayWanted(0.5, 0.3, component="U7"),
        ArrayWanted(0.8, 0.46, component="U2", x_mm=both[1].middle_mm[0], y_mm=both[1].middle_mm[1]),
        ArrayWanted(0.8, 0.46, component="U3"),
    ]
    three = locate_all(scan, parts, ScoreSettings())
    assert [found.array.component for found in three] == ["U7", "U2", "U3"]
    assert [len(found.sites) for found in three] == [36, 16, 16]
    np.testing.assert_allclose(three[1].middle_mm, both[1].middle_mm, atol=1e-4)
    with pytest.raises(NotFound, match="expected 3 packages"):
        locate_all(scan, [replace(PART, packages=3)], ScoreSettings())


def test_two_sides_of_a_board(phantom: Make) -> None:
    """Packages at different heights, each with its own side."""
    upper = phantom(rows=4, cols=5, clutter=False)
    lower = phantom(rows=4, cols=4, pitch=0.65, ball=0.4, voxel=0.03, clutter=False, flip=True)
    wide = [max(a, b) for a, b in zip(upper.volume.shape, lower.volume.shape, strict=True)]
    layers = [
        np.pad(
            made.volume, [(0, 0)] + [(0, w - n) for n, w in zip(made.volume.shape[1:], wide[1:], strict=True)]
        )
        for made in (lower, upper)
    ]
    volume = np.concatenate(layers)
    scan = Scan(Path("both.mha"), volume, Lattice(volume.shape, (0, 0, 0), (0.03,) * 3))
    parts = [ArrayWanted(0.8, 0.46), ArrayWanted(0.65, 0.4, package_side="low")]
    high, low = locate_all(scan, parts, ScoreSettings())
    assert (high.package_side, low.package_side) == ("high", "low")
    assert high.middle_mm[2] > low.middle_mm[2] + 0.5
    assert (len(high.sites), len(low.sites)) == (20, 16)
    assert low.axes[2, 2] < 0


@pytest.mark.slow
@pytest.mark.parametrize(
    "fields",
    [
        {},
        {"pitch": 0.5, "ball": 0.3, "voxel": 0.02, "rows": 6, "cols": 7, "in_plane": 40.0},
        {"pitch": 1.27, "ball": 0.75, "voxel": 0.06, "rows": 4, "cols": 5, "noise": 0.8},
        {"pitch": 0.74, "ball": 0.42, "tilt": (6.0, -4.0)},
    ],
    ids=["usual", "fine", "coarse", "odd"],
)
def test_pitch_and_ball_found(phantom: Make, fields: dict[str, Any]) -> None:
    made = phantom(**fields)
    found = locate(scan_of(made), ArrayWanted(pitch_mm=None, ball_mm=None), ScoreSettings())
    assert found.pitch_mm == pytest.approx(made.board.pitch, rel=0.004)
    assert found.array.pitch_mm == pytest.approx(made.board.pitch, rel=0.01)
    assert found.array.ball_mm == pytest.approx(made.board.ball, rel=0.12)
    assert len(found.sites) == len(made.truth)
    assert "was not told" in found.remarks[0]


def layout_table(rows: int, cols: int, skip: set[tuple[int, int]]) -> pd.DataFrame:
    """A layout seen from above the package: rows downwards, A1 at the upper left, origin in the middle."""
    places = [(r, c) for r in range(rows) for c in range(cols) if (r, c) not in skip]
    row, col = np.array(places).T
    names = site_names(row, col, "x_low_y_low")
    return pd.DataFrame({"ball": names, "x_mm": 0.8 * col - 2.0, "y_mm": 1.6 - 0.8 * row})


def write(table: pd.DataFrame, path: Path) -> Path:
    table.to_csv(path, index=False)
    return path


@pytest.mark.slow
def test_a_layout_names_the_balls(phantom: Make, tmp_path: Path) -> None:
    """Two sites lack on purpose, which leaves one turn; a third ball is missing."""
    board_skip = ((0, 0), (0, 1), (3, 2))
    made = phantom(missing=board_skip)
    # In the file row 0 lies lowest; the layout's first row lies highest, and its skipped sites at the lower left.
    path = write(layout_table(5, 6, {(4, 0), (4, 1)}), tmp_path / "part.csv")
    wanted = ArrayWanted(layout=path, ball_mm=0.46)
    found = locate(scan_of(made), wanted, ScoreSettings())
    assert len(found.sites) == 28
    named = found.sites.set_index("ball")
    truth = made.truth.set_index(["row", "col"])
    for name, site in {"A1": (4, 0), "A6": (4, 5), "E3": (0, 2), "C4": (2, 3)}.items():
        off = named.loc[name, ["x_mm", "y_mm", "z_mm"]] - truth.loc[site, ["x_mm", "y_mm", "z_mm"]]
        assert np.abs(off.to_numpy(float)).max() < 0.02
    assert named.loc["B3", "present"] == 0
    assert named["present"].sum() == 27
    assert not found.a1_assumed
    assert "fits the balls to" in found.remarks[-1]
    assert locate(scan_of(made), wanted, ScoreSettings(package_side="auto")).package_side == "high"
    mirrored = write(pd.read_csv(path).assign(x_mm=lambda t: -t["x_mm"]), tmp_path / "mirrored.csv")
    with pytest.raises(InputError, match="fits only mirrored"):
        locate(scan_of(made), ArrayWanted(layout=mirrored, ball_mm=0.46), ScoreSettings())
    wrong = write(layout_table(3, 8, set()), tmp_path / "wrong.csv")
    with pytest.raises(InputError, match="in common at best"):
        locate(scan_of(made), ArrayWanted(layout=wrong, ball_mm=0.46), ScoreSettings())


def test_a_layout_that_fits_in_several_turns_is_marked(phantom: Make, tmp_path: Path) -> None:
    made = phantom(rows=4, cols=4, in_plane=44.0)
    path = write(layout_table(4, 4, set()), tmp_path / "part.csv")
    found = locate(scan_of(made), ArrayWanted(layout=path, ball_mm=0.46), ScoreSettings())
    assert found.a1_assumed
    told = ArrayWanted(layout=path, ball_mm=0.46, a1_corner="x_high_y_high")
    sites = locate(scan_of(made), told, ScoreSettings()).sites.set_index("ball")
    assert (sites.loc["A1", "row"], sites.loc["A1", "col"]) == (3, 3)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("ball,x_mm\nA1,1\n", "expected the columns"),
        ("ball,x_mm,y_mm\nA1,0,0\nA1,1,0\nA3,0,1\nA4,1,1\n", "found A1 twice"),
        ("ball,x_mm,y_mm\nA1,0,0\nA2,one,0\nA3,0,1\nA4,1,1\n", "expected a number"),
        ("ball,x_mm,y_mm\nA1,0,0\n", "expected 4 to"),
        ("ball,x_mm,y_mm\nA1,0,0\nA2,1,0\nA3,0.3,0.7\nA4,5.1,1.9\nA5,2.2,8.4\n", "one square lattice"),
    ],
)
def test_a_layout_is_checked(phantom: Make, tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "part.csv").write_text(text)
    with pytest.raises(InputError, match=words):
        locate(scan_of(phantom()), ArrayWanted(layout=tmp_path / "part.csv"), ScoreSettings())


def test_regular_empty_sites() -> None:
    row, col = np.divmod(np.arange(64), 8)
    present = np.ones((8, 8), bool)

    def empty(*places: tuple[Any, Any]) -> int:
        held = present.copy()
        for place in places:
            held[place] = False
        return int(left_empty(row, col, held.ravel()).sum())

    centre = (slice(3, 5), slice(3, 5))
    assert empty(centre) == 4
    assert empty(centre, (1, 1)) == 4  # an isolated empty site is a missing ball
    assert empty(centre, (2, 3)) == 4
    assert empty((0, 0)) == 0
    assert empty((0, 0), (0, 7), (7, 0), (7, 7)) == 4
    assert empty((slice(0, 2), slice(0, 2))) == 0  # four balls gone at one corner only
    assert empty((slice(0, None, 2), slice(0, None, 2)), (slice(1, None, 2), slice(1, None, 2))) == 32


def test_the_rule_of_names_when_letters_run_along_x() -> None:
    row, col = np.divmod(np.arange(6), 3)
    assert site_names(row, col, "x_low_y_low", "x") == ["A1", "B1", "C1", "A2", "B2", "C2"]


def test_parts_file(tmp_path: Path) -> None:
    path = tmp_path / "parts.csv"
    path.write_text(
        "component,pitch_mm,ball_mm,rows,x_mm,y_mm,depopulated,layout\nU1,0.5,0.3,8,1,2,A1;B2:C3,\nU2,,,,,,,u2.csv\n"
    )
    one, two = arrays_wanted(ArrayWanted(0.65, 0.4, cols=7), path)
    assert (one.component, one.pitch_mm, one.rows, one.cols) == ("U1", 0.5, 8, 7)
    assert one.depopulated == ["A1", "B2:C3"]
    assert (two.pitch_mm, two.ball_mm, two.rows, two.layout) == (0.65, 0.4, None, tmp_path / "u2.csv")
    same = tmp_path / "parts.yaml"
    same.write_text(
        "- {component: U1, pitch_mm: 0.5, ball_mm: 0.3, rows: 8, x_mm: 1, y_mm: 2, depopulated: [A1, 'B2:C3']}\n"
        "- {component: U2, layout: u2.csv}\n"
    )
    assert arrays_wanted(ArrayWanted(0.65, 0.4, cols=7), same) == [one, two]
    assert arrays_wanted(PART, None) == [PART]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("pitch_mm\n0.5\n", "expected the columns component"),
        ("component,pitch\nU1,0.5\n", "found pitch"),
        ("component,rows\nU1,2.5\n", "whole number as rows"),
        ("component,pitch_mm\nU1,800\n", "part 1 of .*array.pitch_mm"),
        ("component\nU1\nU1\n", "found U1 twice"),
        ("component,x_mm\nU1,3\n", "expected both or none"),
    ],
)
def test_a_parts_file_is_checked(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "parts.csv").write_text(text)
    with pytest.raises(InputError, match=words) as caught:
        arrays_wanted(ArrayWanted(), tmp_path / "parts.csv")
    assert "\n" not in str(caught.value)


@pytest.mark.slow
def test_side_told_by_the_scan(phantom: Make) -> None:
    """Upside down gives the opposite answer, equally sure; and a side that was set wrongly is questioned."""
    made = phantom(rows=5, cols=6, noise=0.05, margin=1.6)
    turned = Scan(Path("t.mha"), made.volume[::-1, ::-1].copy(), made.lattice)
    answers = []
    for scan in (scan_of(made), turned):
        try:
            found = locate(scan, PART, ScoreSettings(package_side="auto"))
            answers.append((found.package_side, found.side_sure))
            assert found.side_words
        except InputError as error:
            answers.append((str(error), 0.0))
    assert answers[0][0] == "high"
    assert answers[1][0] == "low"
    assert answers[0][1] == pytest.approx(answers[1][1], abs=0.02)


def test_what_was_seen_is_shown(phantom: Make) -> None:
    made = phantom(rows=4, cols=5, missing=tuple((r, c) for r in range(4) for c in range(5)))
    with pytest.raises(NotFound) as caught:
        locate(scan_of(made), PART, ScoreSettings())
    assert len(caught.value.seen.candidates)
    assert caught.value.picture().startswith(b"\x89PNG")
    flat = Scan(
        Path("flat.mha"), np.zeros((20, 40, 40), np.float32), Lattice((20, 40, 40), (0, 0, 0), (0.05,) * 3)
    )
    for array in (PART, ArrayWanted(pitch_mm=None, ball_mm=None)):
        with pytest.raises(NotFound) as caught:
            locate(flat, array, ScoreSettings())
        assert caught.value.picture().startswith(b"\x89PNG")
