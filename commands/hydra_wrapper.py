"""From the words of a command line to settings, by Hydra, without Hydra's habits.

Hydra alone exits 1 on bad input, speaks in several lines, writes `outputs/` into the folder one stands in before our
code runs, and keeps a failed sweep job's traceback to itself. Here a single run composes and calls the command, which
writes its own folder and nothing else; a sweep keeps everything below its `out`.
"""

import functools
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import is_dataclass
from pathlib import Path
from typing import Any, NamedTuple, cast

from hydra import initialize_config_module
from hydra._internal.hydra import Hydra
from hydra.core.config_store import ConfigStore
from hydra.core.global_hydra import GlobalHydra
from hydra.core.hydra_config import HydraConfig
from hydra.core.override_parser.overrides_parser import OverridesParser
from hydra.errors import HydraException, MissingConfigException
from hydra.types import RunMode
from omegaconf import DictConfig, OmegaConf, PathNode, StringNode
from omegaconf.errors import OmegaConfBaseException
from yaml import YAMLError

from jointwise.commands import help_text
from jointwise.commands import settings_tree as tree
from jointwise.commands.failures import BUG, DONE, guarded
from jointwise.commands.overrides import Vocabulary, prepare, quoted
from jointwise.commands.registry import Command
from jointwise.commands.screen import say, show_done
from jointwise.joints.errors import InputError

CONFIGS = "jointwise.configs"


class Session(NamedTuple):
    """One command with Hydra set up for it.

    Args:
        command: the command.
        hydra: Hydra's own object, with our configuration folder as its search path.
        vocabulary: the keys and groups that may stand on the command line.
        defaults: the configuration as composed when the command line is empty.
    """

    command: Command
    hydra: Hydra
    vocabulary: Vocabulary
    defaults: DictConfig


@contextmanager
def session(command: Command) -> Iterator[Session]:
    """Set Hydra up for a command and take it down again; one command's session may stand inside another's."""
    outer = GlobalHydra.instance().hydra
    GlobalHydra.instance().clear()
    try:
        yield from _set_up(command)
    finally:
        GlobalHydra.instance().hydra = outer


def _set_up(command: Command) -> Iterator[Session]:
    store = ConfigStore.instance()
    store.store(group="schema", name=command.name, node=schema(command.config), package="_global_")
    with initialize_config_module(CONFIGS, job_name=command.name, version_base="1.3"):
        hydra = GlobalHydra.instance().hydra
        if hydra is None:
            raise RuntimeError("Hydra did not initialise")
        defaults = hydra.compose_config(command.name, [], RunMode.RUN, with_log_configuration=False)
        yield Session(command, hydra, Vocabulary(command.config, _groups(hydra, defaults)), defaults)


def schema(config: type[Any]) -> DictConfig:
    """The dataclass as Hydra's schema: wrong keys and types are refused, frozen dataclasses can be composed."""
    node: DictConfig = OmegaConf.structured(config)
    _thaw(node)
    return node


def _thaw(node: DictConfig) -> None:
    """Lift the read-only flag of frozen dataclasses, and keep paths as text, which YAML can show."""
    OmegaConf.set_readonly(node, None)
    for key in node:
        child = node._get_node(key)
        if isinstance(child, PathNode):
            text = None if child._value() is None else str(child._value())
            node._set_item_impl(key, StringNode(text, key=key, parent=node, is_optional=child._is_optional()))
        elif isinstance(child, DictConfig) and not child._is_none() and not child._is_missing():
            _thaw(child)


def _groups(hydra: Hydra, composed: DictConfig) -> dict[str, list[str]]:
    """The groups in the command's defaults list and the choices of each."""
    names = [str(group) for group in composed.hydra.runtime.choices]
    return {g: hydra.config_loader.get_group_options(g) for g in names if not g.startswith("hydra/")}


def settings(active: Session, arguments: Sequence[str]) -> Any:
    """The command's settings dataclass for these words of the command line.

    Raises:
        InputError: unknown key or choice, wrong type, a value that must be given is not.
    """
    return _settings(active.command, compose(active, arguments))


def compose(active: Session, arguments: Sequence[str], with_hydra: bool = False) -> DictConfig:
    """The composed configuration, not yet resolved; with Hydra's own part if asked."""
    return _composed(active, _prepared(active, arguments, sweeping=False), with_hydra)


