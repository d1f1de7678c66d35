"""The Hydra wrapper: what a user types reaches the command as meant, or is refused in one sentence."""

import enum
import errno
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from hydra.core.config_store import ConfigStore

from jointwise.commands import hydra_wrapper
from jointwise.commands.failures import BAD_INPUT, BUG, DONE
from jointwise.commands.registry import Command
from jointwise.commands.screen import Done
from jointwise.joints.errors import InputError


class Colour(enum.Enum):
    """Two choices of a key."""

    black = 1
    white = 2


@dataclass(frozen=True)
class Solver:
    """A nested part.

    Args:
        steps: how many.
        rate: how fast.
        window: from and to.
    """

    steps: int = 10
    rate: float = 0.5
    window: tuple[float, float] = (0.0, 1.0)

    def __post_init__(self) -> None:
        if self.rate <= 0:
            raise InputError(f"expected a positive solver.rate, found {self.rate}; give a larger one")


@dataclass(frozen=True)
class ProbeConfig:
    """Settings with one key of each type.

    Args:
        data: required path.
        out: folder of the results.
    """

    data: Path
    out: Path = Path("out/probe")
    title: str = "none"
    resume: Path | None = None
    inputs: list[str] = field(default_factory=list)
    limits: dict[str, float] = field(default_factory=lambda: {"low": 1.0})
    colour: Colour = Colour.black
    fast: bool = False
    solver: Solver = field(default_factory=Solver)


class Probe:
    """A command that remembers the settings it was run with."""

    def __init__(self) -> None:
        self.seen: list[ProbeConfig] = []
        self.fail: dict[int, BaseException] = {}

    def run(self, cfg: ProbeConfig) -> Done:
        self.seen.append(cfg)
        if cfg.solver.steps in self.fail:
            raise self.fail[cfg.solver.steps]
        return Done([cfg.out / "result.csv"], "jointwise probe --help")


@pytest.fixture(scope="module")
def one_probe() -> Probe:
    return Probe()


@pytest.fixture
def probe(one_probe: Probe) -> Probe:
    one_probe.seen, one_probe.fail = [], {}
    return one_probe


@pytest.fixture(scope="module")
def active(one_probe: Probe) -> Iterator[hydra_wrapper.Session]:
    store = ConfigStore.instance()
    store.store(group="speed", name="slow", node={"solver": {"steps": 1000}}, package="_global_")
    store.store(group="speed", name="quick", node={"solver": {"steps": 2}}, package="_global_")
    store.store(group="speed", name="faulty", node={"solver": {"stepz": 2}}, package="_global_")
    defaults = ["schema/probe", {"speed": "quick"}, {"recipe": None}, "_self_"]
    store.store(name="probe", node={"defaults": defaults})
    command = Command("probe", "A probe.", "data=here", ProbeConfig, one_probe.run)
    with hydra_wrapper.session(command) as session:
        yield session


def given(active: hydra_wrapper.Session, *words: str) -> Any:
    """Settings for these words; `data` is filled in where the test is not about it."""
    filled = words if any(w.startswith("data=") for w in words) else ("data=here", *words)
    return hydra_wrapper.settings(active, filled)


HOSTILE = [
    "/data/my boards/scan 1",
    "/data/[old] boards (2)/{x}",
    "a,b,c",
    "k=v=w",
    "Prüfling/Löt-Ströme/ß",
    "日本語/ボード",
    'it\'s "quoted"',
    "back\\slash\\",
    "~/home, sweet",
    "#no comment: really; & | < > * ? ! % ^ @ +",
    " leading and trailing ",
    "true",
    "12",
    "1e3",
    "null",
    "[1,2]",
    "{a:1}",
    "choice(a,b)",
    "tab\tand\nnewline",
    "it's",
    "'",
]


@pytest.mark.parametrize("path", HOSTILE)
def test_plain_paths_mean_what_they_say(active: hydra_wrapper.Session, path: str) -> None:
    assert given(active, f"data={path}").data == Path(path)


