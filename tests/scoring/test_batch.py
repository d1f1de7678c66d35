"""Several scans: one that fails does not stop the rest, done ones are not done again, nothing is ever half there."""

import errno
import json
import os
import shutil
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from jointwise.commands.failures import sentence
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.store import Shard, StoreWriter
from jointwise.scoring import write as write_module
from jointwise.scoring.batch import (
    AS_BEFORE,
    FAILURE,
    FAULT,
    REFUSED,
    SCORED,
    SUMMARY,
    Outcome,
    Work,
    plan,
    score_batch,
)
from jointwise.scoring.done import DONE, made_of, read_done, settled
from jointwise.scoring.write import REPORT, TABLE_PARQUET, results

SETTINGS = {"version": "1", "settings": {"pitch_mm": 0.8}}


@dataclass
class Lab:
    """Scoring that writes what it was given, fails where it is told to, and counts."""

    out: Path
    fail: dict[str, BaseException] = field(default_factory=dict)
    begun: list[str] = field(default_factory=list)
    steps: list[tuple[int, int, str]] = field(default_factory=list)

    def score(self, path: Path, tell: Callable[[str, int, int], None]) -> Any:
        self.begun.append(path.stem)
        tell("joints cut", 1, 2)
        if path.stem in self.fail:
            raise self.fail[path.stem]
        return SimpleNamespace(scan=SimpleNamespace(path=path))

    def write(self, scored: Any, folder: Path, _: Callable[[str, int, int], None]) -> list[tuple[str, str]]:
        with results(folder) as aside:
            (aside / TABLE_PARQUET).write_bytes(scored.scan.path.read_bytes())
            (aside / REPORT).write_text(f"report of {scored.scan.path.name}")
        return []

    def run(self, files: list[Path], **changes: Any) -> list[Outcome]:
        work = replace(Work(self.score, self.write, sentence, SETTINGS), **changes)  # type: ignore[arg-type]
        self.begun.clear()
        return score_batch(
            plan(files, self.out), self.out, work, lambda *s: self.steps.append(s), lambda _: None
        )


@pytest.fixture
def lab(tmp_path: Path) -> Lab:
    return Lab(tmp_path / "out")


@pytest.fixture
def scans(tmp_path: Path) -> list[Path]:
    folder = tmp_path / "lot"
    folder.mkdir()
    for n in range(3):
        (folder / f"b{n}.mha").write_bytes(b"scan %d" % n)
    return sorted(folder.iterdir())


def states(outcomes: list[Outcome]) -> list[str]:
    return [outcome.state for outcome in outcomes]


def test_each_scan_gets_its_folder_and_is_not_scored_twice(lab: Lab, scans: list[Path]) -> None:
    assert states(lab.run(scans)) == [SCORED] * 3
    assert {p.name for p in lab.out.iterdir()} == {"b0", "b1", "b2", ".writing"}
    assert (lab.out / "b1" / REPORT).read_text() == "report of b1.mha"
    assert states(lab.run(scans)) == [AS_BEFORE] * 3
    assert lab.begun == []
    assert states(lab.run(scans, again=True)) == [SCORED] * 3
    assert lab.steps[:2] == [(0, 3, "b0"), (0, 3, "b0: joints cut 1 of 2")]
    assert lab.steps[-1][:2] == (2, 3)
    assert lab.steps[-1][2].startswith("b2: joints cut 1 of 2, about ")


def test_a_failing_scan_does_not_stop_the_rest(lab: Lab, scans: list[Path]) -> None:
    lab.fail = {
        "b0": InputError("expected a scan, found none"),
        "b1": ZeroDivisionError("of ours\nin two lines"),
    }
    outcomes = lab.run(scans)
    assert states(outcomes) == [REFUSED, FAULT, SCORED]
    assert outcomes[0].sentence == "expected a scan, found none"
    assert outcomes[1].sentence.startswith("ZeroDivisionError: of ours in two lines; please report")
    assert "in score" in (lab.out / "b1" / FAILURE).read_text()
    assert not (lab.out / "b0").exists()
    lab.fail = {}
    assert states(lab.run(scans)) == [SCORED, SCORED, AS_BEFORE]
    assert lab.begun == ["b0", "b1"]
    assert not (lab.out / "b1" / FAILURE).exists()


def test_memory_and_missing_rights_are_the_users_to_mend(lab: Lab, scans: list[Path]) -> None:
    lab.fail = {"b0": MemoryError(), "b1": PermissionError(errno.EACCES, "no", "b1.mha")}
    assert states(lab.run(scans)) == [REFUSED, REFUSED, SCORED]
    gone = scans[2].with_name("gone.mha")
    hanging = scans[2].with_name("hanging.mha")
    hanging.symlink_to(gone)
    outcomes = lab.run([gone, hanging, scans[2]])
    assert states(outcomes) == [REFUSED, REFUSED, AS_BEFORE]
    assert "found nothing there" in outcomes[1].sentence


