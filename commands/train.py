"""`jointwise train`: train the network, fit the rules, track both."""

from jointwise.commands.screen import Done, call, progress, say
from jointwise.train.settings import TrainSettings

HELP = "Train a network and fit the rules on a store of joints; the run goes to MLflow."
EXAMPLE = "data=out/joints out=out/train experiment=quick"
CONFIG = TrainSettings


def run(cfg: TrainSettings) -> Done:
    """Train or go on with a training that was cut off; results are on disk before MLflow hears of them."""
    from jointwise.models.bench import RULES_FILE
    from jointwise.train.mlflow_store import check_reachable
    from jointwise.train.rules import fit_rules
    from jointwise.train.run import train
    from jointwise.train.stores import is_store, open_stores
    from jointwise.train.tracking import track

    if cfg.tracking.enabled:
        check_reachable(cfg.tracking)
    with progress("training", "steps") as step:
        model = train(cfg, step)
    wanted = cfg.rules and not (model / RULES_FILE).exists()
    if wanted and not is_store(cfg.data):
        say(f"the rules are not fitted: no store of joints at {cfg.data}; give data=… where it lies")
    elif wanted:
        with progress("fitting the rules", "joints") as step:
            store = open_stores(cfg.data, cfg.more_data, cfg.more_data_whole)
            least = cfg.least_gap_voxels
            fit_rules(store, cfg.thresholds, model / RULES_FILE, step, least_gap_voxels=least)
    if cfg.tracking.enabled:
        tracked = track(cfg.out, cfg.tracking)
        say(f"run {tracked.run_id} in MLflow; to look: mlflow ui --backend-store-uri '{tracked.uri}'")
    return Done([model], call("evaluate", data=cfg.data, model=model))
