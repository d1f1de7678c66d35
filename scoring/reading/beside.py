"""Files that another file names, or that lie in a folder of slices: only what lies with them is opened."""

from pathlib import Path, PurePosixPath, PureWindowsPath

from jointwise.joints.errors import InputError


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
    if not named or leaves or not named.isprintable():
        raise InputError(
            f"expected the name of a file beside {header} for its voxels, found {printable(named)!r}; write "
            "the bare name "
            "and copy the file there"
        )
    data = header.parent / named
    check_within(data, header)
    return data


def check_within(data: Path, header: Path) -> None:
    """Refuse what is no plain file in a folder of `header`, links followed.

    Raises:
        InputError: says which.
    """
    try:
        is_file, real = data.is_file(), data.resolve()
        homes = (header.parent.resolve(), header.resolve().parent)
    except (OSError, RuntimeError, ValueError):
        is_file, real, homes = False, data, (header.parent, header.parent)
    if not is_file:
        raise InputError(
            f"expected the voxels of {header} in {data}, found no such file; copy it beside the header"
        )
    if not any(real.is_relative_to(home) for home in homes):
        raise InputError(
            f"expected the voxels of {header} beside it, found {data}, a link to another folder; copy the file "
            "itself there"
        )


def printable(text: str) -> str:
    """A foreign text, short and without anything a terminal would act on."""
    return "".join(c if c.isprintable() else "?" for c in text[:120])
