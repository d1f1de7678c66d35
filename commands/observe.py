"""`jointwise observe`: how close detectors come to the best linear test, on pairs with and without a known fault."""

from typing import TYPE_CHECKING

from jointwise.commands.cores import worker_count
from jointwise.commands.observe_settings import ObserveConfig
from jointwise.commands.screen import Done, call, progress
from jointwise.joints.atomic import refuse_file

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from jointwise.joints.batch import Joints
    from jointwise.models.bench import Bench

HELP = "Observer study: what a scan holds of a known fault, and how much of it each detector finds."
EXAMPLE = "pairs.boards=12 out=out/observer"
CONFIG = ObserveConfig
STEM, PICTURE = "observer", "observer.svg"
SHOWN = (
    "kind", "size", "unit", "size_um", "detector", "pairs", "boards", "ideal_d", "ideal_auc", "ideal_recall", "auc",
    "d", "efficiency", "called", "called_sound", "note",
)  # fmt: skip


def run(cfg: ObserveConfig) -> Done:
    """Make or read pairs, score them, judge, print, write."""
    import numpy as np
    from rich.console import Console

    from jointwise.evaluation.judged import scores_of
    from jointwise.evaluation.observed import judged_rows, study
    from jointwise.joints.kinds import KINDS
    from jointwise.models.names import LEARNED, SHIPPED

    refuse_file(cfg.out)
    bench = _bench(cfg)
    joints = _pairs(cfg)
    rows = judged_rows(joints.table)
    with progress("judging", "joints") as step:
        found = scores_of(joints.take(rows), bench, step)
    scores, calls = {}, {}
    for name, judge in bench.judges.items():
        # As `evaluate` calls it; `learned` is the user's own network.
        told = SHIPPED if cfg.model is None and name == LEARNED else name
        scores[told] = np.full((len(joints), len(KINDS)), np.nan)
        scores[told][rows] = found[name]
        calls[told] = judge.thresholds.called(scores[told], joints.table)
    frame = study(joints, scores, calls)
    Console(width=170).print(
        frame[list(SHOWN)].round(2).to_string(index=False), markup=False, highlight=False
    )
    files = _write(cfg, frame)
    model = cfg.model or "out/train/model"
    return Done(files, call("evaluate", data="out/joints", model=model, observer=cfg.out / f"{STEM}.parquet"))


def _bench(cfg: ObserveConfig) -> "Bench":
    from jointwise.models.bench import load_bench, load_shipped

    if cfg.model is None:
        return load_shipped(cfg.detectors, cfg.device)
    return load_bench(cfg.model, cfg.detectors, cfg.device)


def _pairs(cfg: ObserveConfig) -> "Joints":
    from jointwise.data_gen.pairs import count_pairs, generate_pairs
    from jointwise.evaluation.statistics.pairs import demand_pairs
    from jointwise.joints.store import Store

    if cfg.data is not None:
        return Store(cfg.data).read()
    # Scans take minutes, drawing boards does not.
    demand_pairs(count_pairs(cfg.generator, cfg.pairs, cfg.seed))
    folder = cfg.out / "pairs"
    with progress("scanning pairs", "boards") as step:
        made = generate_pairs(
            cfg.generator, cfg.pairs, folder, seed=cfg.seed, grid=cfg.grid, workers=worker_count(cfg.workers)
        )
        for done, total in made:
            step(done, total)
    return Store(folder).read()


def _write(cfg: ObserveConfig, frame: "pd.DataFrame") -> "list[Path]":
    from jointwise.evaluation.report.observer import observer_section
    from jointwise.evaluation.report.section import Figure
    from jointwise.joints.atomic import replacing, write_text

    files = [cfg.out / f"{STEM}.csv", cfg.out / f"{STEM}.parquet", cfg.out / PICTURE]
    write_text(files[0], frame.round(5).to_csv(index=False))
    with replacing(files[1]) as aside:
        frame.to_parquet(aside, index=False)
    drawings = [block.svg for block in observer_section(frame).blocks if isinstance(block, Figure)]
    write_text(files[2], str(drawings[0]).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))
    return files
