"""Stored results of the reference packages and the module that makes them."""

import importlib.metadata
import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).parent


@pytest.fixture(scope="session")
def reference():
    """The module tests/outside/make_reference.py: cases, and functions that ask the reference packages."""
    spec = importlib.util.spec_from_file_location("make_reference", HERE / "make_reference.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def live(reference):
    """A function that asks a reference package for one result, or skips the test where it is not installed.

    In a process of its own: itk's libraries crash beside numba's.
    """

    def ask(name):
        package = reference.RESULTS[name][0]
        try:
            importlib.metadata.version(package)
        except importlib.metadata.PackageNotFoundError:
            pytest.skip(f"needs {package}, of the extra `reference`")
        command = [sys.executable, str(HERE / "make_reference.py"), name]
        return json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)

    return ask


@pytest.fixture(scope="session")
def stored():
    """A function that reads one stored result."""

    def read(name, array=True):
        values = json.loads((HERE / "stored" / name).read_text(encoding="utf-8"))["values"]
        return np.asarray(values) if array else values

    return read
