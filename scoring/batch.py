"""Several scans one after another: one that fails does not stop the rest, one that is done is not done again."""

import contextlib
import errno
import fcntl
import json
import os
import re
import shutil
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Final

import pandas as pd

from jointwise.joints.atomic import refuse_file, write_text
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.store import read_manifest
from jointwise.scoring.cut import Progress
from jointwise.scoring.done import DONE, Facts, made_of, read_done, stamps, write_done
from jointwise.scoring.finding.not_found import NotFound, picture_path
from jointwise.scoring.scan_files import folder_names, named, readable
from jointwise.scoring.scored import Package, Scored
from jointwise.scoring.write import OURS

SUMMARY: Final = ("summary.html", "summary.json", "summary.csv", "summary.parquet")
FAILURE: Final = "failure.txt"
WRITING: Final = ".writing"
FULL: Final = (errno.ENOSPC, errno.EDQUOT)
SCORED, AS_BEFORE, REFUSED, FAULT = "scored", "as before", "failed", "failed by a fault of ours"

Shard = tuple[str, str]
"""Name of a shard in a store, and the hash of its volumes."""
Score = Callable[[Path, Progress], Scored]
Write = Callable[[Scored, Path, Progress], Sequence[Shard]]
"""Writes a scan's results into a folder, and its joints into the store if there is one: the shards there."""
Step = Callable[[int, int, str], None]
"""Told the scans that are through, of how many, and what is going on."""


@dataclass(frozen=True)
class Job:
    """One scan of several: its file or folder, its name, and the folder of its results."""

    path: Path
    name: str
    folder: Path


@dataclass(frozen=True)
class Outcome:
    """What became of a scan.

    Args:
        job: the scan.
        state: one of SCORED, AS_BEFORE, REFUSED, FAULT.
        sentence: why it failed.
        sha256: of the scan; empty where it was not read.
    """

    job: Job
    state: str
    sentence: str = ""
    sha256: str = ""

    @property
    def is_whole(self) -> bool:
        """Whether its results are there."""
        return self.state in (SCORED, AS_BEFORE)


@dataclass(frozen=True)
class Work:
    """How scans are scored, and on what the results depend.

    Args:
        score: reads and judges one scan.
        write: writes its results.
        told: the sentence for a failure the user can mend; None for our own.
        made_from: everything but the scan on which results depend, JSON-safe: settings, detectors, version.
        keep: store, split and mark of joints that are kept; None keeps none.
        again: score everything anew.
    """

    score: Score
    write: Write
    told: Callable[[BaseException], str | None]
    made_from: Facts
    keep: Facts | None = None
    again: bool = False


def plan(files: Sequence[Path], out: Path) -> list[Job]:
    """One job a scan, each with its own folder below `out`.

    Raises:
        InputError: `out` is a file, or lies within a scan's own folder, or is it.
    """
    refuse_file(out)
    for path in files:
        if path.is_dir() and out.resolve().is_relative_to(path.resolve()):
            raise InputError(
                f"expected results outside the scans, found out={out} within the scan {path}; choose another out"
            )
    names = {path: readable(name) for path, name in named(files).items()}
    folders = folder_names(list(names.values()), (*SUMMARY, *OURS, DONE))
    return [
        Job(path, name, out / folder) for (path, name), folder in zip(names.items(), folders, strict=True)
    ]


def score_batch(
    jobs: Sequence[Job], out: Path, work: Work, step: Step, say: Callable[[Outcome], None]
) -> list[Outcome]:
    """Score every scan that is not done yet; results are whole at any moment.

    Args:
        jobs: from `plan`.
        out: folder of all results; an earlier summary goes as soon as results change.
        work: how.
        step: told of the scans to be scored.
        say: told of each scan as it is through.

    Returns:
        One outcome per job, in their order.

    Raises:
        InputError: the disk is full (what was finished stays, and the same call goes on), or another process writes
            into `out`.
    """
    with _alone(out):
        _mend(out)
        return _each(jobs, out, work, step, say)


