"""What results were made from: a small file beside them, written last, tells whether they must be made again."""

import dataclasses
import glob
import hashlib
import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from jointwise.joints.atomic import sha256, write_text
from jointwise.joints.errors import InputError
from jointwise.scoring.scan_files import is_slices

DONE: Final = "done.json"
FORMAT: Final = 1
WHOLE_ALONE: Final = (".mha", ".nrrd", ".nii", ".gz", ".tif", ".tiff", ".h5", ".hdf5", ".hdf", ".nxs")
"""Kinds of files that hold header and voxels; others have theirs beside them."""
HEADERS: Final = (".mhd", ".nhdr", ".json", ".yaml", ".yml")
LONGEST_HEADER: Final = 65536
PIECE: Final = 1 << 20

Facts = dict[str, Any]


def made_of(path: Path) -> Facts:
    """What identifies a scan: its name, and size and SHA-256 of all its bytes.

    Hashing reads the whole file, at about 1 GB/s a small part of the time of scoring; so a file that was only copied
    or touched is known again, and one that was changed within the same second at the same size is not missed.

    Args:
        path: a file, or a folder that holds one scan.

    Raises:
        InputError: nothing there that can be read.
    """
    digest, total = hashlib.sha256(), 0
    try:
        parts = scan_parts(path)
        for part in parts:
            digest.update(
                f"{part.relative_to(path.parent)}\0{part.stat().st_size}\0".encode(errors="replace")
            )
            total += part.stat().st_size
            _add(digest, part)
    except OSError as error:
        raise InputError(
            f"expected a scan that can be read at {path}, found: {error.strerror}; check it"
        ) from error
    return {"name": path.name, "bytes": total, "sha256": digest.hexdigest()}


def scan_parts(path: Path) -> list[Path]:
    """All files of a scan: of a folder every file in it, of a header also what belongs to it, of a pattern its slices.

    Raises:
        InputError: nothing there, or neither a file nor a folder.
    """
    if path.is_dir():
        return sorted(part for part in path.rglob("*") if part.is_file())
    if not path.exists() and is_slices(str(path)):
        return sorted(Path(part) for part in glob.glob(str(path)))
    if not path.is_file():
        found = "something that is neither" if path.exists() else "nothing"
        raise InputError(f"expected a scan, a file or a folder, at {path}, found {found} there; check scan=")
    if path.suffix.lower() in WHOLE_ALONE:
        return [path]
    if path.suffix.lower() == ".dcm":  # one slice stands for the series that lies around it
        return sorted(part for part in path.parent.iterdir() if part.is_file())
    beside = {part for part in path.parent.iterdir() if part.stem == path.stem and part.is_file()}
    return [path, *sorted((beside | set(_told_of(path))) - {path})]


def stamps(path: Path) -> list[tuple[str, int, int]]:
    """Name, size and time of every file of a scan, to see whether it changed meanwhile."""
    return [(str(part), part.stat().st_size, part.stat().st_mtime_ns) for part in scan_parts(path)]


def settled(value: object, leave_out: Iterable[str] = ()) -> Any:
    """Settings as plain JSON, files and folders that they name as the hashes of what they hold.

    Args:
        value: a dataclass of settings, or any value in one.
        leave_out: fields, at any depth, on which results do not depend.
    """
    out = frozenset(leave_out)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = (f.name for f in dataclasses.fields(value) if f.name not in out)
        return {name: settled(getattr(value, name), out) for name in fields}
    if isinstance(value, Mapping):
        return {str(key): settled(part, out) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [settled(part, out) for part in value]
    if isinstance(value, Path):
        return _contents(value)
    return value


def write_done(folder: Path, made_from: Facts, results: Iterable[str], more: Facts) -> None:
    """Write what the results in `folder` were made from; their own hashes go along.

    Args:
        folder: of the results.
        made_from: everything on which they depend, JSON-safe.
        results: names of files that may be there.
        more: what else to keep.
    """
    hashes = {name: sha256(folder / name) for name in results if (folder / name).is_file()}
    text = {"format": FORMAT, "made_from": made_from, "results": hashes, **more}
    write_text(folder / DONE, json.dumps(text, indent=1))


def read_done(folder: Path) -> Facts | None:
    """What was written beside results; None where there is nothing of the kind, or the results have changed since."""
    try:
        text = json.loads((folder / DONE).read_text(encoding="utf-8"))
        whole = text["format"] == FORMAT and text["results"] and "made_from" in text
        whole = whole and all(sha256(folder / name) == was for name, was in text["results"].items())
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None  # no such results: they are made anew
    return dict(text) if whole else None


def _add(digest: Any, path: Path) -> None:
    with path.open("rb") as file:
        while piece := file.read(PIECE):
            digest.update(piece)


def _told_of(header: Path) -> list[Path]:
    """Files that the lines of a small header name."""
    if header.suffix.lower() not in HEADERS or header.stat().st_size > LONGEST_HEADER:
        return []
    lines = header.read_text(encoding="utf-8", errors="replace").splitlines()
    words = (line.replace(":", "=").rpartition("=")[2].strip(" \t\",'") for line in lines)
    return [header.parent / word for word in words if word and "\0" not in word and _is_file(header, word)]


def _is_file(header: Path, word: str) -> bool:
    try:
        return (header.parent / word).is_file()
    except OSError:  # longer than any name may be
        return False


def _contents(path: Path) -> Any:
    if path.is_file():
        return {"sha256": sha256(path)}
    if path.is_dir():
        return {part.name: sha256(part) for part in sorted(path.iterdir()) if part.is_file()}
    return str(path)
