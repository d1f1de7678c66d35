"""`jointwise demo`: the whole way once, small: boards, training, both detectors, the table and the pictures."""

import dataclasses
from pathlib import Path

from jointwise.commands import evaluate, generate, train
from jointwise.commands.screen import Done, call, say
from jointwise.commands.settings import DemoConfig, EvaluateConfig

HELP = "A first tour: make boards, train, judge held-out joints with both detectors."
EXAMPLE = "out=out/demo"
CONFIG = DemoConfig


def run(cfg: DemoConfig) -> Done:
    """Run every step in one folder; steps that are finished are not done again."""
    joints, run_folder, tracking = cfg.out / "joints", cfg.out / "train", cfg.out / "tracking"
    wrote: list[Path] = []
    say("1 of 3  boards are drawn, X-rayed and reconstructed")
    wrote += generate.run(dataclasses.replace(cfg.generate, out=joints)).wrote
    say("2 of 3  a network is trained and the rules are fitted")
    where = dataclasses.replace(cfg.train.tracking, folder=tracking)
    wrote += train.run(dataclasses.replace(cfg.train, data=joints, out=run_folder, tracking=where)).wrote
    say("3 of 3  both detectors judge boards that neither has seen")
    judged = EvaluateConfig(
        data=joints, model=run_folder / "model", out=cfg.out / "evaluation", tracking=where
    )
    wrote += evaluate.run(judged).wrote
    say(
        "Everything here is simulated and small: these figures say what a first run gives, not what a scan will give."
    )
    return Done(wrote, call("train", data=joints, out=cfg.out / "longer", experiment="thorough"))
