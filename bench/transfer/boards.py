"""Detectors on development boards: what carries over from the generator to somebody else's scans.

    python bench/transfer/boards.py --boards DIR [DIR ...] --models FOLDER [FOLDER ...] --out CSV
                             [--rules FOLDER] [--table CSV]

Boards come from tests/outside/mesh_board (board.mha, truth.csv, record.json). Each is read, searched and cut by
scoring's own code, given only pitch, ball, rows and columns; the cut joints are kept beside the board, one file per
grid, until board, grid or columns change (`--fresh` after a change of scoring). A site is the truth's nearest found
one within 0.3 pitch; a joint that was not found scores 0. Opens and pillows bonded over more than a quarter count in
no kind.

The CSV has the columns model, board, kind, measure, value, n, low, high; `board` is also one of the pools
clean, hard, shifted, exam plain and exam hard, and the same of a second and a third exam. Measures: `ap`, `recall` with
every gap counted, `ap_visible`, `recall_visible` with gaps of at least one voxel, `precision` and
`recall_gap_...` by gap in voxels; at the detector's own thresholds, n faulty (for precision: called) joints,
95 % Wilson intervals that take joints as independent. `false_calls`: share of wholly sound joints with any
call.
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from jointwise.evaluation.labels.labelled_set import MARGINAL_ABOVE
from jointwise.evaluation.statistics.measures import average_precision, count, escapes, ratio, wilson
from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import ENVELOPE
from jointwise.models.bench import Bench, Judge, load_bench, read_rules
from jointwise.models.names import RULES_FILE
from jointwise.models.protocol import look
from jointwise.scoring.cut import cut_array
from jointwise.scoring.finding.locate import locate
from jointwise.scoring.reading.formats import read_scan
from jointwise.scoring.settings import ArraySettings, ScoreSettings

OPENS = ("non_wet", "head_in_pillow")
GAPS = (0.0, 0.5, 1.0, 2.0, math.inf)  # voxels
# By preset; every other one is shifted.
POOLS = {
    "clean": "clean",
    "fine": "clean",
    "hard": "hard",
    "hard_2": "hard",
    "plain_a": "exam plain",
    "plain_b": "exam plain",
    "plain_c": "second exam plain",
    "plain_d": "second exam plain",
    "hard_a": "exam hard",
    "hard_b": "exam hard",
    "hard_c": "second exam hard",
    "hard_d": "second exam hard",
    "plain_e": "third exam plain",
    "plain_f": "third exam plain",
    "hard_e": "third exam hard",
    "hard_f": "third exam hard",
}
BATCH = 64

Rows = list[dict[str, Any]]


@dataclass(frozen=True)
class Board:
    """A board as scoring found it, beside its truth.

    Args:
        name, pool: the folder's name, and clean, hard or shifted.
        truth: one row per true site; KINDS hold NaN where marginal; `voxels` is the gap over the voxel.
        place: (sites,) row of `joints` that stands at each true site, -1 = none found.
        off: (sites,) distance to the nearest found site in voxels.
        joints: what scoring cut.
    """

    name: str
    pool: str
    truth: pd.DataFrame
    place: NDArray[np.int64]
    off: NDArray[np.float64]
    joints: Joints


def cut_joints(folder: Path, board: dict[str, Any], grid: Grid, fresh: bool) -> tuple[pd.DataFrame, Joints]:
    """All sites that scoring finds, and its sub-volumes of those where a ball is; kept beside the board."""
    scan = folder / "board.mha"
    facts = json.dumps([grid.to_json(), ENVELOPE, scan.stat().st_size, scan.stat().st_mtime_ns])
    kept = folder / f"cut_{hashlib.sha256(facts.encode()).hexdigest()[:12]}.npz"
    if fresh or not kept.is_file():
        array = ArraySettings(board["pitch"], board["ball"], board["rows"], board["cols"])
        settings = ScoreSettings(board_id=folder.name)
        read = read_scan(scan)
        cut = cut_array(read, locate(read, array, settings), array, settings, grid)
        np.savez(kept, volumes=cut.joints.volumes, sites=np.array(cut.sites.to_json(orient="table")))
    with np.load(kept) as data:
        records = json.loads(str(data["sites"]))["data"]
        sites = pd.DataFrame.from_records(records, index="index").reset_index(drop=True)
        there = sites[sites["present"] == 1].reset_index(drop=True)
        return sites, Joints(data["volumes"], there, grid)


def read_truth(folder: Path, voxel: float) -> pd.DataFrame:
    """Truth of the joints that are there, marginal ones blank in their kind."""
    truth = pd.read_csv(folder / "truth.csv")
    truth = truth[truth["present"] == 1].reset_index(drop=True)
    truth[list(KINDS)] = truth[list(KINDS)].astype(float)
    for kind in OPENS:
        marginal = (truth[kind] == 1) & (truth["contact_fraction"] > MARGINAL_ABOVE)
        truth.loc[marginal, kind] = np.nan
    truth["voxels"] = truth["gap_um"] / (1000 * voxel)
    return truth


def load_board(folder: Path, grid: Grid, fresh: bool) -> Board:
    """Cut a board on a grid and match it with its truth."""
    record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    board = record["board"]
    sites, joints = cut_joints(folder, board, grid, fresh)
    truth = read_truth(folder, board["voxel"])
    flat = ["x_mm", "y_mm"]
    off, nearest = cKDTree(sites[flat].to_numpy()).query(truth[flat].to_numpy())
    row_of = np.where(sites["present"] == 1, np.cumsum(sites["present"] == 1) - 1, -1)
    place = np.where(off < 0.3 * board["pitch"], row_of[nearest], -1)
    pool = POOLS.get(record.get("preset", folder.name), "shifted")
    return Board(folder.name, pool, truth, place, off / board["voxel"], joints)


def scored(judge: Judge, board: Board) -> pd.DataFrame:
    """The truth with `score_...`, `call_...` of each kind and `outside`."""
    scores = np.zeros((len(board.joints) + 1, len(KINDS)))  # the last row is for what was not found
    apart = []
    for start in range(0, len(board.joints), BATCH):
        some = board.joints.take(np.arange(start, min(start + BATCH, len(board.joints))))
        found = look(judge.detector, replace(some, volumes=some.volumes.astype(np.float32)))
        scores[start : start + len(some)] = found.scores
        apart += [] if found.apart is None else [found.apart]
    known = judge.told(board.joints.table, np.concatenate(apart) if apart else None)
    outside = np.append(judge.outside(known), True)[board.place]
    table = board.truth.assign(board=board.name, pool=board.pool, outside=outside)
    table[[f"score_{k}" for k in KINDS]] = scores[board.place]
    calls = np.vstack([judge.thresholds.called(scores[:-1], board.joints.table), np.zeros(len(KINDS), bool)])
    table[[f"call_{k}" for k in KINDS]] = calls[board.place]
    return table


def rate(measure: str, part: int, whole: int) -> dict[str, Any]:
    low, high = wilson(part, whole)
    return {"measure": measure, "value": ratio(part, whole), "n": whole, "low": low, "high": high}


def of_kind(table: pd.DataFrame, kind: str) -> Iterator[dict[str, Any]]:
    """All measures of one kind."""
    known = table[table[kind].notna()]
    truth, call, score = known[kind].to_numpy(), known[f"call_{kind}"].to_numpy(bool), known[f"score_{kind}"]
    gap = known["voxels"].to_numpy()
    hidden = (truth == 1) & (gap < 1.0) if kind in OPENS else np.zeros(len(known), bool)
    for suffix, use in (("", np.ones(len(known), bool)), ("_visible", ~hidden)):
        counts = count(truth[use], call[use])
        ap = average_precision(truth[use], score[use])
        yield {"measure": f"ap{suffix}", "value": ap, "n": counts.faulty}
        yield rate(f"recall{suffix}", counts.tp, counts.faulty)
        if not suffix:
            yield rate("precision", counts.tp, counts.called)
    if kind in OPENS:
        for low, high in itertools.pairwise(GAPS):
            some = (truth == 1) & (gap >= low) & (gap < high)
            name = f"recall_gap_{low:g}-{high:g}" if math.isfinite(high) else f"recall_gap_over_{low:g}"
            yield rate(name, int(call[some].sum()), int(some.sum()))


def of_joints(table: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Measures over all kinds."""
    truth = table[list(KINDS)].to_numpy(float)
    call = table[[f"call_{k}" for k in KINDS]].to_numpy(bool)
    there = np.ones(len(table))
    escape, false_call = escapes(truth, call, there)
    yield rate("false_calls", int(false_call.sum()), int((truth == 0).all(axis=1).sum()))
    yield rate("escapes", int(escape.sum()), int((truth == 1).any(axis=1).sum()))
    yield rate("outside_envelope", int(table["outside"].sum()), len(table))
    for k, kind in enumerate(KINDS):
        sound = (truth == 0).all(axis=1)
        yield rate(f"false_calls_{kind}", int((sound & call[:, k]).sum()), int(sound.sum()))


