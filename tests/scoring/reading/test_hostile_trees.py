"""Odd HDF5 files and Zarr folders."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from jointwise.joints.lattice import Lattice
from jointwise.scoring.reading.formats import read_scan
from jointwise.scoring.reading.settings import ReadSettings

LATTICE = Lattice((14, 20, 24), (-1.0, 2.0, 0.5), (0.02, 0.02, 0.02))
Refusal = Callable[..., str]
Writers = dict[str, Callable[..., Any]]


def volume(dtype: str = "uint16") -> np.ndarray:
    return np.asarray(np.random.default_rng(3).uniform(0, 200, LATTICE.shape), dtype)


def h5(path: Path, fill: Callable[[h5py.File], Any]) -> Path:
    with h5py.File(path, "w") as file:
        fill(file)
    return path


HDF5 = [
    (lambda f: f.create_group("g"), "", "found none"),
    (lambda f: f.create_dataset("flat", data=volume()[0]), "", "found none"),
    (lambda f: [f.create_dataset(k, data=volume()) for k in "ab"], "", "found /a, /b"),
    (lambda f: f.create_dataset("a", data=volume()), "b", "volumes there: /a"),
    (lambda f: f.create_dataset("g/a", data=volume()), "g", "found a group"),
    (lambda f: f.create_dataset("a", data=volume()[None, None].repeat(2, 0)), "a", "2 x 1 x 14 x 20 x 24"),
    (lambda f: f.create_dataset("a", data=volume().astype("c8")), "a", "found complex64"),
    (lambda f: f.create_dataset("a", data=volume().astype("i8")), "a", "found int64"),
    (lambda f: f.create_dataset("a", data=b"text"), "a", "a single value"),
    (lambda f: f.create_dataset("a", (0, 20, 24), "u2"), "a", "0 x 20 x 24"),
    (lambda f: f.create_dataset("a", (10**6,) * 3, "u2"), "a", "none written"),
    (lambda f: f.create_dataset("a", (10**6,) * 3, "u2", chunks=(8, 8, 8)), "a", "chunks"),
    (lambda f: f.create_dataset("a", (10**4,) * 3, "u2", chunks=(10**3,) * 3), "a", "smaller ones"),
    (lambda f: f.create_dataset("a", data=volume()), "a", "read.spacing_um"),
    (lambda f: f.create_dataset("a", data=volume()).attrs.update(element_size_um=[1, 2]), "a", "1 or 3 numbers"),
    (lambda f: f.create_dataset("a", data=volume()).attrs.update(element_size_um="wide"), "a", "HDF5"),
    (lambda f: f.create_dataset("a", data=volume()).attrs.update(spacing_mm=[0, 0, 0]), "a", "1 to 200 µm"),
    (lambda f: f.create_dataset("a", data=volume()).attrs.update(spacing_mm=np.nan), "a", "1 to 200 µm"),
    (lambda f: f.__setitem__("a", h5py.SoftLink("/a")), "a", "leads nowhere"),
    (lambda f: f.__setitem__("a", h5py.SoftLink("/b")), "a", "leads nowhere"),
    (lambda f: (f.create_group("g").__setitem__("up", f)), "g/up/g/up", "found a group"),
    (lambda f: f.__setitem__("a", h5py.ExternalLink("other.h5", "/a")), "a", "a link to"),
    (lambda f: f.__setitem__("a", h5py.ExternalLink("none.h5", "/a")), "a", "leads nowhere"),
    (lambda f: f.create_dataset("a", (14, 20, 24), "u2", external=[("/etc/passwd", 0, 13440)]), "a", "other files"),
    (lambda f: f.create_virtual_dataset("a", virtual()), "a", "other files"),
]  # fmt: skip


def virtual() -> h5py.VirtualLayout:
    layout = h5py.VirtualLayout((14, 20, 24), "u2")
    layout[:] = h5py.VirtualSource("other.h5", "a", (14, 20, 24))
    return layout


@pytest.mark.parametrize("case", range(len(HDF5)))
def test_hdf5(refusal: Refusal, tmp_path: Path, case: int) -> None:
    fill, dataset, words = HDF5[case]
    h5(tmp_path / "other.h5", lambda f: f.create_dataset("a", data=volume()))
    assert words in refusal(h5(tmp_path / "a.h5", fill), ReadSettings(dataset=dataset))


def test_hdf5_chunk_never_written(refusal: Refusal, tmp_path: Path) -> None:
    def fill(file: h5py.File) -> None:
        data = file.create_dataset("a", LATTICE.shape, "u2", chunks=(7, 20, 24))
        data[:7] = volume()[:7]
        data.attrs["spacing_um"] = 20

    path = h5(tmp_path / "a.h5", fill)
    assert "expected 2 chunks" in refusal(path)
    empty = read_scan(path, ReadSettings(absent_chunks=True)).volume
    assert not empty[7:14, :, :].any()


def zarr_json(path: Path) -> tuple[Path, Any]:
    return path / "zarr.json", json.loads((path / "zarr.json").read_text())


ZARR: list[tuple[Callable[[Any], Any], str]] = [
    (lambda m: m.update(ome={"multiscales": []}), "multiscales"),
    (lambda m: m.update(ome={"multiscales": "no"}), "multiscales"),
    (lambda m: m.update(ome={}), "the name of an array"),
    (lambda m: m["ome"]["multiscales"][0].pop("datasets"), "expected datasets"),
    (lambda m: m["ome"]["multiscales"][0].update(datasets=[]), "expected datasets"),
    (lambda m: m["ome"]["multiscales"][0]["datasets"][0].update(path="../secret.zarr"), "inside"),
    (lambda m: m["ome"]["multiscales"][0]["datasets"][0].update(path="/etc"), "inside"),
    (lambda m: m["ome"]["multiscales"][0]["datasets"][0].update(path="s9"), "an array s9"),
    (lambda m: m["ome"]["multiscales"][0]["datasets"][0].update(coordinateTransformations=[{}]), "multiscales"),
    (lambda m: m["ome"]["multiscales"][0]["datasets"][0].update(coordinateTransformations=7), "multiscales"),
    (lambda m: m["ome"]["multiscales"][0]["datasets"][0].update(
        coordinateTransformations=[{"type": "scale", "scale": [1, 0, 20, 20]}]), "0 µm along z"),
    (lambda m: m["ome"]["multiscales"][0]["datasets"][0].update(
        coordinateTransformations=[{"type": "scale", "scale": [1, -20, 20, 20]}]), "-20 µm along z"),
    (lambda m: m["ome"]["multiscales"][0]["datasets"][0].update(
        coordinateTransformations=[{"type": "scale", "scale": [20]}]), "multiscales"),
    (lambda m: m["ome"]["multiscales"][0]["axes"][1].update(unit="parsec"), "read.spacing_um"),
    (lambda m: m["ome"]["multiscales"][0]["axes"][1].pop("unit"), "read.spacing_um"),
    (lambda m: m.update(zarr_format=99), "a Zarr folder"),
    (lambda m: m.update(node_type="table"), "a Zarr folder"),
    (lambda m: m.clear(), "the name of an array"),
]  # fmt: skip


@pytest.mark.parametrize("case", range(len(ZARR)))
def test_zarr_group(refusal: Refusal, tmp_path: Path, writers: Writers, case: int) -> None:
    change, words = ZARR[case]
    path = writers["zarr_v3_sharded"](tmp_path, volume(), LATTICE).path
    file, keys = zarr_json(path)
    keys.setdefault("ome", keys["attributes"].pop("ome"))
    change(keys)
    if "ome" in keys:
        keys["attributes"]["ome"] = keys.pop("ome")
    file.write_text(json.dumps(keys))
    assert words in refusal(path)


ZARR_ARRAY: list[tuple[Callable[[Any], Any], str]] = [
    (lambda m: m.update(shape=[2, 14, 20, 24]), "2 x 14 x 20 x 24"),
    (lambda m: m.update(shape=[20, 24]), ""),
    (lambda m: m.update(shape=[1, 10**9, 10**9, 10**9]), "chunks"),
    (lambda m: m.update(shape=[1, -14, 20, 24]), ""),
    (lambda m: m.update(data_type="int64"), "found int64"),
    (lambda m: m.update(data_type="complex64"), "an array s0"),
    (lambda m: m.update(data_type="thing"), ""),
    (lambda m: m["chunk_grid"]["configuration"].update(chunk_shape=[1, 0, 16, 16]), ""),
    (lambda m: m["chunk_grid"]["configuration"].update(chunk_shape=[1, 2**12, 2**12, 2**12]), ""),
    (lambda m: m["chunk_grid"].update(name="spiral"), ""),
    (lambda m: m.update(codecs=[]), ""),
    (lambda m: m.update(codecs=[{"name": "magic"}]), ""),
]


@pytest.mark.parametrize("case", range(len(ZARR_ARRAY)))
def test_zarr_array(refusal: Refusal, tmp_path: Path, writers: Writers, case: int) -> None:
    change, words = ZARR_ARRAY[case]
    path = writers["zarr_v3_sharded"](tmp_path, volume(), LATTICE).path
    file, keys = zarr_json(path / "s0")
    change(keys)
    file.write_text(json.dumps(keys))
    assert words in refusal(path)


def test_zarr_chunks_absent_linked_and_long(refusal: Refusal, tmp_path: Path, writers: Writers) -> None:
    path = writers["zarr_v2"](tmp_path, volume(), LATTICE).path
    chunk = path / "s0" / "0.1.1.1"
    if not chunk.exists():
        chunk = path / "s0" / "0" / "1" / "1" / "1"
    data = chunk.read_bytes()
    chunk.unlink()
    assert "read.absent_chunks" in refusal(path)
    (tmp_path / "secret").write_bytes(data)
    chunk.symlink_to(tmp_path / "secret")
    assert "a link to another place" in refusal(path)
    chunk.unlink()
    chunk.symlink_to("/dev/zero")
    assert "a link to another place" in refusal(path)
    chunk.unlink()
    chunk.write_bytes(data + bytes(10**6))
    assert "bytes in each chunk" in refusal(path)
    chunk.write_bytes(data)
    assert read_scan(path).volume.shape == LATTICE.shape
    assert "expected one of s0, s1" in refusal(path, ReadSettings(dataset="7"))
