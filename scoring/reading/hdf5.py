"""HDF5 with a dataset path; the voxel size from attributes."""

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.scoring.reading.beside import printable
from jointwise.scoring.reading.library import library
from jointwise.scoring.reading.load import Found, check_type
from jointwise.scoring.reading.place import Place
from jointwise.scoring.reading.settings import ReadSettings
from jointwise.scoring.reading.stored import Box, Held, Mapped, Stored, boxes_are_cheap, check_chunks
from jointwise.scoring.reading.streams import check_bytes

SPACINGS = {
    "element_size_um": 1e-3,
    "voxel_size_um": 1e-3,
    "spacing_um": 1e-3,
    "voxel_size_mm": 1.0,
    "spacing_mm": 1.0,
}
"""Attributes of the dataset or its group, along the stored axes (slowest first) or one number, and their mm."""

MOST_LISTED = 8


class Chunked:
    """A chunked dataset, read by h5py; opened afresh for every box, so that nothing of it stays in memory."""

    def __init__(self, path: Path, dataset: Any, lead: int) -> None:
        self.path, self.name, self.lead = path, dataset.name, lead
        self.shape: tuple[int, int, int] = dataset.shape[lead:]
        self.dtype: np.dtype[Any] = dataset.dtype
        self.chunks: tuple[int, int, int] = dataset.chunks[lead:]

    @property
    def in_boxes(self) -> bool:
        """Whether the box of a joint touches few chunks."""
        return boxes_are_cheap(self)

    def read(self, box: Box) -> NDArray[Any]:
        """The voxels of a box, in memory."""
        import h5py

        with h5py.File(self.path, "r") as file:
            return np.asarray(file[self.name][(*[0] * self.lead, *box)])


def read(path: Path, settings: ReadSettings) -> Found:
    """The dataset that the user names, or the only volume there is.

    Raises:
        InputError: no HDF5; no or several volumes, or another dataset; voxels in other files; chunks absent.
    """
    import h5py

    with library(path, "an HDF5 file"), h5py.File(path, "r") as file:
        dataset = _named(path, file, settings.dataset) if settings.dataset else _only(path, file)
        lead = _check_form(path, dataset)
        if chunked := dataset.chunks is not None:
            stored: Stored = Chunked(path, dataset, lead)
            check_chunks(stored, dataset.id.get_num_chunks(), settings.absent_chunks, path)
        else:
            stored = _plain(path, dataset, lead)
        place = _place(path, dataset)
        compressed = dataset.compression
        name = dataset.name
    facts = {"format": f"HDF5{', ' + compressed if compressed else ''}", "dataset": name}
    return Found(stored, place, {**facts, "chunks": "chunked"} if chunked else facts)


def _named(path: Path, file: Any, name: str) -> Any:
    import h5py

    try:
        found = file[name]
    except (KeyError, ValueError, OSError, RuntimeError) as error:
        raise InputError(
            f"expected a dataset at read.dataset={printable(name)} in {path}, found none (or a link that leads "
            "nowhere); "
            f"volumes there: {_listed(_volumes(file))}"
        ) from error
    if not isinstance(found, h5py.Dataset):
        raise InputError(
            f"expected a dataset at read.dataset={printable(name)} in {path}, found a group; volumes there: "
            f"{_listed(_volumes(file))}"
        )
    if found.file.filename != file.filename:
        raise InputError(
            f"expected the voxels of {path} in the file itself, found a link to "
            f"{printable(str(found.file.filename))}; give that file "
            "as scan="
        )
    return found


def _only(path: Path, file: Any) -> Any:
    found = _volumes(file)
    if len(found) != 1:
        raise InputError(
            f"expected one volume of three dimensions in {path}, found {_listed(found)}; name the dataset by "
            "read.dataset="
        )
    return file[found[0]]


def _volumes(file: Any) -> list[str]:
    """Names of all datasets of three dimensions; links are not followed, so a circle of them ends."""
    import h5py

    found: list[str] = []

    def visit(name: str, item: Any) -> None:
        if isinstance(item, h5py.Dataset) and item.ndim >= 3 and item.dtype.kind in "iuf":
            found.append(f"/{name}")

    file.visititems(visit)
    return found


def _listed(names: list[str]) -> str:
    more = f" and {len(names) - MOST_LISTED} more" if len(names) > MOST_LISTED else ""
    return (", ".join(printable(name) for name in names[:MOST_LISTED]) or "none") + more


def _check_form(path: Path, dataset: Any) -> int:
    """How many leading axes of length 1 there are before the three of the volume."""
    lead = max(int(dataset.ndim) - 3, 0)
    if dataset.ndim < 3 or any(n != 1 for n in dataset.shape[:lead]) or 0 in dataset.shape:
        raise InputError(
            f"expected a volume of three dimensions at {printable(dataset.name)} in {path}, found "
            f"{' x '.join(map(str, dataset.shape)) or 'a single value'}; name another by read.dataset="
        )
    if dataset.is_virtual or dataset.external:
        raise InputError(
            f"expected the voxels of {printable(dataset.name)} in {path} itself, found a reference to other "
            "files; give the "
            "file that holds them, or copy them into one (h5repack)"
        )
    check_type(path, dataset.dtype)
    return lead


def _plain(path: Path, dataset: Any, lead: int) -> Stored:
    """An unchunked dataset lies in one piece."""
    offset, shape = dataset.id.get_offset(), dataset.shape[lead:]
    if offset is None:  # inside the header, or never written
        if dataset.nbytes > 1 << 16:
            raise InputError(
                f"expected voxels in {printable(dataset.name)} of {path}, found none written; export it again"
            )
        return Held(np.asarray(dataset[(0,) * lead]))
    check_bytes(
        path, offset, dataset.nbytes, f"{' x '.join(map(str, shape[::-1]))} {dataset.dtype.name}", False
    )
    return Mapped(path, offset, shape, dataset.dtype)


def _place(path: Path, dataset: Any) -> Place:
    """The first attribute of a known name, on the dataset or its group."""
    for owner in (dataset, dataset.parent):
        for name, unit in SPACINGS.items():
            if name in owner.attrs:
                values = [float(v) * unit for v in np.ravel(owner.attrs[name])]
                if len(values) not in (1, 3, dataset.ndim):
                    raise InputError(
                        f"expected 1 or {dataset.ndim} numbers in the attribute {name} of {path}, found "
                        f"{len(values)}; "
                        "set read.spacing_um"
                    )
                z, y, x = (values * 3)[-3:]
                return Place((z, y, x), f"attribute {name}")
    return Place(None, f"no attribute {', '.join(SPACINGS)}")
