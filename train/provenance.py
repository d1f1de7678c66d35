"""Which code made a result."""

import importlib.metadata
import subprocess
from pathlib import Path


def code_version() -> str:
    """Version of the package, and behind `+` the commit where it runs from a repository of its own.

    `.changed` says that files differ from that commit.
    """
    version = importlib.metadata.version("jointwise")
    commit = _commit(Path(__file__).resolve().parents[1])
    return f"{version}+{commit}" if commit else version


def _commit(root: Path) -> str | None:
    """Commit checked out at a folder; None if that folder is not itself the top of a repository."""
    # An installed package may lie inside somebody else's repository, whose commit says nothing about it.
    if not (root / ".git").exists():
        return None
    command = [
        "git",
        "-C",
        str(root),
        "describe",
        "--always",
        "--abbrev=12",
        "--exclude=*",
        "--dirty=.changed",
    ]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=10, check=True)
    except (OSError, subprocess.SubprocessError):
        return None
    return done.stdout.strip() or None
