"""Generation killed at random moments. Guards: lost or doubled joints, orphaned workers, litter, another store."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from jointwise.data_gen.drawing.record_json import to_json
from jointwise.data_gen.generate import generate, remake
from jointwise.data_gen.settings import FamilySettings, GeneratorSettings, ScanSettings
from jointwise.joints.grid import Grid
from jointwise.joints.store import JOURNAL, MANIFEST, Store, damaged_shards, read_manifest

SCANS, KILLS, SEED = 24, 8, 20
GRID = Grid((12, 14, 14))
SETTINGS = GeneratorSettings(
    family=FamilySettings(rows=(1, 1), cols=(2, 3)),
    scan=ScanSettings(voxels_per_ball=(8.0, 8.5), views=(60, 60), pixels_mm=(0.2,)),
)
SCRIPT = f"""
import sys
from pathlib import Path
from jointwise.data_gen.drawing.record_json import from_json
from jointwise.data_gen.drawing.record_json import to_json
from jointwise.data_gen.generate import generate
from jointwise.data_gen.settings import GeneratorSettings
from jointwise.joints.grid import Grid

if __name__ == "__main__":
    settings, grid = from_json(sys.argv[2], GeneratorSettings), Grid({GRID.shape})
    generate(settings, Path(sys.argv[1]), scans={SCANS}, seed=5, grid=grid, workers=2, progress=False)
"""


@pytest.fixture(scope="module")
def pace() -> dict[str, float]:
    """Seconds from one scan to the next in the unbroken run; filled by it."""
    return {}


@pytest.fixture(scope="module")
def unbroken(tmp_path_factory: pytest.TempPathFactory, pace: dict[str, float]) -> Path:
    folder = tmp_path_factory.mktemp("unbroken")
    generate(SETTINGS, folder, scans=SCANS, seed=5, grid=GRID, progress=False)
    written = sorted(path.stat().st_mtime for path in folder.glob("*.parquet"))
    pace["scan"] = float(np.median(np.diff(written)))  # the first may hold compilation
    return folder


def same_bits(folder: Path, other: Path) -> None:
    """Every file of two stores but the lock, byte for byte; so nothing is lost, doubled or left over."""
    names = sorted(path.name for path in other.iterdir())
    assert sorted(path.name for path in folder.iterdir()) == names
    assert len(names) == 2 * SCANS + 2
    for name in names:
        assert (folder / name).read_bytes() == (other / name).read_bytes(), name


def listed(folder: Path) -> int:
    return len(read_manifest(folder)["shards"]) if (folder / MANIFEST).exists() else 0


def family(process: int) -> set[int]:
    """The processes that a process has begun, and theirs."""
    found = set()
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text().rpartition(")")[2].split()
        except OSError:
            continue  # it ended meanwhile
        if int(fields[1]) == process:
            child = int(status.parent.name)
            found |= {child} | family(child)
    return found


def alive(process: int) -> bool:
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def wait_until(truth, seconds: float) -> bool:  # type: ignore[no-untyped-def]
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if truth():
            return True
        time.sleep(0.01)
    return False


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks for orphans in /proc")
def test_eight_kills_at_random_moments_end_in_the_store_of_an_unbroken_run(
    unbroken: Path, tmp_path: Path, pace: dict[str, float]
) -> None:
    script, folder, rng = tmp_path / "run.py", tmp_path / "store", np.random.default_rng(SEED)
    script.write_text(SCRIPT)
    kills: list[tuple[int, float]] = []
    line = [sys.executable, script, folder, to_json(SETTINGS)]
    for _ in range(KILLS):
        process = subprocess.Popen(line, stderr=subprocess.DEVNULL)
        before = listed(folder)
        # Now and then before anything is listed, else at a random moment after the next shard. The delay goes by this
        # machine's own pace: on a quick one a fixed delay would let the work end before the last kill.
        if rng.random() < 0.6:
            assert wait_until(lambda known=before: listed(folder) > known, 100)
        delay = float(rng.uniform(0.0, 1.0)) * pace["scan"]
        time.sleep(delay)
        children = family(process.pid)
        process.send_signal(signal.SIGKILL)
        process.wait()
        kills.append((listed(folder), round(delay, 3)))
        assert wait_until(lambda known=children: not any(map(alive, known)), 20), (
            "workers outlive their parent"
        )
    print(f"seed {SEED}; shards listed and delay at each kill: {kills}")
    assert kills[0][0] < kills[-1][0] < SCANS, (
        "kills fell before or after the work; choose another number of scans"
    )
    generate(SETTINGS, folder, scans=SCANS, seed=5, grid=GRID, progress=False)
    same_bits(folder, unbroken)
    assert Store(folder).fingerprint == Store(unbroken).fingerprint


def flipped(folder: Path) -> None:
    path = folder / "scan_00001.safetensors"
    data = bytearray(path.read_bytes())
    data[-7] ^= 4
    path.write_bytes(bytes(data))


def truncated(folder: Path) -> None:
    os.truncate(folder / "scan_00001.parquet", 99)


def missing(folder: Path) -> None:
    (folder / "scan_00001.safetensors").unlink()


@pytest.mark.slow
@pytest.mark.parametrize("harm", [flipped, truncated, missing])
def test_damage_is_found_and_remade_to_the_same_bits(unbroken: Path, harm) -> None:  # type: ignore[no-untyped-def]
    before = {path.name: path.read_bytes() for path in unbroken.iterdir()}
    harm(unbroken)
    assert damaged_shards(unbroken) == ["scan_00001"]
    remake(unbroken, ["scan_00001"], progress=False)
    assert damaged_shards(unbroken) == []
    assert {path.name: path.read_bytes() for path in unbroken.iterdir()} == before
    assert not (unbroken / JOURNAL).exists()
