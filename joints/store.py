"""Joints on disk: immutable shards, and a manifest that alone says which of them count.

A shard is ``NAME.safetensors`` (a tensor ``volumes``, float16, n x z x y x x, read through a memory map; where the
manifest says ``masks``, a tensor ``masks``, uint8, n x mask x z x y x x) and ``NAME.parquet`` (one row per joint).
``manifest.json`` lists finished shards with their SHA-256. Shards are written aside, synced and renamed; the manifest
comes last; readers trust only the manifest, so a writer may be killed at any moment. While a writer is at work, new
shards are listed in ``manifest.journal``, one line each, so that the cost of a shard does not grow with their number;
it goes into the manifest when the writer ends or the next one begins. A last line that was cut off does not count.
"""

import fcntl
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from hashlib import sha256 as _sha256
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from safetensors.numpy import save_file

from jointwise.joints.atomic import replacing, sha256, write_text
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.masks import mask_shape
from jointwise.joints.schema import SCHEMA_VERSION
from jointwise.joints.tensor_map import map_tensor, short

ALL = "all"
MANIFEST = "manifest.json"
JOURNAL = "manifest.journal"
OPEN_MAPS = 1024
"""Shards mapped at a time; a system allows some 65,000 maps per process."""
_HEAD = ("schema_version", "grid", "seed", "config")
_UNSAID = {"device": "cpu", "masks": False}
"""What manifests that lack the key mean."""

SPLITS = ("train", "validation", "test")


@dataclass(frozen=True)
class Shard:
    """A finished shard as the manifest lists it: its stem, number of joints and the hashes of its two files."""

    name: str
    joints: int
    volumes_sha256: str
    table_sha256: str


def write_shard(folder: Path, name: str, joints: Joints) -> Shard:
    """Write one shard atomically; it does not count until the manifest lists it. Safe in worker processes."""
    volumes, table = folder / f"{name}.safetensors", folder / f"{name}.parquet"
    with replacing(volumes) as aside:
        tensors: dict[str, NDArray[Any]] = {"volumes": np.ascontiguousarray(joints.volumes, dtype=np.float16)}
        if joints.masks is not None:
            tensors["masks"] = np.ascontiguousarray(joints.masks)
        save_file(tensors, aside)
    with replacing(table) as aside:
        joints.table.to_parquet(aside, index=False)
    return Shard(name, len(joints), sha256(volumes), sha256(table))


