"""Several stores read as one: nothing is confused, nothing is lost, one alone is as it was."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.masks import mask_shape
from jointwise.joints.store import Store, StoreWriter
from jointwise.train.data import facts, load_split
from jointwise.train.stores import Stores, folders, open_stores


@pytest.fixture
def both(store: Path, make_store: Callable[..., Path], tmp_path: Path) -> Stores:
    """The painted store and a smaller one, whose scans and boards have the same names."""
    return Stores([store, make_store(tmp_path / "second", training=20, validation=10)])


def test_joints_of_all_stores_come_in_order_under_names_of_their_own(both: Stores) -> None:
    """Volumes and rows bit for bit as in their store; boards of the same name stay two."""
    first, second = both.parts
    assert len(both) == len(first) + len(second) == len(both.table)
    rows = np.array([len(first) + 3, 2, len(both) - 1])
    joints = both.read(rows)
    for got, part, row in zip(joints.volumes, (second, first, second), (3, 2, len(second) - 1), strict=True):
        np.testing.assert_array_equal(got, part.volume(row))
    assert list(joints.table["ball"]) == [second.table["ball"][3], *first.table["ball"][[2]],
                                          second.table["ball"].iloc[-1]]  # fmt: skip
    assert set(both.table["board_id"]) == {f"{n}:b{k}" for n in (1, 2) for k in (1, 2, 3)}
    assert list(both.columns(["board_id"])["board_id"]) == list(both.table["board_id"])


def test_splits_stay_within_each_store(both: Stores) -> None:
    """What a store calls training stays training."""
    for name in ("train", "validation"):
        parts = [part.split(name) for part in both.parts]
        expected = np.concatenate([parts[0], len(both.parts[0]) + parts[1]])
        np.testing.assert_array_equal(both.split(name), expected)
        loaded = load_split(both, name)
        alone = [load_split(part, name) for part in both.parts]
        assert len(loaded) == sum(map(len, alone))
        np.testing.assert_array_equal(loaded.volumes[-len(alone[1]) :], alone[1].volumes)


def test_further_stores_taken_whole_are_for_training_alone(both: Stores) -> None:
    """Every board of the second is trained on; validation is the first's, joint for joint; nothing else changes."""
    first, second = both.parts
    whole = open_stores(first.folder, [second.folder], whole=True)
    later = np.arange(len(first), len(both))
    np.testing.assert_array_equal(whole.split("train"), np.r_[first.split("train"), later])
    np.testing.assert_array_equal(whole.split("validation"), first.split("validation"))
    validation, alone = load_split(whole, "validation"), load_split(first, "validation")
    np.testing.assert_array_equal(validation.volumes, alone.volumes)
    assert set(validation.table["board_id"]) == {"1:b3"}
    training = load_split(whole, "train")
    assert {"2:b1", "2:b2", "2:b3"} < set(training.table["board_id"])
    assert len(training) == len(load_split(both, "train")) + len(load_split(second, "validation"))
    pd.testing.assert_frame_equal(whole.table.drop(columns="split"), both.table.drop(columns="split"))
    assert whole.fingerprint == both.fingerprint


def test_a_first_store_that_validates_is_never_learned_from(both: Stores) -> None:
    """All of it validates, the others train whole; both keep their order and their names."""
    first, second = both.parts
    parted = open_stores(first.folder, [second.folder], True, None, True)
    np.testing.assert_array_equal(parted.split("validation"), np.arange(len(first)))
    np.testing.assert_array_equal(parted.split("train"), np.arange(len(first), len(both)))
    assert set(load_split(parted, "train").table["scan"].str[:2]) == {"2:"}
    own = open_stores(first.folder, [second.folder], False, None, True)
    np.testing.assert_array_equal(own.split("train"), len(first) + second.split("train"))
    with pytest.raises(InputError, match="data_validates: expected more_data"):
        open_stores(first.folder, validates=True)


def test_taken_whole_every_reader_sees_the_same_splits(both: Stores) -> None:
    """By columns, by shards and by tables, which the rules are fitted from; a table without splits stays so."""
    whole = Stores([part.folder for part in both.parts], whole=True)
    splits = list(whole.table["split"])
    assert splits != list(both.table["split"])
    assert list(whole.columns(["split"])["split"]) == splits
    assert [name for table in whole.tables() for name in table["split"]] == splits
    assert [name for joints in whole.shard_by_shard() for name in joints.table["split"]] == splits
    assert list(whole.columns(["ball"])) == ["ball"]


def test_one_store_alone_keeps_its_splits_whole_or_not(store: Path) -> None:
    """There is no further store."""
    pd.testing.assert_frame_equal(open_stores(store, whole=True).table, Store(store).table)


def test_shards_are_named_as_the_table_is(both: Stores) -> None:
    """The readers that go shard by shard see the same rows."""
    names = [name for table in both.tables() for name in table["board_id"]]
    assert names == [n for joints in both.shard_by_shard() for n in joints.table["board_id"]]
    assert names == list(both.table["board_id"])


def test_the_fingerprint_is_of_all_stores_in_their_order(both: Stores) -> None:
    """Another second store, or the two exchanged, are other data."""
    exchanged = Stores([part.folder for part in reversed(both.parts)])
    prints = {both.fingerprint, exchanged.fingerprint, *(part.fingerprint for part in both.parts)}
    assert len(prints) == 4
    told = facts(both)
    assert told["fingerprint"] == both.fingerprint
    assert [told["store"], *told["more_stores"]] == [str(part.folder) for part in both.parts]
    assert told["boards"] == 6


def test_one_store_alone_is_a_store(store: Path) -> None:
    """The same fingerprint and names as without this module."""
    alone = open_stores(store)
    assert type(alone) is Store
    assert alone.fingerprint == Store(store).fingerprint
    assert folders(alone) == [store]


def test_stores_that_do_not_go_together_are_refused(
    store: Path, make_store: Callable[..., Path], tmp_path: Path
) -> None:
    """Another grid, the same joints twice, no store."""
    with pytest.raises(InputError, match="stores of one grid"):
        Stores([store, make_store(tmp_path / "b", 20, 10, Grid((20, 16, 16)))])
    with pytest.raises(InputError, match="found one twice"):
        Stores([store, store])
    with pytest.raises(InputError, match="expected a store of joints"):
        Stores([store, tmp_path / "nowhere"])


def test_masks_of_all_stores_come_in_order_or_the_store_without_is_named(
    both: Stores, tmp_path: Path
) -> None:
    """Row by row those of their store; one store without masks is refused by its name."""
    joints = both.parts[0].read(np.arange(5))
    parts = []
    for number in range(2):
        rng = np.random.default_rng(number)
        parts.append(rng.integers(0, 256, (5, *mask_shape(both.grid)), np.uint8))
        with StoreWriter(tmp_path / str(number), both.grid, number, {}, masks=True) as writer:
            writer.add("a", replace(joints, masks=parts[-1]))
    stores = open_stores(tmp_path / "0", [tmp_path / "1"])
    np.testing.assert_array_equal(stores.read(np.array([7, 1]), masks=True).masks, [parts[1][2], parts[0][1]])
    mixed = open_stores(tmp_path / "0", [both.parts[0].folder])
    assert not mixed.has_masks
    with pytest.raises(InputError, match=f"expected joints with masks in {both.parts[0].folder}"):
        mixed.read(masks=True)
