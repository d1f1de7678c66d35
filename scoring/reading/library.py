"""Call a reader library on a file that nobody vouches for: what it raises, warns and logs becomes one sentence."""

import contextlib
import logging
import os
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path

from jointwise.joints.errors import InputError

LOGGERS = ("tifffile", "pydicom", "nibabel.global", "nrrd", "zarr")


@contextlib.contextmanager
def damage(path: Path, what: str) -> Iterator[None]:
    """Around calls of a reader library alone, never around our own reasoning; safe in threads.

    A damaged file makes these libraries raise nearly any exception, from `struct.error` to `RecursionError`; none says
    in its documentation which.

    Args:
        path: the scan.
        what: what is being read, such as `a NIfTI header`.

    Raises:
        InputError: whatever the library raised.
    """
    try:
        yield
    except InputError:
        raise
    except Exception as error:
        raise InputError(
            f"expected {what} that can be read in {path}, found damage or another form ({short(error)}); copy or "
            "export the scan again"
        ) from error


class _Errors(logging.Handler):
    """Keeps what a library logs as an error."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.texts: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.texts.append(record.getMessage())


@contextlib.contextmanager
def library(path: Path, what: str) -> Iterator[list[str]]:
    """As :func:`damage`, and silent: the library's warnings and log lines would be a second sentence.

    Yields:
        What the library has logged as errors so far.
    """
    loggers, errors = [logging.getLogger(name) for name in LOGGERS], _Errors()
    before = [logger.propagate for logger in loggers]
    try:
        for logger in loggers:
            logger.propagate = False
            logger.addHandler(errors)
        with warnings.catch_warnings(), damage(path, what):
            warnings.simplefilter("ignore")
            yield errors.texts
    finally:
        for logger, propagate in zip(loggers, before, strict=True):
            logger.propagate = propagate
            logger.removeHandler(errors)


@contextlib.contextmanager
def quiet_stderr() -> Iterator[None]:
    """Around the few calls whose C code writes to the terminal itself; what it says there comes as an exception too.

    The whole process is silent meanwhile, so this is for headers and unpacking, before any thread is at work.
    """
    sys.stderr.flush()
    kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


def short(error: BaseException) -> str:
    """The last telling line of a library's own message."""
    lines = [" ".join(line.split()) for line in str(error).splitlines() if line.strip()]
    return "".join(c for c in (lines[-1] if lines else type(error).__name__)[:160] if c.isprintable())
