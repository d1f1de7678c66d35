"""Which files a card is written from: by whom they were made, when, and of which weights.

A JSON file: `training` (command, recipe, date, note), `cuts` (note) and, for each part of `PARTS` that was measured, a
list of sources. A source has `file`, `command`, `date` and `weights`: the first letters, eight at least, of the SHA-256
of the weights that were measured, or `any` where a table is of several networks. Figures of other weights than the
card's are not shown.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from jointwise.joints.errors import InputError

PARTS: Final = (
    "held_out", "shifted", "boards", "bars", "demo", "measures", "pointing", "observer", "seeds", "networks", "speed",
)  # fmt: skip
ANY: Final = "any"
LEAST_LETTERS: Final = 8


@dataclass(frozen=True)
class Source:
    """A file of results.

    Args:
        file: from the root of the repository: verdicts (Parquet), or a table (CSV).
        command: that made it.
        date: of that, as told.
        weights: first letters of the SHA-256 of the weights that were measured; `any` of a table of several networks.
        detector: as which the file calls the network.
        beside: further detectors or models of the file that are shown too.
        models: of a table of several networks, those shown, by their names; empty shows all.
        columns: of a plain table, column -> title; NAME_low and NAME_high, or low and high of `value`, go with it.
        where: of a plain table, column -> value or values of the rows shown.
        bars: what was asked for: board, kind (one, `any`, or `each`), measure and `least` or `most`.
        note: what else has to be known.
    """

    file: Path
    command: str
    date: str
    weights: str
    detector: str = "learned"
    beside: tuple[str, ...] = ()
    models: tuple[str, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    where: Mapping[str, Any] = field(default_factory=dict)
    bars: tuple[Mapping[str, Any], ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        if self.weights != ANY and len(self.weights) < LEAST_LETTERS:
            raise InputError(
                f"weights of {self.file}: expected {LEAST_LETTERS} letters of a SHA-256 or more, or {ANY}, found "
                f"{self.weights!r}; say whose figures these are"
            )

    def is_of(self, weights: str) -> bool:
        """Whether its figures may stand in the card of these weights (their whole SHA-256)."""
        return self.weights == ANY or weights.startswith(self.weights)


@dataclass(frozen=True)
class Sources:
    """Everything a card is written from, besides the model folder.

    Args:
        training: command, recipe, date, note.
        cuts: for which purpose the cuts were chosen, and by which command.
        parts: part -> its sources.
    """

    training: Mapping[str, str]
    cuts: Mapping[str, str]
    parts: Mapping[str, tuple[Source, ...]]


def read_sources(path: Path) -> Sources:
    """Read the JSON file.

    Raises:
        InputError: no such file, no JSON, an unknown part or key, or a source without its origin.
    """
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        unknown = set(told) - {"training", "cuts", *PARTS}
        if unknown:
            raise InputError(f"{path}: expected the parts {', '.join(PARTS)}, found {sorted(unknown)[0]!r}")
        parts = {name: tuple(_source(one) for one in told.get(name, [])) for name in PARTS}
        return Sources(dict(told["training"]), dict(told["cuts"]), parts)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            f"expected the sources of a model card in JSON at {path}, found none that read "
            f"({type(error).__name__}: {str(error).splitlines()[0][:120]}); see evaluation/model_card/sources.py"
        ) from error


def _source(told: Mapping[str, Any]) -> Source:
    values: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in told.items()
    }
    values["file"] = Path(told["file"])
    return Source(**values)
