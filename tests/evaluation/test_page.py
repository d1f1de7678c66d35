"""The page: everything is on it, nothing is fetched, no name of a user's can break it, and it can be sorted."""

import re
from datetime import datetime
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure as Canvas

from jointwise.evaluation.pictures.svg import to_svg
from jointwise.evaluation.report.cautions import CAUTIONS
from jointwise.evaluation.report.page import Facts, Head, Part, numbers_of, page_html, write_page
from jointwise.evaluation.report.section import Column, Figure, Grid, Paragraph, Section

HOSTILE = "\"'><script>alert(1)</script>&<img src=http://x onerror=y>{{ 7*7 }}]]>"
PNG = b"\x89PNG\r\n\x1a\nnot looked into"


def drawing(word: str = "0.5 of 20") -> str:
    canvas = Canvas(figsize=(2, 1))
    axes = canvas.add_axes((0.2, 0.2, 0.7, 0.7))
    axes.plot([0, 1], [0, 1], marker="o", clip_on=True)
    axes.set_title(word)
    return to_svg(canvas)


def grid(stem: str = "per_kind") -> Grid:
    frame = pd.DataFrame(
        {
            "kind": ["void", "bridging", "non-wet"],
            "recall": [0.95, np.nan, 0.5],
            "n": [1200, 0, 3],
            "p": [0.0001, np.nan, 0.2],
        }
    ).assign(recall_low=[0.9, np.nan, 0.25], recall_high=[0.98, np.nan, 0.75], machine=1)
    columns = [
        Column("kind", "kind"),
        Column("recall", "recall", "rate"),
        Column("n", "joints", "count"),
        Column("p", "p", "p"),
    ]
    return Grid(frame, columns, f"Recall by kind ({stem}), Wilson.", stem)


def section(anchor: str = "measures", stem: str = "per_kind") -> Section:
    blocks = [
        Paragraph("Plain words."),
        Paragraph(f"Finding of {anchor}.", "finding"),
        Paragraph(f"Warning of {anchor}.", "warning"),
        grid(stem),
        Figure(drawing(), "A curve, n = 20.", "a rising line"),
        Figure(PNG, "One joint.", "three slices"),
        Figure(PNG, "Another joint.", "three slices more"),
    ]
    return Section(f"Title of {anchor}", anchor, blocks, {f"{anchor}/recall": 0.95})


def head(word: str = "demo") -> Head:
    return Head(
        f"Evaluation of {word}", f"Two detectors on {word}.", datetime(2030, 1, 2, 3, 4), "0.0 (word)",
        [f"From {word}."], [Facts("Sets", [("set", word)])],
    )  # fmt: skip


class Page(HTMLParser):
    """Every tag with its attributes, every text, and whether tags close."""

    VOID = frozenset(("meta", "img", "br", "link", "input"))

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.open: list[str] = []
        self.texts: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attributes for name, attributes in self.tags if name == tag]


def test_tags_close_and_anchors_are_met_once() -> None:
    page = Page(page_html(head(), [Part("a", [section()]), Part("b", [section()])], CAUTIONS))
    assert page.open == []
    names = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(names) == len(set(names))
    links = {a["href"].removeprefix("#") for a in page.all("a")}
    assert links <= set(names)
    assert {"settled", "measures-a", "measures-b", "cautions"} <= links


def test_nothing_is_fetched_from_anywhere() -> None:
    page = Page(page_html(head(), [Part("", [section()])], CAUTIONS))
    asked = [
        attributes[name]
        for _, attributes in page.tags
        for name in ("src", "href", "xlink:href", "action", "data")
        if name in attributes
    ]
    assert len(asked) > 3
    assert [link for link in asked if not link.startswith(("#", "data:image/png;base64,"))] == []
    assert page.all("link") == page.all("iframe") == []
    styles = "".join(text for text in page.texts if "{" in text)
    assert "@import" not in styles
    assert re.findall(r"url\((?!#)", styles) == []
    assert len(page.all("script")) == 1


def test_every_block_is_there_in_its_order() -> None:
    html = page_html(head(), [Part("", [section("measures"), section("pod", "pod")])], CAUTIONS)
    order = [
        'id="settled"', "Finding of measures.", "Finding of pod.", "Contents", 'id="judged"', 'id="measures"',
        "Plain words.",
        "Warning of measures.", "Recall by kind (per_kind)", "A curve, n = 20.", "One joint.", "Another joint.",
        'id="pod"', "Warning of pod.", "Recall by kind (pod)", 'id="cautions"', CAUTIONS[0][:40], CAUTIONS[-1][:40],
    ]  # fmt: skip
    start = 0
    for words in order:
        assert words in html[start:], words
        start = html.index(words, start)
    page = Page(html)
    assert len(page.all("table")) == len(page.all("svg")) == 2
    assert [image["alt"] for image in page.all("img")] == ["three slices", "three slices more"] * 2
    assert [svg["aria-label"] for svg in page.all("svg")] == ["a rising line"] * 2


def test_findings_stand_at_the_top_with_a_link_and_a_shape() -> None:
    html = page_html(head(), [Part("", [section("measures")])], CAUTIONS)
    top = html[html.index('id="settled"') : html.index('id="measures"')]
    assert 'href="#measures"' in top
    assert "Finding of measures." in top
    assert "◆" in top
    assert "Warning of measures." not in top
    below = html[html.index('id="measures"') :]
    assert re.search(r"◆</span> Finding</b> Finding of measures", below)
    assert re.search(r"▲</span> Limit</b> Warning of measures", below)


