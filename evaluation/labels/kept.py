"""Checked labels of several readers in one file, as evaluations take them."""

from pathlib import Path

import pandas as pd

from jointwise.evaluation.labels.filled import COLUMNS, COMPONENT, read_rows
from jointwise.evaluation.labels.sheet import TABLE
from jointwise.joints.atomic import write_text
from jointwise.joints.kinds import KINDS


def keep_labels(rows: pd.DataFrame, table: pd.DataFrame, folder: Path) -> Path:
    """Write checked rows to labels.csv in a folder; rows of other readers that lie there stay, the same readers' go.

    Args:
        rows: from :func:`jointwise.evaluation.labels.filled.check_sheet`.
        table: the sites they speak of.
        folder: made if absent.

    Raises:
        InputError: what lies there does not fit the table.
    """
    path, parts = folder / TABLE, [rows]
    if path.is_file():
        before = read_rows(path, table)
        parts.insert(0, before[~before["reader"].isin(rows["reader"].unique())])
    whole = pd.concat(parts, ignore_index=True)
    names = ["scan", *([COMPONENT] if COMPONENT in whole else []), *COLUMNS[1:]]
    whole = whole.reindex(columns=names).astype(dict.fromkeys((*KINDS, "sure", "cannot_tell"), "Int64"))
    write_text(path, whole.to_csv(index=False, lineterminator="\n"))
    return path
