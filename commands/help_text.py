"""The text of `jointwise COMMAND --help`: what it does, an example, its groups and its keys."""

import enum
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from omegaconf import DictConfig, ListConfig, OmegaConf

from jointwise.commands import settings_tree as tree
from jointwise.commands.registry import Command

WIDTH = 110
FLAGS = """\
Flags
  --multirun   run every combination of comma-separated values: key=1,2 other=a,b
  --cfg job    print the configuration and stop
  --help       this text"""


def explain(command: Command, groups: Mapping[str, Sequence[str]], defaults: DictConfig) -> str:
    """Everything one needs to call the command.

    Args:
        command: the command.
        groups: its configuration groups and the choices of each.
        defaults: its configuration when the command line is empty.
    """
    parts = [
        f"jointwise {command.name}: {command.help}",
        f"Example\n  jointwise {command.name} {command.example}".rstrip(),
    ]
    if groups:
        parts.append("Groups (group=choice)\n" + "\n".join(_group(*item) for item in groups.items()))
    rows = "\n".join(_row(key, defaults) for key in tree.keys(command.config))
    parts += [f"Keys (key=value; values are plain text, paths may contain anything)\n{rows}", FLAGS]
    return "\n\n".join(parts)


def _group(name: str, choices: Sequence[str]) -> str:
    return textwrap.fill(f"{name}={'|'.join(choices)}", WIDTH, initial_indent="  ", subsequent_indent="    ")


def _row(key: tree.Key, defaults: DictConfig) -> str:
    value = OmegaConf.select(defaults, key.name, throw_on_missing=False, default="…")
    head = f"  {key.name}={_shown(value)}  ({tree.words(key.type)})"
    if not key.text:
        return head
    text = textwrap.fill(key.text, WIDTH, initial_indent="      ", subsequent_indent="      ")
    return f"{head}\n{text}"


def _shown(value: Any) -> str:
    """A value as one would type it."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, enum.Enum):
        return value.name
    if isinstance(value, ListConfig):
        return f"[{','.join(_shown(item) for item in value)}]"
    return str(value)
