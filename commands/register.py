"""`jointwise register`: a model folder that came without its training becomes a version in MLflow's registry."""

from jointwise.commands.screen import Done
from jointwise.commands.settings import RegisterConfig
from jointwise.commands.train import say_tracked
from jointwise.joints.errors import InputError

HELP = "Register a model folder in MLflow as a version with an alias, loadable as pyfunc from code."
EXAMPLE = "model=out/train/model tracking.alias=champion"
CONFIG = RegisterConfig


def run(cfg: RegisterConfig) -> Done:
    """Log the folder as a run of its own and register it; a training's own folder is registered by `train`.

    Raises:
        InputError: no model there, no name to register it by, or MLflow does not answer.
    """
    from jointwise.models.bench import SHIPPED_FOLDER
    from jointwise.train.mlflow_store import tracking_folder
    from jointwise.train.tracking import track_model

    if not cfg.tracking.registered_as:
        raise InputError(
            "tracking.registered_as: expected a name to register the model by, found none; give one"
        )
    tracked = track_model(cfg.model or SHIPPED_FOLDER, cfg.out, cfg.tracking)
    say_tracked(tracked)
    return Done([] if cfg.tracking.uri else [tracking_folder(cfg.tracking, cfg.out)])