class StoreWriter:
    """Adds shards to a store, or goes on with one that was begun with the same seed and configuration.

    Args:
        folder: the store; made if absent.
        grid: grid of all its joints.
        seed: seed of the whole store; None for joints that were not generated.
        config: resolved configuration that made it, JSON-safe.
        device: what its joints were generated on, `cpu` or `cuda`; noise has other bits there.
        masks: its joints carry masks.

    Raises:
        InputError: the folder holds a store of other origin, or another process is writing it.
    """

    def __init__(
        self,
        folder: Path,
        grid: Grid,
        seed: int | None,
        config: dict[str, Any],
        device: str = "cpu",
        masks: bool = False,
    ) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._lock = _lock(folder)
        head = {"schema_version": SCHEMA_VERSION, "grid": grid.to_json(), "seed": seed, "config": config}
        if seed is not None:
            head["device"] = device
        if masks:
            head["masks"] = True
        self._head = json.loads(json.dumps(head))
        self.shards: dict[str, Shard] = {}
        self._journal: Any = None
        try:
            if (folder / MANIFEST).exists():
                self._resume()
            _sweep(folder)
            self._write()
        except BaseException:
            self._lock.close()
            raise

    def __enter__(self) -> "StoreWriter":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Put the journal into the manifest and let go of the folder, so that another process may write it."""
        try:
            if self._journal is not None:
                self._write()
        finally:
            self._lock.close()

    def commit(self, shard: Shard) -> None:
        """List a shard: from now on it counts, whatever happens to this process."""
        if self._journal is None:
            self._journal = (self.folder / JOURNAL).open("ab")
        self._journal.write(json.dumps(vars(shard)).encode() + b"\n")
        self._journal.flush()
        os.fsync(self._journal.fileno())
        self.shards[shard.name] = shard

    def add(self, name: str, joints: Joints) -> None:
        """Write a shard and list it."""
        self.commit(write_shard(self.folder, name, joints))

    def drop(self, name: str) -> None:
        """Take a shard off the manifest (it was found damaged); its files are overwritten when it is remade."""
        self.shards.pop(name, None)
        self._write()

    def _resume(self) -> None:
        manifest = read_manifest(self.folder)
        for key in {**self._head, **_UNSAID}:
            found, ours = (head.get(key, _UNSAID.get(key)) for head in (manifest, self._head))
            if found != ours:
                raise InputError(
                    f"expected an empty folder or a store made with the same settings, found another {key} in "
                    f"{self.folder / MANIFEST}{_difference(found, ours)}; choose another folder or delete that one"
                )
        self.shards = {entry["name"]: Shard(**entry) for entry in manifest["shards"]}

    def _write(self) -> None:
        shards = [vars(self.shards[name]) for name in sorted(self.shards)]
        manifest = {**self._head, "fingerprint": _fingerprint(self._head, shards), "shards": shards}
        write_text(self.folder / MANIFEST, json.dumps(manifest, indent=1))
        # Killed here, the journal repeats what the manifest lists, which does no harm.
        if self._journal is not None:
            self._journal.close()
            self._journal = None
        (self.folder / JOURNAL).unlink(missing_ok=True)


class Store:
    """A finished or growing store, opened for reading.

    Raises:
        InputError: no manifest, a damaged manifest, an unknown schema, a listed file that is missing or too short.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.manifest = read_manifest(folder)
        self.grid = Grid.from_json(self.manifest["grid"])
        self.shards = [Shard(**entry) for entry in self.manifest["shards"]]
        if not self.shards:
            raise InputError(
                f"expected a store with at least one finished shard, found none in {folder}; generate first"
            )
        for number in range(len(self.shards)):
            for name in ("volumes", "masks") if self.has_masks else ("volumes",):
                self._mapped(number, name)
        self._map = lru_cache(OPEN_MAPS)(self._mapped)
        self._starts = np.cumsum([0, *(s.joints for s in self.shards)])

    @property
    def has_masks(self) -> bool:
        """Whether its joints carry masks."""
        return bool(self.manifest.get("masks", False))

    @property
    def fingerprint(self) -> str:
        """Hash over the configuration and every listed shard: the identity of the data."""
        return str(self.manifest["fingerprint"])

    @cached_property
    def table(self) -> pd.DataFrame:
        """All rows of all shards, in the manifest's order."""
        return pd.concat([self._read_table(s) for s in self.shards], ignore_index=True)

    def __len__(self) -> int:
        return int(self._starts[-1])

    def volume(self, row: int) -> NDArray[np.float16]:
        """Sub-volume (z, y, x) of one row, from the memory map."""
        shard = int(np.searchsorted(self._starts, row, side="right")) - 1
        return np.asarray(self._map(shard)[row - self._starts[shard]])

    def mask(self, row: int) -> NDArray[np.uint8]:
        """Masks (mask, z, y, x) of one row, from the memory map.

        Raises:
            InputError: the store has none.
        """
        self._require_masks()
        shard = int(np.searchsorted(self._starts, row, side="right")) - 1
        return np.asarray(self._map(shard, "masks")[row - self._starts[shard]])

    def _require_masks(self) -> None:
        if not self.has_masks:
            raise InputError(
                f"expected joints with masks in {self.folder}, found none; generate them anew with masks=true"
            )

    def columns(self, names: Sequence[str]) -> pd.DataFrame:
        """Some columns of all rows; of a large store the whole table, with its records, may not fit into memory."""
        return pd.concat([self._read_table(s, names) for s in self.shards], ignore_index=True)

    def shard_by_shard(self) -> Iterator[Joints]:
        """The joints of one shard after another, in the manifest's order."""
        for number, shard in enumerate(self.shards):
            yield Joints(np.asarray(self._map(number)), self._read_table(shard), self.grid)

    def tables(self) -> Iterator[pd.DataFrame]:
        """The table of one shard after another."""
        for shard in self.shards:
            yield self._read_table(shard)

    def _mapped(self, number: int, name: str = "volumes") -> NDArray[Any]:
        shard = self.shards[number]
        dtype, shape = (np.uint8, mask_shape(self.grid)) if name == "masks" else (np.float16, self.grid.shape)
        return map_tensor(self.folder / f"{shard.name}.safetensors", name, dtype, (shard.joints, *shape))

    def read(self, rows: NDArray[np.integer] | None = None, masks: bool = False) -> Joints:
        """The joints of the given rows (all, if none are given) in memory, with their masks if asked for.

        Raises:
            InputError: masks are asked for, and the store has none.
        """
        wanted = np.arange(len(self)) if rows is None else np.asarray(rows, dtype=np.int64)
        volumes = np.empty((len(wanted), *self.grid.shape), np.float16)
        for place, row in enumerate(wanted):
            volumes[place] = self.volume(int(row))
        told = None
        if masks:
            self._require_masks()
            told = np.array([self.mask(int(row)) for row in wanted], np.uint8)
            told = told.reshape(len(wanted), *mask_shape(self.grid))
        return Joints(volumes, self.table.iloc[wanted].reset_index(drop=True), self.grid, told)

    def split(self, name: str) -> NDArray[np.int64]:
        """Rows of one split ('train', 'validation' or 'test'), or of 'all' where nothing was learned from the store.

        Raises:
            InputError: the split is unknown or empty.
        """
        splits = self.columns(["split"])["split"].to_numpy()
        rows = np.arange(len(splits)) if name == ALL else np.flatnonzero(splits == name)
        if not len(rows):
            found = ", ".join(sorted(set(self.columns(["split"])["split"])))
            raise InputError(f"expected joints of the split {name!r} in {self.folder}, found only {found}")
        return rows

    def _read_table(self, shard: Shard, names: Sequence[str] | None = None) -> pd.DataFrame:
        path = self.folder / f"{shard.name}.parquet"
        try:
            table = pd.read_parquet(path, columns=None if names is None else list(names))
        except (OSError, ValueError) as error:
            raise InputError(
                f"expected a readable table in {path}, found {short(error)}; run jointwise verify"
            ) from error
        if len(table) != shard.joints:
            raise InputError(
                f"expected {shard.joints} rows in {path}, found {len(table)}; run jointwise verify"
            )
        return table


