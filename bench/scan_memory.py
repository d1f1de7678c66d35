"""How much memory and time a scan of 4 GB takes: 2,000 x 2,000 x 500 voxels of 16 bits, in several formats.

The scan is written slab by slab into a temporary folder, then copied into each format in turn: truncated balls of
solder in a square array, with laminate below, a package above, edges a voxel wide and noise, 30 voxels a ball. A child
process for each format scores it with the detectors of a model folder, or only reads and cuts boxes out of it
(`--only read`); its peak resident memory is what the kernel says of it. Disk needed: three times the scan.

    python bench/scan_memory.py --out bench/scan_memory.csv

`--model FOLDER` takes other detectors than those that come along, `--voxels X Y Z` another size, `--formats` some only.
"""

from __future__ import annotations

import argparse
import csv
import json
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

VOXEL_MM, PITCH_MM, BALL_MM = 0.016, 0.8, 0.48
AIR, SOLDER, LAMINATE, NOISE = 8000.0, 40000.0, 11000.0, 1500.0
SLAB = 25  # slices made at once
MARGIN_MM = 0.9
COLUMNS = ("what", "format", "voxels", "GiB on disk", "peak GiB", "seconds", "joints")


def slabs(size: tuple[int, int, int], seed: int = 0) -> Iterator[NDArray[np.uint16]]:
    """The scan from low z to high z."""
    nx, ny, nz = size
    rng = np.random.default_rng(seed)
    middle, standoff = nz * VOXEL_MM / 2, 0.72 * BALL_MM
    x, y = _to_ball(nx), _to_ball(ny)
    for first in range(0, nz, SLAB):
        z = (np.arange(first, min(first + SLAB, nz)) + 0.5) * VOXEL_MM - middle
        grey = np.empty((len(z), ny, nx), np.uint16)
        for k, height in enumerate(z):
            radius = (
                np.sqrt(max((0.54 * BALL_MM) ** 2 - height**2, 0.0)) if abs(height) < standoff / 2 else 0.0
            )
            share = (
                np.clip(0.5 + (radius - np.hypot(x[None, :], y[:, None])) / VOXEL_MM, 0, 1) if radius else 0.0
            )
            beside = LAMINATE if standoff / 2 < abs(height) < 1.6 * BALL_MM else AIR
            noise = rng.standard_normal((ny, nx), np.float32) * np.float32(NOISE)
            grey[k] = np.clip(beside + share * (SOLDER - beside) + noise, 0, 65535)
        yield grey


