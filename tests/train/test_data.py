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
from jointwise.train.data import epoch_order, facts, load_split, positive_weights, steps_per_epoch

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
    joints.volumes[3, 2, 2, 2] = np.nan
    with StoreWriter(tmp_path / "c", joints.grid, None, {}) as writer:
        writer.add("a", joints)
    with pytest.raises(InputError, match="finite values"):
        load_split(Store(tmp_path / "c"), "train")


def test_too_little_memory_is_said_with_the_number(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """How much would have been needed, and what to do."""

    def no_memory(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(Store, "read", no_memory)
    with pytest.raises(InputError, match=r"GiB of free memory for 78 joints.*limit="):
        load_split(Store(store), "train")
