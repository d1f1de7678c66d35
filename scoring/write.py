"""Write the results: all files are made aside and then put in place together, or none is; keep joints in a store."""

import contextlib
import json
import os
import shutil
import uuid
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.lattice import Vector
from jointwise.joints.schema import COLUMNS, MEASURES
from jointwise.joints.store import StoreWriter
from jointwise.scoring.cut import CutArray, Progress, silent
from jointwise.scoring.report.document import document, to_text
from jointwise.scoring.report.map_png import map_png
from jointwise.scoring.report.page import report_html
from jointwise.scoring.scored import Scored

TABLE_CSV, TABLE_PARQUET, DOCUMENT, MAP, REPORT = (
    "joints.csv",
    "joints.parquet",
    "joints.json",
    "map.png",
    "report.html",
)
WRITTEN = (TABLE_CSV, TABLE_PARQUET, DOCUMENT, MAP, REPORT)
OURS = (*WRITTEN, "array.json")
"""Names of our files; the last is what earlier versions wrote, now part of the document."""

DECIMALS = {"mm": 5, "um": 2, "pct": 3, "score": 5, "rules": 5, "fraction": 4, "ball": 3, "cnr": 3, "lane": 3}
"""Digits in the CSV by the first or last word of a column's name; the parquet file keeps all."""


@contextlib.contextmanager
def results(folder: Path, ours: tuple[str, ...] = OURS) -> Iterator[Path]:
    """Yield an empty folder beside `folder`; on success its files take the place of an earlier run's.

    What else lies in `folder` stays: only files of our own names are replaced. Until the last file is written, a
    reader sees the earlier results whole; on any error they stay and the new ones vanish.

    Args:
        folder: made if absent.
        ours: names of the files of an earlier run.

    Raises:
        InputError: `folder` is a file.
    """
    folder = folder.absolute()
    if folder.exists() and not folder.is_dir():
        raise InputError(f"expected a folder for the results at {folder}, found a file; choose another out=")
    folder.parent.mkdir(parents=True, exist_ok=True)
    aside = folder.with_name(f".{folder.name}.{uuid.uuid4().hex[:8]}.part")
    aside.mkdir()
    try:
        yield aside
        _sync(aside)
        _put_in_place(aside, folder, ours)
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _put_in_place(aside: Path, folder: Path, ours: tuple[str, ...]) -> None:
    """Swap whole folders; what is not ours moves over into the new one."""
    if not folder.exists():
        os.rename(aside, folder)
        return
    folder = folder.resolve()
    before = folder.with_name(f".{folder.name}.{uuid.uuid4().hex[:8]}.before")
    os.rename(folder, before)
    try:
        os.rename(aside, folder)
    except OSError:
        os.rename(before, folder)
        raise
    for entry in before.iterdir():
        if entry.name not in ours:
            os.rename(entry, folder / entry.name)
    shutil.rmtree(before)


def write_results(scored: Scored, folder: Path, when: datetime, progress: Progress = silent) -> None:
    """Write tables, document, map and report into a folder, all or nothing.

    Args:
        scored: the scored scan.
        folder: made if absent; an earlier run's files are replaced, others left alone.
        when: the time that stands in the report.
        progress: told what is done.
    """
    with results(folder) as aside:
        write_tables(scored.table, aside)
        tables = [rounded(package.table) for package in scored.packages]
        text = to_text(document(scored, tables, when))
        (aside / DOCUMENT).write_text(text, encoding="utf-8")
        (aside / MAP).write_bytes(map_png(_maps(scored)))
        (aside / REPORT).write_text(report_html(scored, when, progress), encoding="utf-8")


def _maps(scored: Scored) -> list[tuple[str, pd.DataFrame]]:
    parts = [
        " ".join(filter(None, [scored.scan.path.name, package.array.component]))
        for package in scored.packages
    ]
    return [(f"{part}, seen from high z", p.table) for part, p in zip(parts, scored.packages, strict=True)]


def write_tables(table: pd.DataFrame, folder: Path) -> None:
    """Write the scored table as CSV (rounded) and as parquet, with the columns of the schema in their order."""
    table = table[list(COLUMNS)]
    table.to_parquet(folder / TABLE_PARQUET, index=False)
    rounded(table).to_csv(folder / TABLE_CSV, index=False, lineterminator="\n")


def rounded(table: pd.DataFrame) -> pd.DataFrame:
    """The table with as many digits as its numbers are worth."""
    return table.round({name: _digits(name) for name in table.select_dtypes("number")})


def keep_joints(
    cut: CutArray,
    axes: Vector,
    scored: pd.DataFrame,
    folder: Path,
    split: str,
    judging_only: bool,
    package: str = "",
) -> tuple[str, str]:
    """Add the cut joints of a scan to a store of scanned joints, one shard a scan; their truth is unknown.

    Args:
        cut: of the scan.
        axes: (3, 3), the grid's directions in the file's frame.
        scored: the scored table, one row per site; its `findings` go along.
        folder: the store; made if absent, continued if it holds scanned joints on the same grid.
        split: of these joints.
        judging_only: mark them as for judging only.
        package: of a scan with several, which one; each has its own shard.

    Returns:
        Name of the shard, and the hash of its volumes.
    """
    findings = scored.loc[scored["present"] == 1, "findings"].to_numpy()
    unknown = dict.fromkeys((*KINDS, *MEASURES), np.nan)
    table = cut.joints.table.assign(
        **unknown,
        split=split,
        findings=pd.array(findings, dtype="string"),
        axes=json.dumps(np.asarray(axes).tolist()),
        judging_only=judging_only,
    )
    words = filter(None, (table["board_id"].iloc[0], table["scan"].iloc[0], package))
    name = "-".join(words).replace("/", "_")
    with StoreWriter(folder, cut.joints.grid, None, {"made_by": "score"}) as writer:
        writer.add(name, Joints(cut.joints.volumes, table, cut.joints.grid))
        return name, writer.shards[name].volumes_sha256


def _digits(column: str) -> int:
    words = column.split("_")
    return DECIMALS.get(words[-1], DECIMALS.get(words[0], 6))


def _sync(folder: Path) -> None:
    for path in (*folder.rglob("*"), folder):
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
