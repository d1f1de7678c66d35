"""Entry point of `jointwise`: reads the command and its flags, hands the rest to the command."""

import io
import logging
import os
import sys
from collections.abc import Sequence
from importlib.metadata import version
from typing import NamedTuple

from jointwise.commands.failures import DONE, guarded
from jointwise.commands.registry import COMMANDS, load, load_all
from jointwise.commands.screen import say
from jointwise.joints.errors import InputError

# Before anything loads torch: its threads otherwise spin while they wait, which on a machine with other work makes
# two threads several times slower than one.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")

CFG_PARTS = ("job", "hydra", "all")


class Line(NamedTuple):
    """A command line taken apart.

    Args:
        overrides: the words that are not flags.
        help: `--help`.
        multirun: `--multirun`.
        cfg: part of the configuration to print instead of running; empty to run.
        resolve: `--resolve`, with `--cfg`.
    """

    overrides: list[str]
    help: bool = False
    multirun: bool = False
    cfg: str = ""
    resolve: bool = False


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit code: 0 done, 2 bad input, 1 a bug of ours."""
    words = list(sys.argv[1:] if argv is None else argv)
    _be_robust()
    known = words[:1] if words and words[0] in COMMANDS else []
    return guarded(lambda: _dispatch(words), " ".join(["jointwise", *known]))


def _be_robust() -> None:
    """Print file names of any encoding, and warnings of libraries but not their chatter."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    logging.basicConfig(level=logging.WARNING, format="%(name)s: %(message)s")


def _dispatch(words: Sequence[str]) -> int:
    if not words or words[0] in ("--help", "-h", "help"):
        _list_commands()
        return DONE
    if words[0] == "--version":
        say(f"jointwise {version('jointwise')}")
        return DONE
    command = load(words[0])
    line = read(words[1:])
    # Only now: listing the commands must not wait for Hydra.
    from jointwise.commands import hydra_wrapper

    with hydra_wrapper.session(command) as active:
        if line.help:
            return hydra_wrapper.explain(active)
        if line.cfg:
            return hydra_wrapper.show(active, line.overrides, line.cfg, line.resolve)
        if line.multirun:
            return hydra_wrapper.sweep(active, line.overrides)
        return hydra_wrapper.run(active, line.overrides)


def read(words: Sequence[str]) -> Line:
    """Take the words after the command apart.

    Raises:
        InputError: an unknown flag, or `--cfg` without a part to print.
    """
    line = Line([])
    rest = iter(words)
    for word in rest:
        if word in ("--help", "-h"):
            line = line._replace(help=True)
        elif word in ("--multirun", "-m"):
            line = line._replace(multirun=True)
        elif word == "--resolve":
            line = line._replace(resolve=True)
        elif word in ("--cfg", "-c") or word.startswith("--cfg="):
            line = line._replace(cfg=_cfg_part(word.partition("=")[2] or next(rest, "")))
        elif word.startswith("-"):
            raise InputError(
                f"expected --help, --multirun, --cfg job or --resolve, found '{word}'; settings are key=value"
            )
        else:
            line.overrides.append(word)
    return line


def _cfg_part(part: str) -> str:
    if part not in CFG_PARTS:
        raise InputError(f"expected --cfg job, hydra or all, found --cfg {part or 'alone'}")
    return part


def _list_commands() -> None:
    say("jointwise: find defective solder joints under ball grid arrays in X-ray CT\n")
    say("  jointwise COMMAND key=value …      for example: jointwise doctor")
    say("  jointwise COMMAND --help           its keys, with an example\n")
    for command in load_all():
        say(f"  {command.name:<10} {command.help}")
        say(f"  {'':<10} jointwise {command.name} {command.example}".rstrip())
    say("\nExit code: 0 done, 2 something you gave is unusable (one sentence says what), 1 a bug of ours.")


if __name__ == "__main__":
    sys.exit(main())
