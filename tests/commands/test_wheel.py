"""What is in the wheel: the rooms and their configuration, never the tests."""

import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from jointwise.models.names import SHIPPED_NAME

ROOT = Path(__file__).parents[2]
ROOMS = ("configs", "joints", "data_gen", "models", "evaluation", "train", "scoring", "commands")


@pytest.mark.slow
def test_wheel_holds_rooms_and_configs_and_no_tests(tmp_path: Path) -> None:
    source = tmp_path / "source"
    source.mkdir()
    for name in (*ROOMS, "tests"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    first = source / "models" / SHIPPED_NAME
    if not first.exists():  # no network comes with this copy: stand-ins show that one would go along
        first.mkdir()
        for name in ("card.json", "model.safetensors"):
            (first / name).write_text("stand-in")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source / name)
    line = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "--no-deps",
        "--quiet",
        "--wheel-dir",
        str(tmp_path),
        str(source),
    ]
    subprocess.run(line, check=True)
    (wheel,) = tmp_path.glob("jointwise-*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    outside = {n for n in names if not n.startswith("jointwise/") and ".dist-info/" not in n}
    assert outside == set()
    assert [n for n in names if "test" in Path(n).name and n.endswith(".py")] == []
    data = (".csv", ".json")
    wanted = {
        f"jointwise/{path.relative_to(source)}"
        for room in ROOMS
        for path in (source / room).rglob("*")
        if path.suffix in {".py", ".yaml", ".j2", ".css", ".js"}
        or (room == "data_gen" and path.suffix in data)
        or path.parent == first
    }
    assert wanted - names == set()
    assert "jointwise/__init__.py" not in names  # a namespace: nothing at the top to shadow or be shadowed
