"""`jointwise audit`: can a label be guessed without looking at the joint?"""

import json
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from jointwise.commands.cores import worker_count
from jointwise.commands.screen import Done, call, progress, say
from jointwise.commands.settings import AuditConfig
from jointwise.joints.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

    from jointwise.data_gen.nuisances import Drawn

HELP = (
    "Shortcut audit: trivial classifiers on nuisances alone and on metal mass alone must not guess a label."
)
EXAMPLE = "boards=300 out=out/audit"
CONFIG = AuditConfig
NUISANCES, METAL, GREY = "nuisances", "metal mass", "grey, mass"
WORST = 10


def run(cfg: AuditConfig) -> Done:
    """Gather joints, judge every label, write table and picture; tell leaks by name.

    Raises:
        InputError: with `strict`, if a label is not shown to be free of shortcuts.
    """
    from rich.console import Console

    from jointwise.data_gen.audit import audit, single_features
    from jointwise.data_gen.nuisances import filled
    from jointwise.evaluation.pictures.audit_picture import audit_screen
    from jointwise.joints.schema import truth_array

    drawn, grey = _gather(cfg)
    boards, truth = drawn.truth["board_id"].to_numpy(str), truth_array(drawn.truth)
    features = filled(drawn.nuisances, cfg.seed)
    sets = {NUISANCES: features, METAL: drawn.metal} | ({} if grey is None else {GREY: grey})
    table = audit(sets, truth, boards, barred=(NUISANCES, METAL), seed=cfg.seed)
    alone = single_features(features, truth, boards)
    title = f"Shortcut audit of {int(drawn.truth['present'].sum())} joints on {len(set(boards))} boards"
    Console().print(audit_screen(table, title))
    for line in _named(alone):
        say(line)
    wrote = _write(cfg.out, table, alone, title)
    failed = table[table["verdict"].isin(("fail", "too few"))]
    _tell(table)
    if cfg.strict and len(failed):
        raise InputError(
            f"expected every label to pass the audit (strict=true), found {len(failed)} of "
            f"{int((table['verdict'] != 'reported').sum())} comparisons that do not; see {cfg.out / 'audit.csv'}"
        )
    return Done(wrote, call("gallery", boards=4))


def _gather(cfg: AuditConfig) -> "tuple[Drawn, pd.DataFrame | None]":
    from jointwise.data_gen.nuisances import joined

    parts, greys = [], []
    total = cfg.boards if cfg.data is None else 0
    with progress("auditing", "boards") as step:
        for part, grey, of in _from_drawing(cfg) if cfg.data is None else _from_store(cfg.data, cfg.most):
            parts.append(part)
            greys.append(grey)
            step(len(parts), total or of)
    import pandas as pd

    known = [g for g in greys if g is not None]
    return joined(parts), pd.concat(known, ignore_index=True) if known else None


def _from_drawing(cfg: AuditConfig) -> "Iterator[tuple[Drawn, pd.DataFrame | None, int]]":
    import multiprocessing

    from jointwise.data_gen.nuisances import drawn_board

    workers, numbers = worker_count(cfg.workers), range(cfg.boards)
    arguments = (
        [cfg.generator] * cfg.boards,
        [cfg.seed] * cfg.boards,
        numbers,
        [cfg.step_um / 1000] * cfg.boards,
    )
    if workers == 1:
        for part in map(drawn_board, *arguments):
            yield part, None, cfg.boards
        return
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        for part in pool.map(drawn_board, *arguments):
            yield part, None, cfg.boards


def _from_store(folder: Path, most: int) -> "Iterator[tuple[Drawn, pd.DataFrame | None, int]]":
    """Boards of a store one after another, so that memory holds numbers only."""
    from jointwise.data_gen.nuisances import grey_measures, stored_board
    from jointwise.joints.store import Store

    store = Store(folder)
    if store.manifest["seed"] is None:
        raise InputError(
            f"expected a generated store in {folder}, found joints without records; generate one"
        )
    seen = 0
    for joints in store.shard_by_shard():
        yield stored_board(joints.table), grey_measures(joints), len(store.shards)
        seen += len(joints)
        if seen >= most:
            say(f"{seen} of {len(store)} joints are audited (most={most})")
            return


def _named(alone: "pd.DataFrame") -> list[str]:
    """The worst features of each label, one line each label."""
    from jointwise.joints.kinds import KINDS, TITLES

    lines = ["by itself, farthest from 0.5 (* beyond chance, all comparisons considered):"]
    for kind in KINDS:
        worst = alone[alone["kind"] == kind].head(WORST)
        words = [f"{r.feature} {r.auc:.3f}{'*' if r.leak else ''}" for r in worst.itertuples()]
        lines.append(f"  {TITLES[kind]}: {', '.join(words)}")
    return lines


def _tell(table: "pd.DataFrame") -> None:
    from jointwise.data_gen.audit import BAND, LEAST_BOARDS, LEAST_JOINTS

    counts = table["verdict"].value_counts()
    say(
        f"{counts.get('pass', 0)} pass (whole interval within {BAND[0]}-{BAND[1]}), {counts.get('fail', 0)} fail, "
        f"{counts.get('too few', 0)} with too few joints to say (needs {LEAST_JOINTS} on {LEAST_BOARDS} boards)"
    )


def _write(out: Path, table: "pd.DataFrame", alone: "pd.DataFrame", title: str) -> list[Path]:
    from jointwise.data_gen.audit import BAND, DRAWS, LEAST_BOARDS, LEAST_JOINTS
    from jointwise.evaluation.pictures.audit_picture import audit_picture
    from jointwise.evaluation.pictures.contact_sheet import save
    from jointwise.joints.atomic import write_text

    paths = [out / name for name in ("audit.csv", "features.csv", "audit.json", "audit.png")]
    write_text(paths[0], table.to_csv(index=False))
    write_text(paths[1], alone.to_csv(index=False))
    facts = {"title": title, "band": BAND, "least_joints": LEAST_JOINTS, "least_boards": LEAST_BOARDS,
             "bootstrap_draws": DRAWS}  # fmt: skip
    rows = json.loads(table.to_json(orient="records"))
    leaks = json.loads(alone[alone["leak"]].to_json(orient="records"))
    write_text(paths[2], json.dumps(facts | {"comparisons": rows, "leaks": leaks}, indent=1))
    save(audit_picture(table, BAND, title), paths[3])
    return paths
