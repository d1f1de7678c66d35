"""Labels that people filled in: the check of a filled sheet, and the labels brought to the joints of a table.

A file of labels is a CSV, long: one row per joint and reader, columns scan, ball, reader, the kinds (0 or 1), sure
(0 to 2, may be empty), cannot_tell (1, or 0 or empty) and note. Where cannot_tell is 1 the kinds may stay empty; a kind
that a reader left empty in every row was not looked for, and is not known.
A column `component` joins scan and ball where a scan holds several components.
"""

from collections.abc import Sequence
from io import StringIO
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.evaluation.labels.adjudication import RULES
from jointwise.evaluation.parquet import absence
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.verdicts import NAMES
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import present_array
from jointwise.models.names import DETECTORS, SHIPPED

COLUMNS: Final = ("scan", "ball", "reader", *KINDS, "sure", "cannot_tell", "note")
COMPONENT: Final = "component"
TAKEN: Final = ("truth", *RULES, *DETECTORS, SHIPPED)
"""Names that tables use for something else than a reader."""


def read_labels(path: Path, table: pd.DataFrame) -> dict[str, Floats]:
    """What the readers of a file say of the joints of a table.

    Args:
        path: a file of labels.
        table: n sites with scan, ball, present; component where there are several.

    Returns:
        reader -> (n, 4) of 1, 0 or NaN (could not tell, did not look for that kind, or no row in the file), kinds in
        the order of KINDS.

    Raises:
        InputError: one sentence on the first thing that is wrong.
    """
    rows, place = _checked(path, table)
    labels: dict[str, Floats] = {}
    for reader, own in rows.groupby("reader", sort=False):
        said = own[list(KINDS)].to_numpy(dtype=np.float64)
        said[own["cannot_tell"].to_numpy() == 1] = np.nan
        labels[str(reader)] = np.full((len(table), len(KINDS)), np.nan)
        labels[str(reader)][place[own.index.to_numpy()]] = said
    return labels


def read_rows(path: Path, table: pd.DataFrame) -> pd.DataFrame:
    """The rows of a file as numbers, kinds, sure and cannot_tell; which joints are missing is not asked."""
    return _checked(path, table)[0]


def looked_at(path: Path, table: pd.DataFrame) -> NDArray[np.int64]:
    """How many readers of a file have a row for each joint of a table, (n,)."""
    _, place = _checked(path, table)
    return np.asarray(np.bincount(place, minlength=len(table)), dtype=np.int64)


def check_sheet(path: Path, table: pd.DataFrame, asked: Bools) -> pd.DataFrame:
    """The rows of a filled sheet, as numbers, if all is well.

    Args:
        path: the filled file.
        table: as for :func:`read_labels`.
        asked: (n,) which joints of the table every reader of the file had to look at.

    Raises:
        InputError: one sentence on the first thing that is wrong.
    """
    rows, place = _checked(path, table)
    answered = (rows[list(KINDS)].notna().any(axis=1) & (rows["cannot_tell"] == 1)).to_numpy()
    _refuse(answered, rows, path, "empty kinds where cannot_tell is 1", "with both", "empty one or the other")
    for reader, own in rows.groupby("reader", sort=False):
        found = np.zeros(len(table), dtype=bool)
        found[place[own.index.to_numpy()]] = True
        for wrong, said in (
            (asked & ~found, "joints without a row"),
            (found & ~asked, "joints that the sheet did not ask for"),
        ):
            if wrong.any():
                raise InputError(
                    f"expected a row of {reader} for each of the {int(asked.sum())} joints of the sheet in {path}, "
                    f"found {int(wrong.sum())} {said}, the first {_name(table, int(np.flatnonzero(wrong)[0]))}; "
                    "put the sheet's rows back"
                )
    return rows


def _checked(path: Path, table: pd.DataFrame) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """The file's rows with numbers in them, and which row of the table each speaks of."""
    text = _texts(path)
    _check_readers(text, path)
    place = _places(text, table, path)
    return _numbers(text, path), place


