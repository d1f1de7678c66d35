"""The user's own limits of acceptance, read from a file of plain names and numbers.

The words of such a file and an example with invented numbers: configs/limits/example.yaml.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

import yaml

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import MEASURES
from jointwise.scoring.judging.places import ALL, Place, read_place

DISPOSITIONS = ("accept", "reject", "review")
BEYOND: Final = ("reject", "review")
MISSING: Final = "missing"
FINDINGS: Final = (*KINDS, MISSING)
MOST_BYTES: Final = 1_000_000
NEEDS: Final = {
    "gap_um": ("non_wet", "head_in_pillow"),
    "contact_fraction": ("non_wet", "head_in_pillow"),
    "bridge_neck_um": ("bridging",),
}
"""Measures that there are only where one of these was found; the others are measured in every joint."""

LIMIT_KEYS: Final = ("name", "kind", "measure", "most", "least", "where", "then")
COUNT_KEYS: Final = ("name", "kind", "most", "most_pct", "where")
FILE_KEYS: Final = ("title", "example", "places", "limits", "counts")


@dataclass(frozen=True)
class Limit:
    """One line of a file of limits.

    Args:
        name: in the file's own words, for reasons and report.
        kind: one of KINDS or `missing`: the limit is about joints with that finding; empty where only a measure counts.
        measure: one of MEASURES; empty where the finding alone decides.
        most: the measure may reach this and no more; None where the finding alone decides.
        least: the measure must reach this; None where there is no lower limit.
        where: `all`, or a place in the array that the file defines.
        then: what a joint beyond the limit becomes, `reject` or `review`.
    """

    name: str
    kind: str
    measure: str
    most: float | None
    least: float | None
    where: str
    then: str


@dataclass(frozen=True)
class Count:
    """How many joints of a package may have a finding.

    Args:
        name: in the file's own words.
        kind: one of KINDS or `missing`.
        most: joints; None where the share counts.
        most_pct: share of the sites at the place, %; None where the number counts.
        where: `all`, or a place in the array that the file defines.
    """

    name: str
    kind: str
    most: float | None
    most_pct: float | None
    where: str


@dataclass(frozen=True)
class Acceptance:
    """The limits of one file.

    Args:
        title: what the user calls them, such as the contract and its edition.
        path: the file.
        sha256: of its bytes, so that a report tells which file it was.
        limits: in the order of the file.
        example: whether the file says it is an example.
        places: named parts of the array.
        counts: limits on a whole package.
    """

    title: str
    path: Path
    sha256: str
    limits: tuple[Limit, ...]
    example: bool
    places: Mapping[str, Place] = field(default_factory=dict)
    counts: tuple[Count, ...] = ()


def read_acceptance(path: Path) -> Acceptance:
    """Read a file of limits.

    Raises:
        InputError: one sentence: no such file, no YAML, an unknown word, no number, limits that cross, or no limit.
    """
    data = _load(path)
    content = _mapping(data, FILE_KEYS, f"{path.name}")
    places = {
        str(name): read_place(str(name), entry)
        for name, entry in _mapping(content.get("places") or {}, None, "places").items()
    }
    limits = tuple(_limit(n, entry, places) for n, entry in _entries(content, "limits"))
    counts = tuple(_count(n, entry, places) for n, entry in _entries(content, "counts"))
    if not limits and not counts:
        raise InputError(
            f"acceptance: expected at least one limit under `limits` or `counts` in {path}, found none; see "
            "configs/limits/example.yaml"
        )
    example = content.get("example", False)
    if not isinstance(example, bool):
        raise InputError(f"acceptance: expected example: true or false, found {example!r}; correct it")
    title = str(content.get("title") or path.stem)
    return Acceptance(title, path, sha256(path.read_bytes()).hexdigest(), limits, example, places, counts)


def _load(path: Path) -> Any:
    if not path.is_file():
        raise InputError(f"acceptance: expected a file of limits at {path}, found none; correct acceptance=")
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError(
                f"acceptance: expected a file of limits of at most {MOST_BYTES} bytes, found {path.stat().st_size} "
                f"in {path}; name the right file"
            )
        return yaml.safe_load(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, yaml.YAMLError, RecursionError) as error:
        said = " ".join(str(error).split())[:160]
        raise InputError(
            f"acceptance: expected a YAML file of limits at {path}, found none that reads ({said}); see "
            "configs/limits/example.yaml"
        ) from error


def _entries(content: Mapping[str, Any], key: str) -> list[tuple[str, Any]]:
    entries = content.get(key) or []
    if not isinstance(entries, list):
        raise InputError(
            f"acceptance: expected a list under {key}, found {type(entries).__name__}; begin each limit with a dash"
        )
    return [(f"{key}, entry {n}", entry) for n, entry in enumerate(entries, start=1)]


def _mapping(entry: Any, keys: tuple[str, ...] | None, where: str) -> Mapping[str, Any]:
    """A mapping with no other keys than these."""
    if not isinstance(entry, dict):
        found = "nothing" if entry is None else type(entry).__name__
        raise InputError(
            f"acceptance, {where}: expected keys with values, found {found}; see configs/limits/example.yaml"
        )
    unknown = [str(key) for key in entry if keys is not None and key not in keys]
    if unknown and keys is not None:
        raise InputError(
            f"acceptance, {where}: expected only the keys {', '.join(keys)}, found {', '.join(unknown)}; correct them"
        )
    return entry


def _limit(where: str, entry: Any, places: Mapping[str, Place]) -> Limit:
    data = _mapping(entry, LIMIT_KEYS, where)
    kind = _word(data, "kind", FINDINGS, where)
    measure = _word(data, "measure", MEASURES, where)
    most, least = _number(data, "most", where), _number(data, "least", where)
    if not kind and not measure:
        raise InputError(f"acceptance, {where}: expected a kind or a measure, found neither; add one")
    if kind == MISSING and measure:
        raise InputError(
            f"acceptance, {where}: expected no measure of a missing ball, found {measure}; take it out"
        )
    if bool(measure) == (most is None and least is None):
        raise InputError(
            f"acceptance, {where}: expected most or least with a measure and neither without one, found "
            f"measure {measure or 'none'}, most {most}, least {least}; correct it"
        )
    if most is not None and least is not None and least > most:
        raise InputError(
            f"acceptance, {where}: expected least not above most, found least {least:g} and most {most:g}; correct them"
        )
    then = _word(data, "then", BEYOND, where) or "reject"
    return Limit(_name(data, measure or kind), kind, measure, most, least, _place(data, places, where), then)


def _count(where: str, entry: Any, places: Mapping[str, Place]) -> Count:
    data = _mapping(entry, COUNT_KEYS, where)
    kind = _word(data, "kind", FINDINGS, where)
    most, share = _number(data, "most", where), _number(data, "most_pct", where)
    if not kind or (most is None) == (share is None):
        raise InputError(
            f"acceptance, {where}: expected a kind and one of most and most_pct, found kind {kind or 'none'}, "
            f"most {most}, most_pct {share}; correct it"
        )
    return Count(_name(data, kind), kind, most, share, _place(data, places, where))


def _name(data: Mapping[str, Any], otherwise: str) -> str:
    return " ".join(str(data.get("name") or otherwise).split())


def _word(data: Mapping[str, Any], key: str, known: tuple[str, ...], where: str) -> str:
    value = data.get(key)
    if value is None:
        return ""
    if value not in known:
        raise InputError(
            f"acceptance, {where}: expected {key} to be one of {', '.join(known)}, found {value!r}; correct it"
        )
    return str(value)


def _number(data: Mapping[str, Any], key: str, where: str) -> float | None:
    value = data.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value < 1e9:
        raise InputError(
            f"acceptance, {where}: expected {key} to be a number from 0, found {value!r}; correct it"
        )
    return float(value)


def _place(data: Mapping[str, Any], places: Mapping[str, Place], where: str) -> str:
    name = str(data.get("where") or ALL)
    if name != ALL and name not in places:
        known = ", ".join((ALL, *places))
        raise InputError(
            f"acceptance, {where}: expected where to be one of {known}, found {name!r}; correct it"
        )
    return name