@pytest.mark.parametrize("text", HOSTILE)
def test_plain_texts_mean_what_they_say(active: hydra_wrapper.Session, text: str) -> None:
    assert given(active, f"title={text}").title == text


def test_quotes_of_hydra_still_work(active: hydra_wrapper.Session) -> None:
    assert given(active, "title='null'").title == "null"


def test_list_of_paths_with_spaces_and_commas(active: hydra_wrapper.Session) -> None:
    assert given(active, "inputs=[/a b/ü, 'c,d', e=f]").inputs == ["/a b/ü", "c,d", "e=f"]
    assert given(active, "inputs=[]").inputs == []


def test_values_of_every_type(active: hydra_wrapper.Session) -> None:
    cfg = given(
        active,
        "solver.steps=7",
        "solver.window=[1,2.5]",
        "colour=white",
        "fast=true",
        "limits.low=3",
        "+limits.high=9",
    )
    assert cfg.solver == Solver(7, 0.5, (1.0, 2.5))
    assert isinstance(cfg.solver.window, tuple)
    assert cfg.colour is Colour.white
    assert cfg.fast is True
    assert cfg.limits == {"low": 3.0, "high": 9.0}


def test_null_is_none_only_where_none_is_allowed(active: hydra_wrapper.Session) -> None:
    assert given(active, "resume=null").resume is None
    assert given(active, "title=null").title == "null"


def test_interpolation_still_works(active: hydra_wrapper.Session) -> None:
    assert given(active, "data=my boards", "title=${data}/x").title == "my boards/x"


def test_group_choice_and_key_on_top_of_it(active: hydra_wrapper.Session) -> None:
    assert given(active).solver.steps == 2
    assert given(active, "speed=slow").solver.steps == 1000
    assert given(active, "speed=slow", "solver.steps=5").solver.steps == 5


@pytest.mark.parametrize(
    ("word", "parts"),
    [
        ("solver.stepz=3", ["`solver.stepz`", "`solver.steps`"]),
        ("steps=3", ["`steps`", "`solver.steps`"]),
        ("sped=slow", ["`sped`", "`speed`"]),
        ("+new=1", ["`new`"]),
        ("qqqqqq=1", ["`qqqqqq`", "--help"]),
        ("solver.steps=many", ["whole number", "`solver.steps`", "'many'"]),
        ("solver.steps=1.5", ["whole number", "`solver.steps`", "'1.5'"]),
        ("solver.steps=", ["whole number", "`solver.steps`", "''"]),
        ("solver.rate=[1", ["number", "`solver.rate`", "'[1'"]),
        ("solver.window=[1,2,3]", ["2 values", "`solver.window`", "found 3"]),
        ("solver.window=[1,x]", ["`solver.window`", "'[1,x]'"]),
        ("solver=3", ["`solver`", "solver.steps="]),
        ("fast=maybe", ["true or false", "`fast`", "'maybe'"]),
        ("colour=green", ["black|white", "`colour`", "'green'"]),
        ("speed=warp", ["quick", "slow", "`speed`", "'warp'"]),
        ("speed=null", ["quick", "slow", "`speed`", "'null'"]),
        ("speed=slow,quick", ["`speed`", "'slow,quick'"]),
        ("solver.steps=1,2", ["`solver.steps`", "--multirun"]),
        ("solver.rate=-1", ["positive solver.rate", "-1"]),
        ("out=", ["path", "`out`"]),
        ("limits.high=9", ["limits.high"]),
        ("speed=faulty", ["stepz"]),
        ("title=${nowhere}", ["nowhere"]),
        ("justaword", ["key=value", "'justaword'"]),
        ("hydra.nothing=1", ["hydra.nothing"]),
        ("hydra/launcher=carrier_pigeon", ["carrier_pigeon", "basic"]),
        ("=3", ["key=value"]),
        ("data=???", ["`data`"]),
    ],
)
def test_bad_words_are_one_sentence(active: hydra_wrapper.Session, word: str, parts: Sequence[str]) -> None:
    with pytest.raises(InputError) as caught:
        given(active, word)
    text = str(caught.value)
    assert text.startswith("expected ")
    assert "\n" not in text
    assert [part for part in parts if part not in text] == []


