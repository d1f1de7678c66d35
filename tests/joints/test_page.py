"""What all pages share comes first, so that a page's own style and script may differ."""

from jointwise.joints.page import script, style


def test_its_own_comes_after_what_all_have() -> None:
    assert style("b { color: red; }").endswith("b { color: red; }")
    assert style("x").index("--accent:") < style("x").index("max-width: var(--wide)")
    assert script("last();").startswith('"use strict";')
    assert script("last();").endswith("last();")
    assert script() in script("last();")


def test_every_colour_and_width_that_is_used_is_set() -> None:
    used = {part.partition(")")[0] for part in style("").split("var(")[1:]}
    assert used
    assert {name for name in used if f"{name}:" not in style("")} == set()


def test_the_script_asks_the_table_which_numbers_come_first() -> None:
    assert 'dataset.numbers === "largest"' in script()
