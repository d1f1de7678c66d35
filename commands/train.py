"""`jointwise train`: train the network, fit the rules and the novelty detector, track the run."""

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from jointwise.commands.recipe import make_missing, stores
from jointwise.commands.screen import Done, call, progress, say
from jointwise.commands.settings import TrainConfig
from jointwise.train.settings import TrainSettings

if TYPE_CHECKING:
    from jointwise.commands.screen import Step
    from jointwise.joints.store import Store
    from jointwise.train.tracking import Tracked

HELP = "Train a network, fit the rules and the novelty detector on a store of joints; the run goes to MLflow."
EXAMPLE = "data=out/joints out=out/train experiment=quick"
CONFIG = TrainConfig
IMPLIED = {"init_from": "experiment=fine_tune"}


def run(cfg: TrainSettings) -> Done:
    """Train or go on with a training that was cut off; results are on disk before MLflow hears of them.

    A recipe's missing stores are made first, unless the training is finished.
    """
    from jointwise.train.mlflow_store import check_reachable
    from jointwise.train.run import train
    from jointwise.train.run_folder import MODEL
    from jointwise.train.stores import is_store, stores_of, told_of_labels
    from jointwise.train.tracking import track

    if isinstance(cfg, TrainConfig):
        if not (cfg.out / MODEL).exists():
            make_missing(stores(cfg.recipe, cfg.data, cfg.device))
        cfg = cfg.training
    if cfg.tracking.enabled:
        check_reachable(cfg.tracking)
    labelled = told_of_labels(stores_of(cfg)) if is_store(cfg.data) else []
    for line in labelled:
        say(line)
    with progress("training", "steps") as step:
        model = train(cfg, step)
    _fit_others(cfg, model)
    if cfg.tracking.enabled:
        tracked = track(cfg.out, cfg.tracking)
        say_tracked(tracked)
    if not labelled:
        return Done([model], call("evaluate", data=cfg.data, model=model))
    say("what these labels taught they cannot judge: label joints of other boards for that")
    return Done(
        [model], call("evaluate", data="OTHERS", labels="OTHERS/labels.csv", split="all", model=model)
    )


def say_tracked(tracked: "Tracked") -> None:
    """Where the run can be seen, and its model be asked for."""
    say(f"run {tracked.run_id} in MLflow; to look: mlflow ui --backend-store-uri '{tracked.uri}'")
    if tracked.version:
        say(
            f"version {tracked.version.number} of the registered model {tracked.version.name}; with that store as "
            f"MLFLOW_TRACKING_URI: mlflow.pyfunc.load_model('{tracked.version.uri}')"
        )


def _fit_others(cfg: TrainSettings, model: Path) -> None:
    """Fit what is wanted and not there yet, and note how long each took."""
    from jointwise.joints.atomic import write_text
    from jointwise.models.names import NOVELTY, NOVELTY_FILE, RULES, RULES_FILE
    from jointwise.train.novelty import fit_novelty
    from jointwise.train.rules import fit_rules
    from jointwise.train.run_folder import FITTED, read_json
    from jointwise.train.stores import is_store, stores_of

    least = cfg.least_gap_voxels

    def rules(store: "Store", step: "Step") -> None:
        fit_rules(store, cfg.thresholds, model / RULES_FILE, step, least_gap_voxels=least)

    def novelty(store: "Store", step: "Step") -> None:
        fit_novelty(store, cfg.thresholds, model, step, least_gap_voxels=least)

    every: dict[str, tuple[bool, str, Callable[[Store, Step], None]]] = {
        RULES: (cfg.rules, RULES_FILE, rules),
        NOVELTY: (cfg.novelty, NOVELTY_FILE, novelty),
    }
    missing = {name: fit for name, (on, file, fit) in every.items() if on and not (model / file).exists()}
    if missing and not is_store(cfg.data):
        told = " and ".join(missing)
        say(f"not fitted: {told}, since no store of joints is at {cfg.data}; give data=… where it lies")
        return
    seconds = read_json(cfg.out / FITTED) if (cfg.out / FITTED).exists() else {}
    for name, fit in missing.items():
        begun = time.perf_counter()
        with progress(f"fitting {name}", "joints") as step:
            fit(stores_of(cfg), step)
        seconds[name] = round(time.perf_counter() - begun, 1)
        write_text(cfg.out / FITTED, json.dumps(seconds, indent=1))
