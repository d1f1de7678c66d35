"""`jointwise evaluate`: both detectors on the same joints, kind by kind."""

import dataclasses

from jointwise.commands.screen import Done, call, progress, say
from jointwise.commands.settings import EvaluateConfig

HELP = "Judge held-out joints with every detector: precision, recall, F1, AP with n and intervals."
EXAMPLE = "data=out/joints model=out/train/model"
CONFIG = EvaluateConfig


def run(cfg: EvaluateConfig) -> Done:
    """Score, tabulate, draw; print the table; log to MLflow after everything is on disk."""
    from rich.console import Console

    from jointwise.evaluation.judged import judge, write_evaluation
    from jointwise.evaluation.table import metrics, terminal
    from jointwise.joints.store import Store
    from jointwise.models.bench import load_bench
    from jointwise.train.tracking import track_results

    store, bench = Store(cfg.data), load_bench(cfg.model, cfg.detectors, cfg.device)
    joints = store.read(store.split(cfg.split))
    with progress("judging", "joints") as step:
        judged = judge(joints, bench, step)
    simulated = "simulated " if store.manifest["seed"] is not None else ""
    title = f"{len(joints)} {simulated}joints of the split '{cfg.split}' ({joints.table['board_id'].nunique()} boards)"
    files = write_evaluation(judged, cfg.out, title)
    Console().print(terminal(judged.per_kind, judged.escapes, title))
    if cfg.tracking.enabled:
        facts = {"store": str(cfg.data), "fingerprint": store.fingerprint}
        tracked = track_results(
            f"evaluate {cfg.split}", cfg.out, cfg.tracking,
            parameters=dataclasses.asdict(cfg), metrics=metrics(judged.per_kind, judged.escapes),
            files=files, facts=facts,
        )  # fmt: skip
        say(f"run {tracked.run_id} in MLflow; to look: mlflow ui --backend-store-uri '{tracked.uri}'")
    return Done(files, call("train", data=cfg.data, experiment="thorough"))
