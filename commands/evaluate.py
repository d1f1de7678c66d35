"""`jointwise evaluate`: detectors on joints with truth or readers' labels, and one report that says what is settled."""

import dataclasses
import math
import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from jointwise.commands.screen import Done, call, progress, say
from jointwise.commands.settings_evaluate import EvaluateConfig
from jointwise.joints.atomic import refuse_file
from jointwise.joints.errors import InputError

if TYPE_CHECKING:
    from pandas import DataFrame

    from jointwise.evaluation.report.page import Part
    from jointwise.evaluation.subjects import Subject
    from jointwise.evaluation.verdicts import Verdicts
    from jointwise.models.bench import Bench

HELP = "Judge held-out, labelled or ready-scored joints with every detector: one report of what that settles."
EXAMPLE = "data=out/joints model=out/train/model"
CONFIG = EvaluateConfig
DEMO, DEMO_FOLDER = "demo", "demo_sets"
ROOMS = Path(__file__).resolve().parent.parent


class _Given(NamedTuple):
    """What is judged and by whom; all of it is open before anything is scored or written."""

    subjects: "list[Subject]"
    ready: "list[Verdicts]"
    bench: "Bench | None"


def run(cfg: EvaluateConfig) -> Done:
    """Open everything, judge, write verdicts, then the report; log to MLflow after all is on disk."""
    from jointwise.evaluation.report.contents import Asked, parts
    from jointwise.evaluation.report.head import chosen_by
    from jointwise.evaluation.set_up import read_set_up
    from jointwise.evaluation.verdicts import write_verdicts

    refuse_file(cfg.out)
    given = _open(cfg)
    names = [*(one.name for one in given.subjects), *(one.name for one in given.ready)]
    reference, observer = _reference(cfg, names), _observer(cfg)
    judged = [_judge(subject, given.bench) for subject in given.subjects if given.bench]
    sets = [*judged, *given.ready]
    # Before the report, so that a fault there costs no scores.
    kept = [write_verdicts(one, cfg.out / f"verdicts_{one.name}.parquet") for one in sets]
    files = [
        *kept,
        *(_examples(one, subject, cfg.out) for one, subject in zip(judged, given.subjects, strict=True)),
    ]
    found = parts(
        Asked(
            sets,
            {subject.name: subject.read for subject in given.subjects},
            read_set_up(cfg.model) if cfg.model is not None and given.bench else {},
            {who: chosen_by(judge) for who, judge in given.bench.judges.items()} if given.bench else {},
            cfg.prevalence.given,
            cfg.adjudication,
            reference,
            observer,
            cfg.pictures,
        )
    )
    report, *tables = _report(cfg, given, sets, found)
    _show(sets, cfg.adjudication)
    _track(cfg, given, found, [report, *files, *tables])
    say(f"{len(tables)} files of tables in {cfg.out / 'tables'}")
    return Done([*files, report], _next(cfg, kept))


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


def _open(cfg: EvaluateConfig) -> _Given:
    from jointwise.evaluation.labels.adjudication import rule_for
    from jointwise.evaluation.labels.set_verdicts import with_readers
    from jointwise.evaluation.subjects import open_subject, refuse_twins, told_apart
    from jointwise.evaluation.verdicts import read_verdicts

    wanted = [str(cfg.data)] if cfg.data is not None else list(cfg.sets)
    folders = [set_folder(name) for name in wanted]
    # The demo sets are called so wherever they lie.
    names = [
        name if name == DEMO else folder.resolve().name for name, folder in zip(wanted, folders, strict=True)
    ]
    refuse_twins(names, folders)  # before anything large is read
    ready = told_apart([(Path(path), read_verdicts(Path(path))) for path in cfg.scores], names)
    every = [*names, *(one.name for one in ready)]
    refuse_twins(every, [*folders, *map(Path, cfg.scores)])
    bench = _bench(cfg, cfg.model) if wanted and cfg.model is not None else None
    subjects = [open_subject(*one, cfg.split, cfg.labels) for one in zip(folders, names, strict=True)]
    if cfg.labels is not None:
        ready = [with_readers(one, cfg.labels) for one in ready]
    read_by = [*(one.readers for one in subjects), *(one.readers for one in ready)]
    for readers in filter(None, read_by):
        rule_for(readers, cfg.adjudication)
    if cfg.adjudication is not None and not any(read_by):
        raise InputError(
            f"adjudication: expected labels of readers to settle, found none in {', '.join(every)}; leave it out or "
            "give labels=…"
        )
    return _Given(subjects, ready, bench)


