"""`jointwise demo`: the whole way once, small: boards, training, both detectors, then a scan into a report."""

import dataclasses
from pathlib import Path

from jointwise.commands import evaluate, generate, score, train
from jointwise.commands.screen import Done, call, say
from jointwise.commands.settings import DemoConfig, ScoreConfig
from jointwise.commands.settings_evaluate import EvaluateConfig
from jointwise.scoring.settings import ScoreSettings

HELP = "A first tour: make boards, train, judge held-out joints with both detectors, score a small scan."
EXAMPLE = "out=out/demo"
CONFIG = DemoConfig

DEMO_SCAN = Path(__file__).parents[1] / "demo_sets" / "demo_scan.mha"


def run(cfg: DemoConfig) -> Done:
    """Run every step in one folder; steps that are finished are not done again."""
    joints, run_folder, tracking = cfg.out / "joints", cfg.out / "train", cfg.out / "tracking"
    wrote: list[Path] = []
    say("1 of 4  boards are drawn, X-rayed and reconstructed")
    wrote += generate.run(dataclasses.replace(cfg.generate, out=joints)).wrote
    say("2 of 4  a network is trained and the rules are fitted")
    where = dataclasses.replace(cfg.train.tracking, folder=tracking)
    wrote += train.run(dataclasses.replace(cfg.train, data=joints, out=run_folder, tracking=where)).wrote
    say("3 of 4  the detectors judge boards that none has seen")
    judged = EvaluateConfig(
        data=joints,
        model=run_folder / "model",
        shipped=_shipped_fits(cfg),
        out=cfg.out / "evaluation",
        tracking=where,
    )
    wrote += evaluate.run(judged).wrote
    wrote += _score_demo_scan(cfg)
    _say_card()
    say(
        "Everything here is simulated and small: these figures say what a first run gives, not what a scan will give."
    )
    return Done(wrote, call("train", data=joints, out=cfg.out / "longer", experiment="thorough"))


def _shipped_fits(cfg: DemoConfig) -> bool:
    """Whether the network that comes with jointwise can be asked about the demo's own joints."""
    from jointwise.models.bench import has_shipped, load_shipped, origin

    if not has_shipped():
        return False
    card = load_shipped(["learned"]).card
    fits = card is not None and card.grid == cfg.generate.grid
    if card and fits:
        say(f"        beside them, as `shipped`: {origin(card)}")
    else:
        say(
            "        the network that comes with jointwise looks at joints on another grid: it only scores the scan"
        )
    return fits


def _say_card() -> None:
    """Where it stands what was measured of the network that comes with jointwise, on far more joints than here."""
    from jointwise.models.bench import SHIPPED_FOLDER
    from jointwise.models.names import MODEL_CARD

    if (SHIPPED_FOLDER / MODEL_CARD).is_file():
        say(f"What was measured of the network that comes with jointwise: {SHIPPED_FOLDER / MODEL_CARD}")


def _score_demo_scan(cfg: DemoConfig) -> list[Path]:
    """Score the small scan that comes with the repository, by the network that comes with it if there is one.

    An installed package has no scan.
    """
    from jointwise.models.bench import has_shipped

    if not DEMO_SCAN.is_file():
        say("4 of 4  skipped: the demo scan comes with the repository, not with the installed package")
        return []
    say("4 of 4  a small scan of another board is scored: found, named, cut, judged, reported")
    note = "Simulated by our own generator; the scenario, a greenhouse climate controller, is invented."
    settings = ScoreConfig(
        scan=str(DEMO_SCAN),
        model=None if has_shipped() else cfg.out / "train" / "model",
        out=cfg.out / "score",
        score=ScoreSettings(note=note),
    )
    return list(score.run(settings).wrote)
