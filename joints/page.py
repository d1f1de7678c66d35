"""What all our pages look and work like: the style and the script that go into each, before its own."""

from importlib.resources import files

PACKAGE = "jointwise.joints"


def style(own: str) -> str:
    """The style of a page: what all have, then its own, which may set `--wide`, the width of its text."""
    return f"{_source('page.css')}{own}"


def script(own: str = "") -> str:
    """The script of a page: tables of the class `sortable` sort by their headings; then its own.

    Numbers are sorted from the smallest first, or from the largest where the table says `data-numbers="largest"`.
    """
    return f"{_source('page.js')}{own}"


def _source(name: str) -> str:
    return files(PACKAGE).joinpath(name).read_text(encoding="utf-8")
