"""Training data: what is read, in which order it comes, and what it says of itself."""

import json
from pathlib import Path

import numpy as np
import pytest
import torch

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import truth_array
from jointwise.joints.store import Store, StoreWriter
from jointwise.models.sizes import sizes_of
from jointwise.train.data import (
    epoch_order,
    facts,
    known_truth,
    load_split,
    positive_weights,
    resident,
    steps_per_epoch,
    taken,
)

NAN = float("nan")


def rewrite(store: Path, folder: Path, **columns: object) -> Store:
    """The same joints with other values in some columns."""
    joints = Store(store).read()
    with StoreWriter(folder, joints.grid, seed=None, config={}) as writer:
        writer.add("a", Joints(joints.volumes, joints.table.assign(**columns), joints.grid))
    return Store(folder)


def test_a_split_holds_its_labelled_joints_as_stored(store: Path) -> None:
    """Values bit for bit, labels with their gaps, and no joint without any label (the missing ball)."""
    opened = Store(store)
    split = load_split(opened, "validation")
    rows = opened.split("validation")
    known = ~np.isnan(truth_array(opened.table.iloc[rows])).all(axis=1)
    assert len(split) == len(rows) - 1 == known.sum()
    assert split.volumes.dtype == torch.float16
    np.testing.assert_array_equal(split.volumes.numpy(), opened.read(rows[known]).volumes)
    np.testing.assert_array_equal(split.truth.numpy(), truth_array(opened.table.iloc[rows[known]]))
    assert torch.isnan(split.truth[:, 0]).any()


def test_a_limit_draws_the_same_joints_for_the_same_seed(store: Path) -> None:
    """So many, from all shards, and others for another seed."""
    opened = Store(store)
    balls = [tuple(load_split(opened, "train", seed, 12).table["ball"]) for seed in (1, 1, 2)]
    assert len(balls[0]) == 12
    assert balls[0] == balls[1] != balls[2]
    assert load_split(opened, "train", 1, 12).table["board_id"].nunique() == 2


def test_gaps_thinner_than_asked_do_not_count_for_their_kind(store: Path, tmp_path: Path) -> None:
    """Gaps of 1 and 3 µm in voxels of 10 µm, of 3 µm in voxels of 20 µm, and one nobody measured; least 0.2 voxel."""
    opened = Store(store)
    table = opened.table.iloc[:4].assign(
        present=1, void=1.0, non_wet=[1.0, 1.0, 1.0, 1.0], bridging=0.0, head_in_pillow=[0.0, 1.0, 1.0, 1.0],
        gap_um=[1.0, 3.0, 3.0, NAN], voxel_um=[10.0, 10.0, 20.0, 10.0],
    )  # fmt: skip
    truth = known_truth(table, 0.2)
    np.testing.assert_array_equal(truth[:, 1], [NAN, 1, NAN, 1])
    np.testing.assert_array_equal(truth[:, 3], [0, 1, NAN, 1])
    np.testing.assert_array_equal(truth[:, [0, 2]], [[1, 0]] * 4)
    np.testing.assert_array_equal(known_truth(table), truth_array(table))
    thin = rewrite(store, tmp_path / "thin", gap_um=1.0, voxel_um=10.0)
    masked = load_split(thin, "validation", least_gap_voxels=0.2).truth
    assert (masked == 1).any(dim=0).tolist() == [True, False, True, False]
    assert (masked == 0).any(dim=0).all()
    for name in ("train", "validation"):
        assert torch.equal(load_split(thin, name, least_gap_voxels=0.05).truth.nan_to_num(5),
                           load_split(opened, name).truth.nan_to_num(5))  # fmt: skip


def test_sizes_come_with_a_split_that_is_asked_for_them(store: Path, tmp_path: Path) -> None:
    """Row for row those of its table, under a limit too; otherwise none, and none are needed."""
    rng = np.random.default_rng(0)
    n = len(Store(store))
    sized = rewrite(store, tmp_path / "sized", voxel_um=10.0, gap_um=rng.uniform(1, 50, n),
                    bridge_neck_um=rng.uniform(10, 90, n), void_projected_area_pct=rng.uniform(0, 20, n))  # fmt: skip
    for limit in (0, 12):
        found = load_split(sized, "train", seed=1, limit=limit, sizes=True)
        assert found.sizes is not None
        assert found.sizes.shape == (len(found), 3)
        assert found.sizes.dtype == torch.float32
        np.testing.assert_allclose(found.sizes.numpy(), sizes_of(found.table), rtol=1e-6)
        assert 0 < (found.sizes[:, 1] > 0).sum() < len(found)
        assert resident(found, torch.device("cpu")).sizes is found.sizes
    assert load_split(sized, "train", seed=1).sizes is None


