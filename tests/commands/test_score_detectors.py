"""What `jointwise score` says of detectors it cannot use."""

from pathlib import Path

import pytest

from jointwise.commands.main import main


def test_novelty_does_not_score_scans(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["score", f"scan={tmp_path / 'board.mha'}", "detectors=[novelty]", f"out={tmp_path / 'out'}"]
    assert main(words) == 2
    assert "found novelty, which names no kind of fault" in capsys.readouterr().err