def _bench(cfg: EvaluateConfig, model: Path) -> "Bench":
    from jointwise.models.bench import load_bench, load_shipped

    bench = load_bench(model, cfg.detectors, cfg.device, cfg.runtime)
    if not cfg.shipped:
        return bench
    return dataclasses.replace(bench, shipped=load_shipped(["learned"], cfg.device, cfg.runtime).learned)


def _reference(cfg: EvaluateConfig, names: Sequence[str]) -> str:
    if cfg.reference is not None and cfg.reference not in names:
        raise InputError(
            f"reference: expected one of the sets {', '.join(names)}, found {cfg.reference!r}; correct it"
        )
    return cfg.reference or names[0]


def _observer(cfg: EvaluateConfig) -> "DataFrame | None":
    if cfg.observer is None:
        return None
    from jointwise.evaluation.observed import read_study

    return read_study(cfg.observer)


def _judge(subject: "Subject", bench: "Bench") -> "Verdicts":
    from jointwise.evaluation.subjects import judge

    with progress(f"judging {subject.name}", "joints") as step:
        return judge(subject, bench, step)


def _examples(verdicts: "Verdicts", subject: "Subject", out: Path) -> Path:
    from jointwise.evaluation.pictures.contact_sheet import save
    from jointwise.evaluation.subjects import examples

    return save(examples(verdicts, subject.read), out / f"contact_sheet_{verdicts.name}.png")


def _report(
    cfg: EvaluateConfig, given: _Given, sets: "Sequence[Verdicts]", found: "Sequence[Part]"
) -> list[Path]:
    from jointwise.evaluation.report.cautions import CAUTIONS
    from jointwise.evaluation.report.head import head_of
    from jointwise.evaluation.report.page import write_page
    from jointwise.train.provenance import code_version

    prints = {subject.name: subject.fingerprint for subject in given.subjects}
    head = head_of(sets, given.bench, prints, datetime.now(), code_version())
    return write_page(head, found, CAUTIONS, cfg.out)


def _show(sets: "Sequence[Verdicts]", rule: str | None) -> None:
    """The short tables of each set."""
    from rich.console import Console

    from jointwise.evaluation.labels import readers
    from jointwise.evaluation.labels.adjudication import rule_for
    from jointwise.evaluation.report.words import counted
    from jointwise.evaluation.table import escape_table, per_kind_table, terminal

    for one in sets:
        given = (one.truth, one.present, one.scores, one.cuts)
        joints, boards = int(one.present.sum()), one.table["board_id"].nunique()
        title = f"{one.name}: {counted(joints, 'joint')} of {counted(boards, 'board')}"
        Console().print(terminal(per_kind_table(*given), escape_table(*given), title))
        if one.readers:
            table = readers.readers_table(one, rule_for(one.readers, rule))
            Console().print(readers.terminal(table, title, one.provenance))


def _track(cfg: EvaluateConfig, given: _Given, found: "Sequence[Part]", files: list[Path]) -> None:
    if not cfg.tracking.enabled:
        return
    from jointwise.evaluation.report.page import numbers_of
    from jointwise.train.tracking import track_results

    origins = {one.name: one.provenance for one in given.subjects} | {
        one.name: one.provenance for one in given.ready
    }
    # MLflow refuses other letters in the names of metrics, and figures that are none.
    metrics = {
        re.sub(r"[^\w./\- ]", "_", name): value
        for name, value in numbers_of(found).items()
        if math.isfinite(value)
    }
    tracked = track_results(
        f"evaluate {' '.join(origins)}", cfg.out, cfg.tracking,
        parameters=dataclasses.asdict(cfg) | {"provenance": origins},
        metrics=metrics, files=files,
        facts=[{"store": str(one.source), "fingerprint": one.fingerprint} for one in given.subjects],
    )  # fmt: skip
    say(f"run {tracked.run_id} in MLflow; to look: mlflow ui --backend-store-uri '{tracked.uri}'")


def _next(cfg: EvaluateConfig, kept: Sequence[Path]) -> str:
    """What to do with the verdicts that were kept: real paths, so that the line can be pasted."""
    if cfg.data is not None:
        return call("train", data=cfg.data, experiment="thorough")
    if cfg.sets:
        scores = f"[{','.join(map(str, kept))}]"
        return call("evaluate", scores=scores, prevalence__void=0.001, out=f"{cfg.out}_on_your_line")
    return call("compare", one=cfg.scores[0], other=kept[0])
