"""A store with a label sheet for truth: what the sheet says and nothing else, split by board, refused in words."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from jointwise.evaluation.labels.filled import COLUMNS
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.store import Store, StoreWriter
from jointwise.train.data import facts, load_split
from jointwise.train.labelled import PARTS, Labelled, open_store, parted
from jointwise.train.stores import Stores, open_stores, told_of_labels

Scanned = Callable[..., Path]


@pytest.fixture(scope="module")
def scanned(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Scanned:
    """`scanned(**columns)`: the painted joints as scoring keeps them: a shard a scan, no truth, all in one split."""
    joints = Store(store).read()

    def write(**columns: Any) -> Path:
        folder = tmp_path_factory.mktemp("scanned")
        table = joints.table.assign(**(dict.fromkeys(KINDS, np.nan) | {"split": "train"} | columns))
        with StoreWriter(folder, joints.grid, None, {"made_by": "score"}) as writer:
            for scan, rows in table.groupby("scan", sort=False).indices.items():
                part = table.iloc[rows].reset_index(drop=True)
                writer.add(str(scan), Joints(joints.volumes[rows], part, joints.grid))
        return folder

    return write


@pytest.fixture
def sheet(store: Path, tmp_path: Path) -> Callable[..., Path]:
    """`sheet(rows, **columns)`: a filled sheet of rows of the painted store that says its truth, or what is given."""
    table = Store(store).table

    def write(rows: Any = slice(None), **columns: Any) -> Path:
        known = table[table["present"] == 1].iloc[rows][["scan", "ball", *KINDS]].fillna(0)
        said = known.assign(reader="a", sure="", cannot_tell=0, note="").assign(**columns)
        path = tmp_path / f"labels_{len(list(tmp_path.iterdir()))}.csv"
        said[list(COLUMNS)].to_csv(path, index=False)
        return path

    return write


def test_the_truth_is_the_sheets_and_nothing_else(
    scanned: Scanned, sheet: Callable[..., Path], store: Path
) -> None:
    """60 labelled joints of two boards, the others not known; by table, by columns, by shards alike. The last row of a
    board has no ball."""
    told = Labelled(scanned(), sheet(slice(0, 60)))
    truth = Store(store).table[list(KINDS)].fillna(0)
    truth.loc[[39, *range(61, 120)]] = np.nan
    pd.testing.assert_frame_equal(told.table[list(KINDS)], truth)
    pd.testing.assert_frame_equal(told.columns(KINDS), told.table[list(KINDS)])
    by_shard = pd.concat([part.table for part in told.shard_by_shard()], ignore_index=True)
    pd.testing.assert_frame_equal(by_shard, told.table)
    assert sum(len(load_split(told, split)) for split in ("train", "validation")) == 60
    np.testing.assert_array_equal(told.read(np.array([45])).volumes[0], Store(store).volume(45))


def test_readers_are_merged_and_the_undecided_stay_out(scanned: Scanned, sheet: Callable[..., Path]) -> None:
    """Two readers who differ on the void of ten joints, and on nothing else: those ten have no truth of it."""
    one, other = (pd.read_csv(sheet(slice(0, 60))) for _ in range(2))
    other["reader"] = "b"
    other.loc[:9, "void"] = 1 - other.loc[:9, "void"]
    path = sheet()
    pd.concat([one, other]).to_csv(path, index=False)
    told = Labelled(scanned(), path)
    assert told.table["void"].iloc[:10].isna().all()
    assert told.table["void"].iloc[10:60].notna().sum() == 49
    assert told.table["bridging"].iloc[:60].notna().sum() == 59
    assert "labelled by a, b" in told.told()[0]


def test_a_kind_that_nobody_looked_for_does_not_count(scanned: Scanned, sheet: Callable[..., Path]) -> None:
    """Left empty in the sheet, or found on fewer than four joints: not known of any joint, and said."""
    told = Labelled(scanned(), sheet(bridging="", void=[1, 1, 1] + [0] * 114))
    assert told.left_out == ["void", "bridging"]
    assert told.table[["void", "bridging"]].isna().all(axis=None)
    assert told.table[["non_wet", "head_in_pillow"]].notna().sum().tolist() == [117, 117]
    assert "void, bridging cannot be learned" in told.told()[1]
    assert facts(told)["labels"] == told.told() == told_of_labels(told)


def test_boards_are_kept_back_whole_and_joints_only_of_a_single_board(
    scanned: Scanned, sheet: Callable[..., Path]
) -> None:
    """Of three boards one is kept back; of one board a share of its joints, with a word of warning."""
    boards = Labelled(scanned(), sheet())
    table = boards.table.dropna(subset=list(KINDS))
    assert table.groupby("board_id")["split"].nunique().max() == 1
    assert set(table["split"]) == {"train", "validation"}
    assert "whole boards" in boards.told()[0]
    alone = Labelled(scanned(board_id="b"), sheet())
    assert abs((alone.table["split"] == "validation").sum() / 117 - 1 / PARTS) < 0.02
    assert "which flatters" in alone.told()[0]
    again = Labelled(scanned(board_id="b"), sheet())
    assert list(again.table["split"]) == list(alone.table["split"])


def test_splits_that_the_user_chose_hold_and_test_is_never_learned(
    scanned: Scanned, sheet: Callable[..., Path], store: Path
) -> None:
    """Train and validation stay as they are; labels of the split test are left out of both."""
    boards = Store(store).table["board_id"]
    told = Labelled(scanned(split=boards.map({"b1": "train", "b2": "validation", "b3": "test"})), sheet())
    assert [len(load_split(told, name)) for name in ("train", "validation")] == [39, 39]
    told = Labelled(scanned(split=np.where(boards == "b3", "test", "train")), sheet())
    learned = [load_split(told, name).table["board_id"].tolist() for name in ("train", "validation")]
    assert {name for part in learned for name in part} == {"b1", "b2"}


def test_parts_are_whole_boards_and_share_the_kinds_out_evenly() -> None:
    """Ten boards, all faults of one kind on three of them: each of three parts gets one. No more parts than boards;
    joints of one board are parted singly."""
    groups = np.repeat(np.arange(10), 8)
    truth = np.zeros((80, 4))
    truth[:24, 2] = 1
    table = pd.DataFrame({"board_id": groups})
    part = parted(table, truth, 3)
    assert sorted(part[:24:8]) == [0, 1, 2]
    assert all(np.unique(part[groups == g]).size == 1 for g in range(10))
    assert set(parted(table[:16], truth[:16], 4)) == {0, 1}
    assert np.bincount(parted(table[:8], truth[:8], 4)).tolist() == [2, 2, 2, 2]


def test_labels_in_the_folder_of_the_store_are_taken_by_themselves(
    scanned: Scanned, sheet: Callable[..., Path], store: Path
) -> None:
    """labels.csv beside the manifest; another file where it is named; other data by its fingerprint."""
    folder = scanned()
    assert type(open_store(folder)) is Store
    (folder / "labels.csv").write_bytes(sheet(slice(0, 60)).read_bytes())
    own, named = open_stores(folder), open_stores(folder, labels=sheet())
    assert [int(part.table["void"].notna().sum()) for part in (own, named)] == [60, 117]
    assert len({Store(folder).fingerprint, own.fingerprint, named.fingerprint}) == 3
    both = open_stores(store, [folder])
    assert isinstance(both, Stores)
    assert told_of_labels(both) == told_of_labels(own)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"scan": "other"}, "joints that are not there"),
        ({"void": 2}, "0 or 1 in the column void"),
        ({"void": "yes"}, "0 or 1 in the column void"),
        (dict.fromkeys(KINDS, 0), "at least 4 joints with and 4 without a kind .* found void 0 and 117"),
        (dict.fromkeys(KINDS, ""), "117 rows not filled"),
        (dict.fromkeys(KINDS, "") | {"cannot_tell": 1}, "found none that anybody could tell"),
        ({"void": [""] + [1] * 116}, "found 1 rows not filled"),
    ],
)
def test_unusable_sheets_are_one_sentence(
    scanned: Scanned, sheet: Callable[..., Path], columns: dict[str, Any], words: str
) -> None:
    """Other joints, other words, nothing faulty, nothing filled, forgotten cells."""
    with pytest.raises(InputError, match=words) as caught:
        Labelled(scanned(), sheet(**columns))
    assert "\n" not in str(caught.value)


def test_joints_that_may_not_be_trained_on_are_refused(
    scanned: Scanned, sheet: Callable[..., Path], tmp_path: Path
) -> None:
    """Marked as for judging only, all of the split test, or no sheet where one is named."""
    with pytest.raises(InputError, match="marked as for judging only"):
        Labelled(scanned(judging_only=True), sheet())
    with pytest.raises(InputError, match="all 117 in the split test"):
        Labelled(scanned(split="test"), sheet())
    with pytest.raises(InputError, match="expected a filled label sheet"):
        open_stores(scanned(), labels=tmp_path / "nowhere.csv")