@pytest.mark.parametrize("words", [["speed=slow,null"], ["speed=null", "hydra.searchpath=[file://x]"]])
def test_a_sweep_over_no_choice_is_one_sentence(active: hydra_wrapper.Session, words: list[str]) -> None:
    with pytest.raises(InputError, match="for `speed`, found 'null'"):
        hydra_wrapper.sweep(active, words)


@pytest.fixture
def recipes(tmp_path: Path) -> str:
    """A user's own configuration folder, as the override that names it."""
    folder = tmp_path / "my configs" / "recipe"
    folder.mkdir(parents=True)
    (folder / "mine.yaml").write_text(
        "# @package _global_\ndefaults:\n  - override /speed: slow\ntitle: my own\n"
    )
    (folder / "typo.yaml").write_text("# @package _global_\nsolver:\n  step: 3\n")
    (folder / "wrong.yaml").write_text("# @package _global_\nsolver:\n  steps: many\n")
    (folder / "broken.yaml").write_text("# @package _global_\nsolver: [1\n")
    return f"hydra.searchpath=['file://{folder.parent}']"


def test_own_folder_of_recipes(active: hydra_wrapper.Session, recipes: str) -> None:
    cfg = given(active, recipes, "recipe=mine")
    assert (cfg.title, cfg.solver.steps) == ("my own", 1000)


@pytest.mark.parametrize(
    ("choice", "parts"),
    [
        ("typo", ["solver.step", "recipe/typo"]),
        ("wrong", ["whole number", "`solver.steps`", "many"]),
        ("broken", ["recipe/broken.yaml", "line 3"]),
        ("none", ["mine", "typo", "`recipe`", "'none'"]),
    ],
)
def test_faults_in_a_recipe_are_one_sentence(
    active: hydra_wrapper.Session, recipes: str, choice: str, parts: list[str]
) -> None:
    with pytest.raises(InputError) as caught:
        given(active, recipes, f"recipe={choice}")
    assert [part for part in parts if part not in str(caught.value)] == []
    assert "\n" not in str(caught.value)


def test_required_key_is_asked_for_with_an_example(active: hydra_wrapper.Session) -> None:
    with pytest.raises(
        InputError, match=r"expected a path for `data`, found none; .* `jointwise probe data=here`"
    ):
        hydra_wrapper.settings(active, [])


def test_run_says_what_it_wrote_and_what_is_next(
    active: hydra_wrapper.Session, probe: Probe, capsys: pytest.CaptureFixture[str]
) -> None:
    assert hydra_wrapper.run(active, ["data=here", "out=my [out]"]) == DONE
    assert capsys.readouterr().out.splitlines() == [
        "wrote my [out]/result.csv",
        "next  jointwise probe --help",
    ]
    assert probe.seen[0].out == Path("my [out]")