def test_what_changed_is_scored_anew(lab: Lab, scans: list[Path]) -> None:
    lab.run(scans)
    os.utime(scans[0], (1, 1))  # only touched
    before = scans[1].stat()
    scans[1].write_bytes(b"scan X")  # same size and time, other bytes
    os.utime(scans[1], ns=(before.st_atime_ns, before.st_mtime_ns))
    lab.run(scans)
    assert lab.begun == ["b1"]
    for made_from in (
        {**SETTINGS, "version": "2"},
        {**SETTINGS, "settings": {"pitch_mm": 1.0}},
        {**SETTINGS, "detectors": {"card.json": "abc"}},
    ):
        lab.run(scans, made_from=made_from)
        assert lab.begun == ["b0", "b1", "b2"]
    (lab.out / "b2" / REPORT).write_text("changed by hand")
    (lab.out / "b1" / TABLE_PARQUET).unlink()
    (lab.out / "b0" / DONE).write_text('{"format": 1')
    lab.run(scans, made_from=made_from)
    assert lab.begun == ["b0", "b1", "b2"]
    (lab.out / "b0" / DONE).write_text("[]")
    lab.run(scans, made_from=made_from)
    assert lab.begun == ["b0"]


def test_a_scan_that_changes_while_it_is_scored_is_not_told_of(lab: Lab, scans: list[Path]) -> None:
    score = lab.score

    def copying(path: Path, tell: Any) -> Any:
        path.write_bytes(path.read_bytes() + b"more")
        return score(path, tell)

    outcomes = lab.run(scans[:1], score=copying)
    assert states(outcomes) == [REFUSED]
    assert "changed while it was scored" in outcomes[0].sentence
    assert not (lab.out / "b0").exists()


