"""Several stores of joints read as one, each with its own boards and splits."""

from collections.abc import Iterator, Sequence
from functools import cached_property
from hashlib import sha256
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.store import MANIFEST, Store
from jointwise.train.labelled import Labelled, open_store
from jointwise.train.settings import TrainSettings

NAMES = ("scan", "board_id")
"""Columns whose values may be the same in two stores and mean different things."""


class Stores(Store):
    """Stores of one grid as one: the joints of the first, then those of the second, and so on.

    Scans and boards are called `1:NAME`, `2:NAME`, …, after the place of their store, so that none are confused.

    Args:
        folders: two or more stores; their order is part of the fingerprint.
        whole: every board of the second and later stores is for training.
        validates: every board of the first is for validation.
        labels: sheet of the first one's joints, see :func:`~jointwise.train.labelled.open_store`.

    Raises:
        InputError: a store does not open, comes twice, or has another grid.
    """

    def __init__(
        self,
        folders: Sequence[Path],
        whole: bool = False,
        labels: Path | None = None,
        validates: bool = False,
    ) -> None:
        self.whole, self.validates = whole, validates
        self.parts = [open_store(folders[0], labels), *map(open_store, folders[1:])]
        self.folder = Path(", ".join(str(folder) for folder in folders))
        self.grid = self.parts[0].grid
        seeds = [part.manifest["seed"] for part in self.parts]
        self.manifest = {"seed": None if None in seeds else seeds}
        self._starts = np.cumsum([0, *(len(part) for part in self.parts)])
        for part in self.parts:
            if part.grid != self.grid:
                raise InputError(
                    f"expected stores of one grid, found {self.grid.to_json()} in {self.parts[0].folder} and "
                    f"{part.grid.to_json()} in {part.folder}; leave one out of more_data"
                )
        if len({part.fingerprint for part in self.parts}) < len(self.parts):
            raise InputError(f"expected different stores, found one twice in {self.folder}; name each once")

    @property
    def fingerprint(self) -> str:
        """Hash over the fingerprints of all stores, in their order."""
        return sha256("\n".join(part.fingerprint for part in self.parts).encode()).hexdigest()

    @cached_property
    def table(self) -> pd.DataFrame:
        """All rows of all stores; what a store does not know is NaN."""
        return self._joined([part.table for part in self.parts])

    def volume(self, row: int) -> NDArray[np.float16]:
        """Sub-volume (z, y, x) of one row, from the memory map of its store."""
        number = int(np.searchsorted(self._starts, row, side="right")) - 1
        return self.parts[number].volume(row - int(self._starts[number]))

    @property
    def has_masks(self) -> bool:
        """Whether the joints of all stores carry masks."""
        return all(part.has_masks for part in self.parts)

    def mask(self, row: int) -> NDArray[np.uint8]:
        """Masks (mask, z, y, x) of one row, from the memory map of its store."""
        number = int(np.searchsorted(self._starts, row, side="right")) - 1
        return self.parts[number].mask(row - int(self._starts[number]))

    def _require_masks(self) -> None:
        for part in self.parts:
            part._require_masks()

    def columns(self, names: Sequence[str]) -> pd.DataFrame:
        """Some columns of all rows."""
        return self._joined([part.columns(names) for part in self.parts])

    def shard_by_shard(self) -> Iterator[Joints]:
        """The joints of one shard after another, named as in `table`."""
        for number, part in enumerate(self.parts):
            for joints in part.shard_by_shard():
                yield Joints(joints.volumes, self._named(joints.table, number), joints.grid)

    def tables(self) -> Iterator[pd.DataFrame]:
        """The table of one shard after another, named as in `table`."""
        for number, part in enumerate(self.parts):
            yield from (self._named(table, number) for table in part.tables())

    def _joined(self, tables: list[pd.DataFrame]) -> pd.DataFrame:
        return pd.concat([self._named(table, n) for n, table in enumerate(tables)], ignore_index=True)

    def _named(self, table: pd.DataFrame, number: int) -> pd.DataFrame:
        """The table with the store's place before the names of scans and boards."""
        found = [name for name in NAMES if name in table]
        changed = {name: f"{number + 1}:" + table[name].astype(str) for name in found}
        split = ("train" if self.whole else "") if number else ("validation" if self.validates else "")
        if split and "split" in table:
            changed["split"] = pd.Series(split, index=table.index)
        return table.assign(**changed)


def open_stores(
    data: Path,
    more: Sequence[Path] = (),
    whole: bool = False,
    labels: Path | None = None,
    validates: bool = False,
) -> Store:
    """One store, or several as one; each with its own truth, or with that of a label sheet.

    Raises:
        InputError: as :class:`~jointwise.train.labelled.Labelled` and :class:`Stores`; or the only store is to validate
            whole, so that none is left to train on.
    """
    if validates and not more:
        raise InputError(
            "data_validates: expected more_data to train on, found none; leave data_validates out"
        )
    return Stores([data, *more], whole, labels, validates) if more else open_store(data, labels)


def stores_of(settings: TrainSettings) -> Store:
    """The joints that a training reads, as its settings name them.

    Raises:
        InputError: as :func:`open_stores`.
    """
    return open_stores(
        settings.data,
        settings.more_data,
        settings.more_data_whole,
        settings.labels,
        settings.data_validates,
    )


def is_store(folder: Path) -> bool:
    """Whether a store is there, in whatever state."""
    return (folder / MANIFEST).exists()


def folders(store: Store) -> list[Path]:
    """Where the joints lie."""
    return [part.folder for part in store.parts] if isinstance(store, Stores) else [store.folder]


def fingerprints(store: Store) -> list[str]:
    """Of each store, in the order of :func:`folders`."""
    return [part.fingerprint for part in store.parts] if isinstance(store, Stores) else [store.fingerprint]


def of_first(store: Store, table: pd.DataFrame) -> NDArray[np.bool_]:
    """Which rows (n,) of a table of the store are of the first of several stores; all where it is one."""
    if not isinstance(store, Stores):
        return np.ones(len(table), dtype=np.bool_)
    return np.array(table["scan"].str.startswith("1:"), dtype=np.bool_)


def knows_masks(store: Store) -> bool:
    """Whether it tells where solder, voids, gaps and bridges lie; people's labels say no more than kinds."""
    parts = store.parts if isinstance(store, Stores) else [store]
    return store.has_masks and not any(isinstance(part, Labelled) for part in parts)


def told_of_labels(store: Store) -> list[str]:
    """Sentences on the people's labels in it; none where it has only truth of its own."""
    parts = store.parts if isinstance(store, Stores) else [store]
    return [line for part in parts if isinstance(part, Labelled) for line in part.told()]
