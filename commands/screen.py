"""What the user sees: progress bars, what was written, and the next command to try."""

import contextlib
import shlex
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

PATIENCE_S = 1.0  # work that ends sooner needs no bar
LOG_EVERY_S = 30.0  # where no terminal is watching, one line in this time


class Done(NamedTuple):
    """What a command hands back.

    Args:
        wrote: files and folders it wrote; empty when it only looked.
        next: the command to try next, from `call`; empty when there is none.
    """

    wrote: Sequence[Path] = ()
    next: str = ""


class Step(Protocol):
    """Told how far the work is: units done, units in all, and a word on what is going on."""

    def __call__(self, done: int, total: int, note: str = "") -> None: ...


def call(command: str, **settings: object) -> str:
    """A command line that can be pasted into a shell, whatever its paths contain.

    Example:
        >>> call("train", data="out/my boards")
        "jointwise train 'data=out/my boards'"
    """
    words = [f"{key.replace('__', '.')}={value}" for key, value in settings.items()]
    return shlex.join(["jointwise", command, *words])


def say(line: str) -> None:
    """Print one line to standard output as it is: no markup, no folding."""
    print(line, flush=True)


def show_done(done: Done) -> None:
    """Say what was written and what to run next."""
    for path in done.wrote:
        say(f"wrote {path}")
    if done.next:
        say(f"next  {done.next}")


@contextlib.contextmanager
def progress(what: str, unit: str) -> Iterator[Step]:
    """A progress bar on standard error for work that takes longer than a moment.

    Without a terminal (a log file, a CI run) it becomes a plain line every half minute.

    Args:
        what: the work, such as "generating".
        unit: what is counted, such as "boards".

    Example:
        >>> with progress("counting", "sheep") as step:
        ...     for i in range(3):
        ...         step(i + 1, 3)
    """
    if sys.stderr.isatty():
        with _bar(what, unit) as step:
            yield step
    else:
        yield _Log(what, unit)


class _Log:
    """Progress as plain lines."""

    def __init__(self, what: str, unit: str) -> None:
        self.what, self.unit = what, unit
        self.begun = self.said = time.monotonic()

    def __call__(self, done: int, total: int, note: str = "") -> None:
        now = time.monotonic()
        if now - self.said < LOG_EVERY_S:
            return
        self.said = now
        tail = f", {note}" if note else ""
        print(
            f"{self.what}: {done} of {total} {self.unit} after {now - self.begun:.0f} s{tail}",
            file=sys.stderr,
            flush=True,
        )


@contextlib.contextmanager
def _bar(what: str, unit: str) -> Iterator[Step]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn(unit, markup=False),
        TimeRemainingColumn(),
        TextColumn("{task.fields[note]}", markup=False),
    )
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    task = bar.add_task(what, total=None, note="")
    begun = time.monotonic()
    started = False

    def step(done: int, total: int, note: str = "") -> None:
        nonlocal started
        if not started and time.monotonic() - begun > PATIENCE_S:
            bar.start()
            started = True
        bar.update(task, completed=done, total=total, note=note)

    try:
        yield step
    finally:
        if started:
            bar.stop()
