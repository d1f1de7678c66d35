"""Headers and sidecars that lie: NRRD, NIfTI, raw."""

import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import nibabel
import numpy as np
import pytest

from jointwise.joints.lattice import Lattice

LATTICE = Lattice((14, 20, 24), (-1.0, 2.0, 0.5), (0.02, 0.02, 0.02))
Refusal = Callable[..., str]
Writers = dict[str, Callable[..., Any]]


def volume(dtype: str = "uint16") -> np.ndarray:
    return np.asarray(np.random.default_rng(3).uniform(0, 200, LATTICE.shape), dtype)


def put(path: Path, at: int, data: bytes) -> None:
    whole = bytearray(path.read_bytes())
    whole[at : at + len(data)] = data
    path.write_bytes(bytes(whole))


def swap(path: Path, pattern: str, text: str) -> None:
    """Replace what stands in a text header."""
    before = path.read_bytes()
    after = re.sub(pattern.encode(), lambda _: text.encode(), before, count=1)
    assert after != before
    path.write_bytes(after)


NRRD_LINES = [
    ("sizes: .*", "sizes: 24 20 -14", "at least one voxel"),
    ("sizes: .*", "sizes: 24 20 99999999999999", "cut short"),
    ("sizes: .*", "sizes: 24 20", "three dimensions"),
    ("sizes: .*", "sizes: many", "an NRRD header"),
    ("dimension: 3", "dimension: 4", "three dimensions"),
    ("type: .*", "type: block", "found void"),
    ("type: .*", "type: int64", "found int64"),
    ("type: .*", "type: double", "cut short"),
    ("encoding: raw", "encoding: hex", "export it as raw"),
    ("encoding: raw", "encoding: text", "export it as raw"),
    ("endian: little", "endian: middle", "type of voxels"),
    ("endian: little\n", "", "type of voxels"),
    ("space directions: .*", "space directions: (0,0,0) (0,0.02,0) (0,0,0.02)", "0 µm along x"),
    ("space directions: .*", "space directions: (0.02,0.02,0) (0,0.02,0) (0,0,0.02)", "resample it"),
    ("space directions: .*", "space directions: (nan,0,0) (0,0.02,0) (0,0,0.02)", "along the frame's x, y and z"),
    ("space directions: .*\n", "", "read.spacing_um"),
    ("space directions: .*", "spacings: -0.02 0.02 0.02", "-20 µm along x"),
    ("space directions: .*", "spacings: 0.02 0.02 0.15", "about as long as wide"),
    ("space origin: .*", "space origin: (1e30,0,0)", "a finite origin"),
    ("space: .*", 'space units: "furlong" "furlong" "furlong"\nspace: left-posterior-superior', "unit of length"),
    ("kinds: .*", "kinds: RGB-color domain domain", "one number per voxel"),
    ("encoding: raw", "encoding: raw\nbyte skip: 7", "cut short"),
    ("encoding: raw", "encoding: raw\nline skip: 3", "export it plainly"),
    ("encoding: raw", "encoding: raw\nline skip: x", "an NRRD header"),
    ("encoding: raw", "encoding: raw\nencoding: raw", "an NRRD header"),
    ("encoding: raw", "encoding: raw\ndata file: ../a.raw", "bare name"),
    ("encoding: raw", "encoding: raw\ndata file: /etc/passwd", "bare name"),
    ("encoding: raw", "encoding: raw\ndata file: LIST", "list of slices"),
    ("encoding: raw", "encoding: raw\ndata file: s_%03d.raw 1 14 1", "list of slices"),
    ("encoding: raw", "encoding: raw\ndata file: C:\\\\temp\\\\a.raw", "bare name"),
    ("encoding: raw", "encoding: raw\ndata file: none.raw", "no such file"),
]  # fmt: skip


@pytest.mark.parametrize(("pattern", "line", "words"), NRRD_LINES)
def test_nrrd(
    refusal: Refusal, tmp_path: Path, writers: Writers, pattern: str, line: str, words: str
) -> None:
    path = writers["nrrd_by_itk"](tmp_path, volume(), LATTICE).path
    swap(path, pattern, line)
    assert words in refusal(path)