def test_a_full_disk_leaves_earlier_results_whole(
    lab: Lab, scans: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    lab.run(scans)
    before = {p: p.read_bytes() for p in lab.out.rglob("*") if p.is_file()}
    lab.write, write = (lambda *_: full(*_)), lab.write  # type: ignore[method-assign, misc]

    def full(scored: Any, folder: Path, tell: Any) -> list[tuple[str, str]]:
        if scored.scan.path.stem == "b1":
            monkeypatch.setattr(write_module, "_sync", no_space)
        return write(scored, folder, tell)

    def no_space(_: Path) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with pytest.raises(InputError, match="disk is full.*goes on with b1"):
        lab.run(scans, again=True)
    assert lab.begun == ["b0", "b1"]
    for path, data in before.items():
        if path.parent.name != "b0":
            assert path.read_bytes() == data
    monkeypatch.undo()
    assert states(lab.run(scans)) == [AS_BEFORE] * 3  # b0 was made anew, the others stand from before


def test_results_of_other_runs_are_not_mixed_in(lab: Lab, scans: list[Path]) -> None:
    lab.run(scans)
    for name in (*SUMMARY, REPORT, "notes.txt"):
        (lab.out / name).write_text("earlier")
    lab.run(scans)
    assert (lab.out / SUMMARY[0]).exists()  # nothing was scored: it is still true
    scans[0].write_bytes(b"other")
    lab.run(scans)
    assert {p.name for p in lab.out.iterdir() if p.is_file()} == {".writing", "notes.txt"}


def test_where_results_may_lie(lab: Lab, scans: list[Path]) -> None:
    with pytest.raises(InputError, match="found the file"):
        plan(scans, scans[0])
    with pytest.raises(InputError, match="outside the scans"):
        plan([scans[0].parent], scans[0].parent / "out")
    again = Lab(lab.out)
    refused = []

    def meanwhile(path: Path, tell: Any) -> Any:
        with pytest.raises(InputError, match="another process"):
            again.run(scans)
        refused.append(path)
        return lab.score(path, tell)

    lab.run(scans[:1], score=meanwhile)
    assert refused == scans[:1]


def test_kept_joints_are_kept_once_and_again_where_the_store_is_gone(
    lab: Lab, scans: list[Path], tmp_path: Path
) -> None:
    store = tmp_path / "store"
    keep = {"store": str(store), "split": "train", "judging_only": False}
    write = lab.write

    def keeping(scored: Any, folder: Path, tell: Any) -> list[tuple[str, str]]:
        write(scored, folder, tell)
        with StoreWriter(store, Grid((8, 8, 8)), None, {}) as writer:
            writer.commit(Shard(scored.scan.path.stem, 1, "v", "t"))
        return [(scored.scan.path.stem, "v")]

    lab.run(scans)
    lab.run(scans, keep=keep, write=keeping)
    assert lab.begun == ["b0", "b1", "b2"]  # joints are cut again, to keep them
    lab.run(scans, keep=keep, write=keeping)
    assert lab.begun == []
    lab.run(scans)
    assert lab.begun == []
    lab.run(scans, keep={**keep, "split": "test"}, write=keeping)
    assert lab.begun == ["b0", "b1", "b2"]
    shutil.rmtree(store)
    lab.run(scans, keep={**keep, "split": "test"}, write=keeping)
    assert lab.begun == ["b0", "b1", "b2"]


def test_a_scan_is_all_its_files(tmp_path: Path) -> None:
    header, voxels, other = tmp_path / "a.mhd", tmp_path / "voxels of a.raw", tmp_path / "b.raw"
    header.write_text("NDims = 3\nElementDataFile = voxels of a.raw\n")
    voxels.write_bytes(b"1")
    other.write_bytes(b"1")
    before = made_of(header)
    other.write_bytes(b"2")
    assert made_of(header) == before
    voxels.write_bytes(b"2")
    assert made_of(header)["sha256"] != before["sha256"]
    series = tmp_path / "series"
    (series / "deep").mkdir(parents=True)
    (series / "1.dcm").write_bytes(b"1")
    (series / "deep" / "2.dcm").write_bytes(b"2")
    before = made_of(series)
    assert before["bytes"] == 2
    (series / "1.dcm").rename(series / "3.dcm")
    assert made_of(series)["sha256"] != before["sha256"]


def test_settings_stand_for_what_their_files_hold(tmp_path: Path) -> None:
    @dataclass
    class Inner:
        limits: Path
        workers: int = 0

    @dataclass
    class Outer:
        inner: Inner
        also: tuple[Path, ...]

    limits = tmp_path / "limits.yaml"
    limits.write_text("a: 1")
    settings = Outer(Inner(limits), (limits, tmp_path / "none"))
    before = settled(settings, ["workers"])
    settings.inner.workers = 3
    assert settled(settings, ["workers"]) == before
    assert settled(settings) != before
    limits.write_text("a: 2")
    changed = settled(settings, ["workers"])
    assert changed["inner"] != before["inner"]
    assert changed["also"][1] == before["also"][1]
    json.dumps(changed)


@pytest.mark.parametrize("new_is_in_place", [True, False])
def test_what_a_cut_off_swap_set_aside_comes_back(lab: Lab, scans: list[Path], new_is_in_place: bool) -> None:
    """Killed between the two renames of a swap, or before the user's own files were moved over."""
    lab.run(scans)
    before = lab.out / ".b0.0123abcd.before"
    (lab.out / "b0").rename(before)
    (before / "notes.txt").write_text("of the user")
    (lab.out / ".b1.89abcdef.part").mkdir()
    if new_is_in_place:
        (lab.out / "b0").mkdir()
        (lab.out / "b0" / REPORT).write_text("new, but not finished")
    lab.run(scans)
    assert lab.begun == (["b0"] if new_is_in_place else [])
    assert (lab.out / "b0" / "notes.txt").read_text() == "of the user"
    assert (lab.out / "b0" / REPORT).read_text() == "report of b0.mha"
    assert {p.name for p in lab.out.iterdir()} == {"b0", "b1", "b2", ".writing"}


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills a child")
def test_sixty_kills_leave_no_half_results(lab: Lab, scans: list[Path]) -> None:
    """A child scores all again and again and is killed at any moment, in the middle of swapping folders too."""
    lab.run(scans)
    for scan in scans:
        (lab.out / scan.stem / "notes.txt").write_text("of the user")
    rng, seen = np.random.default_rng(4), set()
    for _ in range(60):
        child = os.fork()
        if child == 0:
            while True:
                lab.run(scans, again=True)
        time.sleep(float(rng.uniform(0.001, 0.03)))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        seen |= {p.name.rpartition(".")[2] for p in lab.out.iterdir() if p.name.startswith(".b")}
        for scan in scans:
            done = read_done(lab.out / scan.stem)
            assert done is None or done["made_from"]["scan"]["name"] == scan.name
        assert set(states(lab.run(scans))) <= {SCORED, AS_BEFORE}
        assert {p.name for p in lab.out.iterdir()} == {"b0", "b1", "b2", ".writing"}
        for scan in scans:
            assert (lab.out / scan.stem / "notes.txt").read_text() == "of the user"
            assert (lab.out / scan.stem / TABLE_PARQUET).read_bytes() == scan.read_bytes()
    assert {"part", "before"} & seen, "no kill fell into the swap; choose other delays"