def test_batches_are_the_rows_asked_for_in_float32(store: Path) -> None:
    """On a processor the joints stay where they are."""
    split, rows = load_split(Store(store), "validation"), torch.tensor([5, 0, 7])
    assert resident(split, torch.device("cpu")) is split
    batch = taken(split.volumes, rows, torch.device("cpu"))
    assert batch.dtype == torch.float32
    assert torch.equal(batch, split.volumes[[5, 0, 7]].float())


@pytest.mark.skipif(not torch.cuda.is_available(), reason="needs a CUDA card")
@pytest.mark.parametrize("free", [2**40, 0])
def test_batches_on_a_card_are_the_same_resident_or_not(
    free: int, store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Joints that fit are kept there; others are copied batch by batch."""
    split, rows, card = load_split(Store(store), "validation"), torch.tensor([5, 0, 7]), torch.device("cuda")
    monkeypatch.setattr(torch.cuda, "mem_get_info", lambda *_: (free, 2**40))
    kept = resident(split, card)
    assert kept.volumes.is_cuda == bool(free)
    batch = taken(kept.volumes, rows.to(kept.volumes.device), card)
    assert torch.equal(batch.cpu(), split.volumes[rows].float())
    assert kept.truth.is_cuda


def test_each_epoch_has_an_order_of_its_own_that_repeats() -> None:
    """A function of (seed, epoch), every joint once."""
    first = epoch_order(50, seed=3, epoch=0)
    assert sorted(first) == list(range(50))
    np.testing.assert_array_equal(first, epoch_order(50, 3, 0))
    assert not np.array_equal(first, epoch_order(50, 3, 1))
    assert not np.array_equal(first, epoch_order(50, 4, 0))


def test_only_full_batches_count() -> None:
    """Fewer joints than one batch still make a step."""
    assert [steps_per_epoch(n, 16) for n in (5, 16, 31, 32)] == [1, 1, 1, 2]


def test_positive_weights_are_ratios_within_limits() -> None:
    """10 % have void: weight 9; half: 1; more than half: not below 1; none known to have it: 1."""
    truth = torch.zeros(20, 4)
    truth[:2, 0] = 1
    truth[:10, 1] = 1
    truth[:15, 2] = 1
    assert positive_weights(truth, 100.0).tolist() == [9.0, 1.0, 1.0, 1.0]
    assert positive_weights(truth, 4.0).tolist() == [4.0, 1.0, 1.0, 1.0]
    assert positive_weights(truth, 1.0).tolist() == [1.0] * 4
    truth[2:12, 0] = NAN
    assert positive_weights(truth, 100.0)[0] == 4.0  # 2 with, 8 without, 10 not counted


def test_facts_count_classes_and_are_strict_json(store: Path, tmp_path: Path) -> None:
    """Infinite contrast of noise-free joints must not become `Infinity`, which is no JSON."""
    told = facts(rewrite(store, tmp_path / "s", cnr=np.inf))
    json.dumps(told, allow_nan=False)
    assert told["ranges"]["cnr"] == {"least": None, "median": None, "greatest": None}
    assert told["boards"] == 3
    assert told["splits"]["test"]["joints"] == 0
    for kind in KINDS:
        counts = told["splits"]["train"]["kinds"][kind]
        assert sum(counts.values()) == told["splits"]["train"]["joints"] == 80
    assert told["splits"]["train"]["kinds"]["void"]["not_counted"] > 0


def test_unusable_stores_are_refused_in_words(store: Path, tmp_path: Path) -> None:
    """Before any training: no such split, a kind never labelled, a column missing, values that are no numbers."""
    with pytest.raises(InputError, match="split 'test'"):
        load_split(Store(store), "test")
    with pytest.raises(InputError, match=r"none for bridging"):
        load_split(rewrite(store, tmp_path / "a", bridging=np.nan), "train")
    joints = Store(store).read()
    with StoreWriter(tmp_path / "b", joints.grid, None, {}) as writer:
        writer.add("a", Joints(joints.volumes, joints.table.drop(columns="cnr"), joints.grid))
    with pytest.raises(InputError, match="columns cnr"):
        load_split(Store(tmp_path / "b"), "train")
    joints.volumes[4, 2, 2, 2] = 65504.0  # the largest float16 is a number
    for name, value in (("c", np.nan), ("d", -np.inf)):
        joints.volumes[3, 2, 2, 2] = value
        with StoreWriter(tmp_path / name, joints.grid, None, {}) as writer:
            writer.add("a", joints)
        with pytest.raises(InputError, match="finite values"):
            load_split(Store(tmp_path / name), "train")
    joints.volumes[3, 2, 2, 2] = 0
    with StoreWriter(tmp_path / "e", joints.grid, None, {}) as writer:
        writer.add("a", joints)
    assert len(load_split(Store(tmp_path / "e"), "train")) == 78


def test_too_little_memory_is_said_with_the_number(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """How much would have been needed, and what to do."""

    def no_memory(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(Store, "read", no_memory)
    with pytest.raises(InputError, match=r"GiB of free memory for 78 joints.*limit="):
        load_split(Store(store), "train")
