"""Which scans a text names, what each is called, and the folder its results go to."""

import glob
import hashlib
import os
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.formats import are_slices

LONGEST = 80  # characters of a folder's name: 255 bytes is what file systems take, and parts stand around it


def is_list(text: str) -> bool:
    """Whether `scan` names several scans (paths between commas, or a pattern) and not one path or one scan's slices."""
    return not _exists(text) and ("," in text or glob.has_magic(text)) and not is_slices(text)


def is_slices(text: str) -> bool:
    """Whether the text is a pattern that fits the slices of one scan."""
    return glob.has_magic(text) and not _exists(text) and are_slices(sorted(Path(p) for p in glob.glob(text)))


def scan_files(text: str, out: Path | None = None) -> list[Path]:
    """The files or folders that `scan` names: one path, paths between commas, or patterns; numbers in counting order.

    Args:
        text: what the user gave. A name that exists may hold commas and brackets itself.
        out: folder of results; what a pattern finds in it is not a scan.

    Raises:
        InputError: no path, or a pattern that fits nothing.
    """
    files = [path for part in _parts(text) for path in _fitting(part, out)]
    if not files:
        raise InputError(
            "expected a scan in scan=, found nothing; give a file, several with commas, or a pattern"
        )
    first: dict[str, Path] = {}
    for path in files:
        first.setdefault(os.path.abspath(path), path)
    return list(first.values())


def named(files: Sequence[Path]) -> dict[Path, str]:
    """A short name for each file, each another: its own, with as much of its path as it takes to tell it apart."""
    longest = max((len(path.absolute().parts) for path in files), default=0)
    names: dict[Path, str] = {}
    for parts in range(longest + 1):
        labels = {path: _label(path, parts) for path in files}
        counts = Counter(labels.values())
        for path, label in labels.items():
            if counts[label] == 1:
                names.setdefault(path, label)
    return {path: names.get(path, str(path.absolute())) for path in files}


def folder_names(names: Sequence[str], taken: Iterable[str] = ()) -> list[str]:
    """A folder for each name: letters of any language, digits, `.`, `-` and `_`, short, no two alike on any disk.

    Args:
        names: of scans, no two the same.
        taken: names that stand for something else there.
    """
    safe = [_safe(name) for name in names]
    counts = Counter(word.casefold() for word in (*safe, *taken))
    return [
        word if counts[word.casefold()] == 1 else f"{word}-{_mark(name)}"
        for word, name in zip(safe, names, strict=True)
    ]


def readable(text: str) -> str:
    """Text that every table can hold: bytes of a file's name that are no UTF-8 stand as \\udcff."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _parts(text: str) -> list[str]:
    """The text at its commas, but not at those within a name that exists or a pattern that fits something."""
    pieces, parts = text.split(","), []
    while pieces:
        ends = range(len(pieces), 1, -1)
        end = next((n for n in ends if _names_something(",".join(pieces[:n]).strip())), 1)
        parts.append(",".join(pieces[:end]).strip())
        pieces = pieces[end:]
    return [part for part in parts if part]


def _names_something(text: str) -> bool:
    return _exists(text) or (
        glob.has_magic(text) and next(glob.iglob(text, recursive=True), None) is not None
    )


def _exists(text: str) -> bool:
    try:
        return bool(text) and Path(text).exists()
    except (OSError, ValueError):  # longer than any name may be, or a character that none may hold
        return False


def _fitting(part: str, out: Path | None) -> list[Path]:
    if _exists(part) or not glob.has_magic(part):
        return [Path(part)]
    fitting = sorted((Path(p) for p in glob.glob(part, recursive=True)), key=_counting)
    if not fitting:
        raise InputError(f"expected scans that fit scan={part}, found none; check the pattern")
    if are_slices(fitting):
        return [Path(part)]
    ours = os.path.abspath(out) if out is not None else None
    scans = [path for path in fitting if ours is None or not _within(os.path.abspath(path), ours)]
    if not scans:
        raise InputError(
            f"expected scans that fit scan={part}, found only what lies in the results' folder out={out}; "
            "choose an out of its own"
        )
    return scans


def _within(path: str, folder: str) -> bool:
    return path == folder or path.startswith(folder.rstrip(os.sep) + os.sep)


def _counting(path: Path) -> list[tuple[int, int, str]]:
    """For sorting: board_2 comes before board_10."""
    words = re.split(r"(\d+)", str(path))
    return [(1, int(w), "") if w.isdecimal() and w.isascii() else (0, 0, w) for w in words]


def _label(path: Path, parts: int) -> str:
    """0: the name without its ending; 1: with the folder before it; 2: and its ending; from 3 more folders."""
    whole = path.absolute()
    if parts == 0:
        return path.stem
    if parts == 1:
        return f"{whole.parent.name}/{path.stem}"
    return "/".join(whole.parts[-parts:])


def _safe(name: str) -> str:
    word = re.sub(r"[^\w.-]+", "_", unicodedata.normalize("NFC", name)).strip("._") or "scan"
    return word if len(word) <= LONGEST else f"{word[: LONGEST - 8]}-{_mark(name)}"


def _mark(name: str) -> str:
    return hashlib.sha256(name.encode("utf-8", "surrogateescape")).hexdigest()[:6]