def _prepared(active: Session, arguments: Sequence[str], sweeping: bool) -> list[str]:
    """The words as Hydra reads them, with the choices that they bring along."""
    given = {key: value for key, _, value in (word.partition("=") for word in arguments)}
    brought = [
        f"{group}={choice}"
        for key, choice_of in active.command.implied.items()
        for group, _, choice in [choice_of.partition("=")]
        if given.get(key, "null") != "null" and group not in given
    ]
    return prepare([*brought, *arguments], active.vocabulary, sweeping)


def _composed(active: Session, overrides: list[str], with_hydra: bool = False) -> DictConfig:
    name = active.command.name
    with _in_our_words(active.command, overrides):
        cfg = active.hydra.compose_config(name, overrides, RunMode.RUN, with_log_configuration=False)
    return cfg if with_hydra else OmegaConf.masked_copy(cfg, [str(key) for key in cfg if key != "hydra"])


def _settings(command: Command, cfg: DictConfig) -> Any:
    with _in_our_words(command):
        missing = sorted(OmegaConf.missing_keys(cfg))
        if missing:
            name = missing[0]
            wanted = tree.words(tree.type_of(command.config, name))
            raise InputError(
                f"expected a {wanted} for `{name}`, found none; give {name}=…, as in "
                f"`jointwise {command.name} {command.example}`"
            )
        return tree.build(command.config, plain(cfg))


def plain(cfg: DictConfig) -> dict[str, Any]:
    """The configuration as dictionaries and lists, with interpolations resolved."""
    data = OmegaConf.to_container(cfg, resolve=True)
    if not isinstance(data, dict):
        raise TypeError(f"a composed configuration is a table, not {type(data).__name__}")
    return {str(key): value for key, value in data.items()}


def run(active: Session, arguments: Sequence[str]) -> int:
    """Run the command once and say what it wrote."""
    show_done(active.command.run(settings(active, arguments)))
    return DONE


def explain(active: Session) -> int:
    """Print what the command does, its groups and its keys with the values they have when nothing is given."""
    say(help_text.explain(active.command, active.vocabulary.groups, active.defaults))
    return DONE


def show(active: Session, arguments: Sequence[str], part: str, resolve: bool) -> int:
    """Print the configuration instead of running.

    Args:
        active: the command.
        arguments: words of the command line.
        part: `job`, `hydra` or `all`.
        resolve: whether to fill interpolations in.
    """
    cfg = compose(active, arguments, with_hydra=part != "job")
    if part == "hydra":
        cfg = OmegaConf.masked_copy(cfg, ["hydra"])
    if part != "job" and resolve:
        # What Hydra says of a job once it runs; one run alone is the first.
        cfg.hydra.job.num, cfg.hydra.job.id = 0, "0"
        cfg.hydra.runtime.output_dir = str(cfg.hydra.run.dir)
    with _in_our_words(active.command):
        text = OmegaConf.to_yaml(OmegaConf.create(_as_text(OmegaConf.to_container(cfg, resolve=resolve))))
    say(text.rstrip())
    return DONE


def _as_text(part: Any) -> Any:
    """The same tables and lists with paths as text: in lists YAML would spell them as objects."""
    if isinstance(part, dict):
        return {key: _as_text(value) for key, value in part.items()}
    if isinstance(part, list):
        return [_as_text(value) for value in part]
    return str(part) if isinstance(part, Path) else part


def sweep(active: Session, arguments: Sequence[str]) -> int:
    """Run every combination of the comma-separated values through Hydra's sweeper and launcher.

    Job n gets `out/n` as its folder; Hydra's notes go to `out/sweep`. A job that fails says so at once and the
    others go on; the worst exit code is returned.
    """
    command = active.command
    overrides = _prepared(active, arguments, sweeping=True)
    root = _checked_root(active, overrides)
    ours = [
        f"hydra.sweep.dir={quoted(str(root / 'sweep'))}",
        "hydra.sweep.subdir=${hydra.job.num}",
        "hydra.output_subdir=.",
        "hydra.job.chdir=False",
        "hydra.job.config.override_dirname.exclude_keys=[out]",
        "hydra.mode=MULTIRUN",
        "hydra/job_logging=none",
        "hydra/hydra_logging=none",
    ]
    with _in_our_words(command):
        batches = active.hydra.multirun(
            config_name=command.name,
            task_function=functools.partial(_job, command),
            overrides=[*ours, *overrides],
            with_log_configuration=False,
        )
    codes = [int(job.return_value) for batch in batches for job in batch]
    say(f"{codes.count(DONE)} of {len(codes)} jobs done; what each was given: {root / 'sweep'}")
    return BUG if BUG in codes else max(codes, default=DONE)


