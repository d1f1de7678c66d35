"""Label sheets: what is drawn, what a page shows and never shows, and what a filled file is refused for."""

import dataclasses
import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.labels.filled import COLUMNS, check_sheet, looked_at, read_labels
from jointwise.evaluation.labels.kept import keep_labels
from jointwise.evaluation.labels.set_verdicts import with_readers
from jointwise.evaluation.labels.sheet import asked_for, draw_sheet, empty_table, write_sheet
from jointwise.evaluation.pictures.joint_picture import DENSITY_RANGE
from jointwise.evaluation.pictures.label_page import cuts, label_page, png
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS

GRID = Grid((16, 20, 20))
NAN = float("nan")


def sites(n: int = 12) -> pd.DataFrame:
    """Joints of two scans, the third ball missing, the last four of the split test."""
    table = pd.DataFrame({"scan": [f"s{i % 2}" for i in range(n)], "ball": [f"A{i + 1}" for i in range(n)]})
    present = [int(i != 2) for i in range(n)]
    split = ["train" if i < n - 4 else "test" for i in range(n)]
    return table.assign(present=present, split=split, pitch_mm=0.8, ball_mm=0.5, voxel_um=20.0)


def filled(table: pd.DataFrame, reader: str = "reader_a", rows: slice = slice(None)) -> pd.DataFrame:
    """Every joint that is there, void = 1 on even rows."""
    there = table[table["present"] == 1].iloc[rows].reset_index(drop=True)
    labels = there[["scan", "ball"]].assign(reader=reader, **dict.fromkeys(KINDS, 0))
    labels["void"] = (np.arange(len(there)) % 2 == 0).astype(int)
    return labels.assign(sure=2, cannot_tell=0, note="")[list(COLUMNS)]


def test_a_seed_decides_order_and_choice_and_missing_balls_are_not_asked() -> None:
    table = sites()
    one = draw_sheet(table, "f", "reader_a", 1, None, None)
    assert one == draw_sheet(table, "f", "reader_a", 1, None, None)
    assert one.rows != draw_sheet(table, "f", "reader_a", 2, None, None).rows
    assert sorted(one.rows) == [i for i in range(12) if i != 2]
    assert list(one.rows) != sorted(one.rows)
    assert set(draw_sheet(table, "f", "reader_a", 1, "test", 3).rows) < {8, 9, 10, 11}
    assert json.loads(json.dumps(dataclasses.asdict(one)))["rows"] == list(one.rows)


def test_two_readers_get_the_same_joints_in_orders_of_their_own() -> None:
    reader_a, reader_b = (
        draw_sheet(sites(60), "f", reader, 3, None, 20) for reader in ("reader_a", "reader_b")
    )
    assert sorted(reader_a.rows) == sorted(reader_b.rows)
    assert reader_a.rows != reader_b.rows
    assert sorted(reader_a.rows) != sorted(draw_sheet(sites(60), "f", "reader_a", 4, None, 20).rows)


def test_a_kind_that_a_reader_did_not_look_for_is_not_known(tmp_path: Path) -> None:
    """Empty in all rows of that reader; another who did look must answer every row."""
    one, other = filled(sites()), filled(sites(), "reader_b")
    one["void"] = ""
    path = tmp_path / "labels.csv"
    pd.concat([one, other]).to_csv(path, index=False)
    check_sheet(path, sites(), sites()["present"].to_numpy() == 1)
    labels = read_labels(path, sites())
    assert np.isnan(labels["reader_a"]).sum(axis=0).tolist() == [12, 1, 1, 1]
    assert np.isnan(labels["reader_b"]).sum(axis=0).tolist() == [1, 1, 1, 1]
    one.loc[0, "void"] = "1"
    pd.concat([one, other]).to_csv(path, index=False)
    with pytest.raises(InputError, match="found 10 rows not filled"):
        read_labels(path, sites())


def test_an_answer_beside_cannot_tell_is_refused(tmp_path: Path) -> None:
    rows = filled(sites())
    rows.loc[3, "cannot_tell"] = 1
    rows.to_csv(tmp_path / "labels.csv", index=False)
    with pytest.raises(
        InputError, match="empty kinds where cannot_tell is 1 .* found 1 rows with both, .* in row 5"
    ):
        check_sheet(tmp_path / "labels.csv", sites(), sites()["present"].to_numpy() == 1)