def damaged_shards(folder: Path) -> list[str]:
    """Names of listed shards whose files are missing or no longer have the hashes in the manifest.

    Raises:
        InputError: no manifest, or a damaged one.
    """
    shards = [Shard(**entry) for entry in read_manifest(folder)["shards"]]
    return [shard.name for shard in shards if not _intact(folder, shard)]


def read_manifest(folder: Path) -> dict[str, Any]:
    """The manifest of a store, with the shards that only its journal lists yet.

    Raises:
        InputError: there is none, it is damaged, or of another schema.
    """
    path = folder / MANIFEST
    late = _read_journal(folder)  # before the manifest: a writer that ends moves lines from here to there
    if not path.is_file():
        raise InputError(f"expected a store of joints (a folder with {MANIFEST}) at {folder}, found none")
    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
        version = manifest["schema_version"]
        if version != SCHEMA_VERSION:
            raise InputError(
                f"expected schema version {SCHEMA_VERSION} in {path}, found {version}; generate the store anew"
            )
        # Whatever a later reader takes for granted is tried here, where the fault can be named.
        Grid.from_json(manifest["grid"])
        _ = manifest["seed"], manifest["config"], manifest["fingerprint"]
        listed = {Shard(**entry).name: entry for entry in manifest["shards"]}
        if any(entry != listed.get(entry["name"]) for entry in late):
            listed |= {Shard(**entry).name: entry for entry in late}
            manifest["shards"] = [listed[name] for name in sorted(listed)]
            head = {key: manifest[key] for key in (*_HEAD, *(k for k in _UNSAID if k in manifest))}
            manifest["fingerprint"] = _fingerprint(head, manifest["shards"])
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            f"expected a complete manifest in JSON at {path}, found a damaged one "
            f"({type(error).__name__}: {short(error)}); generate the store anew"
        ) from error
    return dict(manifest)


def _read_journal(folder: Path) -> list[dict[str, Any]]:
    """Entries of the journal; a last line without its end was cut off by a kill and does not count."""
    try:
        lines = (folder / JOURNAL).read_bytes().split(b"\n")[:-1]
    except FileNotFoundError:
        return []
    try:
        return [vars(Shard(**json.loads(line))) for line in lines]
    except (ValueError, TypeError) as error:
        raise InputError(
            f"expected one shard on each line of {folder / JOURNAL}, found a damaged line ({short(error)}); delete "
            "that file and go on with the same command: shards it alone lists are made again"
        ) from error


def _sweep(folder: Path) -> None:
    """Remove what a killed writer left half written; to be called by the one who holds the lock."""
    for path in folder.glob(".*.????????.part"):
        path.unlink(missing_ok=True)


def _intact(folder: Path, shard: Shard) -> bool:
    volumes, table = folder / f"{shard.name}.safetensors", folder / f"{shard.name}.parquet"
    return (
        volumes.is_file()
        and table.is_file()
        and sha256(volumes) == shard.volumes_sha256
        and sha256(table) == shard.table_sha256
    )


def _fingerprint(head: dict[str, Any], shards: list[dict[str, Any]]) -> str:
    text = json.dumps([head, shards], sort_keys=True)
    return _sha256(text.encode()).hexdigest()


def _difference(found: Any, ours: Any) -> str:
    """Name the first settings that differ, so that the user sees which run the folder belongs to."""
    if not (isinstance(found, dict) and isinstance(ours, dict)):
        return f" ({found!r} instead of {ours!r})"
    keys = [key for key, _ in _flat_difference(found, ours)]
    return f" ({', '.join(keys[:3])})"


def _flat_difference(found: Any, ours: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(found, dict) and isinstance(ours, dict):
        for key in sorted({*found, *ours}):
            yield from _flat_difference(found.get(key), ours.get(key), f"{path}.{key}".lstrip("."))
    elif found != ours:
        yield path, ours


def _lock(folder: Path) -> Any:
    file = (folder / ".writing").open("w")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        file.close()
        raise InputError(
            f"expected to write {folder} alone, found another process writing it; wait for it"
        ) from error
    return file