def test_single_run_writes_nothing_itself(
    active: hydra_wrapper.Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    hydra_wrapper.run(active, ["data=here"])
    assert list(tmp_path.iterdir()) == []


def test_cfg_job_prints_readable_yaml_and_does_not_run(
    active: hydra_wrapper.Session, probe: Probe, capsys: pytest.CaptureFixture[str]
) -> None:
    assert hydra_wrapper.show(active, ["solver.steps=5"], "job", resolve=False) == DONE
    text = capsys.readouterr().out
    assert "data: ???" in text
    assert "steps: 5" in text
    assert "out: out/probe" in text
    assert "!!python" not in text
    assert "hydra:" not in text
    assert probe.seen == []


@pytest.mark.parametrize("part", ["all", "hydra"])
def test_hydras_own_part_is_shown_with_everything_filled_in(
    part: str, active: hydra_wrapper.Session, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its notes of a job, which only a run fills in, are those of a first one."""
    assert hydra_wrapper.show(active, ["data=here"], part, resolve=True) == DONE
    text = capsys.readouterr().out
    assert "hydra:" in text
    assert "${" not in text
    assert ("data: here" in text) == (part == "all")


def test_help_shows_group_choices_defaults_and_texts(
    active: hydra_wrapper.Session, capsys: pytest.CaptureFixture[str]
) -> None:
    hydra_wrapper.explain(active)
    text = capsys.readouterr().out
    assert "jointwise probe data=here" in text
    assert "speed=faulty|quick|slow" in text
    assert "data=…  (path)\n      required path." in text
    assert (
        "solver.steps=2  (whole number)\n      how many." in text
    )  # the group's default, not the dataclass's
    assert "colour=black  (black|white)" in text


def test_sweep_runs_every_combination_below_out(
    active: hydra_wrapper.Session, probe: Probe, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    out = tmp_path / "Läufe [1], a=b"
    words = [f"out={out}", "data=here", "solver.steps=1,2", "title=a b,ü", "speed=slow,quick"]
    assert hydra_wrapper.sweep(active, words) == DONE
    assert [(c.solver.steps, c.title) for c in probe.seen] == [
        (1, "a b"), (1, "a b"), (1, "ü"), (1, "ü"), (2, "a b"), (2, "a b"), (2, "ü"), (2, "ü"),
    ]  # fmt: skip
    assert [c.out for c in probe.seen] == [out / str(i) for i in range(8)]
    assert list(elsewhere.iterdir()) == []
    assert [p.name for p in out.iterdir()] == ["sweep"]


def test_sweep_with_hydras_own_functions(active: hydra_wrapper.Session, probe: Probe, tmp_path: Path) -> None:
    words = [f"out={tmp_path}", "data=here", "solver.steps=range(3,6)", "title=choice(a,b)"]
    assert hydra_wrapper.sweep(active, words) == DONE
    assert sorted({(c.solver.steps, c.title) for c in probe.seen}) == [
        (s, t) for s in (3, 4, 5) for t in "ab"
    ]


def test_failed_sweep_job_shows_its_traceback_and_the_others_go_on(
    active: hydra_wrapper.Session, probe: Probe, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    probe.fail = {1: ZeroDivisionError("a bug"), 2: InputError("expected this, found that")}
    code = hydra_wrapper.sweep(active, [f"out={tmp_path}", "data=here", "solver.steps=1,2,3"])
    err = capfd.readouterr().err
    assert code == BUG
    assert [c.solver.steps for c in probe.seen] == [1, 2, 3]
    assert "ZeroDivisionError: a bug" in err
    assert "raise self.fail" in err
    assert "jointwise probe, job 1 (data='here',solver.steps=2): expected this, found that\n" in err


def test_sweep_of_bad_input_only_exits_2(active: hydra_wrapper.Session, probe: Probe, tmp_path: Path) -> None:
    probe.fail = {2: OSError(errno.ENOSPC, "No space left on device", "x")}
    assert hydra_wrapper.sweep(active, [f"out={tmp_path}", "data=here", "solver.steps=1,2"]) == BAD_INPUT


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["solver.steps=1,many"], "'many'"),
        (["solver.rate=1,-1"], "positive solver.rate"),
        (["solver.steps=interval(1,3)"], "`solver.steps`"),
        (["speed=slow,warp"], "'warp'"),
        (["solver.stepz=1,2"], "`solver.steps`"),
    ],
)
def test_bad_sweeps_are_refused_before_anything_is_written(
    active: hydra_wrapper.Session,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    part: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError) as caught:
        hydra_wrapper.sweep(active, ["data=here", *words])
    assert part in str(caught.value)
    assert list(tmp_path.iterdir()) == []
