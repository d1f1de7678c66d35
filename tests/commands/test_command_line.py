"""The entry point, mostly as a process of its own: exit codes, one sentence, and a clean folder."""

import inspect
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from jointwise.commands import main as entry
from jointwise.commands.hydra_wrapper import session
from jointwise.commands.registry import COMMANDS, load
from jointwise.joints.errors import InputError

HEAVY = ("torch", "mlflow", "monai", "numba", "matplotlib", "sklearn", "SimpleITK", "pandas", "hydra")


def jointwise(*words: str, cwd: Path, **kwargs: object) -> subprocess.CompletedProcess[str]:
    """Run the command line from a folder."""
    line = [sys.executable, "-m", "jointwise.commands.main", *words]
    return subprocess.run(line, cwd=cwd, capture_output=True, text=True, timeout=120, check=False, **kwargs)  # type: ignore[call-overload,no-any-return]


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["doctro"], "`jointwise doctor`"),
        (["--doctor"], "`jointwise doctor`"),
        (["qqq"], "`jointwise --help`"),
        (["doctor", "--cfg"], "--cfg job"),
        (["doctor", "--verbose"], "'--verbose'"),
        (["doctor", "timeout_s=soon"], "'soon'"),
    ],
)
def test_bad_input_exits_2_with_one_sentence_and_leaves_nothing(
    tmp_path: Path, words: list[str], part: str
) -> None:
    done = jointwise(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("jointwise")
    assert part in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_list_names_every_command_with_an_example(tmp_path: Path) -> None:
    done = jointwise("--help", cwd=tmp_path)
    assert done.returncode == 0
    assert [
        name for name in COMMANDS if f"jointwise {name} {load(name).example}".rstrip() not in done.stdout
    ] == []
    assert jointwise(cwd=tmp_path).stdout == done.stdout


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert entry.main(["--version"]) == 0
    assert capsys.readouterr().out.startswith("jointwise 0.")


def test_listing_is_quick_because_it_loads_nothing_heavy(tmp_path: Path) -> None:
    script = (
        "import sys; from jointwise.commands.main import main; main(['--help']); "
        f"print('LOADED', [m for m in {HEAVY!r} if m in sys.modules])"
    )
    begun = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "LOADED []"
    assert time.monotonic() - begun < 15  # a bound for busy machines; what it loads is the real test


def test_names_of_other_encodings_are_printable(tmp_path: Path) -> None:
    env = {
        **os.environ,
        "LC_ALL": "C",
        "PYTHONUTF8": "0",
        "PYTHONCOERCECLOCALE": "0",
        "PYTHONIOENCODING": "ascii",
    }
    done = jointwise("doctor", "out=Prüf", "--cfg", "job", cwd=tmp_path, env=env)
    assert done.returncode == 0
    assert "Pr" in done.stdout


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no always-full device")
def test_full_disk_behind_standard_output(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        line = [sys.executable, "-m", "jointwise.commands.main", "--help"]
        done = subprocess.run(line, cwd=tmp_path, stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr == (
        "jointwise: expected to read or write the output, but the disk is full: "
        "free some space or choose another folder\n"
    )


def test_reader_that_stops_early_sees_no_traceback(tmp_path: Path) -> None:
    line = f"{sys.executable} -m jointwise.commands.main --help | head -n 1"
    done = subprocess.run(line, shell=True, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.stdout.startswith("jointwise:")
    assert done.stderr == ""


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_composes_and_explains_itself(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    command = load(name)
    assert command.help.endswith(".")
    assert len(inspect.signature(command.run).parameters) == 1
    with session(command) as active:
        assert active.defaults is not None
    assert entry.main([name, "--help"]) == 0
    text = capsys.readouterr().out
    assert f"jointwise {name} {command.example}".rstrip() in text
    undocumented = [line for line in text.splitlines() if line.endswith(": ")]
    assert undocumented == []


@pytest.mark.parametrize("name", ["generate", "audit", "gallery"])
def test_what_is_generated_can_be_audited_and_shown(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert entry.main([name, "family=mixed", "--cfg", "job"]) == 0
    assert "bga_1270" in capsys.readouterr().out


def test_cfg_job_spells_lists_of_paths_as_text(capsys: pytest.CaptureFixture[str]) -> None:
    assert entry.main(["train", "data=here", "more_data=[there,far away]", "--cfg", "job"]) == 0
    assert "more_data:\n- there\n- far away\n" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "line"),
    [
        (["a=1", "-m", "b=2,3"], entry.Line(["a=1", "b=2,3"], multirun=True)),
        (["--cfg", "job", "--resolve"], entry.Line([], cfg="job", resolve=True)),
        (["--cfg=all"], entry.Line([], cfg="all")),
        (["-h"], entry.Line([], help=True)),
    ],
)
def test_flags(words: list[str], line: entry.Line) -> None:
    assert entry.read(words) == line


def test_unknown_part_of_the_configuration() -> None:
    with pytest.raises(InputError, match="found --cfg jobs"):
        entry.read(["--cfg", "jobs"])
