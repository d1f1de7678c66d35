"""Which commands there are, in the order they are listed; each is one module of this room.

A command is a module `commands/NAME.py` with `HELP` (one line), `EXAMPLE` (the arguments of one call),
`CONFIG` (its dataclass) and `run(cfg) -> Done`, a file `configs/NAME.yaml` that says
which groups it composes, and its name in `COMMANDS` below.
"""

import difflib
import importlib
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, NamedTuple

from jointwise.commands.screen import Done
from jointwise.joints.errors import InputError

COMMANDS = (
    "demo", "generate", "verify", "audit", "gallery", "train", "register", "evaluate", "compare", "observe",
    "sets", "labels", "score", "paint", "quality", "doctor",
)  # fmt: skip


class Command(NamedTuple):
    """What the entry point needs to know of a command.

    Args:
        name: what one types after `jointwise`.
        help: one line for the list.
        example: arguments of one call that works as it stands.
        config: dataclass of all its settings.
        run: does the work; gets an instance of `config`.
        implied: keys that, once given a value, bring a choice of a group along where the user makes none.
    """

    name: str
    help: str
    example: str
    config: type[Any]
    run: Callable[[Any], Done]
    implied: Mapping[str, str] = MappingProxyType({})


def load(name: str) -> Command:
    """The command of that name.

    Raises:
        InputError: no such command; names the nearest.
    """
    if name not in COMMANDS:
        near = difflib.get_close_matches(name, COMMANDS, n=1, cutoff=0.5)
        hint = f"did you mean `jointwise {near[0]}`?" if near else "`jointwise --help` explains them"
        raise InputError(f"expected one of the commands {', '.join(COMMANDS)}, found '{name}'; {hint}")
    module = importlib.import_module(f"jointwise.commands.{name}")
    implied = getattr(module, "IMPLIED", {})
    return Command(name, module.HELP, module.EXAMPLE, module.CONFIG, module.run, implied)


def load_all() -> list[Command]:
    """Every command, in the order they are listed."""
    return [load(name) for name in COMMANDS]
