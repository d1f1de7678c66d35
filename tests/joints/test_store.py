import json
import multiprocessing
import os
import signal
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from jointwise.joints import atomic
from jointwise.joints.batch import Joints, check_finite
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.masks import mask_shape
from jointwise.joints.schema import present_array, require_columns, truth_array
from jointwise.joints.store import JOURNAL, MANIFEST, Shard, Store, StoreWriter, damaged_shards, write_shard

GRID = Grid((8, 10, 9))


def joints(n: int, seed: int = 0, split: str = "train") -> Joints:
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(
        {"ball": [f"A{i + 1}" for i in range(n)], "present": 1, "split": split, "seed": seed}
    )
    return Joints(rng.normal(size=(n, *GRID.shape)).astype(np.float16), table, GRID)


def filled(folder: Path) -> Path:
    with StoreWriter(folder, GRID, 5, {"rate": 0.2}) as writer:
        writer.add("scan_000001", joints(4, 1, "validation"))
        writer.add("scan_000000", joints(3, 0))
    return folder


def test_what_was_written_is_read_in_the_manifest_s_order(tmp_path: Path) -> None:
    store = Store(filled(tmp_path / "ä store [1], a=b"))
    assert len(store) == 7
    assert store.table["seed"].tolist() == [0, 0, 0, 1, 1, 1, 1]
    np.testing.assert_array_equal(store.read().volumes[3:], joints(4, 1).volumes)
    np.testing.assert_array_equal(store.read(np.array([6, 0])).volumes, store.read().volumes[[6, 0]])
    assert store.split("validation").tolist() == [3, 4, 5, 6]
    assert store.split("all").tolist() == [0, 1, 2, 3, 4, 5, 6]


def test_the_fingerprint_knows_the_data_and_not_the_order_of_writing(tmp_path: Path) -> None:
    one = Store(filled(tmp_path / "one")).fingerprint
    with StoreWriter(tmp_path / "two", GRID, 5, {"rate": 0.2}) as writer:
        writer.add("scan_000000", joints(3, 0))
        writer.add("scan_000001", joints(4, 1, "validation"))
    with StoreWriter(tmp_path / "three", GRID, 5, {"rate": 0.2}) as writer:
        writer.add("scan_000000", joints(3, 9))
    assert Store(tmp_path / "two").fingerprint == one
    assert Store(tmp_path / "three").fingerprint != one


def test_a_shard_that_the_manifest_does_not_list_does_not_count(tmp_path: Path) -> None:
    folder = filled(tmp_path / "s")
    write_shard(folder, "scan_000002", joints(2, 2))
    assert len(Store(folder)) == 7


def test_going_on_keeps_what_was_there_and_refuses_other_settings(tmp_path: Path) -> None:
    folder = filled(tmp_path / "s")
    with StoreWriter(folder, GRID, 5, {"rate": 0.2}) as writer:
        assert set(writer.shards) == {"scan_000000", "scan_000001"}
    with pytest.raises(InputError, match=r"another config .*\(rate\)"):
        StoreWriter(folder, GRID, 5, {"rate": 0.3})


def test_two_writers_at_once_are_refused(tmp_path: Path) -> None:
    with StoreWriter(tmp_path, GRID, 1, {}), pytest.raises(InputError, match="another process"):
        StoreWriter(tmp_path, GRID, 1, {})


def test_damage_is_named(tmp_path: Path) -> None:
    folder = filled(tmp_path / "s")
    path = folder / "scan_000001.safetensors"
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(bytes(data))
    assert damaged_shards(folder) == ["scan_000001"]


def cut_short(folder: Path) -> None:
    os.truncate(folder / "scan_000000.safetensors", 60)


def remove_volumes(folder: Path) -> None:
    (folder / "scan_000000.safetensors").unlink()


def empty_manifest(folder: Path) -> None:
    (folder / MANIFEST).write_text("")


def manifest_of_a_list(folder: Path) -> None:
    (folder / MANIFEST).write_text("[1, 2]")


def later_schema(folder: Path) -> None:
    manifest = json.loads((folder / MANIFEST).read_text())
    (folder / MANIFEST).write_text(json.dumps({**manifest, "schema_version": 99}))


def manifest_without_its_grid(folder: Path) -> None:
    manifest = json.loads((folder / MANIFEST).read_text())
    (folder / MANIFEST).write_text(json.dumps({**manifest, "grid": {}}))


def shard_without_its_hash(folder: Path) -> None:
    manifest = json.loads((folder / MANIFEST).read_text())
    del manifest["shards"][0]["volumes_sha256"]
    (folder / MANIFEST).write_text(json.dumps(manifest))


def absurd_header(folder: Path) -> None:
    (folder / "scan_000000.safetensors").write_bytes(b"\xff" * 64)


