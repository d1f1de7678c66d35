"""Scripts of bench/transfer (and beside it) as modules: they belong to no room and are called by hand."""

import importlib.util
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

SCRIPTS = Path(__file__).parents[2] / "bench" / "transfer"


def module_of(name: str) -> ModuleType:
    """The script of that name, loaded anew."""
    spec = importlib.util.spec_from_file_location(f"bench_{name}", SCRIPTS / f"{name}.py")
    if spec is None or spec.loader is None:
        raise FileNotFoundError(name)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def script() -> Callable[[str], ModuleType]:
    """`script("ship")` is bench/transfer/ship.py."""
    return module_of
