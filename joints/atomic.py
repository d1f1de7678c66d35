"""Files that are there whole or not at all."""

import contextlib
import hashlib
import os
import uuid
from collections.abc import Iterator
from pathlib import Path

from jointwise.joints.errors import InputError


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Yield a temporary path beside `path`; on success sync it and rename it over `path`.

    A reader sees the old file or the new one, never a part. On any error the temporary file goes.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}.part")
    try:
        yield aside
        _sync(aside)
        os.replace(aside, path)
        _sync(path.parent)
    finally:
        aside.unlink(missing_ok=True)


def refuse_file(out: Path) -> None:
    """Refuse an `out` where a file stands, itself or on the way to it, before any work is done for it.

    Raises:
        InputError: names the file.
    """
    for path in (out, *out.parents):
        if path.exists():
            if not path.is_dir():
                raise InputError(f"out: expected a folder at {out}, found the file {path}; choose another")
            return


def write_bytes(path: Path, data: bytes) -> None:
    """Write `data` to `path` atomically."""
    with replacing(path) as aside:
        aside.write_bytes(data)


def write_text(path: Path, text: str) -> None:
    """Write `text` as UTF-8 to `path` atomically."""
    write_bytes(path, text.encode("utf-8"))


def sha256(path: Path) -> str:
    """Hex SHA-256 of a file, read in pieces."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
