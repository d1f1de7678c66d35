"""Stores of generated scans. Guards: bits that depend on workers, resumes that repeat or lose scans, leaking splits."""

import os
import shutil
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import torch

from jointwise.data_gen import generate as module
from jointwise.data_gen.data_sheet import data_sheet
from jointwise.data_gen.drawing.record_json import to_json
from jointwise.data_gen.generate import SPLIT_PATTERN, chosen_device, generate, scan_name
from jointwise.data_gen.scan import simulate
from jointwise.data_gen.settings import FamilySettings, GeneratorSettings, ScanSettings
from jointwise.data_gen.shapes.columns import sweep
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.data_gen.shapes.truth import tell_truth
from jointwise.data_gen.xray.cuda import room
from jointwise.data_gen.xray.cuda.card import CardLimit
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.store import MANIFEST, Store, StoreWriter, damaged_shards

GRID = Grid((12, 14, 14))
MEASURED = ["cnr", "lane"]
"""Columns read off the images, noise and all."""
TINY = GeneratorSettings(
    family=FamilySettings(rows=(1, 2), cols=(2, 2)),
    scan=ScanSettings(voxels_per_ball=(8.0, 9.0), views=(60, 62), pixels_mm=(0.2,)),
)


def made(folder, scans, workers=1, seed=3):
    return generate(TINY, folder, scans=scans, seed=seed, grid=GRID, workers=workers, progress=False)


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("store")
    made(folder, 4)
    return Store(folder)


def test_every_scan_is_a_shard_of_its_own_and_boards_do_not_cross_splits(store):
    assert [s.name for s in store.shards] == [scan_name(n) for n in range(4)]
    by_board = store.table.groupby("board_id")["split"].agg(["nunique", "first"])
    assert (by_board["nunique"] == 1).all()
    assert by_board["first"].tolist() == list(SPLIT_PATTERN[:4])
    assert set(SPLIT_PATTERN[:4]) == {"train", "validation", "test"}
    assert SPLIT_PATTERN.count("train") == 3


@pytest.mark.slow
def test_bits_are_the_same_for_one_and_three_workers(store, tmp_path):
    made(tmp_path, 4, workers=3)
    assert (tmp_path / MANIFEST).read_bytes() == (store.folder / MANIFEST).read_bytes()
    for shard in store.shards:
        for ending in (".safetensors", ".parquet"):
            name = shard.name + ending
            assert (tmp_path / name).read_bytes() == (store.folder / name).read_bytes(), name


def test_resuming_makes_only_what_is_missing_and_ends_with_the_same_store(store, tmp_path, monkeypatch):
    made(tmp_path, 2)
    numbers = []
    inner = module._make_shard
    monkeypatch.setattr(module, "_make_shard", lambda *a: numbers.append(a[-1]) or inner(*a))
    made(tmp_path, 4)
    assert numbers == [2, 3]
    assert Store(tmp_path).fingerprint == store.fingerprint
    made(tmp_path, 4)
    assert numbers == [2, 3]


def dies_in_second(monkeypatch, make):
    """Make shards until the process dies, the second one written and not yet told of."""
    inner = module._make_shard

    def dies(*args):
        done = inner(*args)
        if args[-1] == 1:
            raise KeyboardInterrupt
        return done

    with monkeypatch.context() as patched:
        patched.setattr(module, "_make_shard", dies)
        with pytest.raises(KeyboardInterrupt):
            make()


def test_a_scan_that_died_half_way_does_not_count_and_is_made_again(store, tmp_path, monkeypatch):
    dies_in_second(monkeypatch, lambda: made(tmp_path, 4))
    assert [s.name for s in Store(tmp_path).shards] == [scan_name(0)]
    made(tmp_path, 4)
    assert Store(tmp_path).fingerprint == store.fingerprint


def test_another_seed_gives_other_joints(store, tmp_path):
    made(tmp_path, 1, seed=4)
    other = Store(tmp_path).read()
    assert not np.array_equal(other.volumes[0], store.read().volumes[0])


def test_bad_wishes_are_refused_in_a_sentence(store, tmp_path):
    with pytest.raises(InputError, match="at least one scan"):
        made(tmp_path, 0)
    with pytest.raises(InputError, match="seed"):
        made(store.folder, 4, seed=9)


