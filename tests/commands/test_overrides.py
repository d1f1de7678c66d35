"""The quoting of words for Hydra's grammar, checked against Hydra's own parser."""

from typing import Any

import pytest
from hydra.core.override_parser.overrides_parser import OverridesParser
from hypothesis import given
from hypothesis import strategies as st

from jointwise.commands.overrides import quoted, split


def read_back(word: str) -> Any:
    """What Hydra makes of `key=word`."""
    return OverridesParser.create().parse_override(f"key={word}").value()


@given(st.text(alphabet=st.characters(exclude_categories=("Cs",))))
def test_quoted_text_comes_back_from_hydra(text: str) -> None:
    already = len(text) >= 2 and text[0] == text[-1] and text[0] in "'\""
    if not already:
        assert read_back(quoted(text)) == text


@pytest.mark.parametrize("word", ["'a b'", '"a,b"', "'it\\'s'", "''"])
def test_a_quoted_word_is_left_alone(word: str) -> None:
    assert quoted(word) == word


def test_two_quoted_words_are_not_one() -> None:
    assert read_back(quoted("'a','b'")) == "'a','b'"


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("", []),
        ("a", ["a"]),
        ("a b , ü", ["a b", "ü"]),
        ("'c,d',e", ["'c,d'", "e"]),
        ("it's,so", ["it's", "so"]),
        ("a,,b", ["a", "", "b"]),
    ],
)
def test_split_at_commas_outside_quotes(text: str, parts: list[str]) -> None:
    assert split(text) == parts
