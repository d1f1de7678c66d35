"""The examples in the docstrings of every room are true."""

import doctest
import importlib
import pkgutil

import pytest

ROOMS = ("joints", "data_gen", "models", "evaluation", "train", "scoring", "commands")


@pytest.mark.parametrize("room", ROOMS)
def test_docstring_examples(room: str) -> None:
    package = importlib.import_module(f"jointwise.{room}")
    names = [found.name for found in pkgutil.walk_packages(package.__path__, f"jointwise.{room}.")]
    results = [doctest.testmod(importlib.import_module(name)) for name in names]
    assert sum(result.failed for result in results) == 0
