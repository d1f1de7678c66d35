"""Which failures are the user's to mend, and what reaches them."""

import errno
import io
import sys

import pytest

from jointwise.commands import failures
from jointwise.joints.errors import InputError


def raising(failure: BaseException) -> int:
    raise failure


@pytest.mark.parametrize("number", sorted(failures.FILE_SYSTEM))
def test_file_system_failures_are_sentences(number: int, capsys: pytest.CaptureFixture[str]) -> None:
    code = failures.guarded(lambda: raising(OSError(number, "reason", "/some/where")), "jointwise x")
    err = capsys.readouterr().err
    assert code == 2
    assert err.count("\n") == 1
    assert err.startswith("jointwise x: expected to read or write '/some/where', but ")


def test_full_disk_behind_another_error_is_found(capsys: pytest.CaptureFixture[str]) -> None:
    def work() -> int:
        try:
            raise OSError(errno.ENOSPC, "No space left on device")
        except OSError as cause:
            raise RuntimeError("writing failed") from cause

    assert failures.guarded(work, "jointwise x") == 2
    assert "the disk is full" in capsys.readouterr().err


def test_input_error_is_one_line_even_if_written_in_several(capsys: pytest.CaptureFixture[str]) -> None:
    assert failures.guarded(lambda: raising(InputError("expected a,\n  found b")), "jointwise x") == 2
    assert capsys.readouterr().err == "jointwise x: expected a, found b\n"


def test_lack_of_memory_is_a_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    failure = MemoryError("Unable to allocate 7.5 TiB")
    assert failures.guarded(lambda: raising(failure), "jointwise x") == 2
    err = capsys.readouterr().err
    assert "7.5 TiB" in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    "failure", [ValueError("odd"), FileNotFoundError(errno.ENOENT, "gone", "x"), KeyError("k")]
)
def test_our_own_bugs_show_a_traceback(failure: BaseException, capsys: pytest.CaptureFixture[str]) -> None:
    assert failures.guarded(lambda: raising(failure), "jointwise x") == 1
    err = capsys.readouterr().err
    assert "Traceback" in err
    assert "raise failure" in err


def test_interrupt_is_no_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    assert failures.guarded(lambda: raising(KeyboardInterrupt()), "jointwise x") == 130
    assert capsys.readouterr().err == "jointwise x: stopped at your request\n"


def test_reader_that_went_away_is_silent(capsys: pytest.CaptureFixture[str]) -> None:
    assert failures.guarded(lambda: raising(BrokenPipeError()), "jointwise x") == 141
    assert capsys.readouterr().err == ""


def test_done_keeps_its_code(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdout", io.StringIO())
    assert failures.guarded(lambda: 0, "jointwise x") == 0
