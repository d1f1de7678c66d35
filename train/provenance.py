"""Which code made a result."""

import importlib.metadata
import subprocess
import tomllib
from pathlib import Path


def code_version() -> str:
    """Version of the package, and behind `+` the commit where it runs from a repository of its own.

    `.changed` says that files differ from that commit.
    """
    root = Path(__file__).resolve().parents[1]
    version, commit = _version(root), _commit(root)
    return f"{version}+{commit}" if commit else version


def _version(root: Path) -> str:
    """Of the installed package, or what the folder says where its code was only copied to a machine."""
    try:
        return importlib.metadata.version("jointwise")
    except importlib.metadata.PackageNotFoundError:
        with (root / "pyproject.toml").open("rb") as file:
            return str(tomllib.load(file)["project"]["version"])


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
