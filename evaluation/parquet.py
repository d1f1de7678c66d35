"""Parquet files that a user names: read, or refused in a sentence that says what lies there instead."""

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from jointwise.joints.errors import InputError


def read_parquet(path: Path, expected: str, do: str) -> pa.Table:
    """The table of a file.

    Args:
        path: the file.
        expected: what should lie there, as the sentence calls it.
        do: what the user may do about it, the sentence's end.

    Raises:
        InputError: no such file, a folder, or no Parquet file.
    """
    found = absence(path)
    if not found:
        try:
            return pq.read_table(path)
        except (OSError, pa.ArrowException):
            found = "no Parquet file"
    raise InputError(f"expected {expected} at {path}, found {found}; {do}")


def absence(path: Path) -> str:
    """In words why no file can be read there; empty where there is one."""
    if path.is_dir():
        return "a folder"
    return "" if path.is_file() else "no such file"