def _texts(path: Path) -> pd.DataFrame:
    """Every cell as text without spaces around it; spreadsheets may have put a mark or semicolons into the file."""
    if found := absence(path):
        raise InputError(
            f"expected a filled label sheet (CSV) at {path}, found {found}; give the path of its labels.csv"
        )
    try:
        raw = path.read_text(encoding="utf-8-sig")
        mark = ";" if ";" in raw.partition("\n")[0] else ","
        # One row too long would otherwise shift every column.
        text = pd.read_csv(StringIO(raw), sep=mark, dtype=str, keep_default_na=False, index_col=False)
    except (OSError, ValueError) as error:
        raise InputError(
            f"expected a filled label sheet (CSV) at {path}, found no table in CSV; save it as CSV in UTF-8"
        ) from error
    needed = [name for name in COLUMNS if name not in ("sure", "note")]
    missing = [name for name in needed if name not in text]
    odd = [str(name) for name in text if name not in (*COLUMNS, COMPONENT)]
    if missing or odd:
        found = f"{', '.join(odd)} besides" if odd else f"no {', '.join(missing)}"
        raise InputError(
            f"expected the columns {', '.join(COLUMNS)} in {path}, found {found}; correct its first line"
        )
    if text.empty:
        raise InputError(f"expected rows of labels in {path}, found none; take the sheet anew")
    return text.apply(lambda cells: cells.fillna("").str.strip())


def _check_readers(text: pd.DataFrame, path: Path) -> None:
    for reader in text["reader"].unique():
        if not NAMES.fullmatch(reader) or reader in TAKEN:
            row = int(np.flatnonzero(text["reader"] == reader)[0])
            raise InputError(
                f"expected a reader's name of lower case letters, digits and _, other than {', '.join(TAKEN)}, in "
                f"every row of {path}, found {reader!r} in row {row + 2}; fill it in"
            )


def _places(text: pd.DataFrame, table: pd.DataFrame, path: Path) -> NDArray[np.int64]:
    key = ["scan", COMPONENT, "ball"] if COMPONENT in text else ["scan", "ball"]
    if table.duplicated(["scan", "ball"]).any() and COMPONENT not in text:
        raise InputError(
            f"expected the column component in {path}, because scans there hold several, found none; take a new sheet"
        )
    sites = table.reset_index(drop=True)[key].astype(str)
    # A right join keeps the order of the file.
    found = sites.assign(place=np.arange(len(sites))).merge(text[key], on=key, how="right")
    place = found["place"].to_numpy(dtype=np.float64)
    _refuse(
        np.isnan(place), text, path, "joints of the given set", "of joints that are not there", "delete them"
    )
    rows = np.asarray(place, dtype=np.int64)
    gone = ~present_array(table)[rows]
    _refuse(gone, text, path, "joints with a ball", "of missing balls", "delete them")
    twice = np.asarray(text.duplicated([*key, "reader"]))
    _refuse(twice, text, path, "every joint once for a reader", "doubled", "delete one of each")
    return rows


def _numbers(text: pd.DataFrame, path: Path) -> pd.DataFrame:
    rows = text.copy()
    for name, allowed in (
        (("cannot_tell"), (0, 1)),
        *((kind, (0, 1)) for kind in KINDS),
        ("sure", (0, 1, 2)),
    ):
        if name not in text:
            continue
        rows[name] = pd.to_numeric(text[name], errors="coerce")
        wrong = (~rows[name].isin(allowed) & (text[name] != "")).to_numpy()
        words = " or ".join(map(str, allowed))
        _refuse(
            wrong,
            text,
            path,
            f"{words} in the column {name}",
            "with other values",
            "correct them",
            column=name,
        )
    rows["cannot_tell"] = rows["cannot_tell"].fillna(0).astype(np.int64)
    given = rows[list(KINDS)].notna()
    sought = given.groupby(text["reader"]).transform("any")
    open_ = (given < sought).any(axis=1) | ~sought.any(axis=1)
    empty = (open_ & (rows["cannot_tell"] == 0)).to_numpy()
    _refuse(empty, text, path, "0 or 1 for every kind, or cannot_tell = 1", "not filled", "fill them in")
    return rows


def _refuse(
    wrong: Bools,
    text: pd.DataFrame,
    path: Path,
    expected: str,
    found: str,
    do: str,
    *,
    column: str | None = None,
) -> None:
    """Refuse rows, naming the first by its line in the file."""
    if not wrong.any():
        return
    row = int(np.flatnonzero(wrong)[0])
    value = "" if column is None else f" ({text[column].iloc[row]!r})"
    raise InputError(
        f"expected {expected} in {path}, found {int(wrong.sum())} rows {found}, the first {_name(text, row)}{value} in "
        f"row {row + 2}; {do}"
    )


def _name(table: pd.DataFrame, row: int) -> str:
    columns: Sequence[str] = ("scan", "ball")
    return " ".join(str(table[name].iloc[row]) for name in columns)
