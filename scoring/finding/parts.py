"""A file of parts: what lies on the board, one package a line."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
from omegaconf import OmegaConf

from jointwise.joints.errors import InputError
from jointwise.scoring.finding.layout import read_table
from jointwise.scoring.settings import ArrayWanted, check_array

KEYS = {
    "component": str,
    "pitch_mm": float,
    "ball_mm": float,
    "rows": int,
    "cols": int,
    "a1_corner": str,
    "x_mm": float,
    "y_mm": float,
    "package_side": str,
    "letters_along": str,
    "packages": int,
    "depopulated": str,
    "layout": str,
}
MOST_PARTS = 500


def arrays_wanted(array: ArrayWanted, parts: Path | None) -> list[ArrayWanted]:
    """The parts to look for: those of the file, or else the one of the settings.

    Args:
        array: settings; what a part of the file leaves open is taken from them.
        parts: CSV or YAML (a list of mappings) with component and any of pitch_mm, ball_mm, rows, cols, a1_corner,
            x_mm and y_mm (about where the part's middle lies), package_side, letters_along, packages, depopulated
            (`;` between entries) and layout (a path beside the file).

    Raises:
        InputError: names the file, the part and what is wrong.
    """
    if parts is None:
        return [array]
    found = [_part(array, entry, number, parts) for number, entry in enumerate(_entries(parts), 1)]
    names = [part.component for part in found]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(f"parts: expected every component once in {parts}, found {twice[0]} twice")
    return found


def _entries(path: Path) -> Sequence[Mapping[str, Any]]:
    """Lines of the file as mappings, empty fields left out."""
    if path.suffix.lower() in (".yaml", ".yml"):
        try:
            entries: Any = OmegaConf.to_container(OmegaConf.load(path), resolve=False)
        except Exception as error:
            reason = " ".join(str(error).split())
            raise InputError(f"parts: expected a list of parts at {path}, found none ({reason})") from error
    else:
        entries = read_table(path, ("component",), "parts").to_dict("records")
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise InputError(f"parts: expected a list of mappings such as - component: U1 in {path}; correct it")
    if not 1 <= len(entries) <= MOST_PARTS:
        raise InputError(f"parts: expected 1 to {MOST_PARTS} parts in {path}, found {len(entries)}")
    return [{key: value for key, value in entry.items() if _given(value)} for entry in entries]


def _given(value: object) -> bool:
    return isinstance(value, list) or not (pd.isna(value) or value == "")


def _part(array: ArrayWanted, entry: Mapping[str, Any], number: int, path: Path) -> ArrayWanted:
    where = f"parts: part {number} of {path}"
    unknown = [key for key in entry if key not in KEYS]
    if unknown or "component" not in entry:
        raise InputError(
            f"{where}: expected component and any of {', '.join(list(KEYS)[1:])}, found "
            f"{unknown[0] if unknown else 'no component'}; correct it"
        )
    fields: dict[str, Any] = {key: _value(key, value, where) for key, value in entry.items()}
    if "layout" in fields:
        fields["layout"] = path.parent / fields["layout"]
    if "depopulated" in fields:
        fields["depopulated"] = [name.strip() for name in fields["depopulated"].split(";") if name.strip()]
    part = replace(array, **fields)
    try:
        check_array(part)
    except InputError as error:
        raise InputError(f"{where}: {error}") from error
    return part


def _value(key: str, value: object, where: str) -> str | float | int:
    """A field in its type; whole numbers may be written 6.0, as tables with gaps hold them."""
    kind = KEYS[key]
    if kind is str:
        return ";".join(map(str, value)) if isinstance(value, list) else str(value).strip()
    try:
        number = float(str(value))
    except ValueError:
        number = float("nan")
    if number != number or (kind is int and number != int(number)):
        raise InputError(
            f"{where}: expected a {'whole ' if kind is int else ''}number as {key}, found {value!r}"
        )
    return int(number) if kind is int else number
