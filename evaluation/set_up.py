"""What it takes to set a detector up: joints it was fitted on and time, as its own files tell."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jointwise.models.names import CARD, LEARNED, NOVELTY, NOVELTY_FILE, RULES, RULES_FILE

METRICS, FITTED = "metrics.jsonl", "fitted.json"
"""Beside the model folder of a training: one line per epoch; seconds that fitting the others took."""


@dataclass(frozen=True)
class SetUp:
    """What one detector was fitted on; None where its files do not say.

    Args:
        training_joints: joints it was fitted on.
        validation_joints: joints its calibration and thresholds were chosen on.
        simulated: whether those joints are simulated, which a new package gets without anybody labelling.
        fit_seconds: time of the fit; of a network, of its passes over the training joints.
    """

    training_joints: int | None = None
    validation_joints: int | None = None
    simulated: bool | None = None
    fit_seconds: float | None = None

    @property
    def labelled_joints(self) -> int | None:
        """Labelled joints of a new package that the same way of setting up asks for: none where they are simulated."""
        if self.simulated is None:
            return None
        if self.simulated:
            return 0
        known = [n for n in (self.training_joints, self.validation_joints) if n is not None]
        return sum(known) if len(known) == 2 else None


def read_set_up(folder: Path) -> dict[str, SetUp]:
    """What a folder of detectors tells of each, by the detectors' names.

    Args:
        folder: as `jointwise train` writes it; what lies beside it (metrics, times) is read where it is there.
    """
    found = {}
    fitted = _json(folder.parent / FITTED)
    for name, file in ((LEARNED, CARD), (RULES, RULES_FILE), (NOVELTY, NOVELTY_FILE)):
        data = _json(folder / file).get("data")
        if isinstance(data, dict):
            joints = _whole(data.get("training_joints"))
            seconds = _training_seconds(folder.parent, joints) if name == LEARNED else fitted.get(name)
            told = data.get("simulated")
            found[name] = SetUp(
                joints,
                _whole(data.get("validation_joints")),
                told if isinstance(told, bool) else None,
                float(seconds) if isinstance(seconds, int | float) else None,
            )
    return found


def _training_seconds(run: Path, joints: int | None) -> float | None:
    """Time of all passes over the training joints: their number over each epoch's joints per second."""
    if joints is None or not (run / METRICS).is_file():
        return None
    try:
        lines = [json.loads(line) for line in (run / METRICS).read_text(encoding="utf-8").splitlines()]
        return sum(joints / float(line["joints_per_second"]) for line in lines) if lines else None
    except (OSError, ValueError, KeyError, TypeError, ZeroDivisionError):
        return None  # not known: the metrics are another version's


def _json(path: Path) -> dict[str, Any]:
    """A JSON table, empty where none reads: what is not told is not known."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return data if isinstance(data, dict) else {}


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None
