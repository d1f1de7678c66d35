"""`jointwise doctor`: passes here, and says what is wrong where something is."""

import http.server
import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from jointwise.commands import doctor
from jointwise.commands import main as entry
from jointwise.commands.doctor import DoctorConfig
from jointwise.joints import cutting
from jointwise.joints.errors import InputError


def lines(text: str) -> dict[str, str]:
    """First word of each line by the check's name."""
    rows = [line.split(maxsplit=2) for line in text.splitlines()]
    return {row[1]: row[0] for row in rows if row[0] in ("ok", "failed")}


def only(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Run this check alone."""
    monkeypatch.setattr(doctor, "CHECKS", tuple(check for check in doctor.CHECKS if check.name == name))


def test_all_checks_pass_here_and_nothing_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert entry.main(["doctor"]) == 0
    text = capsys.readouterr().out
    assert set(lines(text).values()) == {"ok"}
    assert list(lines(text)) == [check.name for check in doctor.CHECKS]
    assert text.splitlines()[-1] == "next  jointwise demo"
    assert list(tmp_path.iterdir()) == []


def test_self_check_notices_a_wrong_cut(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    only(monkeypatch, "self-check")
    right = cutting.cut
    monkeypatch.setattr(cutting, "cut", lambda *args: np.roll(right(*args), 1, axis=0))
    with pytest.raises(InputError, match=r"1 failed \(self-check\)"):
        doctor.run(DoctorConfig())
    assert "1.0" in capsys.readouterr().out
    monkeypatch.setattr(cutting, "cut", lambda *args: 1.03 * right(*args))
    with pytest.raises(InputError, match="self-check"):
        doctor.run(DoctorConfig())


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_read_only_folder_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    only(monkeypatch, "writing")
    tmp_path.chmod(0o500)
    assert entry.main(["doctor", f"out={tmp_path / 'out'}"]) == 2
    assert "access is not allowed" in capsys.readouterr().out


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a folder nobody may write to")
def test_folder_nobody_can_write_to_is_reported(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    only(monkeypatch, "writing")
    assert entry.main(["doctor", "out=/proc/self/out"]) == 2
    said = capsys.readouterr()
    assert said.out.startswith("failed  writing")
    assert said.err.count("\n") == 1


def test_file_in_place_of_a_folder_is_reported(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    only(monkeypatch, "writing")
    (tmp_path / "out").write_text("a file")
    assert entry.main(["doctor", f"out={tmp_path / 'out'}"]) == 2
    assert "a file stands where a folder is needed" in capsys.readouterr().out


@pytest.fixture
def server() -> Iterator[str]:
    class Healthy(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200 if self.path == "/health" else 404)
            self.end_headers()
            self.wfile.write(b"OK")

        def log_message(self, *_: object) -> None:
            """Keep quiet."""

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Healthy) as running:
        threading.Thread(target=running.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{running.server_port}"
        running.shutdown()


def test_server_that_answers_is_ok(
    server: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    only(monkeypatch, "tracking")
    assert entry.main(["doctor", f"tracking_uri={server}"]) == 0
    assert "answers OK" in capsys.readouterr().out


def test_server_that_accepts_and_never_answers_fails_in_time(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    only(monkeypatch, "tracking")
    with socket.create_server(("127.0.0.1", 0)) as silent:
        uri = f"http://127.0.0.1:{silent.getsockname()[1]}"
        assert entry.main(["doctor", f"tracking_uri={uri}", "timeout_s=0.2"]) == 2
    assert f"expected an MLflow server at {uri}, found no answer within 0.2 s" in capsys.readouterr().out


def test_no_server_is_reported(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    only(monkeypatch, "tracking")
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    assert entry.main(["doctor", f"tracking_uri=http://127.0.0.1:{port}"]) == 2
    assert "found no answer" in capsys.readouterr().out


def test_missing_package_is_reported(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    only(monkeypatch, "versions")
    monkeypatch.setattr(doctor, "_required", lambda: ["no-such-package"])
    assert entry.main(["doctor"]) == 2
    assert "no-such-package" in capsys.readouterr().out
