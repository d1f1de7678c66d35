"""The folder of one training: what is in it, and who may write it.

settings.json and facts.json at the start, checkpoint.safetensors and metrics.jsonl as it goes, examples.png and the
model folder at the end. Each is written aside and renamed.
"""

import fcntl
import json
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from jointwise.joints.atomic import write_text
from jointwise.joints.errors import InputError

SETTINGS: Final = "settings.json"
FACTS: Final = "facts.json"
METRICS: Final = "metrics.jsonl"
CHECKPOINT: Final = "checkpoint.safetensors"
EXAMPLES: Final = "examples.png"
VALIDATION: Final = "validation.parquet"
MODEL: Final = "model"
TRACKED: Final = "tracked.json"
FITTED: Final = "fitted.json"
"""Seconds that fitting the other detectors took, by their names."""


class RunFolder:
    """The folder of a training, held by one process while it is open.

    Args:
        path: made if absent.

    Raises:
        InputError: another process is training there.
    """

    def __init__(self, path: Path) -> None:
        path.mkdir(parents=True, exist_ok=True)
        self.path = path
        self._lock = (path / ".training").open("w")
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            self._lock.close()
            raise InputError(
                f"expected to train in {path} alone, found another process training there; choose another out"
            ) from error

    def __enter__(self) -> "RunFolder":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._lock.close()

    @property
    def checkpoint(self) -> Path:
        """Where the training stands, if it has begun."""
        return self.path / CHECKPOINT

    @property
    def model(self) -> Path:
        """The model folder; there once the training is finished."""
        return self.path / MODEL

    def begin(self, settings: dict[str, Any], facts: dict[str, Any]) -> None:
        """Write settings.json and facts.json, or see that those there are the same training's.

        Raises:
            InputError: the folder holds a training with other settings or data; names those that differ.
        """
        if (self.path / SETTINGS).exists():
            self.compare(settings)
        write_text(self.path / FACTS, json.dumps(facts, indent=1, allow_nan=False))
        write_text(self.path / SETTINGS, json.dumps(settings, indent=1, allow_nan=False))

    def compare(self, settings: dict[str, Any]) -> None:
        """See that settings.json is the same training's; what followed from its data counts as far as it is given.

        Raises:
            InputError: it is another's; names the settings that differ.
        """
        found = read_json(self.path / SETTINGS)
        wanted = settings | {"derived": found.get("derived", {}) | settings.get("derived", {})}
        differing = _differing(found, wanted)
        if differing:
            raise InputError(
                f"expected an empty folder or a training with the same settings, found other values of "
                f"{', '.join(differing[:4])} in {self.path / SETTINGS}; choose another out or delete that folder"
            )

    def write_metrics(self, history: list[dict[str, Any]]) -> None:
        """One JSON line per finished epoch."""
        lines = [json.dumps(line, allow_nan=False) for line in history]
        write_text(self.path / METRICS, "".join(f"{line}\n" for line in lines))


def read_json(path: Path) -> dict[str, Any]:
    """A JSON file that must hold a table.

    Raises:
        InputError: it is missing, does not read, or holds something else.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(
            f"expected a training's file in JSON at {path}, found none that reads "
            f"({str(error).splitlines()[0][:120]}); train in another folder"
        ) from error
    if not isinstance(data, dict):
        raise InputError(f"expected a table in {path}, found {type(data).__name__}; train in another folder")
    return data


def _differing(found: Any, wanted: Any, name: str = "") -> list[str]:
    """Dotted names of the settings that differ."""
    if isinstance(found, dict) and isinstance(wanted, dict):
        keys = sorted({*found, *wanted})
        nested = (_differing(found.get(k), wanted.get(k), f"{name}.{k}".lstrip(".")) for k in keys)
        return [key for part in nested for key in part]
    return [] if found == wanted else [name]
