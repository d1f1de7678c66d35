"""Files that are nothing, odd paths, bombs; and what the command line says."""

import bz2
import json
import os
import subprocess
import sys
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import h5py
import nibabel
import numpy as np
import pydicom
import pytest
import tifffile

from jointwise.commands.main import main
from jointwise.joints.lattice import Lattice

LATTICE = Lattice((14, 20, 24), (-1.0, 2.0, 0.5), (0.02, 0.02, 0.02))
Refusal = Callable[..., str]
Writers = dict[str, Callable[..., Any]]


def volume(dtype: str = "uint16") -> np.ndarray:
    return np.asarray(np.random.default_rng(3).uniform(0, 200, LATTICE.shape), dtype)


@pytest.mark.parametrize("suffix", [
    ".mha", ".mhd", ".nrrd", ".nhdr", ".nii", ".nii.gz", ".tif", ".tiff", ".dcm", ".h5", ".hdf5", ".nxs", ".raw",
    ".raw.json", ".jpg", "", ".zarr",
])  # fmt: skip
@pytest.mark.parametrize("content", [b"", b"the scan of monday\n" * 40, bytes(range(256)) * 40])
def test_files_that_are_nothing(refusal: Refusal, tmp_path: Path, suffix: str, content: bytes) -> None:
    path = tmp_path / f"a{suffix}"
    path.write_bytes(content)
    assert str(path) in refusal(path)


def test_folders_and_odd_paths(refusal: Refusal, tmp_path: Path) -> None:
    assert "a folder without files" in refusal(tmp_path)
    (tmp_path / "note.txt").write_text("hello")
    assert "found neither" in refusal(tmp_path)
    assert "nothing there" in refusal(tmp_path / "none.mha")
    assert "nothing there" in refusal(tmp_path / ("x" * 500 + ".mha"))
    (tmp_path / "loop.mha").symlink_to(tmp_path / "loop.mha")
    assert "nothing there" in refusal(tmp_path / "loop.mha")
    os.mkfifo(tmp_path / "pipe.mha")
    assert "neither file nor folder" in refusal(tmp_path / "pipe.mha")
    assert "neither file nor folder" in refusal(Path("/dev/zero"))
    (tmp_path / "a.zarr").mkdir()
    (tmp_path / "a.zarr" / ".zgroup").write_text("{}")
    assert "the name of an array" in refusal(tmp_path / "a.zarr")


# --- files that claim or unpack to far more than there is ---------------------------------------------------------

MOST_MIB = 250
"""Above what the libraries themselves take; the files below claim gigabytes to exabytes."""

CHILD = """
import json, re, sys, time
from pathlib import Path
from jointwise.joints.errors import InputError
from jointwise.scoring.reading.formats import read_scan
from jointwise.scoring.reading.settings import ReadSettings
# ru_maxrss would begin with the parent's own peak.
peak_mib = lambda: int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024
for name in sys.argv[1:]:
    started = time.monotonic()
    try:
        read_scan(Path(name), ReadSettings(spacing_um="20"))
        text = "read"
    except InputError as error:
        text = str(error)
    print(json.dumps([name, text, peak_mib(), time.monotonic() - started]))
"""


def zeros_gzip(head: bytes, mib: int) -> bytes:
    """A gzip stream of a header and then nothing but zeros: less than a hundredth of what it unpacks to."""
    pack = zlib.compressobj(1, wbits=31)
    parts = [pack.compress(head), *(pack.compress(bytes(1 << 20)) for _ in range(mib)), pack.flush()]
    return b"".join(parts)


