"""What commands print: pasteable commands, written paths as they are, progress without a terminal."""

import io
import shlex
import sys
from pathlib import Path

import pytest

from jointwise.commands import screen


class Terminal(io.StringIO):
    """A stream that claims to be a terminal."""

    def isatty(self) -> bool:
        return True


def test_next_command_survives_a_shell() -> None:
    line = screen.call("train", data=Path("my [boards], ü/it's"), train__epochs=3)
    assert shlex.split(line) == ["jointwise", "train", "data=my [boards], ü/it's", "train.epochs=3"]


def test_paths_are_printed_whole_and_without_markup(capsys: pytest.CaptureFixture[str]) -> None:
    path = Path("/" + "long folder/" * 20 + "[bold]x[/bold]")
    screen.show_done(screen.Done([path]))
    assert capsys.readouterr().out == f"wrote {path}\n"


def test_nothing_written_and_nothing_next_prints_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    screen.show_done(screen.Done())
    assert capsys.readouterr().out == ""


def test_log_lines_come_at_intervals(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    clock = iter([0.0, 10.0, 31.0, 32.0, 65.0])
    monkeypatch.setattr(screen.time, "monotonic", lambda: next(clock))
    with screen.progress("generating", "boards") as step:
        for done in (1, 2, 3):
            step(done, 9)
        step(4, 9, "loss 0.5")
    assert capsys.readouterr().err.splitlines() == [
        "generating: 2 of 9 boards after 31 s",
        "generating: 4 of 9 boards after 65 s, loss 0.5",
    ]


def test_quick_work_shows_no_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", Terminal())
    with screen.progress("counting", "sheep") as step:
        step(1, 1)
    assert sys.stderr.getvalue() == ""  # type: ignore[attr-defined]


def test_long_work_shows_a_bar_with_unit_and_note(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", Terminal())
    monkeypatch.setattr(screen, "PATIENCE_S", -1.0)
    monkeypatch.setenv("COLUMNS", "200")
    with screen.progress("counting [sheep]", "sheep") as step:
        step(1, 4, "one [black]")
    shown = sys.stderr.getvalue()  # type: ignore[attr-defined]
    assert "counting [sheep]" in shown
    assert "1/4" in shown
    assert "one [black]" in shown


def test_an_error_in_the_work_passes_through_the_bar(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stderr", Terminal())
    monkeypatch.setattr(screen, "PATIENCE_S", -1.0)

    def work() -> None:
        with screen.progress("counting", "sheep") as step:
            step(1, 4 // 0)

    with pytest.raises(ZeroDivisionError):
        work()
