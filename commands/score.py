"""`jointwise score`: scans nobody here has seen, into tables, maps and reports, and a summary over several."""

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jointwise.commands.screen import Done, call, progress, say, show_done
from jointwise.commands.settings import ScoreConfig

if TYPE_CHECKING:
    from jointwise.models.bench import Bench
    from jointwise.scoring.batch import Outcome
    from jointwise.scoring.cut import Progress
    from jointwise.scoring.scored import Scored

HELP = "Find the array in a scan (or in each of several), judge every joint, write tables, maps and reports."
EXAMPLE = "scan=board.mha array=bga_0800 model=out/train/model out=out/score"
CONFIG = ScoreConfig
NOT_THE_RESULT = (
    "scan", "out", "again", "store", "split", "judging_only", "model", "device", "batch", "workers",
)  # fmt: skip
"""Keys on which results do not depend, or that are told apart otherwise (scan, model, store)."""


def run(cfg: ScoreConfig) -> Done:
    """Read, find, cut, judge, report; nothing of a scan is written before everything of it is known."""
    from jointwise.joints.errors import InputError
    from jointwise.models.bench import load_bench, load_shipped, origin
    from jointwise.models.names import NOVELTY
    from jointwise.scoring.scan_files import is_list

    if NOVELTY in cfg.detectors:
        raise InputError(
            "detectors: expected learned and rules, found novelty, which names no kind of fault; it is an opponent for "
            "jointwise evaluate"
        )
    several = is_list(cfg.scan)
    if several:
        from jointwise.scoring.batch import plan
        from jointwise.scoring.scan_files import scan_files

        jobs = plan(scan_files(cfg.scan, cfg.out), cfg.out)
    if cfg.model is None:
        bench = load_shipped(cfg.detectors, cfg.device, cfg.score.runtime)
        if bench.card:
            say(origin(bench.card))
    else:
        bench = load_bench(cfg.model, cfg.detectors, cfg.device, cfg.score.runtime)
    _say_runtime(cfg, bench)
    return _several(cfg, bench, jobs) if several else _one(cfg, bench)


def _say_runtime(cfg: ScoreConfig, bench: "Bench") -> None:
    """Tell of a network that runs slower than it could, or nothing."""
    from jointwise.models.learned import LearnedDetector
    from jointwise.models.names import AUTO, TORCH

    learned = bench.learned.detector if bench.learned else None
    if not isinstance(learned, LearnedDetector) or cfg.score.runtime != AUTO:
        return
    if learned.runtime == TORCH and learned.device.type == "cpu":
        say(
            "The package openvino cannot be imported: the network runs on torch, with the same results, slower"
        )


def _one(cfg: ScoreConfig, bench: "Bench") -> Done:
    """One scan, straight into `out`."""
    from jointwise.scoring.batch import SUMMARY
    from jointwise.scoring.finding.not_found import NotFound, picture_path
    from jointwise.scoring.write import WRITTEN

    with progress("scoring", "steps") as step:

        def tell(what: str, done: int, total: int) -> None:
            step(done, total, what)

        score, write = _calls(cfg, bench)
        try:
            scored = score(Path(cfg.scan), tell)
        except NotFound as error:
            say(f"What was seen instead: {error.write_picture(cfg.out)}")
            raise
        picture_path(cfg.out).unlink(missing_ok=True)
        write(scored, cfg.out, tell)
    for name in SUMMARY:  # of several scans, which were scored into the same folder before
        (cfg.out / name).unlink(missing_ok=True)
    return _done(cfg, [cfg.out / name for name in WRITTEN])