def _checked_root(active: Session, overrides: Sequence[str]) -> Path:
    """The folder of the whole sweep, once every value to be run has been tried on its own; nothing is written."""
    if tree.type_of(active.command.config, "out") is None:
        name = active.command.name
        raise InputError(
            f"expected a command that writes to `out`, found --multirun with `{name}`; run it once"
        )
    choices = [_choices(override) for override in overrides]
    first = [values[0] for values in choices]
    settings_ = _settings(active.command, _composed(active, first))
    for place, values in enumerate(choices):
        for value in values[1:]:
            _settings(active.command, _composed(active, [*first[:place], value, *first[place + 1 :]]))
    return Path(settings_.out)


def _choices(override: str) -> list[str]:
    """The overrides a sweep makes of one: itself, or one for each of its values."""
    parsed = OverridesParser.create().parse_override(override)
    if not parsed.is_sweep_override():
        return [override]
    if not parsed.is_discrete_sweep():
        raise InputError(
            f"expected values to run in turn for `{parsed.key_or_group}`, found '{override.partition('=')[2]}'; "
            "separate them by commas or give range(first,end,step)"
        )
    return [f"{parsed.get_key_element()}={value}" for value in parsed.sweep_string_iterator()]


def _job(command: Command, cfg: DictConfig) -> int:
    """One job of a sweep, in whichever process the launcher put it; returns its exit code."""
    job = HydraConfig.get().job

    def work() -> int:
        own = OmegaConf.merge(cfg, {"out": str(Path(str(cfg.out)) / str(job.num))})
        if not isinstance(own, DictConfig):
            raise TypeError("a composed configuration is a table")
        say(f"job {job.num}: {job.override_dirname}")
        show_done(command.run(_settings(command, own)))
        return DONE

    return guarded(work, f"jointwise {command.name}, job {job.num} ({job.override_dirname})")


@contextmanager
def _in_our_words(command: Command, overrides: Iterable[str] = ()) -> Iterator[None]:
    """Turn what Hydra and OmegaConf raise about a configuration into one sentence."""
    try:
        yield
    except (HydraException, OmegaConfBaseException, YAMLError) as failure:
        raise InputError(_sentence(command, overrides, failure)) from failure


def _sentence(command: Command, overrides: Iterable[str], failure: Exception) -> str:
    if isinstance(failure, MissingConfigException) and failure.options:
        group, _, choice = str(failure.missing_cfg_file).rpartition("/")
        return f"expected one of {', '.join(failure.options)} for `{group}`, found '{choice}'"
    cause = _deepest(failure)
    reason, name = _reason_and_key(cause)
    kind = tree.type_of(command.config, name) if name else None
    if kind is None:
        where = f" at `{name}`" if name else ""
        return f"expected a usable configuration, found a fault{where} ({reason}); see --help"
    given = [word.partition("=")[2] for word in overrides if word.partition("=")[0].lstrip("+") == name]
    found = f"{quoted(given[-1])} on the command line" if given else f"something else ({reason})"
    return f"expected {_wanted(kind, name)} for `{name}`, found {found}; see --help"


def _wanted(kind: Any, name: str) -> str:
    if is_dataclass(kind):
        return f"settings such as {next(tree.keys(cast(type[Any], kind), f'{name}.')).name}=…"
    return f"a {tree.words(kind)}"


def _deepest(failure: BaseException) -> BaseException:
    """The OmegaConf error behind a Hydra error: it knows the key."""
    while isinstance(failure.__cause__, HydraException | OmegaConfBaseException):
        failure = failure.__cause__
    return failure


def _reason_and_key(failure: BaseException) -> tuple[str, str]:
    """What OmegaConf says in its first lines, as half a sentence, and the key it names further down."""
    reason, _, rest = str(failure).partition("full_key:")
    words = [line.strip() for line in reason.splitlines() if line.strip()]
    text = " ".join(words).rstrip(".") or type(failure).__name__
    return text[:1].lower() + text[1:], re.split(r"[\s\[]", rest.strip())[0]