def measured(model: str, table: pd.DataFrame) -> Rows:
    """Every measure of one detector, by board and by pool."""
    rows: Rows = []
    groups = [*table.groupby("board", sort=False), *((f"pooled {p}", t) for p, t in table.groupby("pool"))]
    for name, some in groups:
        head = {"model": model, "board": name}
        rows += [{**head, "kind": kind, **one} for kind in KINDS for one in of_kind(some, kind)]
        rows += [{**head, "kind": "any", **one} for one in of_joints(some)]
    return rows


def of_sites(board: Board) -> Rows:
    """How well the finder did, the same for every detector."""
    head = {"model": "finder", "board": board.name, "kind": "sites", "n": len(board.truth)}
    here = board.place >= 0
    values = {
        "found": int(here.sum()) / len(here),
        "invented": len(board.joints) - int(here.sum()),
        "off_voxels_median": float(np.median(board.off[here])),
        "off_voxels_max": float(board.off[here].max()),
    }
    return [{**head, "measure": name, "value": value} for name, value in values.items()]


def show(rows: pd.DataFrame) -> None:
    """Print one line per detector, board and kind; `any` shows false calls and escapes."""
    for (model, board, kind), some in rows.groupby(["model", "board", "kind"], sort=False):
        n = some["n"].iloc[0]
        facts = "  ".join(f"{m} {v:.3g}" for m, v in zip(some["measure"], some["value"], strict=True))
        print(f"{model}  {board}  {kind} (n {n:g})  {facts}")


