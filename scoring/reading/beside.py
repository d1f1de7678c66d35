"""Files that another file names, or that lie in a folder of slices: only what lies with them is opened."""

from pathlib import Path, PurePosixPath, PureWindowsPath

from jointwise.joints.errors import InputError

LONGEST_NAME = 255


def beside(header: Path, named: str) -> Path:
    """The file of voxels that a header names.

    Raises:
        InputError: an absolute path, one that leaves the header's folder (by `..` or a link), a list or pattern of
            slices, or no plain file.
    """
    if named.upper().split(" ")[0] == "LIST" or "%" in named:
        raise InputError(
            f"expected the voxels of {header} in one file, found a list of slices; save it as one file"
        )
    parts = (*PurePosixPath(named).parts, *PureWindowsPath(named).parts)
    leaves = ".." in parts or PurePosixPath(named).is_absolute() or PureWindowsPath(named).drive
    if not named or leaves or not named.isprintable() or len(named) > LONGEST_NAME:
        raise InputError(
            f"expected the name of a file beside {header} for its voxels, found {printable(named)!r}; write "
            "the bare name "
            "and copy the file there"
        )
    data = header.parent / named
    if not _is_file(data):
        raise InputError(
            f"expected the voxels of {header} in {data}, found no such file; copy it beside the header"
        )
    check_within(data, header.parent, header.resolve().parent)
    return data


def check_within(data: Path, *homes: Path) -> None:
    """Refuse what is no plain file in one of some folders, links followed.

    Raises:
        InputError: says which.
    """
    if not _is_file(data):
        raise InputError(f"expected a file at {data}, found none that can be opened; copy it again")
    if not any(data.resolve().is_relative_to(home.resolve()) for home in homes):
        raise InputError(
            f"expected the voxels in {homes[0]}, found {data}, a link to another folder; "
            "copy the file itself there"
        )


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def printable(text: str) -> str:
    """A foreign text, short and without anything a terminal would act on."""
    return "".join(c if c.isprintable() else "?" for c in text[:120])