def test_a_disk_that_is_full_is_one_sentence_and_leaves_a_store_that_can_go_on(store, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "write_shard", full)
    with pytest.raises(InputError, match="No space left on device; make room"):
        made(tmp_path, 1)
    monkeypatch.undo()
    made(tmp_path, 4)
    assert Store(tmp_path).fingerprint == store.fingerprint


def test_a_killed_worker_is_one_sentence(tmp_path, monkeypatch):
    def killed(*_):
        raise BrokenProcessPool("A child process terminated abruptly")
        yield

    monkeypatch.setattr(module, "_made", killed)
    with pytest.raises(InputError, match="memory ran out"):
        made(tmp_path, 2, workers=2)


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_that_cannot_be_written_is_one_sentence(tmp_path):
    (tmp_path / "shut").mkdir(mode=0o500)
    with pytest.raises(InputError, match="expected to write the store"):
        made(tmp_path / "shut" / "store", 1)


def test_so_many_joints_take_the_least_number_of_boards_and_going_on_takes_no_more(tmp_path):
    wish = {"joints": 5, "seed": 3, "grid": GRID, "progress": False}
    shards = generate(TINY, tmp_path, **wish)
    held = [shard.joints for shard in shards]
    assert sum(held[:-1]) < 5 <= sum(held)
    assert generate(TINY, tmp_path, **wish) == shards
    assert generate(TINY, tmp_path, **(wish | {"joints": sum(held) + 1}))[:-1] == shards


def test_a_scan_that_is_not_feasible_is_drawn_anew_and_says_so(store, tmp_path, monkeypatch, caplog):
    inner = module.simulate

    def fails_first(record, grid, masks):
        tried.append(record)
        if len(tried) < 3:
            raise Infeasible("its metal does not settle")
        return inner(record, grid, masks)

    tried = []
    monkeypatch.setattr(module, "simulate", fails_first)
    made(tmp_path, 1)
    table = Store(tmp_path).table
    assert (table["attempt"] == 2).all()
    assert (store.table["attempt"] == 0).all()
    assert len({to_json(record.board) for record in tried}) == 3
    assert "scan_00000, attempt 1, is drawn anew: its metal does not settle" in caplog.text
    assert "1 boards whose first draw" in data_sheet(Store(tmp_path).manifest, [table], "0")


def test_settings_that_never_give_a_scan_are_blamed_in_a_sentence(tmp_path, monkeypatch):
    def fails(*_):
        raise Infeasible("its metal does not settle")

    monkeypatch.setattr(module, "simulate", fails)
    with pytest.raises(InputError, match=r"scan_00000 can be made in 5 draws, found none \(its metal"):
        made(tmp_path, 1)


def begun_on_a_card(folder, to):
    to.mkdir(exist_ok=True)
    text = (folder / MANIFEST).read_text()
    assert '"device": "cpu"' in text
    (to / MANIFEST).write_text(text.replace('"device": "cpu"', '"device": "cuda"'))


def test_a_store_keeps_to_its_device(store, tmp_path, monkeypatch):
    begun_on_a_card(store.folder, tmp_path)
    with pytest.raises(InputError, match=r"another device .*'cuda' instead of 'cpu'"):
        made(tmp_path, 4)
    monkeypatch.setattr("jointwise.data_gen.xray.cuda.card.card", lambda: None)
    assert chosen_device("auto", tmp_path) == "cuda"
    assert chosen_device("auto", store.folder) == "cpu"
    assert chosen_device("auto", tmp_path / "new") == "cuda"


def test_a_store_of_before_there_were_devices_goes_on_on_the_cpu(store, tmp_path):
    shutil.copytree(store.folder, tmp_path, dirs_exist_ok=True)
    text = (tmp_path / MANIFEST).read_text()
    (tmp_path / MANIFEST).write_text(text.replace(' "device": "cpu",\n', ""))
    assert "device" not in Store(tmp_path).manifest
    made(tmp_path, 4)
    assert Store(tmp_path).fingerprint == store.fingerprint


