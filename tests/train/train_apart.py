"""One small training in a process of its own, for tests that kill it, block imports, or start eight at once.

Arguments: store, folder of the run, tracking folder or `-`, step after which the process kills itself or 0, and
`blocked` to make MLflow, Hydra and OmegaConf impossible to import.
"""

import os
import signal
import sys
from importlib.abc import MetaPathFinder
from pathlib import Path

BLOCKED = ("mlflow", "hydra", "omegaconf")


class Absent(MetaPathFinder):
    """Makes packages look as if they were not installed."""

    def find_spec(self, name: str, *_: object) -> None:
        if name.split(".")[0] in BLOCKED:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


def main(store: str, out: str, tracking: str, kill_at: str, blocked: str) -> None:
    """Train; then log if there is a tracking folder."""
    if blocked == "blocked":
        sys.meta_path.insert(0, Absent())

    from jointwise.models.settings import NetworkSettings
    from jointwise.train.run import train
    from jointwise.train.settings import AugmentSettings, TrackingSettings, TrainSettings

    def tell(done: int, *_: object) -> None:
        if done == int(kill_at):
            os.kill(os.getpid(), signal.SIGKILL)

    settings = TrainSettings(
        Path(store),
        Path(out),
        epochs=2,
        batch=16,
        threads=1,
        device="cpu",
        checkpoint_steps=3,
        network=NetworkSettings("tiny", widths=(4, 4, 8, 8)),
        augment=AugmentSettings(mirror=0.5, turn=0.7, shift=0.5, noise=0.05),
    )
    train(settings, tell)
    if tracking != "-":
        from jointwise.train.tracking import track

        print(track(Path(out), TrackingSettings(folder=Path(tracking))).run_id)


if __name__ == "__main__":
    main(*sys.argv[1:])