def no_manifest(folder: Path) -> None:
    (folder / MANIFEST).unlink()


@pytest.mark.parametrize(
    "harm",
    [
        cut_short,
        remove_volumes,
        empty_manifest,
        manifest_of_a_list,
        later_schema,
        manifest_without_its_grid,
        shard_without_its_hash,
        absurd_header,
        no_manifest,
    ],
)
def test_a_damaged_store_is_refused_in_one_sentence(tmp_path: Path, harm: object) -> None:
    folder = filled(tmp_path / "s")
    harm(folder)  # type: ignore[operator]
    with pytest.raises(InputError, match="expected .* found") as caught:
        Store(folder)
    assert "\n" not in str(caught.value)


def test_a_damaged_table_is_refused_when_it_is_read(tmp_path: Path) -> None:
    folder = filled(tmp_path / "s")
    (folder / "scan_000001.parquet").write_bytes(b"PAR1 no table")
    with pytest.raises(InputError, match="readable table"):
        _ = Store(folder).table


def test_an_unknown_split_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="'test'.*train, validation"):
        Store(filled(tmp_path)).split("test")


def write_and_die(path: Path) -> None:
    with atomic.replacing(path) as aside:
        aside.write_bytes(b"half")
        os._exit(9)


def test_a_writer_killed_midway_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "file"
    atomic.write_bytes(path, b"old")
    process = multiprocessing.get_context("fork").Process(target=write_and_die, args=(path,))
    process.start()
    process.join()
    assert process.exitcode == 9
    assert path.read_bytes() == b"old"


def test_an_error_while_writing_leaves_nothing(tmp_path: Path) -> None:
    def write_half(path: Path) -> None:
        with atomic.replacing(path) as aside:
            aside.write_bytes(b"half")
            raise OSError("disk full")

    with pytest.raises(OSError, match="disk"):
        write_half(tmp_path / "file")
    assert list(tmp_path.iterdir()) == []


def test_batches_take_and_join() -> None:
    both = Joints.concatenate([joints(2, 1), joints(3, 2)])
    assert both.table["seed"].tolist() == [1, 1, 2, 2, 2]
    np.testing.assert_array_equal(both.take([4, 0]).volumes, both.volumes[[4, 0]])


def test_batches_that_do_not_fit_are_refused() -> None:
    with pytest.raises(InputError, match="sub-volumes of shape"):
        Joints(np.zeros((2, 8, 10, 10)), pd.DataFrame({"a": [1, 2]}), GRID)
    with pytest.raises(InputError, match="one table row"):
        Joints(np.zeros((2, *GRID.shape)), pd.DataFrame({"a": [1]}), GRID)
    with pytest.raises(InputError, match="several grids"):
        Joints.concatenate(
            [joints(1), Joints(np.zeros((1, 8, 8, 8)), pd.DataFrame({"a": [1]}), Grid((8, 8, 8)))]
        )


def test_values_that_are_not_finite_are_named() -> None:
    batch = joints(3)
    check_finite(batch)
    batch.volumes[2, 0, 0, 0] = np.nan
    with pytest.raises(InputError, match="1 of 3, first joint A3"):
        check_finite(batch)


def test_truth_of_missing_balls_counts_nowhere() -> None:
    kinds = {"void": [1, 1], "non_wet": [0, 0], "bridging": [None, 0], "head_in_pillow": [0, 0]}
    table = pd.DataFrame({"present": [1, 0], **kinds})
    truth = truth_array(table)
    np.testing.assert_array_equal(truth[0], [1, 0, np.nan, 0])
    assert np.isnan(truth[1]).all()
    assert present_array(table).tolist() == [True, False]


def test_missing_columns_are_named() -> None:
    with pytest.raises(InputError, match=r"columns row, col in x\.csv"):
        require_columns(pd.DataFrame({"ball": []}), ["ball", "row", "col"], "x.csv")


def write_and_be_killed(folder: Path, at: int) -> None:
    """Write three shards and end; killed just before the call number `at` that changes the disk."""
    calls = 0

    def counted(call):  # type: ignore[no-untyped-def]
        def inner(*args, **kwargs):  # type: ignore[no-untyped-def]
            nonlocal calls
            calls += 1
            if calls == at:
                os.kill(os.getpid(), signal.SIGKILL)
            return call(*args, **kwargs)

        return inner

    os.fsync, os.replace, os.unlink = counted(os.fsync), counted(os.replace), counted(os.unlink)
    with StoreWriter(folder, GRID, 5, {}) as writer:
        for number in range(3):
            name = f"scan_{number:06d}"
            if name not in writer.shards:
                writer.add(name, joints(2, number))
    os._exit(0)


