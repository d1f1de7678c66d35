"""The words of a command line made safe for Hydra: plain values are quoted, unknown keys and choices refused.

Hydra reads `key=value` in a small language of its own, in which a path with a space, a bracket, a comma, a second
`=` or an umlaut is a syntax error or something else than it looks. The settings have types, so we know which values
are plain text: those are quoted here, and mean what they say.
"""

import difflib
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from hydra.core.override_parser.overrides_parser import OverridesParser
from hydra.core.override_parser.types import Quote, QuotedString
from hydra.errors import HydraException

from jointwise.commands import settings_tree as tree
from jointwise.joints.errors import InputError

SHAPE = re.compile(r"(?P<sign>\+\+|\+|~)?(?P<key>[^=@]+)(?P<package>@[^=]*)?(?:=(?P<value>.*))?", re.DOTALL)
QUOTED = re.compile(r"'(?:[^'\\]|\\.)*'|\"(?:[^\"\\]|\\.)*\"", re.DOTALL)
SWEEP_FUNCTION = re.compile(r"(choice|range|interval|glob|shuffle|sort|tag)\(.*\)", re.DOTALL)


class Vocabulary(NamedTuple):
    """What may stand on the command line of one command.

    Args:
        config: its settings dataclass.
        groups: its configuration groups and the choices of each.
    """

    config: type[Any]
    groups: Mapping[str, Sequence[str]]

    def nearest(self, key: str) -> str | None:
        """The known key most like `key`; one that ends with it comes first."""
        known = [k.name for k in tree.keys(self.config)] + list(self.groups)
        for name in known:
            if name.rpartition(".")[2] == key.rpartition(".")[2]:
                return name
        near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
        return near[0] if near else None


def prepare(arguments: Iterable[str], vocabulary: Vocabulary, sweeping: bool) -> list[str]:
    """Overrides that Hydra reads the way the user meant them.

    Args:
        arguments: the words after the command, without flags.
        vocabulary: keys and groups of the command.
        sweeping: with `--multirun` a comma separates values to run in turn; without it a comma is a comma.

    Raises:
        InputError: not `key=value`, an unknown key, an unknown choice, or several values without `--multirun`.
    """
    words = list(arguments)
    if any(word.startswith("hydra.searchpath=") for word in words):
        # Further folders bring further choices, which only Hydra knows; it names them if it must.
        vocabulary = vocabulary._replace(groups=dict.fromkeys(vocabulary.groups, ()))
    return [_prepared(word, vocabulary, sweeping) for word in words]


def _prepared(argument: str, vocabulary: Vocabulary, sweeping: bool) -> str:
    found = SHAPE.fullmatch(argument)
    if found is None or (found["value"] is None and found["sign"] != "~"):
        raise InputError(_not_key_value(argument, vocabulary))
    key, value = found["key"], found["value"]
    head = f"{found['sign'] or ''}{key}{found['package'] or ''}"
    if value is None:
        return head
    if key.split(".")[0].split("/")[0] == "hydra":  # Hydra's own settings are in Hydra's own language
        return argument
    if key in vocabulary.groups:
        _check_choice(key, value, vocabulary.groups[key], sweeping)
        return argument
    kind = tree.type_of(vocabulary.config, key)
    if kind is None:
        raise InputError(_unknown_key(key, vocabulary))
    # The folder of a sweep is one folder: jobs get numbered ones below it.
    return f"{head}={_value(key, value, kind, sweeping and key != 'out')}"


def _not_key_value(argument: str, vocabulary: Vocabulary) -> str:
    near = vocabulary.nearest(argument.lstrip("-+"))
    hint = f"did you mean {near}=…?" if near else "--help lists the keys"
    return f"expected key=value, found '{argument}' on the command line; {hint}"


def _unknown_key(key: str, vocabulary: Vocabulary) -> str:
    near = vocabulary.nearest(key)
    hint = f"did you mean `{near}`?" if near else "--help lists the keys"
    return f"expected a known key, found `{key}` on the command line; {hint}"


def _check_choice(group: str, value: str, choices: Sequence[str], sweeping: bool) -> None:
    if sweeping and SWEEP_FUNCTION.fullmatch(value):
        return
    for choice in value.split(",") if sweeping else [value]:
        # Hydra answers null with a traceback, whatever a group holds.
        if choice == "null" or (choices and choice not in choices):
            known = f"one of {', '.join(choices)}" if choices else "the name of a file of that group"
            raise InputError(f"expected {known} for `{group}`, found '{choice}' on the command line")


def _value(key: str, value: str, kind: Any, sweeping: bool) -> str:
    if sweeping and SWEEP_FUNCTION.fullmatch(value):
        return value
    if tree.takes_text(kind):
        return _text(value, kind, sweeping)
    if tree.takes_texts(kind) and value.startswith("[") and value.endswith("]"):
        return f"[{','.join(quoted(part) for part in split(value[1:-1]))}]"
    return _other(key, value, sweeping)


def _text(value: str, kind: Any, sweeping: bool) -> str:
    if value == "null" and type(None) in tree.members(kind):
        return value
    if sweeping:
        return ",".join(quoted(part) for part in split(value))
    return quoted(value)


def _other(key: str, value: str, sweeping: bool) -> str:
    """A number, a switch or a list: Hydra's own reading; what it cannot read is text, which its type then refuses."""
    try:
        override = OverridesParser.create().parse_override(f"{key}={value}")
    except HydraException:
        return quoted(value)
    if override.is_sweep_override() and not sweeping:
        raise InputError(
            f"expected one value for `{key}`, found '{value}' on the command line; add --multirun to run each in turn"
        )
    return value


def quoted(value: str) -> str:
    """The value between quotes that Hydra takes off again; one that already is between quotes stays as it is."""
    if QUOTED.fullmatch(value):
        return value
    return QuotedString(text=value, quote=Quote.single).with_quotes()


def split(value: str) -> list[str]:
    """Parts between the commas that stand outside quotes, without the spaces around them.

    Example:
        >>> split("a b, 'c,d'")
        ['a b', "'c,d'"]
    """
    parts, mark = [""], ""
    for letter in value:
        if letter == "," and not mark:
            parts.append("")
            continue
        if mark and letter == mark:
            mark = ""
        elif not mark and letter in "'\"" and not parts[-1].strip():
            mark = letter
        parts[-1] += letter
    return [part.strip() for part in parts] if value.strip() else []
