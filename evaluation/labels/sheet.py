"""A label sheet: which joints a person is asked to look at, in which order, and the table to fill in.

Who fills it sees neither truth nor scores, and the order is drawn. One seed asks every
reader about the same joints, each in an order of their own.
"""

import dataclasses
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from jointwise.evaluation.labels.filled import COLUMNS, COMPONENT, TAKEN
from jointwise.evaluation.statistics.measures import Bools
from jointwise.evaluation.verdicts import NAMES
from jointwise.joints.atomic import write_text
from jointwise.joints.errors import InputError
from jointwise.joints.schema import present_array

FORMAT: Final = "jointwise label sheet 1"
RECORD, TABLE = "sheet.json", "labels.csv"


@dataclass(frozen=True)
class Sheet:
    """What was drawn; JSON-safe.

    Args:
        reader: who is to fill it.
        seed: that decides the joints, and with the reader their order.
        split: split of the store the joints come from; null: all.
        fingerprint: of the store or set.
        rows: rows of its table, in the order of the sheet.
    """

    reader: str
    seed: int
    split: str | None
    fingerprint: str
    rows: tuple[int, ...]


def draw_sheet(
    table: pd.DataFrame, fingerprint: str, reader: str, seed: int, split: str | None, count: int | None
) -> Sheet:
    """Draw joints and order.

    Args:
        table: every site, with `present`, and `split` if one is asked for.
        fingerprint: of the store or set.
        reader: lower case letters, digits and _; decides, with the seed, the order.
        seed: decides alone which joints.
        split: only joints of this split; None takes all.
        count: joints to draw; None takes all.

    Raises:
        InputError: no reader's name, no such split, or fewer joints than asked for.
    """
    if not NAMES.fullmatch(reader) or reader in TAKEN:
        raise InputError(
            f"reader: expected a name of lower case letters, digits and _, other than {', '.join(TAKEN)}, found "
            f"{reader!r}; give reader=…"
        )
    wanted = present_array(table)
    if split is not None:
        names = sorted(set(map(str, table["split"]))) if "split" in table else []
        if split not in names:
            raise InputError(
                f"split: expected one of {', '.join(names) or 'none (null)'}, found {split!r}; correct it"
            )
        wanted = wanted & (table["split"].astype(str) == split).to_numpy()
    there = np.flatnonzero(wanted)
    if not len(there) or (count or 0) > len(there):
        raise InputError(
            f"count: expected at most {len(there)} joints to label, found {count or 'all'}; ask for fewer"
        )
    chosen = np.sort(np.random.default_rng(seed).permutation(there)[:count])
    order = np.random.default_rng([seed, *reader.encode()]).permutation(chosen)
    return Sheet(reader, seed, split, fingerprint, tuple(int(row) for row in order))


def empty_table(sheet: Sheet, table: pd.DataFrame) -> pd.DataFrame:
    """The table to fill in: one row per joint in the order of the sheet, kinds empty."""
    several = table.duplicated(["scan", "ball"]).any()
    names = ["scan", COMPONENT, "ball"] if several else ["scan", "ball"]
    rows = table.iloc[list(sheet.rows)][names].reset_index(drop=True)
    rows = rows.assign(reader=sheet.reader)
    return rows.assign(**{name: "" for name in COLUMNS if name not in rows})


def write_sheet(sheet: Sheet, table: pd.DataFrame, folder: Path) -> list[Path]:
    """Write the table and what was drawn.

    Raises:
        InputError: a sheet lies there already; it may be filled in.
    """
    if (folder / TABLE).exists():
        raise InputError(
            f"expected a folder without a label sheet, found {folder / TABLE}; take another folder"
        )
    write_text(folder / RECORD, json.dumps({"format": FORMAT, **dataclasses.asdict(sheet)}) + "\n")
    write_text(folder / TABLE, empty_table(sheet, table).to_csv(index=False, lineterminator="\n"))
    return [folder / TABLE, folder / RECORD]


def asked_for(filled: Path, table: pd.DataFrame, fingerprint: str) -> Bools:
    """Which joints of a table a filled file has to hold, (n,): those of the sheet whose record lies beside it; every
    joint that is there if there is none.

    Raises:
        InputError: a damaged record, or one of another store.
    """
    path = filled.parent / RECORD
    if not path.is_file():
        return present_array(table)
    try:
        record: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        rows, known = np.array(record["rows"], dtype=np.int64), record["fingerprint"]
        if record["format"] != FORMAT:
            raise ValueError(record["format"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"expected the record of a label sheet in {path}, found a damaged file; take the "
            "sheet's folder whole"
        ) from error
    if known != fingerprint or rows.max(initial=0) >= len(table):
        raise InputError(
            f"expected the joints from which the sheet in {filled.parent} was made, found others; correct joints="
        )
    asked = np.zeros(len(table), dtype=bool)
    asked[rows] = True
    return asked