def test_findings_of_several_sets_stand_under_the_name_of_each() -> None:
    parts = [
        Part("a", [section(), section("pod", "pod")]),
        Part("b", [section()]),
        Part("", [section("shift", "shift")]),
    ]
    html = page_html(head(), parts, CAUTIONS)
    top = html[html.index('id="settled"') : html.index("<nav")]
    assert re.findall(r'<h3 class="set">(.*?)</h3>', top) == ["“a”", "“b”", "All sets together"]
    alone = page_html(head(), parts[:1] + parts[2:], CAUTIONS)
    assert '<h3 class="set">' not in alone


def test_without_findings_the_page_says_that_nothing_is_settled() -> None:
    bare = Section("Bare", "bare", [Paragraph("Words.")])
    assert "too few, or too much alike" in page_html(head(), [Part("", [bare])], CAUTIONS)


def test_tables_can_be_sorted_by_pointer_and_keyboard() -> None:
    page = Page(page_html(head(), [Part("", [section()])], CAUTIONS))
    heads = page.all("th")
    assert [one["aria-sort"] for one in heads] == ["none"] * 4
    assert [one["class"] for one in heads] == ["text", "number", "number", "number"]
    assert len(page.all("button")) == 4
    keys = [cell["data-key"] for cell in page.all("td")]
    assert keys == [
        "void",
        "0.95",
        "1200.0",
        "0.0001",
        "bridging",
        "",
        "0.0",
        "",
        "non-wet",
        "0.5",
        "3.0",
        "0.2",
    ]


def test_values_are_written_for_people() -> None:
    html = page_html(head(), [Part("", [section()])], CAUTIONS)
    cells = re.findall(r"<td[^>]*>([^<]*)</td>", html)
    assert cells[:4] == ["void", "0.950 (0.900 to 0.980)", "1,200", "&lt; 0.001"]
    assert cells[4:8] == ["bridging", "n/a", "0", "n/a"]


def test_names_of_users_cannot_break_the_page() -> None:
    frame = pd.DataFrame({"who": [HOSTILE]})
    blocks = [
        Paragraph(HOSTILE), Paragraph(HOSTILE, "finding"), Grid(frame, [Column("who", HOSTILE)], HOSTILE, "who"),
        Figure(drawing(HOSTILE), HOSTILE, HOSTILE), Figure(PNG, HOSTILE, HOSTILE),
    ]  # fmt: skip
    html = page_html(head(HOSTILE), [Part(HOSTILE, [Section(HOSTILE, "who", blocks)])], [HOSTILE])
    page = Page(html)
    assert page.open == []
    assert len(page.all("script")) == 1
    assert len(page.all("img")) == 1
    assert not [name for _, attributes in page.tags for name in attributes if name.startswith("on")]
    assert "49" not in re.sub(r"base64,\S+", "", "".join(t for t in page.texts if "7*7" in t))
    assert html.count("alert(1)") >= 10


def test_every_table_is_written_as_csv_and_parquet(tmp_path: Path) -> None:
    files = write_page(head(), [Part("", [section("measures"), section("pod", "pod")])], CAUTIONS, tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {"report.html", "tables"}
    assert sorted(files[1:]) == sorted((tmp_path / "tables").iterdir())
    assert [p.name for p in files] == [
        "report.html",
        "per_kind.csv",
        "per_kind.parquet",
        "pod.csv",
        "pod.parquet",
    ]
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "tables" / "pod.parquet"), grid().frame)
    assert list(pd.read_csv(tmp_path / "tables" / "pod.csv").columns) == list(grid().frame.columns)


def test_tables_and_numbers_of_several_sets_keep_apart(tmp_path: Path) -> None:
    parts = [Part("one", [section()]), Part("two", [section()]), Part("", [section("shift", "shift")])]
    files = {path.name for path in write_page(head(), parts, CAUTIONS, tmp_path)}
    assert {"per_kind_one.csv", "per_kind_two.csv", "shift.csv"} <= files
    assert set(numbers_of(parts)) == {"one/measures/recall", "two/measures/recall", "shift/recall"}
    odd = Section("Odd", "odd", [grid("odd_Ä 1"), grid("even"), grid("late_1")])
    files = {path.stem for path in write_page(head(), [Part("Ä 1", [odd])], CAUTIONS, tmp_path / "odd")}
    assert files == {"report", "odd_1", "even_1", "late_1"}
    own = Section("Own: one", "own-one", [grid("own_one")], {"one/own/recall": 1.0})
    assert set(numbers_of([Part("one", [own])])) == {"one/own/recall"}
    assert write_page(head(), [Part("one", [own])], CAUTIONS, tmp_path / "own")[1].name == "own_one.csv"
    assert 'id="own-one"' in page_html(head(), [Part("one", [own])], CAUTIONS)


def test_written_tables_of_a_set_say_where_it_comes_from(tmp_path: Path) -> None:
    write_page(head(), [Part("one", [section()], "made up")], CAUTIONS, tmp_path)
    for table in (
        pd.read_csv(tmp_path / "tables" / "per_kind_one.csv"),
        pd.read_parquet(tmp_path / "tables" / "per_kind_one.parquet"),
    ):
        assert table["provenance"].tolist() == ["made up"] * 3


def test_figures_keep_their_own_names_and_style() -> None:
    html = page_html(head(), [Part("", [section("one"), section("two", "two")])], CAUTIONS)
    clips = re.findall(r'<clipPath id="([^"]+)"', html)
    used = re.findall(r"url\(#([^)]+)\)", html)
    assert len(clips) == 2
    assert len(set(clips)) == 2
    assert set(used) == set(clips)
    assert not re.search(r"<style[^>]*>\s*\*\{stroke", html)


def test_the_same_stem_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="per_kind"):
        write_page(head(), [Part("", [section("one"), section("two")])], CAUTIONS, Path("nowhere"))
    assert not Path("nowhere").exists()
