"""The summary's files: each is there whole or not at all, the page last."""

import json
from collections.abc import Sequence
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import numpy as np

from jointwise.joints.atomic import replacing, write_text
from jointwise.scoring.batch import SUMMARY, Outcome
from jointwise.scoring.scan_files import readable
from jointwise.scoring.summary.boards import Summary, all_joints, as_rows, summarise
from jointwise.scoring.summary.page import outcome, summary_html

FORMAT: Final = 1
PAGE, FACTS, BOARDS, JOINTS = SUMMARY


def write_summary(outcomes: Sequence[Outcome], out: Path, when: datetime) -> str:
    """Write page, figures, one row per board, and all joints; say in a sentence or two how it went.

    Args:
        outcomes: of every scan.
        out: the folder above the results of all scans.
        when: the time that stands in page and figures.
    """
    summary = summarise(outcomes)
    html = summary_html(summary, when)
    with replacing(out / JOINTS) as aside:
        all_joints(summary).to_parquet(aside, index=False)
    with replacing(out / BOARDS) as aside:
        as_rows(summary).to_csv(aside, index=False, lineterminator="\n")
    write_text(out / FACTS, json.dumps(facts(summary, when), indent=1))
    write_text(out / PAGE, html)
    return outcome(summary)


def facts(summary: Summary, when: datetime) -> dict[str, Any]:
    """Everything but single joints, JSON-safe; empty numbers are null.

    Returns:
        `format`, `when`, `version`, `notes`; `boards`: name, file, folder, state, sentence, counts, review
        (reasons with counts); `parts`: component, boards, shapes, share, enough (boards to tell), marked (balls),
        `chance` (k, sites seen and expected with at least k findings) and `sites` (as PartSites tells).
    """
    boards = [
        {
            "name": board.name,
            "file": readable(str(board.outcome.job.path)),
            "folder": board.outcome.job.folder.name,
            "state": board.outcome.state,
            "sentence": board.outcome.sentence,
            "counts": board.counts,
            "review": dict(board.reasons),
        }
        for board in summary.boards
    ]
    parts = [
        {
            "component": part.component,
            "boards": part.boards,
            "shapes": dict(part.shapes),
            "share": part.share,
            "enough": part.enough,
            "marked": list(part.marked["ball"]),
            "chance": part.chance.to_dict("records"),
            "sites": part.sites.astype(object).replace({np.nan: None}).to_dict("records"),
        }
        for part in summary.parts
    ]
    head = {"format": FORMAT, "when": when.isoformat(timespec="seconds"), "version": version("jointwise")}
    return {**head, "notes": list(summary.notes), "boards": boards, "parts": parts}
