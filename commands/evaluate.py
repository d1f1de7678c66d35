"""`jointwise evaluate`: both detectors on the same joints, kind by kind; on labelled sets against each reader too."""

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING

from jointwise.commands.screen import Done, call, progress, say
from jointwise.commands.settings import EvaluateConfig
from jointwise.joints.errors import InputError

if TYPE_CHECKING:
    from jointwise.models.bench import Bench

HELP = "Judge held-out or reader-labelled joints with every detector: precision, recall, F1, AP with n and intervals."
EXAMPLE = "data=out/joints model=out/train/model"
CONFIG = EvaluateConfig
DEMO, DEMO_FOLDER = "demo", "demo_sets"
ROOMS = Path(__file__).resolve().parent.parent


def run(cfg: EvaluateConfig) -> Done:
    """Score, tabulate, draw; print the table; log to MLflow after everything is on disk."""
    return _run_sets(cfg) if cfg.sets else _run_store(cfg)


def set_folder(name: str, rooms: Path = ROOMS) -> Path:
    """Where a set lies: `demo` beside the rooms of a source checkout, anything else is a folder's own path.

    Raises:
        InputError: `demo` is asked for where it was not brought along.
    """
    if name != DEMO:
        return Path(name)
    if not (rooms / DEMO_FOLDER).is_dir():
        raise InputError(
            f"expected the demo sets in {rooms / DEMO_FOLDER}, found none; they come with a checkout of the "
            "repository, not with the installed package: give sets=[FOLDER]"
        )
    return rooms / DEMO_FOLDER


def _run_store(cfg: EvaluateConfig) -> Done:
    """Held-out joints of a store, against truth."""
    from rich.console import Console

    from jointwise.evaluation.judged import judge, write_evaluation
    from jointwise.evaluation.table import metrics, terminal
    from jointwise.joints.store import Store

    store, bench = Store(cfg.store), _bench(cfg)
    joints = store.read(store.split(cfg.split))
    with progress("judging", "joints") as step:
        judged = judge(joints, bench, step)
    simulated = "simulated " if store.manifest["seed"] is not None else ""
    title = f"{len(joints)} {simulated}joints of the split '{cfg.split}' ({joints.table['board_id'].nunique()} boards)"
    files = write_evaluation(judged, cfg.out, title)
    Console().print(terminal(judged.per_kind, judged.escapes, title))
    facts = {"store": str(cfg.data), "fingerprint": store.fingerprint}
    _track(cfg, f"evaluate {cfg.split}", metrics(judged.per_kind, judged.escapes), files, facts)
    return Done(files, call("train", data=cfg.store, experiment="thorough"))


def _run_sets(cfg: EvaluateConfig) -> Done:
    """Reader-labelled sets, against each reader and truth."""
    folders = {name: set_folder(name) for name in cfg.sets}
    bench = _bench(cfg)
    files = [path for folder in folders.items() for path in _judge_set(cfg, bench, *folder)]
    return Done(files, call("evaluate", data="out/joints", model=cfg.model))


def _bench(cfg: EvaluateConfig) -> "Bench":
    from jointwise.models.bench import load_bench, load_shipped

    bench = load_bench(cfg.model, cfg.detectors, cfg.device)
    if not cfg.shipped:
        return bench
    return dataclasses.replace(bench, shipped=load_shipped(["learned"], cfg.device).learned)


def _judge_set(cfg: EvaluateConfig, bench: "Bench", name: str, folder: Path) -> list[Path]:
    from rich.console import Console

    from jointwise.evaluation.judged import scores_of
    from jointwise.evaluation.labels.adjudication import rule_for
    from jointwise.evaluation.labels.labelled_set import read_set
    from jointwise.evaluation.labels.readers import flat, joint_table, readers_table, terminal, write_table
    from jointwise.evaluation.labels.set_verdicts import verdicts_of
    from jointwise.joints.atomic import sha256

    labelled = read_set(folder, folder.name if name != DEMO else DEMO)
    with progress(f"judging {labelled.name}", "joints") as step:
        scores = scores_of(labelled.joints, bench, step)
    cuts = {by: judge.thresholds.cuts(labelled.joints.table) for by, judge in bench.judges.items()}
    verdicts = verdicts_of(labelled, scores, cuts)
    table = readers_table(verdicts, rule_for(verdicts.readers))
    title = (
        f"set '{labelled.name}': {len(labelled.joints)} joints of {labelled.tables.sites['scan'].nunique()} scans, "
        f"{labelled.missing} missing balls besides"
    )
    files = write_table(table, labelled.provenance, cfg.out, f"readers_{labelled.name}")
    files += write_table(joint_table(verdicts), labelled.provenance, cfg.out, f"joints_{labelled.name}")
    Console().print(terminal(table, title, labelled.provenance))
    facts = {
        "store": str(folder),
        "fingerprint": sha256(folder / "set.json"),
        "provenance": labelled.provenance,
    }
    _track(cfg, f"evaluate set {labelled.name}", flat(table), files, facts)
    return files


def _track(
    cfg: EvaluateConfig, name: str, metrics: dict[str, float], files: list[Path], facts: dict[str, str]
) -> None:
    if not cfg.tracking.enabled:
        return
    from jointwise.train.tracking import track_results

    origin = {"provenance": facts["provenance"]} if "provenance" in facts else {}
    tracked = track_results(
        name, cfg.out, cfg.tracking,
        parameters=dataclasses.asdict(cfg) | origin, metrics=metrics, files=files, facts=facts,
    )  # fmt: skip
    say(f"run {tracked.run_id} in MLflow; to look: mlflow ui --backend-store-uri '{tracked.uri}'")