def detectors(models: Iterable[Path], rules: Path | None, device: str) -> Iterator[tuple[str, Judge, Grid]]:
    for folder in models:
        bench = load_bench(folder, ["learned"], device)
        yield "/".join(folder.parts[-2:]), bench.deciding, bench.grid
    if rules is not None:
        judge = read_rules(rules / RULES_FILE)
        yield "rules", judge, Bench(rules=judge).grid


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--boards", type=Path, nargs="+", required=True)
    parser.add_argument("--models", type=Path, nargs="*", default=[])
    parser.add_argument("--rules", type=Path, help=f"folder with {RULES_FILE}")
    parser.add_argument("--out", type=Path, required=True, help="CSV of all measures")
    parser.add_argument("--table", type=Path, help="CSV of every joint with its scores")
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--fresh", action="store_true", help="cut the joints again")
    given = parser.parse_args()
    boards: dict[tuple[Path, str], Board] = {}
    rows: Rows = []
    tables = []
    for name, judge, grid in detectors(given.models, given.rules, given.device):
        parts = []
        for folder in given.boards:
            key = (folder, str(grid))
            if key not in boards:
                boards[key] = load_board(folder, grid, given.fresh)
                rows += of_sites(boards[key])
            parts.append(scored(judge, boards[key]))
        table = pd.concat(parts, ignore_index=True)
        rows += measured(name, table)
        tables.append(table.assign(model=name))
    if not tables:
        parser.error("expected --models or --rules, found none")
    measures = pd.DataFrame(rows)[["model", "board", "kind", "measure", "value", "n", "low", "high"]]
    show(measures)
    measures.round(5).to_csv(given.out, index=False)
    if given.table is not None:
        pd.concat(tables, ignore_index=True).round(5).to_csv(given.table, index=False)


if __name__ == "__main__":
    main()