def bombs(folder: Path, writers: Writers) -> Iterator[tuple[Path, str]]:
    """Files, and words of their refusal."""
    header = nibabel.Nifti1Header()
    header.set_data_dtype("u2")
    header.set_data_shape((24, 20, 14))
    header["vox_offset"], header["magic"] = 352, b"n+1"
    yield folder / "small.nii.gz", "found more after unpacking"
    (folder / "small.nii.gz").write_bytes(zeros_gzip(header.binaryblock + bytes(4), 400))
    header.set_data_shape((32767, 32767, 32767))
    yield folder / "huge.nii.gz", "cut short"
    (folder / "huge.nii.gz").write_bytes(zeros_gzip(header.binaryblock + bytes(4), 4))
    lines = (
        "NRRD0004\ntype: uint16\ndimension: 3\nsizes: {}\nendian: little\nencoding: {}\nspacings: 1 1 1\n\n"
    )
    yield folder / "small.nrrd", "found more after unpacking"
    (folder / "small.nrrd").write_bytes(lines.format("24 20 14", "gzip").encode() + zeros_gzip(b"", 400))
    yield folder / "bz2.nrrd", "found more after unpacking"
    (folder / "bz2.nrrd").write_bytes(
        lines.format("24 20 14", "bzip2").encode() + bz2.compress(bytes(1 << 27))
    )
    yield folder / "line.nrrd", "an NRRD header"
    (folder / "line.nrrd").write_bytes(b"NRRD0004\n" + b"a" * (1 << 26))
    yield folder / "huge.mha", "cut short"
    form = "NDims = 3\nDimSize = 99999 99999 99999\nElementType = MET_USHORT\nCompressedData = True\n"
    (folder / "huge.mha").write_bytes(
        form.encode() + b"ElementDataFile = LOCAL\n" + zlib.compress(bytes(1 << 20))
    )
    yield folder / "line.mha", "MetaImage header"
    (folder / "line.mha").write_bytes(b"a" * (1 << 26))
    page = np.zeros((3000, 30000), np.uint8)
    tifffile.imwrite(folder / "wide.tif", page[:64], compression="zlib", metadata=None)
    with tifffile.TiffFile(folder / "wide.tif") as file:
        tag = file.pages[0].tags["ImageLength"]
    whole = bytearray((folder / "wide.tif").read_bytes())
    whole[tag.valueoffset : tag.valueoffset + 2] = (65535).to_bytes(2, "little")
    (folder / "wide.tif").write_bytes(bytes(whole))
    yield folder / "wide.tif", "cut short"
    with h5py.File(folder / "huge.h5", "w") as h5:
        h5.create_dataset("a", (10**6,) * 3, "u2", chunks=(64, 64, 64), compression="gzip")
    yield folder / "huge.h5", "chunks of voxels"
    with h5py.File(folder / "many.h5", "w") as h5:
        h5.create_dataset("a", (4000, 4000, 4000), "u2", chunks=(2000, 2000, 2000))
    yield folder / "many.h5", "smaller ones"
    (folder / "raw").mkdir()
    yield writers["raw"](folder / "raw", volume(), LATTICE).path, "bytes"
    sidecar = folder / "raw" / "a.raw.json"
    sidecar.write_text(json.dumps({**json.loads(sidecar.read_text()), "shape": [10**6] * 3}))
    (folder / "zarr").mkdir()
    path = writers["zarr_v3_sharded"](folder / "zarr", volume(), LATTICE).path
    keys = json.loads((path / "s0" / "zarr.json").read_text())
    (path / "s0" / "zarr.json").write_text(json.dumps({**keys, "shape": [1, 10**6, 10**6, 10**6]}))
    yield path, "chunks of voxels"
    (folder / "dicom").mkdir()
    path = writers["dicom"](folder / "dicom", volume(), LATTICE).path
    for file in path.glob("*_*"):
        slice_ = pydicom.dcmread(file)
        slice_.Rows = slice_.Columns = 65535
        slice_.save_as(file)
    yield path, "cut short"
    (folder / "nested.raw").write_bytes(bytes(100))
    (folder / "nested.raw.json").write_text("[" * (1 << 20))
    yield folder / "nested.raw", "JSON"


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is read from Linux's /proc")
@pytest.mark.filterwarnings("ignore:.*:UserWarning")
def test_bombs_take_little_memory_and_time(tmp_path: Path, writers: Writers) -> None:
    cases = list(bombs(tmp_path, writers))
    names = [str(path) for path, _ in cases]
    done = subprocess.run([sys.executable, "-c", CHILD, *names], capture_output=True, text=True, timeout=240)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    for (_, words), line in zip(cases, done.stdout.splitlines(), strict=True):
        name, text, peak_mib, seconds = json.loads(line)
        print(f"{peak_mib:.0f} MiB {seconds:.2f} s {text}")
        assert words in text, (name, text)
        assert peak_mib < MOST_MIB, (name, peak_mib)
        assert seconds < 10, (name, seconds)


# --- the command line ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "content"), [
    ("a.mha", b"hello"), ("b.nii.gz", b"\x1f\x8b\x08\x00"), ("c.tif", b"II*\0"), ("d.h5", b"\x89HDF"),
    ("e.raw", b"1234"), ("f.nhdr", b"NRRD0004\ndata file: ../x.raw\n"), ("g.jpg", b"?"),
])  # fmt: skip
def test_the_command_line_says_one_sentence(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], name: str, content: bytes
) -> None:
    (tmp_path / name).write_bytes(content)
    assert main(["score", f"scan={tmp_path / name}", f"out={tmp_path / 'out'}", "device=cpu"]) == 2
    said = capfd.readouterr().err.strip().splitlines()
    told = [line for line in said if "expected" in line]
    assert len(told) == 1, said
    assert name in told[0]
    assert "Traceback" not in "".join(said)
    assert not (tmp_path / "out").exists()