def _several(cfg: ScoreConfig, bench: "Bench", jobs: Sequence[Any]) -> Done:
    """Each into its own folder, and the summary over all."""
    from datetime import datetime

    from jointwise.commands.failures import sentence
    from jointwise.joints.errors import InputError
    from jointwise.scoring.batch import FAULT, SUMMARY, Work, score_batch
    from jointwise.scoring.summary.write import write_summary

    score, write = _calls(cfg, bench)
    keep = (
        {"store": str(cfg.store.absolute()), "split": cfg.split, "judging_only": cfg.judging_only}
        if cfg.store
        else None
    )
    work = Work(score, write, sentence, _made_from(cfg), keep, cfg.again)
    with progress("scoring", "scans") as step:
        outcomes = score_batch(jobs, cfg.out, work, step, _say_outcome)
        step(len(jobs), len(jobs), "summary")
    said = write_summary(outcomes, cfg.out, datetime.now())
    done = _done(cfg, [cfg.out / name for name in SUMMARY])
    say(said)
    failed = [outcome for outcome in outcomes if not outcome.is_whole]
    if not failed:
        return done
    show_done(done)
    of = f"{len(failed)} of {len(outcomes)} scans failed"
    faults = [outcome for outcome in failed if outcome.state == FAULT]
    if faults:
        raise RuntimeError(f"{of}, {len(faults)} of them by a fault of ours: {faults[0].sentence}")
    raise InputError(
        f"expected scans that can be scored, found that {of} (see {cfg.out / SUMMARY[0]}); mend or leave them out and "
        "give the same command: what is done is not done again"
    )


def _calls(
    cfg: ScoreConfig, bench: "Bench"
) -> tuple[
    Callable[[Path, "Progress"], "Scored"], Callable[["Scored", Path, "Progress"], list[tuple[str, str]]]
]:
    """How one scan is scored, and how its results are written: the only places that call for it."""
    from datetime import datetime

    from jointwise.commands.demo_boards import refuse_demo_boards
    from jointwise.scoring.finding.parts import arrays_wanted
    from jointwise.scoring.judging.acceptance import read_acceptance
    from jointwise.scoring.run import score_scan, write_results
    from jointwise.scoring.write import keep_joints

    limits = None if cfg.acceptance is None else read_acceptance(cfg.acceptance)
    arrays = arrays_wanted(cfg.array, cfg.parts)

    def score(path: Path, tell: "Progress") -> "Scored":
        return score_scan(path, arrays, cfg.score, bench.grid, bench, tell, limits, cfg.read)

    def write(scored: "Scored", folder: Path, tell: "Progress") -> list[tuple[str, str]]:
        write_results(scored, folder, datetime.now(), tell)
        if cfg.store is None:
            return []
        kept = []
        for n, package in enumerate(scored.packages):
            if not cfg.judging_only:
                refuse_demo_boards(package.cut.joints)
            which = "" if len(scored.packages) == 1 else package.array.component or str(n + 1)
            kept.append(
                keep_joints(
                    package.cut,
                    package.found.axes,
                    package.table,
                    cfg.store,
                    cfg.split,
                    cfg.judging_only,
                    which,
                )
            )
        return kept

    return score, write


def _made_from(cfg: ScoreConfig) -> dict[str, Any]:
    """Everything but the scan on which results depend: the version, the settings, what the files they name hold."""
    from importlib.metadata import version

    from jointwise.models.bench import SHIPPED_FOLDER
    from jointwise.scoring.done import settled

    return {
        "version": version("jointwise"),
        "detectors": settled(cfg.model or SHIPPED_FOLDER),
        "settings": settled(cfg, NOT_THE_RESULT),
    }


def _say_outcome(outcome: "Outcome") -> None:
    name = " ".join(outcome.job.name.split())
    if outcome.is_whole:
        say(f"{name}: {outcome.state}")
    else:
        print(f"{name}: {outcome.state}: {' '.join(outcome.sentence.split())}", file=sys.stderr, flush=True)


def _done(cfg: ScoreConfig, wrote: list[Path]) -> Done:
    return Done(wrote) if cfg.store is None else Done([*wrote, cfg.store], call("paint", joints=cfg.store))
