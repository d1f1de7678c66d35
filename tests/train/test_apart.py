"""What only separate processes can show: a kill that nothing catches, a bare installation, eight at once."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from jointwise.train.loop import SPEED

SCRIPT = Path(__file__).with_name("train_apart.py")


def start(
    store: Path, out: Path, tracking: Path | None = None, kill_at: int = 0, blocked: bool = False
) -> subprocess.Popen[str]:
    """Start the script; one thread each, since several run at once."""
    words = [str(store), str(out), str(tracking or "-"), str(kill_at), "blocked" if blocked else "-"]
    environment = os.environ | {"OMP_NUM_THREADS": "1"}
    return subprocess.Popen(
        [sys.executable, "-W", "ignore", str(SCRIPT), *words],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def finish(process: subprocess.Popen[str]) -> str:
    """What it printed; fails with what it complained of."""
    out, err = process.communicate(timeout=500)
    assert process.returncode == 0, err
    return out


def epochs(out: Path) -> list[dict[str, object]]:
    """The lines of a training, less its speed, the one entry that does not repeat."""
    lines = [json.loads(line) for line in (out / "metrics.jsonl").read_text().splitlines()]
    return [{key: value for key, value in line.items() if key != SPEED} for line in lines]


@pytest.mark.slow
def test_killed_in_the_middle_and_gone_on_ends_with_the_same_bits(store: Path, tmp_path: Path) -> None:
    """SIGKILL within the second epoch, two steps after its last checkpoint; without MLflow, Hydra and OmegaConf."""
    finish(start(store, tmp_path / "whole", blocked=True))
    killed = start(store, tmp_path / "killed", kill_at=5)
    killed.communicate(timeout=500)
    assert killed.returncode == -signal.SIGKILL
    assert (tmp_path / "killed" / "checkpoint.safetensors").exists()
    assert not (tmp_path / "killed" / "model").exists()
    finish(start(store, tmp_path / "killed"))
    weights = [tmp_path / name / "model" / "model.safetensors" for name in ("killed", "whole")]
    assert weights[0].read_bytes() == weights[1].read_bytes()
    assert epochs(tmp_path / "killed") == epochs(tmp_path / "whole")


@pytest.mark.slow
def test_eight_at_once_in_one_empty_place_all_succeed(store: Path, tmp_path: Path) -> None:
    """Runs below one folder and one tracking file, neither of which is there yet."""
    root = tmp_path / "sweep"
    processes = [start(store, root / str(i), root / "tracking") for i in range(8)]
    runs = {finish(process).split()[-1] for process in processes}
    assert len(runs) == 8
    for i in range(8):
        assert (root / str(i) / "model" / "card.json").exists()
    folders = {path.name for path in (root / "tracking" / "artefacts").iterdir()}
    assert folders == runs
