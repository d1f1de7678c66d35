"""Stores side by side: what failed is tried once more, alone; what fails again is named and told."""

import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

COMMAND = """
import os, pathlib, sys, time
name, fails, folder = sys.argv[1], int(sys.argv[2]), pathlib.Path(sys.argv[3])
print(name, "said this")
begun = folder / f"{name}_{time.monotonic_ns()}"
begun.write_text(os.environ.get("CUDA_VISIBLE_DEVICES", ""))
tries = len(list(folder.glob(f"{name}_*")))
time.sleep(0.05)
sys.exit(1 if tries <= fails else 0)
"""
"""In the place of `jointwise`: NAME FAILS FOLDER, fails so many times and leaves a file for each try."""


@pytest.fixture
def stores(script: Callable[[str], ModuleType], monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The script, with a stand-in for the commands that it calls."""
    levers = script("levers")
    monkeypatch.setitem(sys.modules, "levers", levers)
    monkeypatch.setattr(levers, "COMMAND", [sys.executable, "-c", COMMAND])
    return script("make_stores")


def jobs(stores: ModuleType, folder: Path, **fails: int) -> list[object]:
    (folder / "tries").mkdir()
    return [
        stores.Job([name, str(count), str(folder / "tries")], folder / name / "never", folder / f"{name}.log")
        for name, count in fails.items()
    ]


def tries(folder: Path) -> list[str]:
    """Whose tries there were, in their order."""
    files = (folder / "tries").iterdir()
    return [path.name.split("_")[0] for path in sorted(files, key=lambda p: int(p.name.split("_")[1]))]


def test_what_failed_is_tried_once_more_at_the_end(
    stores: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Others are not tried again, and the first log stays beside the second."""
    assert stores.make(jobs(stores, tmp_path, a=1, b=0, c=0), 0, 2) == []
    assert sorted(tries(tmp_path)[:3]) == ["a", "b", "c"]
    assert tries(tmp_path)[3:] == ["a"]
    assert "1 of 3 failed and are tried once more" in capsys.readouterr().out
    assert (tmp_path / "a.log").read_text() == (tmp_path / "a_again.log").read_text() == "a said this\n"
    assert not (tmp_path / "b_again.log").exists()


def test_where_all_went_well_nothing_is_tried_again(
    stores: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One try each."""
    assert stores.make(jobs(stores, tmp_path, a=0, b=0), 0, 1) == []
    assert tries(tmp_path) == ["a", "b"]
    assert "once more" not in capsys.readouterr().out


def test_second_tries_have_a_card_each(
    stores: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As many at once as there are cards, however many there were before."""
    asked = []
    inner = stores.run_all

    def run_all(wanted: list[object], cards: int, at_once: int) -> list[int]:
        asked.append((len(wanted), cards, at_once))
        codes: list[int] = inner(wanted, cards, at_once)
        return codes

    monkeypatch.setattr(stores, "run_all", run_all)
    stores.make(jobs(stores, tmp_path, a=1, b=1, c=1, d=0), 2, 4)
    assert asked == [(4, 2, 8), (3, 2, 2)]
    assert {path.read_text() for path in (tmp_path / "tries").iterdir()} == {"0", "1"}


def test_a_store_that_fails_again_is_named_with_its_log_and_the_exit_code_is_not_zero(
    stores: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The others are made all the same."""
    monkeypatch.setattr(stores, "jobs", lambda *_: jobs(stores, tmp_path, a=2, b=1, c=0))
    monkeypatch.setattr(sys, "argv", ["make_stores.py", "--out", str(tmp_path)])
    with pytest.raises(SystemExit) as ended:
        stores.main()
    # Python prints a text to standard error and exits 1.
    assert ended.value.code == f"{tmp_path / 'a'} could not be made, see {tmp_path / 'a_again.log'}"
    assert sorted(tries(tmp_path)) == ["a", "a", "b", "b", "c"]


def test_where_all_stores_are_made_the_command_ends_as_usual(
    stores: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that was made at the second try counts as made."""
    monkeypatch.setattr(stores, "jobs", lambda *_: jobs(stores, tmp_path, a=1, b=0))
    monkeypatch.setattr(sys, "argv", ["make_stores.py", "--out", str(tmp_path)])
    stores.main()
    assert sorted(tries(tmp_path)) == ["a", "a", "b"]