@pytest.mark.parametrize(
    ("reader", "split", "count", "words"),
    [
        ("Reader A", None, None, "reader: expected a name of lower case"),
        ("truth", None, None, "other than truth"),
        ("reader_a", "field", None, "one of test, train, found 'field'"),
        ("reader_a", "test", 5, "at most 4 joints to label, found 5"),
    ],
)
def test_what_cannot_be_drawn_is_refused(
    reader: str, split: str | None, count: int | None, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        draw_sheet(sites(), "f", reader, 0, split, count)


def test_the_table_is_that_of_the_demo_sets_with_the_kinds_empty() -> None:
    header = (
        (Path(__file__).parents[2] / "demo_sets" / "labels.csv").read_text(encoding="utf-8").splitlines()[0]
    )
    sheet = draw_sheet(sites(), "f", "reader_a", 1, None, 5)
    rows = empty_table(sheet, sites())
    assert list(rows) == header.split(",")
    assert rows["ball"].tolist() == [f"A{row + 1}" for row in sheet.rows]
    assert (rows[[*KINDS, "sure", "cannot_tell", "note"]] == "").all(axis=None)


def test_several_components_are_told_apart() -> None:
    table = pd.concat([sites().assign(component="u1"), sites().assign(component="u2")], ignore_index=True)
    rows = empty_table(draw_sheet(table, "f", "reader_a", 1, None, None), table)
    assert list(rows)[:3] == ["scan", "component", "ball"]
    assert not rows.duplicated(["scan", "component", "ball"]).any()


def test_labels_of_several_components_come_to_their_joints(tmp_path: Path) -> None:
    table = pd.concat([sites().assign(component="u1"), sites().assign(component="u2")], ignore_index=True)
    rows = filled(sites()).assign(component="u2")
    rows.to_csv(tmp_path / "labels.csv", index=False)
    labels = read_labels(tmp_path / "labels.csv", table)["reader_a"]
    assert np.isnan(labels[:12]).all()
    assert labels[12:, 0].tolist() == pytest.approx([1, 0, np.nan, 1, 0, 1, 0, 1, 0, 1, 0, 1], nan_ok=True)
    rows.drop(columns="component").to_csv(tmp_path / "labels.csv", index=False)
    with pytest.raises(InputError, match="expected the column component"):
        read_labels(tmp_path / "labels.csv", table)


def test_a_sheet_is_not_written_over_another(tmp_path: Path) -> None:
    sheet = draw_sheet(sites(), "f", "reader_a", 1, None, 5)
    write_sheet(sheet, sites(), tmp_path)
    with pytest.raises(InputError, match="take another folder"):
        write_sheet(sheet, sites(), tmp_path)


def batch(n: int = 2) -> Joints:
    """Joints whose every voxel is told by its place; the table also holds what nobody may see."""
    z, y, x = np.meshgrid(*(np.arange(s) / s for s in GRID.shape), indexing="ij")
    volumes = np.stack([(z + y / 10 + x / 100).astype(np.float32)] * n)
    return Joints(volumes, sites(n).assign(recipe="secret_recipe", void=1), GRID)


def test_slices_lie_at_the_same_places_whatever_is_in_the_joint() -> None:
    joints = batch(1)
    spoiled = joints.volumes.copy()
    spoiled[0, 3:6, 8:12, 8:12] = -1  # a void off the middle
    for ours, other in zip(cuts(joints, 0), cuts(Joints(spoiled, joints.table, GRID), 0), strict=True):
        assert ours.words == other.words
        assert ours.image.shape == other.image.shape
    found = {cut.words.replace("\N{NO-BREAK SPACE}", " "): cut for cut in cuts(joints, 0)}
    assert len(found) == 11
    # 0.30 balls are 150 µm below the middle of a box of 16 slices of 40.6 µm: slice 7.5 - 3.7 -> 4.
    board = found["x–y, board land, z = −150 µm"]
    np.testing.assert_array_equal(board.image, joints.volumes[0, 4])
    assert (board.wide_um, board.high_um) == pytest.approx((1200, 1200))
    # 125 µm off the middle of 20 columns of 60 µm: column 9.5 + 2.08 -> 12.
    np.testing.assert_array_equal(found["y–z, x = +125 µm"].image, joints.volumes[0][:, :, 12])
    np.testing.assert_array_equal(found["x–z, y = −125 µm"].image, joints.volumes[0][:, 7, :])
    assert found["x–z, y = −125 µm"].high_um == pytest.approx(650)


def test_a_page_stands_alone_and_tells_nothing_it_must_not() -> None:
    page = label_page(batch(), 7, "Joints 7 to 8 of 8")
    assert page.count("<figure>") == 22
    assert page.index('id="joint-7"') < page.index('id="joint-8"')
    assert not re.search(r'(src|href)="(?!data:)', page)
    assert "http" not in page
    assert "secret" not in page
    assert "<script" not in page
    assert "s0 · A1" in page
    assert page == label_page(batch(), 7, "Joints 7 to 8 of 8")


def test_grey_is_one_scale_for_all_slices_and_last_row_is_on_top() -> None:
    from io import BytesIO

    from matplotlib.image import imread

    low, high = DENSITY_RANGE
    picture = imread(BytesIO(png(np.array([[low - 1, low], [high, high + 1]]))))
    assert picture[..., 0] == pytest.approx(np.array([[1, 1], [0, 0]]), abs=0.005)
    middle = imread(BytesIO(png(np.array([[(low + high) / 2, 0.0]]))))[..., 0]
    assert 0.4 < middle[0, 0] < 0.55  # half the lightness is not half the byte
    assert middle[0, 1] < middle[0, 0]


def test_labels_come_to_their_joints_and_untold_ones_are_empty(tmp_path: Path) -> None:
    table, rows = sites(), filled(sites())
    rows["cannot_tell"] = rows["cannot_tell"].astype(object)
    rows.loc[0, "cannot_tell"] = ""
    rows.loc[1, "cannot_tell"] = 1
    rows[list(KINDS)] = rows[list(KINDS)].astype(object)
    rows.loc[1, list(KINDS)] = ""
    rows.loc[3, "cannot_tell"] = 1  # answered all the same
    path = tmp_path / "labels.csv"
    rows.sample(frac=1, random_state=0).to_csv(path, index=False)
    labels = read_labels(path, table)
    assert list(labels) == ["reader_a"]
    assert labels["reader_a"][:, 0].tolist() == pytest.approx(
        [1, NAN, NAN, 1, NAN, 1, 0, 1, 0, 1, 0, 1], nan_ok=True
    )
    assert looked_at(path, table).tolist() == [1, 1, 0, *[1] * 9]


def test_what_a_spreadsheet_does_to_a_file_does_no_harm(tmp_path: Path) -> None:
    table, rows = sites(), filled(sites())
    path = tmp_path / "labels.csv"
    rows.to_csv(path, index=False)
    one = read_labels(path, table)["reader_a"]
    rows.astype(dict.fromkeys(KINDS, float)).to_csv(
        path, index=False, sep=";", encoding="utf-8-sig", lineterminator="\r\n"
    )
    np.testing.assert_array_equal(read_labels(path, table)["reader_a"], one)


def spoil(rows: pd.DataFrame, **cells: object) -> pd.DataFrame:
    """With other cells in the second row."""
    rows = rows.astype(object)
    for name, value in cells.items():
        rows.loc[1, name] = value
    return rows


REFUSED = {
    "rows of joints that are not there, the first s1 Z9 in row 3": lambda rows: spoil(rows, ball="Z9"),
    "rows of missing balls, the first s0 A3 in row 3": lambda rows: spoil(rows, scan="s0", ball="A3"),
    "1 rows doubled, the first s0 A1 in row 13": lambda rows: pd.concat([rows, rows.iloc[[0]]]),
    "2 joints without a row, the first s0 A1": lambda rows: rows.iloc[2:],
    "0 or 1 in the column bridging .* other values, the first s1 A2 \\('yes'\\)": lambda rows: spoil(
        rows, bridging="yes"
    ),
    "0 or 1 in the column void": lambda rows: spoil(rows, void=2),
    "0 or 1 or 2 in the column sure": lambda rows: spoil(rows, sure=3),
    "0 or 1 in the column cannot_tell": lambda rows: spoil(rows, cannot_tell="x"),
    "expected the columns .* found crack besides": lambda rows: rows.assign(crack=0),
    "expected the columns .* found no head_in_pillow": lambda rows: rows.drop(columns="head_in_pillow"),
    "1 rows not filled, the first s1 A2": lambda rows: spoil(rows, void=""),
    "a reader's name .* found '' in row 3": lambda rows: spoil(rows, reader=""),
    "a reader's name .* found 'Dr. No' in row 3": lambda rows: spoil(rows, reader="Dr. No"),
    "expected rows of labels": lambda rows: rows.iloc[:0],
}


@pytest.mark.parametrize("words", REFUSED)
def test_a_sheet_wrongly_filled_is_refused_in_one_sentence(tmp_path: Path, words: str) -> None:
    path = tmp_path / "labels.csv"
    REFUSED[words](filled(sites())).to_csv(path, index=False)
    with pytest.raises(InputError, match=words) as refusal:
        check_sheet(path, sites(), asked_for(path, sites(), "f"))
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize("data", [b"", b"\xff\xfe\x00", None])
def test_no_sheet_at_all(tmp_path: Path, data: bytes | None) -> None:
    if data is not None:
        (tmp_path / "labels.csv").write_bytes(data)
    with pytest.raises(InputError, match="found no such file" if data is None else "found no table in CSV"):
        read_labels(tmp_path / "labels.csv", sites())


def test_the_record_beside_a_sheet_says_which_joints_it_holds(tmp_path: Path) -> None:
    table = sites()
    sheet = draw_sheet(table, "f", "reader_a", 1, "test", 3)
    path, record = write_sheet(sheet, table, tmp_path)
    asked = asked_for(path, table, "f")
    assert sorted(np.flatnonzero(asked)) == sorted(sheet.rows)
    everything = filled(table)
    everything.to_csv(path, index=False)
    with pytest.raises(InputError, match="8 joints that the sheet did not ask for"):
        check_sheet(path, table, asked)
    own = everything[everything["ball"].isin(table.loc[asked, "ball"])]
    own.to_csv(path, index=False)
    assert len(check_sheet(path, table, asked)) == 3
    with pytest.raises(InputError, match="joints from which the sheet"):
        asked_for(path, table, "another store")
    record.write_text("{}")
    with pytest.raises(InputError, match="damaged"):
        asked_for(path, table, "f")


def test_labels_of_several_readers_are_kept_together_and_a_readers_second_sheet_replaces_the_first(
    tmp_path: Path,
) -> None:
    table, path = sites(), tmp_path / "labels.csv"

    def keep(rows: pd.DataFrame) -> Path:
        rows.to_csv(path, index=False)
        return keep_labels(check_sheet(path, table, asked_for(path, table, "f")), table, tmp_path / "kept")

    first = keep(filled(table))
    both = keep(filled(table, "reader_b"))
    assert first == both
    untold = filled(table).assign(**dict.fromkeys(KINDS, ""), cannot_tell=1)
    keep(untold)
    labels = read_labels(both, table)
    assert set(labels) == {"reader_a", "reader_b"}
    assert np.isnan(labels["reader_a"]).all()
    assert np.nansum(labels["reader_b"][:, 0]) == 6
    assert list(pd.read_csv(both)) == list(COLUMNS)


def test_joints_nobody_was_shown_are_told_from_joints_nobody_could_call(tmp_path: Path) -> None:
    table, path = sites(), tmp_path / "labels.csv"
    filled(table, rows=slice(0, 5)).to_csv(path, index=False)
    truth = np.where(table["present"].to_numpy()[:, None] == 1, 0.0, np.full((12, 4), np.nan))
    before = Verdicts("x", "y", table.assign(board_id="b"), truth, {}, {}, {"old": truth})
    after = with_readers(before, path)
    assert list(after.readers) == ["old", "reader_a"]
    assert after.table["labelled"].tolist() == [2, 2, 0, 2, 2, 2, *[1] * 6]
    alone = with_readers(dataclasses.replace(before, readers={}), path)
    assert alone.table["labelled"].tolist() == [1, 1, 0, 1, 1, 1, *[0] * 6]
    with pytest.raises(InputError, match="other than old, reader_a"):
        with_readers(after, path)
