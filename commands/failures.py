"""How a failure reaches the user: a sentence and exit 2 for what they can mend, a traceback and exit 1 for our bugs."""

import errno
import os
import sys
import traceback
from collections.abc import Callable, Iterator

from jointwise.joints.errors import InputError

DONE, BUG, BAD_INPUT = 0, 1, 2
INTERRUPTED, BROKEN_PIPE = 130, 141  # as shells number the signals

# What the file system may answer to a path the user chose, and what to do about it.
FILE_SYSTEM = {
    errno.ENOSPC: "the disk is full: free some space or choose another folder",
    errno.EDQUOT: "the disk quota is used up: free some space or choose another folder",
    errno.EROFS: "the file system is read-only: choose another folder",
    errno.EACCES: "access is not allowed: choose another folder or change its permissions",
    errno.EPERM: "access is not allowed: choose another folder or change its permissions",
    errno.ENAMETOOLONG: "the name is too long for this file system: choose a shorter one",
    errno.ENOTDIR: "a file stands where a folder is needed: choose another folder",
    errno.EEXIST: "a file stands where a folder is needed: choose another folder",
    errno.EISDIR: "a folder stands where a file is needed: choose another name",
    errno.ELOOP: "symbolic links lead in a circle: choose another path",
}


def sentence(failure: BaseException) -> str | None:
    """The one sentence for a failure the user can mend; None for our own bugs."""
    if isinstance(failure, InputError):
        return " ".join(str(failure).split())
    if isinstance(failure, MemoryError):
        return (
            f"expected enough memory, found none left ({str(failure) or 'no size given'}); "
            "make batches or volumes smaller, or use fewer workers"
        )
    for cause in _causes(failure):
        if isinstance(cause, OSError) and cause.errno in FILE_SYSTEM:
            where = f"'{cause.filename}'" if cause.filename is not None else "the output"
            return f"expected to read or write {where}, but {FILE_SYSTEM[cause.errno]}"
    return None


def report(failure: BaseException, who: str) -> int:
    """Print a failure to standard error and return the exit code it deserves.

    Args:
        failure: what was raised.
        who: the command, and the job of a sweep, for the head of the sentence.
    """
    if isinstance(failure, KeyboardInterrupt):
        print(f"{who}: stopped at your request", file=sys.stderr)
        return INTERRUPTED
    told = sentence(failure)
    if told is None:
        print(f"{who}: a fault of our own, please report it with the lines below", file=sys.stderr)
        traceback.print_exception(failure, file=sys.stderr)
        return BUG
    print(f"{who}: {told}", file=sys.stderr)
    return BAD_INPUT


def guarded(work: Callable[[], int], who: str) -> int:
    """Run `work` and turn whatever it raises into a message and an exit code."""
    try:
        code = work()
        sys.stdout.flush()
        return code
    except (
        BrokenPipeError
    ):  # the reader of our output went away (`jointwise … | head`); nobody is left to tell
        return BROKEN_PIPE
    except (Exception, KeyboardInterrupt) as failure:
        return report(failure, who)
    finally:
        _settle_stdout()


def _settle_stdout() -> None:
    """Where standard output cannot be written, point it at nothing: the interpreter's last flush must not fail."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _causes(failure: BaseException) -> Iterator[BaseException]:
    """The failure and what it was raised from."""
    seen: BaseException | None = failure
    while seen is not None:
        yield seen
        seen = seen.__cause__