def killed_at(folder: Path, at: int) -> bool:
    process = multiprocessing.get_context("fork").Process(target=write_and_be_killed, args=(folder, at))
    process.start()
    process.join()
    return process.exitcode == -signal.SIGKILL


def test_a_writer_killed_before_any_of_its_disk_calls_leaves_a_store_that_goes_on(tmp_path: Path) -> None:
    """Also within the writing of manifest and journal: the store ends the same, file by file."""
    assert not killed_at(tmp_path / "unbroken", 0)
    kept = {path.name: path.read_bytes() for path in (tmp_path / "unbroken").iterdir()}
    at = 1
    while killed_at(tmp_path / f"s{at}", at):
        assert not killed_at(tmp_path / f"s{at}", 0)
        assert {path.name: path.read_bytes() for path in (tmp_path / f"s{at}").iterdir()} == kept, at
        at += 1
    assert at > 15


def test_a_shard_counts_as_soon_as_it_is_listed_and_a_torn_line_does_not(tmp_path: Path) -> None:
    with StoreWriter(tmp_path, GRID, 5, {}) as writer:
        writer.add("scan_000001", joints(2, 1))
        writer.add("scan_000000", joints(3, 0))
        assert [s.name for s in Store(tmp_path).shards] == ["scan_000000", "scan_000001"]
        early = Store(tmp_path).fingerprint
        with (tmp_path / JOURNAL).open("ab") as file:
            file.write(b'{"name": "scan_000002", "joi')
        assert Store(tmp_path).fingerprint == early
    assert Store(tmp_path).fingerprint == early
    assert not (tmp_path / JOURNAL).exists()


def test_a_damaged_journal_is_refused_in_one_sentence(tmp_path: Path) -> None:
    filled(tmp_path)
    (tmp_path / JOURNAL).write_bytes(b"nonsense\n")
    with pytest.raises(InputError, match=r"manifest\.journal, found a damaged line"):
        Store(tmp_path)


def test_listing_a_shard_costs_the_same_however_many_there_are(tmp_path: Path) -> None:
    """Bytes written for one more shard, after ten and after a thousand."""
    with StoreWriter(tmp_path, GRID, 5, {}) as writer:
        sizes = []
        for number in range(1000):
            writer.commit(Shard(f"scan_{number:06d}", 2, "a" * 64, "b" * 64))
            sizes.append((tmp_path / JOURNAL).stat().st_size + (tmp_path / MANIFEST).stat().st_size)
    steps = np.diff(sizes)
    assert steps.max() == steps.min() < 300


def test_a_large_store_is_read_in_parts(tmp_path: Path) -> None:
    store = Store(filled(tmp_path))
    assert store.columns(["seed"])["seed"].tolist() == store.table["seed"].tolist()
    parts = list(store.shard_by_shard())
    assert [len(part) for part in parts] == [3, 4]
    np.testing.assert_array_equal(Joints.concatenate(parts).volumes, store.read().volumes)


def masked(n: int, seed: int) -> Joints:
    masks = np.random.default_rng(seed).integers(0, 256, (n, *mask_shape(GRID)), np.uint8)
    return replace(joints(n, seed), masks=masks)


def test_masks_are_read_by_row_and_only_where_asked_for(tmp_path: Path) -> None:
    parts = [masked(3, 1), masked(2, 2)]
    with StoreWriter(tmp_path, GRID, 5, {}, masks=True) as writer:
        for number, part in enumerate(parts):
            writer.add(f"scan_{number}", part)
    store, whole = Store(tmp_path), Joints.concatenate(parts)
    assert whole.masks is not None
    np.testing.assert_array_equal(store.read(np.array([4, 0]), masks=True).masks, whole.masks[[4, 0]])
    np.testing.assert_array_equal(store.read(masks=True).volumes, whole.volumes)
    assert store.read().masks is None
    assert all(part.masks is None for part in store.shard_by_shard())


def test_a_store_of_before_there_were_masks_is_read_and_says_that_it_has_none(tmp_path: Path) -> None:
    store = Store(filled(tmp_path))
    assert "masks" not in store.manifest
    for rows in (None, np.array([], int)):
        with pytest.raises(InputError, match="expected joints with masks in .*, found none; generate"):
            store.read(rows, masks=True)


def test_a_manifest_that_promises_masks_that_are_not_there_is_refused(tmp_path: Path) -> None:
    filled(tmp_path)
    head = json.loads((tmp_path / MANIFEST).read_text())
    (tmp_path / MANIFEST).write_text(json.dumps(head | {"masks": True}))
    with pytest.raises(InputError, match=r"expected masks as uint8 of shape \(3, 4, 4, 5, 5\)"):
        Store(tmp_path)
