"""Named places in an array: a corner, the outer rows, certain rows, columns or balls."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.names import parse_ball

ALL: Final = "all"
FORMS: Final = ("balls", "rows", "columns", "outer_rows", "corners")


@dataclass(frozen=True)
class Place:
    """A part of the array.

    Args:
        name: what the file calls it.
        form: one of FORMS: named balls and rectangles of them; rows by their letters; columns by their numbers; the
            outermost rows and columns, so many deep; the corners, so many balls wide and deep.
        entries: balls (A1), rectangles (A1:C3), letters or numbers; with the last two forms one number.
    """

    name: str
    form: str
    entries: tuple[str, ...]

    def holds(self, table: pd.DataFrame) -> NDArray[np.bool_]:
        """Which sites (n,) of a package's table lie here.

        Raises:
            InputError: a named ball, row or column is none of the array's.
        """
        sites = np.array([parse_ball(name) for name in table["ball"]]).reshape(-1, 2)
        if self.form in ("outer_rows", "corners"):
            return _rim(sites, int(self.entries[0]), self.form == "corners")
        here = np.zeros(len(sites), np.bool_)
        for entry in self.entries:
            among = _among(sites, self.form, entry)
            if not among.any():
                raise InputError(
                    f"acceptance, places, {self.name}: expected {self.form} of the array ({table['ball'].iloc[0]} to "
                    f"{table['ball'].iloc[-1]}), found {entry}; correct the file of limits"
                )
            here |= among
        return here


def read_place(name: str, entry: Any) -> Place:
    """A place from its entry in the file, such as `{corners: 2}` or `{balls: [A1, E5:H8]}`.

    Raises:
        InputError: an unknown form, or an entry that names nothing.
    """
    where = f"acceptance, places, {name}"
    if name == ALL:
        raise InputError(f"{where}: expected another name, found {ALL}, which means every joint; rename it")
    if not isinstance(entry, Mapping) or len(entry) != 1 or next(iter(entry)) not in FORMS:
        raise InputError(f"{where}: expected one of {', '.join(FORMS)}, found {entry!r}; correct it")
    form, value = next(iter(entry.items()))
    values = value if isinstance(value, list) else [value]
    entries = tuple(str(v).strip() for v in values)
    if not entries or any(isinstance(v, bool | float | dict | list) or v is None for v in values):
        raise InputError(
            f"{where}: expected names or whole numbers under {form}, found {value!r}; correct it"
        )
    if form in ("outer_rows", "corners", "columns") and not all(
        e.isdecimal() and int(e) > 0 for e in entries
    ):
        raise InputError(f"{where}: expected whole numbers from 1 under {form}, found {value!r}; correct it")
    if form in ("outer_rows", "corners") and len(entries) != 1:
        raise InputError(f"{where}: expected one number under {form}, found {value!r}; correct it")
    for text in entries:
        _check(form, text, where)
    return Place(name, form, entries)


def _check(form: str, entry: str, where: str) -> None:
    try:
        if form == "rows":
            parse_ball(f"{entry}1")
        if form == "balls":
            ends = [parse_ball(end.strip()) for end in entry.split(":")]
            if len(ends) > 2:
                raise InputError(f"expected a ball (E5) or a rectangle (E5:H8), found {entry!r}")
    except InputError as error:
        raise InputError(f"{where}: {error}; correct the file of limits") from error


def _among(sites: NDArray[np.int64], form: str, entry: str) -> NDArray[np.bool_]:
    """Which sites (n, 2), as row and column by their names, an entry means."""
    if form == "rows":
        return np.asarray(sites[:, 0] == parse_ball(f"{entry}1")[0])
    if form == "columns":
        return np.asarray(sites[:, 1] == int(entry) - 1)
    ends = [parse_ball(end.strip()) for end in entry.split(":")]
    return np.asarray(np.all((sites >= np.min(ends, axis=0)) & (sites <= np.max(ends, axis=0)), axis=1))


def _rim(sites: NDArray[np.int64], depth: int, corners: bool) -> NDArray[np.bool_]:
    if not len(sites):
        return np.zeros(0, np.bool_)
    outer = (sites < sites.min(axis=0) + depth) | (sites > sites.max(axis=0) - depth)
    return np.asarray(outer.all(axis=1) if corners else outer.any(axis=1))
