"""`jointwise sets`: scans with positions, readers' labels and truth, made into a set of labelled joints."""

from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from jointwise.commands.cores import worker_count
from jointwise.commands.screen import Done, Step, call, progress, say
from jointwise.commands.settings import SetsConfig
from jointwise.joints.errors import InputError

if TYPE_CHECKING:
    from jointwise.evaluation.labels.labelled_set import Tables
    from jointwise.scoring.cut import CutArray

HELP = "Make a set of reader-labelled joints from scans with given positions, labels and truth."
EXAMPLE = "source=boards out=out/set provenance='scans of ours, read by two inspectors'"
CONFIG = SetsConfig
VOLUME, FACTS = "volume.mha", "scan.json"
POSITIONS, LABELS, TRUTH = "positions.csv", "labels.csv", "joints_truth.csv"
CHANGE = "storage.csv"


class Board(NamedTuple):
    """One scan of the source: what was cut, and its two tables, each with the column `scan`."""

    cut: "CutArray"
    axes: list[list[float]]
    labels: Any
    truth: Any


def run(cfg: SetsConfig) -> Done:
    """Cut every board at its given positions, write the set, read it back; with a model, compare the scores."""
    import pandas as pd

    from jointwise.evaluation.labels.labelled_set import Tables, write_set

    folders = sorted(path.parent for path in cfg.source.glob(f"*/{VOLUME}"))
    if not folders:
        raise InputError(f"expected folders with {VOLUME} in {cfg.source}, found none; correct source=")
    with progress("cutting", "boards") as step:
        boards = {folder.name: _board(folder, cfg, step, n, len(folders)) for n, folder in enumerate(folders)}
    parts = zip(*((b.cut.sites, b.labels, b.truth) for b in boards.values()), strict=True)
    tables = Tables(*(pd.concat(part, ignore_index=True) for part in parts))
    wrote = write_set(
        cfg.out,
        {name: board.cut.joints for name, board in boards.items()},
        tables,
        cfg.provenance,
        {
            "positions": f"as given in {POSITIONS}, not as found",
            "scans": {n: _facts(b) for n, b in boards.items()},
        },
    )
    say(contents(tables))
    if cfg.model is not None:
        wrote.append(_compare(cfg, boards, cfg.model))
    return Done(wrote, call("evaluate", sets=f"[{cfg.out}]", model=cfg.model or "out/train/model"))


def contents(tables: "Tables") -> str:
    """One line on what a set holds."""
    present = int((tables.sites["present"] == 1).sum())
    readers = ", ".join(str(name) for name in tables.labels["reader"].unique())
    scans, missing = tables.sites["scan"].nunique(), len(tables.sites) - present
    return f"{present} joints of {scans} scans, {missing} missing balls; labels of {readers}"


def _board(folder: Path, cfg: SetsConfig, step: Step, number: int, of: int) -> Board:
    """The lattice found in the scan gives axes and nothing else: every joint is cut where the source says it is."""
    import dataclasses

    from jointwise.joints.schema import require_columns
    from jointwise.scoring.cut import cut_array
    from jointwise.scoring.finding.locate import locate
    from jointwise.scoring.reading.formats import read_scan
    from jointwise.scoring.settings import ArraySettings, ScoreSettings

    step(number, of, folder.name)
    facts = _scan_facts(folder / FACTS)
    array = ArraySettings(
        facts["pitch_mm"], facts["ball_mm"], facts["rows"], facts["cols"], depopulated=facts["depopulated"]
    )
    side = str(facts["package_side"]).split()[0]
    settings = ScoreSettings(package_side=side, board_id=folder.name, workers=worker_count(cfg.workers))
    positions, labels, truth = (_table(folder, name) for name in (POSITIONS, LABELS, TRUTH))
    require_columns(
        positions, ["ball", "row", "col", "x_mm", "y_mm", "z_mm", "present"], str(folder / POSITIONS)
    )
    scan = read_scan(folder / VOLUME)
    found = locate(scan, array, settings)
    given = dataclasses.replace(found, sites=positions)
    cut = cut_array(scan, given, array, settings, cfg.grid)
    # The file is called volume.mha on every board; the folder tells them apart.
    for table in (cut.sites, cut.joints.table):
        table["scan"] = folder.name
    step(number + 1, of, folder.name)
    return Board(cut, found.axes.tolist(), _named(labels, folder.name), _named(truth, folder.name))


def _scan_facts(path: Path) -> dict[str, Any]:
    import json

    wanted = ("pitch_mm", "ball_mm", "rows", "cols", "depopulated", "package_side")
    try:
        facts = json.loads(path.read_text(encoding="utf-8"))
        return {name: facts[name] for name in wanted}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(f"expected {', '.join(wanted)} in JSON at {path}, found none; correct it") from error


def _table(folder: Path, name: str) -> Any:
    import pandas as pd

    try:
        return pd.read_csv(folder / name)
    except (OSError, ValueError) as error:
        raise InputError(f"expected a table at {folder / name}, found none that reads; add it") from error


def _named(table: Any, scan: str) -> Any:
    table.insert(0, "scan", scan)
    return table


def _facts(board: Board) -> dict[str, Any]:
    """How a scan was cut, JSON-safe."""
    levels = board.cut.levels
    return {"axes": board.axes, "air": levels.air, "solder": levels.solder, "noise": levels.noise}


def _compare(cfg: SetsConfig, boards: dict[str, Board], model: Path) -> Path:
    """Score the cut joints and the stored ones with the same detectors; say and write by how much they differ."""
    from jointwise.evaluation.labels.labelled_set import read_set
    from jointwise.evaluation.labels.storage import score_change
    from jointwise.joints.atomic import write_text
    from jointwise.joints.batch import Joints
    from jointwise.models.bench import load_bench

    bench = load_bench(model, cfg.detectors, cfg.device)
    cut = Joints.concatenate([board.cut.joints for board in boards.values()])
    with progress("comparing scores", "joints") as step:
        change = score_change(cut, read_set(cfg.out, cfg.out.name).joints, bench, step)
    say("|score of float16 - score of the stored bytes|, " + cfg.provenance)
    say(change.to_string(index=False, float_format=lambda value: f"{value:.2g}"))
    write_text(
        cfg.out / CHANGE, change.assign(provenance=cfg.provenance).to_csv(index=False, lineterminator="\n")
    )
    return cfg.out / CHANGE
