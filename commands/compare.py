"""`jointwise compare`: what changed from one evaluation to another, joint by joint."""

from dataclasses import dataclass
from pathlib import Path

from jointwise.commands.screen import Done, call, say
from jointwise.joints.atomic import refuse_file
from jointwise.joints.errors import InputError

HELP = "Show what changed between two evaluations of the same joints, joint by joint: calls, scores, who is right."
EXAMPLE = "one=out/evaluation other=out/evaluation_new"


@dataclass(frozen=True)
class CompareConfig:
    """Settings of `jointwise compare`.

    Args:
        one: the earlier evaluation, a folder of `jointwise evaluate` or one of its verdicts_NAME.parquet.
        other: the later one.
        out: folder for changes and summary; files of an earlier comparison are replaced.
        detectors: which of them are compared, each with itself; none given takes all that are in both.
        labels: what to do where the truth differs between the two: refuse, or leave_out those labels.
        least: change of a score from which a joint is listed although its call is the same.
    """

    one: Path
    other: Path
    out: Path = Path("out/compare")
    detectors: tuple[str, ...] = ()
    labels: str = "refuse"
    least: float = 0.1

    def __post_init__(self) -> None:
        if self.labels not in ("refuse", "leave_out"):
            raise InputError(f"labels: expected refuse or leave_out, found {self.labels!r}; choose one")
        if not 0 <= self.least <= 1:
            raise InputError(
                f"least: expected a change of score from 0 to 1, found {self.least:g}; correct it"
            )


CONFIG = CompareConfig


def run(cfg: CompareConfig) -> Done:
    """Match, count, write, and print the counts."""
    import pandas as pd
    from rich.console import Console

    from jointwise.evaluation import changes

    refuse_file(cfg.out)
    matched = [changes.match(*both, cfg.labels) for both in changes.read_runs(cfg.one, cfg.other)]
    detectors = changes.common_detectors(matched, cfg.detectors)
    every = pd.concat(
        [changes.changes(one, name) for one in matched for name in detectors], ignore_index=True
    )
    counted = changes.summary(every)
    files = changes.write_changes(every, counted, cfg.out, cfg.least)
    Console().print(changes.terminal(matched, counted))
    for names, path in zip(changes.alone(cfg.one, cfg.other), (cfg.one, cfg.other), strict=True):
        if names:
            say(f"only in {path}: the {'sets' if len(names) > 1 else 'set'} {', '.join(names)}; not compared")
    scores = ",".join(map(str, changes.files_of(cfg.other)))
    return Done(files, call("evaluate", scores=f"[{scores}]", out=cfg.out / "evaluation"))
