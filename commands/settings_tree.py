"""What a settings dataclass offers: its dotted keys, their types and descriptions; and building one."""

import dataclasses
import enum
import inspect
import re
import types
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple, cast

from jointwise.joints.errors import InputError


class Key(NamedTuple):
    """One setting.

    Args:
        name: dotted name.
        type: its annotation, resolved.
        text: its line in the `Args:` section of the dataclass's docstring.
    """

    name: str
    type: Any
    text: str


def keys(config: type[Any], prefix: str = "") -> Iterator[Key]:
    """Every setting below a dataclass, in the order of its fields; nested dataclasses are walked into."""
    hints, texts = typing.get_type_hints(config), _texts(config)
    for field in dataclasses.fields(config):
        name, kind = prefix + field.name, hints[field.name]
        if dataclasses.is_dataclass(kind):
            yield from keys(cast(type[Any], kind), f"{name}.")
        else:
            yield Key(name, kind, texts.get(field.name, ""))


def type_of(config: type[Any], name: str) -> Any:
    """Type of a dotted key, also of a nested dataclass or of an entry in a dictionary; None if there is none."""
    kind: Any = config
    for part in name.split("."):
        settings = _settings_in(kind)
        if settings is not None:
            kind = typing.get_type_hints(settings).get(part)
        elif typing.get_origin(kind) is dict:
            kind = typing.get_args(kind)[1]
        elif kind is not Any:
            return None
    return kind


def members(kind: Any) -> tuple[Any, ...]:
    """The types a value may have: the parts of a union, else the type alone."""
    if typing.get_origin(kind) in (typing.Union, types.UnionType):
        return typing.get_args(kind)
    return (kind,)


def takes_text(kind: Any) -> bool:
    """Whether a value of this type is plain text, such as a path."""
    return any(member in (str, Path) for member in members(kind))


def takes_texts(kind: Any) -> bool:
    """Whether a value of this type is a list of plain texts."""
    return any(
        typing.get_origin(member) in (list, tuple) and any(takes_text(a) for a in typing.get_args(member))
        for member in members(kind)
    )


def words(kind: Any) -> str:
    """A type in the user's words.

    Example:
        >>> words(int | None)
        'whole number or null'
    """
    return " or ".join(_word(member) for member in members(kind))


PLAIN_WORDS = {
    int: "whole number",
    float: "number",
    bool: "true or false",
    str: "text",
    Path: "path",
    type(None): "null",
    Any: "anything",
}


def _word(kind: Any) -> str:
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (list, tuple):
        parts = [words(a) for a in inner if a is not Ellipsis]
        same = len(set(parts)) == 1
        if origin is tuple and Ellipsis not in inner:
            return f"list of {len(parts)} {parts[0]}s" if same else f"list [{', '.join(parts)}]"
        return f"list of {parts[0]}s"
    if origin is dict:
        return f"table of {words(inner[1])}s"
    if inspect.isclass(kind) and issubclass(kind, enum.Enum):
        return "|".join(member.name for member in kind)
    return PLAIN_WORDS.get(kind, getattr(kind, "__name__", str(kind)))


def build(config: type[Any], data: dict[str, Any]) -> Any:
    """An instance of a settings dataclass from plain dictionaries and lists.

    Raises:
        InputError: a list has the wrong length, or the dataclass itself refuses its values.
    """
    return _built(config, data, "")


def _built(kind: Any, value: Any, name: str) -> Any:
    if isinstance(value, dict):
        return _built_table(kind, value, name)
    if isinstance(value, list):
        return _built_list(kind, value, name)
    if Path in members(kind) and isinstance(value, str):
        if not value:
            raise InputError(f"expected a path for `{name}`, found an empty one; give {name}=…")
        return Path(value)
    return value


def _built_table(kind: Any, value: dict[str, Any], name: str) -> Any:
    settings = _settings_in(kind)
    if settings is None:
        table = next((m for m in members(kind) if typing.get_origin(m) is dict), dict[str, Any])
        of = typing.get_args(table)[1]
        return {key: _built(of, v, f"{name}.{key}") for key, v in value.items()}
    hints = typing.get_type_hints(settings)
    dot = f"{name}." if name else ""
    return settings(**{key: _built(hints[key], v, dot + key) for key, v in value.items()})


def _settings_in(kind: Any) -> type[Any] | None:
    """The dataclass that a value of this type may be."""
    return next((cast(type[Any], m) for m in members(kind) if dataclasses.is_dataclass(m)), None)


def _built_list(kind: Any, value: list[Any], name: str) -> list[Any] | tuple[Any, ...]:
    row = next((m for m in members(kind) if typing.get_origin(m) in (list, tuple)), list[Any])
    inner = typing.get_args(row)
    if typing.get_origin(row) is list or Ellipsis in inner:
        items = [_built(inner[0], v, name) for v in value]
        return items if typing.get_origin(row) is list else tuple(items)
    if len(inner) != len(value):
        form = ",".join("…" for _ in inner)
        raise InputError(
            f"expected {len(inner)} values for `{name}`, found {len(value)}; give {name}=[{form}]"
        )
    return tuple(_built(a, v, name) for a, v in zip(inner, value, strict=True))


def _texts(config: type[Any]) -> dict[str, str]:
    """The lines `name: text` or `name, name: text` of the docstring's `Args:` section; continued lines are joined."""
    found: dict[str, str] = {}
    names: list[str] = []
    # Settings that add to others keep those others' lines.
    for base in config.__bases__:
        found |= _texts(base) if dataclasses.is_dataclass(base) else {}
    section = (inspect.getdoc(config) or "").partition("Args:\n")[2]
    for line in section.splitlines():
        if line and not line.startswith(" "):
            break
        head = re.match(r"    (\w+(?:, \w+)*)(?: \([^)]*\))?: (.*)", line)
        if head:
            names = head[1].split(", ")
        text = head[2] if head else line.strip()
        for name in names:
            found[name] = f"{found[name]} {text}".strip() if name in found else text
    return found
