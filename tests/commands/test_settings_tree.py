"""Keys, words and building of settings dataclasses."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from jointwise.commands import settings_tree as tree
from jointwise.joints.errors import InputError


@dataclass(frozen=True)
class Inner:
    """Inner.

    Args:
        sizes: voxels along
            three axes.
        name (text): what it is called.
        low, high: two at once,
            in one line.

    Notes:
        other: not a setting.
    """

    sizes: tuple[int, int, int] = (1, 2, 3)
    name: str | None = None
    other: float = 0.0
    low: int = 0
    high: int = 0


@dataclass(frozen=True)
class Outer:
    """Outer."""

    inner: Inner = field(default_factory=Inner)
    paths: list[Path] = field(default_factory=list)
    ends: tuple[float, ...] = ()
    table: dict[str, int] = field(default_factory=dict)
    perhaps: Inner | None = None
    free: Any = None


def test_keys_walk_into_nested_settings_and_carry_their_texts() -> None:
    found = {key.name: key.text for key in tree.keys(Outer)}
    inner = ["inner.sizes", "inner.name", "inner.other", "inner.low", "inner.high"]
    assert list(found) == [*inner, "paths", "ends", "table", "perhaps", "free"]
    assert found["inner.sizes"] == "voxels along three axes."
    assert found["inner.name"] == "what it is called."
    assert found["inner.low"] == found["inner.high"] == "two at once, in one line."
    assert found["inner.other"] == ""


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("inner", Inner),
        ("inner.name", str | None),
        ("table.anything", int),
        ("perhaps.name", str | None),
        ("free.of.all", Any),
        ("inner.nothing", None),
        ("inner.name.deeper", None),
        ("nothing", None),
    ],
)
def test_type_of_dotted_keys(name: str, kind: Any) -> None:
    assert tree.type_of(Outer, name) == kind


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (int, "whole number"),
        (Path | None, "path or null"),
        (tuple[int, int, int], "list of 3 whole numbers"),
        (tuple[int, str], "list [whole number, text]"),
        (list[float], "list of numbers"),
        (tuple[float, ...], "list of numbers"),
        (dict[str, bool], "table of true or falses"),
    ],
)
def test_types_in_words(kind: Any, words: str) -> None:
    assert tree.words(kind) == words


def test_build_makes_dataclasses_tuples_and_paths() -> None:
    data = {
        "inner": {"sizes": [4, 5, 6], "name": None, "other": 1.0},
        "paths": ["a b", "c"],
        "ends": [1.0, 2.0],
        "table": {"x": 1},
        "perhaps": {"sizes": [7, 8, 9]},
        "free": {"any": [1, "two"]},
    }
    built = tree.build(Outer, data)
    inner, paths = Inner((4, 5, 6), None, 1.0), [Path("a b"), Path("c")]
    assert built == Outer(inner, paths, (1.0, 2.0), {"x": 1}, Inner((7, 8, 9)), data["free"])


def test_wrong_length_is_one_sentence() -> None:
    with pytest.raises(
        InputError, match=r"expected 3 values for `inner.sizes`, found 2; give inner.sizes=\[…,…,…\]"
    ):
        tree.build(Outer, {"inner": {"sizes": [4, 5]}})