@pytest.mark.skipif(torch.cuda.is_available(), reason="there is a card")
def test_without_a_card_auto_takes_the_cpu_and_cuda_is_refused(tmp_path):
    assert chosen_device("auto", tmp_path) == "cpu"
    with pytest.raises(InputError, match="expected a CUDA card, found none"):
        generate(TINY, tmp_path / "store", seed=1, grid=GRID, device="cuda", progress=False)
    assert not (tmp_path / "store").exists()
    with pytest.raises(InputError, match="device: expected one of auto, cpu, cuda, found 'gpu'"):
        generate(TINY, tmp_path / "store", seed=1, grid=GRID, device="gpu", progress=False)


def stand_in(prepared, grid):
    """The CPU in the card's place; it refuses scan 1."""

    def to_host():
        if prepared.record.number == 1:
            raise CardLimit("more than the kernels hold")
        joints = simulate(prepared.record, grid)
        swept = [sweep(ready) for ready in prepared.asked.sweeps if ready is not None]
        table = tell_truth(prepared.asked, swept).assign(**prepared.columns)
        assert list(table) == [*joints.table, "split", "attempt"]
        return Joints(joints.volumes, table.assign(cnr=joints.table["cnr"], lane=joints.table["lane"]), grid)

    return SimpleNamespace(prepared=prepared, to_host=to_host)


def made_on(on_card, folder, monkeypatch):
    """The store's four scans, on something that stands in for a card."""
    monkeypatch.setattr("jointwise.data_gen.device.on_card", on_card)
    monkeypatch.setattr("jointwise.data_gen.xray.cuda.card.card", lambda: None)
    return generate(TINY, folder, scans=4, seed=3, grid=GRID, workers=2, device="cuda", progress=False)


@pytest.mark.slow
def test_scans_are_made_ready_ahead_of_a_card_and_what_it_cannot_hold_goes_to_the_cpu(
    store, tmp_path, monkeypatch, caplog
):
    made_on(stand_in, tmp_path, monkeypatch)
    ours = Store(tmp_path)
    assert ours.manifest["device"] == "cuda"
    assert ours.manifest["shards"] == store.manifest["shards"]
    assert "scan_00001 is made on the CPU" in caplog.text


FULL = torch.AcceleratorError("CUDA error: out of memory")


class FullCard:
    """In the card's place; `begins` and `reads`: how often a scan finds no memory when begun, when read."""

    def __init__(self, begins, reads):
        self.left = {"begin": Counter(begins), "read": Counter(reads)}
        self.tries = Counter()

    def __call__(self, prepared, grid):
        number, joints = prepared.record.number, stand_in(prepared, grid)

        def to_host():
            self.try_to("read", number)
            return joints.to_host()

        self.try_to("begin", number)
        return SimpleNamespace(prepared=prepared, to_host=to_host)

    def try_to(self, step, number):
        self.tries[step, number] += 1
        if self.left[step][number] > 0:
            self.left[step][number] -= 1
            raise FULL


@pytest.fixture
def quick(monkeypatch):
    """Threads in place of processes, and no pauses."""
    monkeypatch.setattr(module, "process_pool", ThreadPoolExecutor)
    monkeypatch.setattr(room, "PAUSES_S", (0.0, 0.0))


@pytest.mark.usefixtures("quick")
def test_scans_that_find_a_card_full_are_tried_again_and_none_is_lost_or_doubled(
    store, tmp_path, monkeypatch, caplog
):
    card = FullCard({0: 1, 2: 2}, {0: 2, 3: 1})
    told = []
    inner = StoreWriter.commit
    monkeypatch.setattr(
        StoreWriter, "commit", lambda self, shard: told.append(shard.name) or inner(self, shard)
    )
    shards = made_on(card, tmp_path, monkeypatch)
    tries = {"begin": (2, 1, 3, 1), "read": (3, 1, 1, 2)}
    assert card.tries == {
        (step, n): count for step, counts in tries.items() for n, count in enumerate(counts)
    }
    assert sorted(told) == [shard.name for shard in shards]
    assert Store(tmp_path).manifest["shards"] == store.manifest["shards"]
    assert "scan_00002 waits 0 s, for the card's memory is full" in caplog.text


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("full", [({2: 3}, {}), ({}, {2: 3})], ids=["begun", "read"])
def test_a_card_that_stays_full_is_one_sentence_and_leaves_a_store_that_can_go_on(
    store, tmp_path, monkeypatch, full
):
    with pytest.raises(InputError, match="room on the card for scan_00002, found its memory full in 3 tries"):
        made_on(FullCard(*full), tmp_path, monkeypatch)
    made_on(stand_in, tmp_path, monkeypatch)
    assert Store(tmp_path).manifest["shards"] == store.manifest["shards"]