def _each(
    jobs: Sequence[Job], out: Path, work: Work, step: Step, say: Callable[[Outcome], None]
) -> list[Outcome]:
    outcomes = {job.path: outcome for job in jobs if (outcome := _as_before(job, work)) is not None}
    todo = [job for job in jobs if job.path not in outcomes]
    begun = time.monotonic()  # scans of an earlier run take no time and do not count
    for n, job in enumerate(todo):
        taken = time.monotonic() - begun
        step(n, len(todo), f"{job.name}{time_left(taken, n, len(todo))}")

        def tell(
            what: str, done: int, total: int, n: int = n, name: str = job.name, taken: float = taken
        ) -> None:
            left = time_left(taken, n, len(todo), time.monotonic() - begun - taken)
            step(n, len(todo), f"{name}: {what} {done} of {total}{left}")

        outcomes[job.path] = _attempt(job, out, work, tell)
        say(outcomes[job.path])
    return [outcomes[job.path] for job in jobs]


def time_left(seconds: float, done: int, total: int, since: float = 0.0) -> str:
    """Words on the time that the rest takes if it goes on like this; none before the first is done.

    Args:
        seconds: that the done ones took.
        done: how many are.
        total: of how many.
        since: seconds spent on the next one.

    Example:
        >>> time_left(60, 2, 6), time_left(60, 2, 6, 25), time_left(4000, 1, 4), time_left(0, 0, 4)
        (', about 2 min left', ', about 95 s left', ', about 3.3 h left', '')
    """
    if not done:
        return ""
    left = max(seconds * (total - done) / done - since, 0.0)
    if left < 100:
        return f", about {left:.0f} s left"
    return f", about {left / 60:.0f} min left" if left < 6000 else f", about {left / 3600:.1f} h left"


def renamed(scored: Scored, name: str) -> Scored:
    """The same with another name of the scan in every table, as if its file were called so."""
    return (
        scored
        if name == scored.scan.path.stem
        else replace(
            scored,
            packages=tuple(_renamed(package, scored.scan.path.stem, name) for package in scored.packages),
        )
    )


def _renamed(package: Package, old: str, name: str) -> Package:
    def other(table: pd.DataFrame) -> pd.DataFrame:
        # The board's number is the file's name unless the user gave one.
        return table.assign(scan=name, board_id=table["board_id"].where(table["board_id"] != old, name))

    cut = package.cut
    joints = Joints(cut.joints.volumes, other(cut.joints.table), cut.joints.grid)
    return replace(
        package, cut=replace(cut, sites=other(cut.sites), joints=joints), table=other(package.table)
    )


def _as_before(job: Job, work: Work) -> Outcome | None:
    """The outcome of an earlier run, if it made the same from the same."""
    if work.again or not (job.folder / DONE).is_file():
        return None
    done = read_done(job.folder)
    if done is None or not _is_kept(done.get("kept"), work.keep):
        return None
    try:
        scan = made_of(job.path)
    except InputError:
        return None  # the attempt will say so
    same = done["made_from"] == _made_from(job, scan, work)
    return Outcome(job, AS_BEFORE, sha256=scan["sha256"]) if same else None


def _made_from(job: Job, scan: Facts, work: Work) -> Facts:
    whole = {**work.made_from, "scan": {**scan, "called": job.name}}
    return dict(json.loads(json.dumps(whole)))


def _is_kept(kept: Facts | None, keep: Facts | None) -> bool:
    """Whether the joints are in the store as wanted, if they are wanted."""
    if keep is None:
        return True
    if kept is None or any(kept.get(key) != value for key, value in keep.items()):
        return False
    try:
        listed = {s["name"]: s["volumes_sha256"] for s in read_manifest(Path(keep["store"]))["shards"]}
    except InputError:
        return False  # no store there any more: it is made anew
    return all(listed.get(name) == was for name, was in kept["shards"])


