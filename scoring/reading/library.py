"""Call a reader library on a file that nobody vouches for: what it raises, warns and logs becomes one sentence."""

import contextlib
import logging
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


@contextlib.contextmanager
def library(path: Path, what: str) -> Iterator[None]:
    """As :func:`damage`, and silent: the library's warnings and log lines would be a second sentence."""
    loggers = [logging.getLogger(name) for name in LOGGERS]
    before = [logger.disabled for logger in loggers]
    try:
        for logger in loggers:
            logger.disabled = True
        with warnings.catch_warnings(), damage(path, what):
            warnings.simplefilter("ignore")
            yield
    finally:
        for logger, disabled in zip(loggers, before, strict=True):
            logger.disabled = disabled


def short(error: BaseException) -> str:
    """The last telling line of a library's own message."""
    lines = [" ".join(line.split()) for line in str(error).splitlines() if line.strip()]
    return "".join(c for c in (lines[-1] if lines else type(error).__name__)[:160] if c.isprintable())