def _to_ball(voxels: int) -> NDArray[np.float32]:
    """Distance to the nearest ball's axis along one direction, mm; far in the free margin."""
    place = (np.arange(voxels) + 0.5) * VOXEL_MM
    count = int((voxels * VOXEL_MM - 2 * MARGIN_MM) // PITCH_MM) + 1
    first = (voxels * VOXEL_MM - (count - 1) * PITCH_MM) / 2
    nearest = np.clip(np.round((place - first) / PITCH_MM), 0, count - 1)
    return np.asarray(place - first - nearest * PITCH_MM, np.float32)


def make(home: Path, size: tuple[int, int, int]) -> None:
    """The voxels once, raw, with two headers: a sidecar and one of MetaImage."""
    with (home / "scan.raw").open("wb") as file:
        for slab in slabs(size):
            file.write(slab.tobytes())
    keys = {"shape": size[::-1], "type": "uint16", "spacing_um": 1000 * VOXEL_MM}
    (home / "scan.raw.json").write_text(json.dumps(keys))
    (home / "scan.mhd").write_text(
        f"NDims = 3\nDimSize = {' '.join(map(str, size))}\nElementSpacing = {VOXEL_MM} {VOXEL_MM} {VOXEL_MM}\n"
        "ElementType = MET_USHORT\nElementDataFile = scan.raw\n"
    )


def made(home: Path, size: tuple[int, int, int]) -> Iterator[NDArray[np.uint16]]:
    """The slabs again."""
    plane = size[0] * size[1]
    for first in range(0, size[2], SLAB):
        count = min(SLAB, size[2] - first)
        slab = np.fromfile(home / "scan.raw", np.uint16, count * plane, offset=2 * first * plane)
        yield slab.reshape(count, size[1], size[0])


def raw(home: Path, folder: Path, size: tuple[int, int, int]) -> Path:  # noqa: ARG001 - one signature
    """Raw voxels with a sidecar."""
    return home / "scan.raw"


def mhd(home: Path, folder: Path, size: tuple[int, int, int]) -> Path:  # noqa: ARG001 - one signature
    """MetaImage, uncompressed."""
    return home / "scan.mhd"


def tiff_folder(home: Path, folder: Path, size: tuple[int, int, int]) -> Path:
    """Uncompressed slices."""
    import tifffile

    pages = (page for slab in made(home, size) for page in slab)
    for n, page in enumerate(pages):
        tifffile.imwrite(
            folder / f"slice_{n:04}.tif", page, resolution=(10 / VOXEL_MM,) * 2, resolutionunit="CENTIMETER"
        )
    return folder


def hdf5(home: Path, folder: Path, size: tuple[int, int, int]) -> Path:
    """Chunks, compressed."""
    import h5py

    with h5py.File(folder / "scan.h5", "w") as file:
        data = file.create_dataset(
            "volume", size[::-1], np.uint16, chunks=(25, 100, 100), compression="gzip", compression_opts=1
        )
        data.attrs["element_size_um"] = [1000 * VOXEL_MM] * 3
        for n, slab in enumerate(made(home, size)):
            data[n * SLAB : n * SLAB + len(slab)] = slab
    return folder / "scan.h5"


def nii_gz(home: Path, folder: Path, size: tuple[int, int, int]) -> Path:
    """One compressed stream."""
    import gzip

    import nibabel

    header = nibabel.Nifti1Header()
    header.set_data_dtype(np.uint16)
    header.set_data_shape(size)
    header.set_zooms((VOXEL_MM,) * 3)
    header.set_xyzt_units("mm")
    header["vox_offset"], header["magic"] = 352, b"n+1"
    with gzip.open(folder / "scan.nii.gz", "wb", compresslevel=1) as file:
        file.write(header.binaryblock + bytes(4))
        for slab in made(home, size):
            file.write(slab.tobytes())
    return folder / "scan.nii.gz"


WRITERS: dict[str, Callable[[Path, Path, tuple[int, int, int]], Path]] = {
    "raw with sidecar": raw,
    "MetaImage": mhd,
    "TIFF slices": tiff_folder,
    "HDF5, gzip chunks": hdf5,
    "NIfTI, gzip": nii_gz,
}


def measure_here(path: Path, what: str, model: Path | None) -> dict[str, Any]:
    """In the child: score or read, and say what it took."""
    started = time.perf_counter()
    joints = _score(path, model) if what == "score" else _read(path)
    seconds = time.perf_counter() - started
    # ru_maxrss would begin with the peak of the process that started this one.
    status = Path("/proc/self/status").read_text()
    peak = re.search(r"VmHWM:\s+(\d+) kB", status)
    if peak is None:
        raise RuntimeError("expected VmHWM in /proc/self/status")
    return {"peak": int(peak[1]) / 2**20, "seconds": seconds, "joints": joints}


def _score(path: Path, model: Path | None) -> int:
    from jointwise.models.bench import load_bench, load_shipped
    from jointwise.scoring.run import score_scan
    from jointwise.scoring.settings import ArraySettings, ScoreSettings

    detectors = ("learned", "rules")
    bench = load_bench(model, detectors, "cpu") if model else load_shipped(detectors, "cpu")
    array = ArraySettings(PITCH_MM, BALL_MM)
    return int((score_scan(path, array, ScoreSettings(), bench.grid, bench).table["present"] == 1).sum())


def _read(path: Path) -> int:
    """Every voxel once, as reading checks them, then the box of every joint."""
    from jointwise.scoring.reading.formats import read_scan

    scan = read_scan(path)
    nz, ny, nx = scan.lattice.shape
    half, pitch = int(0.6 * PITCH_MM / VOXEL_MM), PITCH_MM / VOXEL_MM
    joints = 0
    for y in np.arange(MARGIN_MM / VOXEL_MM, ny - MARGIN_MM / VOXEL_MM, pitch).astype(int):
        for x in np.arange(MARGIN_MM / VOXEL_MM, nx - MARGIN_MM / VOXEL_MM, pitch).astype(int):
            z = nz // 2
            box = scan.volume[z - half : z + half, y - half : y + half, x - half : x + half]
            joints += int(box.max() > (AIR + SOLDER) / 2)
    return joints


def measure(
    name: str, size: tuple[int, int, int], what: str, model: Path | None, home: Path
) -> dict[str, Any]:
    """Write the scan in a format, let a child measure, and take the copy away again."""
    with tempfile.TemporaryDirectory(dir=home) as folder:
        path = WRITERS[name](home, Path(folder), size)
        ours = [file for file in Path(folder).iterdir() if file.is_file()] or [home / "scan.raw"]
        disk = sum(file.stat().st_blocks * 512 for file in ours)
        words = [sys.executable, __file__, "--child", str(path), "--only", what]
        done = subprocess.run(
            [*words, *(["--model", str(model)] if model else [])], capture_output=True, text=True
        )
        if done.returncode:
            raise RuntimeError(done.stderr)
        found = json.loads(done.stdout.splitlines()[-1])
    return {
        "what": what, "format": name, "voxels": " x ".join(map(str, size)), "GiB on disk": f"{disk / 2**30:.2f}",
        "peak GiB": f"{found['peak']:.2f}", "seconds": f"{found['seconds']:.0f}", "joints": found["joints"],
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, default=Path(__file__).with_suffix(".csv"))
    parser.add_argument("--model", type=Path)
    parser.add_argument("--only", choices=("score", "read"), default="score")
    parser.add_argument("--voxels", type=int, nargs=3, default=(2000, 2000, 500), metavar=("X", "Y", "Z"))
    parser.add_argument("--formats", nargs="+", choices=tuple(WRITERS), default=tuple(WRITERS))
    parser.add_argument(
        "--where", type=Path, default=Path(tempfile.gettempdir()), help="folder for the scans"
    )
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child:
        print(json.dumps(measure_here(asked.child, asked.only, asked.model)))
        return
    rows, size = [], (asked.voxels[0], asked.voxels[1], asked.voxels[2])
    with tempfile.TemporaryDirectory(dir=asked.where) as home:
        make(Path(home), size)
        for name in asked.formats:
            rows.append(measure(name, size, asked.only, asked.model, Path(home)))
            print(*rows[-1].values(), sep=", ", flush=True)
    with asked.out.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main()