def _attempt(job: Job, out: Path, work: Work, tell: Progress) -> Outcome:
    begun = time.monotonic()
    sha = ""
    try:
        if readable(str(job.path)) != str(job.path):
            raise InputError(
                f"expected a path in UTF-8, found {job.path}, which tables cannot hold; rename it"
            )
        scan = made_of(job.path)
        sha, before = scan["sha256"], stamps(job.path)
        scored = renamed(work.score(job.path, tell), job.name)
        if stamps(job.path) != before:
            raise InputError(
                f"expected a scan that stays as it is, found {job.path} changed while it was scored; "
                "wait until it is copied and give the same command"
            )
        _clear(out)
        kept = work.write(scored, job.folder, tell)
        more: Facts = {
            "when": datetime.now().isoformat(timespec="seconds"),
            "seconds": time.monotonic() - begun,
        }
        if work.keep is not None:
            more["kept"] = {**work.keep, "shards": [list(shard) for shard in kept]}
        (job.folder / FAILURE).unlink(missing_ok=True)
        picture_path(job.folder).unlink(missing_ok=True)
        write_done(job.folder, _made_from(job, scan, work), OURS, more)
    except Exception as failure:
        return _failed(job, work, failure, sha)
    return Outcome(job, SCORED, sha256=sha)


def _failed(job: Job, work: Work, failure: Exception, sha: str) -> Outcome:
    sentence = work.told(failure)
    sentence = None if sentence is None else readable(sentence)
    if _is_full(failure):
        raise InputError(f"{sentence}; the same command then goes on with {job.name}") from failure
    if sentence is not None:
        if job.folder.is_dir():
            (job.folder / FAILURE).unlink(missing_ok=True)
        if isinstance(failure, NotFound):
            sentence += f"; what was seen: {failure.write_picture(job.folder)}"
        return Outcome(job, REFUSED, sentence, sha)
    write_text(job.folder / FAILURE, readable("".join(traceback.format_exception(failure))))
    said = readable(" ".join(str(failure).split())) or "no words"
    return Outcome(job, FAULT, f"{type(failure).__name__}: {said}; please report {job.folder / FAILURE}", sha)


def _is_full(failure: BaseException | None) -> bool:
    while failure is not None:
        if isinstance(failure, OSError) and failure.errno in FULL:
            return True
        failure = failure.__cause__
    return False


def _clear(out: Path) -> None:
    """An earlier summary, or the results of a single scan, no longer tell what lies here."""
    for name in (*SUMMARY, *OURS):
        (out / name).unlink(missing_ok=True)


@contextlib.contextmanager
def _alone(out: Path) -> Iterator[None]:
    """Keep other processes out of the folder; the system lets go of it when this one ends, however it does."""
    out.mkdir(parents=True, exist_ok=True)
    with (out / WRITING).open("w") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise InputError(
                f"expected to write {out} alone, found another process writing it; wait for it or choose another out"
            ) from error
        yield


def _mend(out: Path) -> None:
    """Put right what a run left that was cut off while it swapped folders.

    `results` in write.py sets the old folder aside as `.NAME.xxxxxxxx.before`; what the user keeps in it goes back.
    """
    aside = re.compile(r"\.(?P<name>.+)\.[0-9a-f]{8}\.(?P<what>part|before)", re.DOTALL)
    for path in sorted(out.iterdir()) if out.is_dir() else []:
        match = aside.fullmatch(path.name)
        if match is None or not path.is_dir():
            continue
        if match["what"] == "before":
            _give_back(path, out / match["name"])
        shutil.rmtree(path, ignore_errors=True)


def _give_back(before: Path, folder: Path) -> None:
    if not folder.exists():
        os.rename(before, folder)
        return
    for entry in before.iterdir():
        if entry.name not in (*OURS, DONE) and not (folder / entry.name).exists():
            os.rename(entry, folder / entry.name)