@pytest.mark.usefixtures("quick")
def test_what_torch_keeps_is_looked_at_after_every_scan(tmp_path, monkeypatch):
    looks = []
    monkeypatch.setattr(room, "tidy", lambda: looks.append(0))
    made_on(stand_in, tmp_path, monkeypatch)
    assert len(looks) == 4


@pytest.mark.slow
@pytest.mark.skipif(not torch.cuda.is_available(), reason="no CUDA card")
def test_a_card_makes_the_same_boards_as_the_cpu(store, tmp_path):
    generate(TINY, tmp_path, scans=4, seed=3, grid=GRID, workers=2, device="cuda", progress=False)
    ours = Store(tmp_path)
    pd.testing.assert_frame_equal(ours.table.drop(columns=MEASURED), store.table.drop(columns=MEASURED))
    np.testing.assert_allclose(ours.table["cnr"], store.table["cnr"], rtol=0.3)
    np.testing.assert_allclose(ours.table["lane"], store.table["lane"], atol=0.05)
    error = ours.read().volumes.astype(float) - store.read().volumes.astype(float)
    noise = 1.0 / store.table["cnr"].to_numpy()
    assert (np.sqrt((error**2).mean(axis=(1, 2, 3))) < 3.0 * noise).all()


def with_masks(folder, scans, **more):
    return generate(TINY, folder, scans=scans, seed=3, grid=GRID, masks=True, progress=False, **more)


@pytest.fixture(scope="module")
def masked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("masked")
    with_masks(folder, 2)
    return Store(folder)


def test_masks_come_beside_the_same_joints(store, masked):
    ours = masked.read(masks=True)
    theirs = store.read(np.arange(len(ours)))
    assert ours.volumes.tobytes() == theirs.volumes.tobytes()
    pd.testing.assert_frame_equal(ours.table, theirs.table)
    assert masked.manifest["masks"] is True
    assert "masks" not in store.manifest
    there = ours.table["metal_mm3"].to_numpy() > 0
    assert ((ours.masks[:, 0] > 0).any(axis=(1, 2, 3)) == there).all()
    assert "masks=true" in data_sheet(masked.manifest, masked.tables(), "0")


def test_a_store_with_masks_goes_on_is_mended_and_keeps_to_them(store, masked, tmp_path, monkeypatch):
    dies_in_second(monkeypatch, lambda: with_masks(tmp_path, 2))
    for refused in (lambda: made(tmp_path, 2), lambda: with_masks(store.folder, 2)):
        with pytest.raises(InputError, match="another masks"):
            refused()
    with_masks(tmp_path, 2)
    assert Store(tmp_path).fingerprint == masked.fingerprint
    path = tmp_path / "scan_00001.safetensors"
    whole = path.read_bytes()
    path.write_bytes(whole[:-7] + b"\1" + whole[-6:])
    assert damaged_shards(tmp_path) == ["scan_00001"]
    module.remake(tmp_path, ["scan_00001"], progress=False)
    assert path.read_bytes() == whole
    assert (tmp_path / MANIFEST).read_bytes() == (masked.folder / MANIFEST).read_bytes()


def test_a_scan_made_ready_for_a_card_carries_the_same_masks(masked):
    prepared = module.prepared_scan(TINY, 3, 1, GRID, True)
    held = masked.shards[0].joints
    ours = masked.read(np.arange(held, len(masked)), masks=True).masks
    np.testing.assert_array_equal(prepared.masks, ours)
    assert module.prepared_scan(TINY, 3, 1, GRID).masks is None
