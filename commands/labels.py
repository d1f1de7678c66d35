"""`jointwise labels`: a sheet of joints for a person to label, and the check of a filled one."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from jointwise.commands.evaluate import DEMO, set_folder
from jointwise.commands.screen import Done, call, progress, say
from jointwise.commands.settings_labels import LabelsConfig
from jointwise.joints.atomic import refuse_file

if TYPE_CHECKING:
    from jointwise.joints.batch import Joints

HELP = "Make a label sheet of your joints for a person to fill (sheet=…), or check a filled one (check=…)."
EXAMPLE = "joints=out/joints sheet=out/labels reader=reader_a count=50"
CONFIG = LabelsConfig
BLIND = ("scan", "component", "ball", "present", "split", "pitch_mm", "ball_mm", "voxel_um")
"""All that a sheet may know of a joint: no truth, no score, no recipe."""


class Source(NamedTuple):
    """Joints to label: every site, what they are called by, and how sub-volumes of rows are had."""

    table: Any
    fingerprint: str
    read: Callable[[Any], "Joints"]
    is_store: bool


def run(cfg: LabelsConfig) -> Done:
    """Draw and write a sheet, or check a filled one and keep its labels."""
    for folder in (cfg.sheet, cfg.out):
        if folder is not None:
            refuse_file(folder)
    source = _source(set_folder(cfg.joints) if cfg.joints == DEMO else Path(cfg.joints))
    return _make(cfg, source, cfg.sheet) if cfg.sheet is not None else _check(cfg, source)


def _make(cfg: LabelsConfig, source: Source, folder: Path) -> Done:
    from jointwise.evaluation.labels.sheet import TABLE, draw_sheet, write_sheet
    from jointwise.evaluation.pictures.label_page import label_page
    from jointwise.joints.atomic import write_text

    sheet = draw_sheet(source.table, source.fingerprint, str(cfg.reader), cfg.seed, cfg.split, cfg.count)
    wrote, total = write_sheet(sheet, source.table, folder), len(sheet.rows)
    pages = -(-total // cfg.page)
    with progress("drawing", "pages") as step:
        for page in range(pages):
            start = page * cfg.page
            joints = source.read(list(sheet.rows[start : start + cfg.page]))
            last = start + len(joints)
            title = f"Joints {start + 1} to {last} of {total}, for {sheet.reader}"
            path = folder / f"page_{page + 1:03d}.html"
            write_text(path, label_page(joints, start + 1, title))
            wrote.append(path)
            step(page + 1, pages)
    return Done(wrote, call("labels", joints=cfg.joints, check=folder / TABLE, out=f"{folder}_checked"))


def _check(cfg: LabelsConfig, source: Source) -> Done:
    from jointwise.evaluation.labels.filled import check_sheet
    from jointwise.evaluation.labels.kept import keep_labels
    from jointwise.evaluation.labels.sheet import asked_for
    from jointwise.joints.kinds import KINDS, TITLES

    path = Path(str(cfg.check))
    rows = check_sheet(path, source.table, asked_for(path, source.table, source.fingerprint))
    for reader, own in rows.groupby("reader", sort=False):
        untold = int((own["cannot_tell"] == 1).sum())
        bare = [TITLES[kind] for kind in KINDS if own[kind].isna().all()]
        note = f"; no answer on {', '.join(bare)} anywhere" if bare else ""
        say(f"{len(own)} joints of {reader}, {untold} of them cannot be told{note}: nothing wrong")
    if cfg.out is None:
        _show_agreement(path, source.table)
        return Done([], call("labels", joints=cfg.joints, check=path, out=f"{path.parent}_checked"))
    kept = keep_labels(rows, source.table, cfg.out)
    _show_agreement(kept, source.table)
    return Done([kept], _evaluate(cfg, source, kept))


def _show_agreement(path: Path, table: Any) -> None:
    """How far the readers of a file agree, where there are two or more; scans stand for boards."""
    import numpy as np

    from jointwise.evaluation.labels.adjudication import MAJORITY
    from jointwise.evaluation.labels.agreement import kappa_table
    from jointwise.evaluation.labels.set_verdicts import with_readers
    from jointwise.evaluation.verdicts import Verdicts
    from jointwise.joints.kinds import KINDS, TITLES

    unknown = np.full((len(table), len(KINDS)), np.nan)
    bare = Verdicts("labels", "", table.assign(board_id=table["scan"]), unknown, {}, {})
    found = kappa_table(with_readers(bare, path), MAJORITY)
    for row in found.to_dict("records"):
        told = f"{row['readers']}, {TITLES[row['kind']]}: "
        if not row["n"]:
            say(f"{told}no joint that all of them could tell")
            continue
        told += f"{row['observed']:.0%} agreement on {row['n']} joints of {row['boards']} scans"
        span = (
            f" ({row['kappa_low']:.2f} to {row['kappa_high']:.2f})"
            if row["kappa_low"] == row["kappa_low"]
            else ""
        )
        untold = (
            "not defined, one answer everywhere" if np.isnan(row["kappa"]) else f"{row['kappa']:.2f}{span}"
        )
        say(f"{told}, {row['statistic']}'s kappa {untold}")
    if len(found):
        say(
            "kappa: 1 agreed, 0 as by chance; in brackets 95 %, whole scans drawn again, unreliable under ten"
        )


def _evaluate(cfg: LabelsConfig, source: Source, labels: Path) -> str:
    """The command that judges detectors by these labels; of a store it names the split with most of them."""
    import pandas as pd

    asked: dict[str, object] = {"sets": f"[{cfg.joints}]"}
    if source.is_store:
        asked = {"data": cfg.joints}
        key = ["scan", "component", "ball"]
        told = pd.read_csv(labels, dtype=str)
        known = source.table.astype(dict.fromkeys([k for k in key if k in source.table], str))
        there = known.merge(told[[k for k in key if k in told]].drop_duplicates())
        asked["split"] = there["split"].mode()[0] if "split" in there else "test"
    return call("evaluate", **asked, model="out/train/model", labels=labels)


def _source(folder: Path) -> Source:
    """A labelled set if the folder holds one, else a store.

    Raises:
        InputError: neither; or several columns that a sheet needs are missing.
    """
    from jointwise.evaluation.labels.labelled_set import FACTS

    return _set(folder) if (folder / FACTS).is_file() else _store(folder)


def _store(folder: Path) -> Source:
    from jointwise.joints.batch import Joints
    from jointwise.joints.store import Store

    store = Store(folder)
    table = _blind(store.table, folder)

    def read(rows: Any) -> Joints:
        return Joints(store.read(rows).volumes, table.iloc[rows].reset_index(drop=True), store.grid)

    return Source(table, store.fingerprint, read, is_store=True)


def _set(folder: Path) -> Source:
    import numpy as np

    from jointwise.evaluation.labels.labelled_set import FACTS, read_set
    from jointwise.joints.atomic import sha256
    from jointwise.joints.batch import Joints
    from jointwise.joints.schema import present_array

    known = read_set(folder, folder.name)
    table = _blind(known.tables.sites, folder)
    place = np.cumsum(present_array(table)) - 1

    def read(rows: Any) -> Joints:
        return Joints(
            known.joints.volumes[place[rows]], table.iloc[rows].reset_index(drop=True), known.joints.grid
        )

    return Source(table, sha256(folder / FACTS), read, is_store=False)


def _blind(table: Any, folder: Path) -> Any:
    from jointwise.joints.schema import require_columns

    require_columns(table, ("scan", "ball", "present", "pitch_mm", "ball_mm"), str(folder))
    return table[[name for name in BLIND if name in table]].reset_index(drop=True)