NIFTI_FIELDS = [
    ("dim", [3, -5, 20, 14, 1, 1, 1, 1], "at least one voxel"),
    ("dim", [3, 32767, 32767, 32767, 1, 1, 1, 1], "cut short"),
    ("dim", [2, 24, 280, 1, 1, 1, 1, 1], "found 2"),
    ("dim", [4, 24, 20, 7, 2, 1, 1, 1], "found 4"),
    ("dim", [0, 24, 20, 14, 1, 1, 1, 1], "found 0"),
    ("dim", [99, 24, 20, 14, 1, 1, 1, 1], "three dimensions"),
    ("datatype", 128, "colour"),
    ("datatype", 32, "colour"),
    ("datatype", 1024, "found int64"),
    ("datatype", 9999, "type of voxels"),
    ("vox_offset", -4, "behind the header"),
    ("vox_offset", 1e30, "behind the header"),
    ("vox_offset", 5000, "cut short"),
    ("vox_offset", np.nan, "behind the header"),
    ("srow_x", [0, 0, 0, 0], "0 µm along x"),
    ("srow_x", [0.02, 0.02, 0, 0], "resample it"),
    ("srow_x", [np.nan, 0, 0, 0], "along the frame's x, y and z"),
    ("srow_x", [-0.02, 0, 0, 1e30], "a finite origin"),
    ("xyzt_units", 1, "1 to 200 µm"),
    ("xyzt_units", 7, "NIfTI header"),
]


@pytest.mark.parametrize(("field", "value", "words"), NIFTI_FIELDS)
def test_nifti(
    refusal: Refusal, tmp_path: Path, writers: Writers, field: str, value: Any, words: str
) -> None:
    path = writers["nii_by_itk"](tmp_path, volume(), LATTICE).path
    header = nibabel.Nifti1Header(path.read_bytes()[:348], check=False)
    header[field] = value
    put(path, 0, header.binaryblock)
    assert words in refusal(path)


SIDECARS: list[tuple[Any, str]] = [
    ("[" * 100000, "JSON"),
    ("scan of monday", "JSON"),
    ([1, 2], "shape and type"),
    ({"shape": None}, "shape and type"),
    ({"voxel": 3}, "shape and type"),
    ({"shape": [14, 20]}, "three whole numbers"),
    ({"shape": [14, 20, -24]}, "three whole numbers"),
    ({"shape": [14, 20, 24.0]}, "three whole numbers"),
    ({"shape": "14 20 24"}, "three whole numbers"),
    ({"shape": [10**9, 10**9, 10**9]}, "bytes"),
    ({"shape": [14, 20, 23]}, "bytes"),
    ({"type": "object"}, "not one of"),
    ({"type": ["uint16"]}, "not one of"),
    ({"type": "float64"}, "bytes"),
    ({"byte_order": "middle"}, "byte_order"),
    ({"byte_order": {}}, "sound values"),
    ({"offset_bytes": -14}, "offset_bytes"),
    ({"offset_bytes": 10**40}, "offset_bytes"),
    ({"spacing_um": 0}, "one voxel size or three"),
    ({"spacing_um": -20}, "one voxel size or three"),
    ({"spacing_um": [20, 20]}, "one voxel size or three"),
    ({"spacing_um": "wide"}, "one voxel size or three"),
    ({"spacing_um": float("nan")}, "one voxel size or three"),
    ({"spacing_um": [20, 20, 150]}, "about as long as wide"),
    ({"axes": "xyy"}, "x, y and z once each"),
    ({"axes": 7}, "x, y and z once each"),
    ({"origin_mm": [0, 0]}, "sound values"),
    ({"origin_mm": [0, 0, 1e300]}, "finite origin"),
    ({"origin_mm": "here"}, "sound values"),
    ({"file": "../a.raw"}, "bare name"),
    ({"file": "/dev/zero"}, "bare name"),
    ({"file": "s_%03d.raw"}, "list of slices"),
    ({"file": ""}, "bare name"),
    ({"file": "a\x1b[2J.raw"}, "bare name"),
    ({"file": "x" * 5000}, "bare name"),
    ({"file": "loop.raw"}, "no such file"),
    ({"file": "away.raw"}, "a link to another folder"),
    ({"file": "pipe.raw"}, "no such file"),
]


@pytest.mark.parametrize(("keys", "words"), SIDECARS)
def test_sidecars(refusal: Refusal, tmp_path: Path, writers: Writers, keys: Any, words: str) -> None:
    home = tmp_path / "home"
    home.mkdir()
    path = writers["raw"](home, volume(), LATTICE).path
    sidecar = home / "a.raw.json"
    usual = json.loads(sidecar.read_text())
    (tmp_path / "secret.raw").write_bytes(path.read_bytes())
    (home / "loop.raw").symlink_to(home / "loop.raw")
    (home / "away.raw").symlink_to(tmp_path / "secret.raw")
    os.mkfifo(home / "pipe.raw")
    if isinstance(keys, dict):
        keys = {k: v for k, v in {**usual, **keys}.items() if v is not None}
    sidecar.write_text(keys if isinstance(keys, str) else json.dumps(keys))
    assert words in refusal(path)
    assert words in refusal(sidecar)
