"""The report: one page that needs nothing else, says what it must, and reads without colour."""

import base64
import io
import re
from dataclasses import replace
from datetime import datetime
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from jointwise.joints.kinds import KINDS
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.learned import MEASURED_BY
from jointwise.models.settings import NetworkSettings
from jointwise.scoring.cut import silent
from jointwise.scoring.report.array_map import a1_corner, edge_names, empty_sites, map_svg
from jointwise.scoring.report.cautions import alerts
from jointwise.scoring.report.head import shows_words
from jointwise.scoring.report.judges import errors, judges
from jointwise.scoring.report.map_png import map_png
from jointwise.scoring.report.order import all_sites, sound_neighbour, to_picture
from jointwise.scoring.report.page import report_html
from jointwise.scoring.report.signs import ORDER, SIGNS, svg_path
from jointwise.scoring.report.words import bounds
from jointwise.scoring.scored import Scored
from tests.scoring.made import ACCEPTANCE, BENCH, CUTS, LIMITS, SHOWS, named, package, scored

WHEN = datetime(2026, 1, 2, 3, 4)
EVIL = '<script>alert("1")</script>&\'"><img src=x onerror=y>'
EMPTY = {"meta", "br", "img", "link", "hr", "input"}
DRAWN = {"path", "rect", "circle", "image"}


class Page(HTMLParser):
    """Reads a page and keeps what tests ask about; complains of tags that do not close."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), (tag, names)
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"nothing to close for </{tag}>"
        assert self.open.pop() == tag, tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        """All words, without the tags."""
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str]]:
        """Attributes of every such tag."""
        return [attributes for name, attributes in self.tags if name == tag]


def page_of(made: Scored) -> Page:
    """The page of a scored scan, read."""
    return Page(report_html(made, WHEN, silent))


@pytest.fixture(scope="module")
def made() -> Scored:
    return scored()


@pytest.fixture(scope="module")
def page(made: Scored) -> Page:
    return page_of(made)


def test_it_says_what_it_must(page: Page) -> None:
    for words in (
        "4 of 15 joints carry a finding; 1 of 16 sites are without a ball.",
        "No limits of acceptance were given, so nothing is accepted or rejected.",
        "None were given, and none is built in",
        "board 7 & co.mha",
        "MetaImage",
        "2026-01-02 03:04",
        "decides",
        "for comparison",
        "high z, as given",
        "lowest x and lowest y",
        "A voxel is 25 µm.",
        "here 13 µm, are mostly not found by the detectors",
        "A qualified inspector decides",
        "X-rays harm",
        "finding 1.5 s",
        "200 µm",
        "thinnest place of the neck",
        "largest void that was measured",
        "middle of the suspect gap",
        "place where the ball should be",
        "summed along the board's normal",
    ):
        assert words in page.text, words


def test_it_needs_nothing_else(page: Page) -> None:
    for tag, attributes in page.tags:
        assert tag not in ("link", "iframe", "object", "base")
        for name, value in attributes.items():
            assert not name.startswith("on"), (tag, name)
            if name in ("src", "href", "srcset", "action", "data"):
                assert value.startswith(("data:image/png;base64,", "#")), (tag, value[:40])
    assert not re.search(r"url\(|@import|https?:|fetch\(|XMLHttp", page.text)
    assert len(page.all("script")) == 1


def test_anchors_lead_somewhere_once(page: Page) -> None:
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    wanted = {a["href"][1:] for a in page.all("a")}
    assert wanted <= set(ids)
    shown = {a["id"] for a in page.all("article")}
    assert len(shown) == 5
    assert shown <= wanted  # from the table and from the map


def test_every_site_is_in_the_table_and_most_stay_off_paper(made: Scored) -> None:
    few = page_of(replace(made, settings=replace(made.settings, table_rows=3, pictures=2)))
    rows = [a for a in few.all("tr") if a.get("class") == "more"]
    assert len(rows) == 16 - 5 - 3
    assert "On paper 8 of 16 sites are listed" in few.text
    assert len(few.all("article")) == 2
    assert "The first 2 of 5 are shown" in few.text
    keys = [a["data-key"] for a in few.all("td") if "data-key" in a]
    assert len(keys) == 16 * 13
    assert not {"nan", "inf", "None"} & set(keys)


def test_the_table_sorts_by_every_column_with_a_key_too(page: Page) -> None:
    heads = [a for a in page.all("th") if "aria-sort" in a]
    assert len(heads) == 13
    assert [a["aria-sort"] for a in heads].count("descending") == 1  # as it comes: by suspicion
    assert len(page.all("button")) == 13


def test_block_to_sign(page: Page) -> None:
    assert page.text.index("Before you rely on this") < page.text.index("Disposition and signature")
    for words in ("Contract and edition", "Limits used", "Inspector", "Date", "Signature"):
        assert words in page.text[page.text.index("Disposition and signature") :]


def test_names_are_words_and_never_tags() -> None:
    its = named(
        package(faults={(0, 0): "void"}, dispositions={(0, 0): "reject"}, alerts=(EVIL,)), {0: EVIL, 5: EVIL}
    )
    table = its.table.assign(reason=EVIL)
    array = replace(its.array, component=EVIL)
    its = replace(its, table=table, array=array, shows=replace(its.shows, words=(EVIL,)))  # type: ignore[type-var]
    limit = replace(LIMITS[1], name=EVIL, where=EVIL)
    evil = scored(its, acceptance=replace(ACCEPTANCE, title=EVIL, limits=(limit,)))
    scan = replace(evil.scan, path=evil.scan.path.with_name(EVIL.replace("/", "\\")), facts={EVIL: EVIL})
    evil = replace(
        evil, scan=scan, settings=replace(evil.settings, note=EVIL, board_id=EVIL), seconds={EVIL: 1.0}
    )
    page = page_of(evil)
    assert len(page.all("script")) == 1
    assert len(page.all("img")) == 1  # the scale of colours
    assert page.text.count("<script>alert") >= 12
    assert map_png([(EVIL + " $a_", its.table)])[:4] == b"\x89PNG"


def test_limits_and_dispositions() -> None:
    faults = {(0, 0): "void", (1, 1): "bridging"}
    its = package(
        faults=faults, dispositions={(0, 0): "review", (1, 1): "reject", (2, 2): "review", (3, 0): "accept"}
    )
    page = page_of(scored(its, acceptance=ACCEPTANCE))
    for words in (
        "By the limits given, of 16 sites: 1 rejected, 2 for review, 1 accepted.",
        "Contract 7, edition 2",
        "limits.yaml",
        "ab" * 32,
        "void area at most 15 % rim reject",
        "12.2 % (limit: at most 15 % rim)",
        "rejected : rejected for a reason",
    ):
        assert words in page.text, words
    assert "EXAMPLE" not in page.text
    assert [a["id"] for a in page.all("article")] == ["joint-1-6", "joint-1-1", "joint-1-11"]
    example = page_of(scored(its, acceptance=replace(ACCEPTANCE, example=True)))
    assert example.text.count("EXAMPLE") == 3  # on top, beside the limits, beside the signature


def test_limits_in_words() -> None:
    assert bounds(LIMITS[0]) == "none"
    assert bounds(replace(LIMITS[1], least=2.0)) == "void area at most 15 % and at least 2 %"


def test_several_packages_each_have_a_map_and_their_own_joints() -> None:
    first, second = (
        package(faults={(0, 0): "void"}),
        package(3, 5, faults={(0, 0): "bridging", (2, 4): "missing"}),
    )
    second = replace(second, array=replace(second.array, component="U8"), alerts=("the part is tilted",))
    page = page_of(scored(first, second))
    assert "2 of 30 joints carry a finding; 1 of 31 sites" in page.text
    assert "U8: the part is tilted" in page.text
    assert len([a for a in page.all("svg") if a.get("class") == "map"]) == 2
    assert {a["id"] for a in page.all("article")} == {"joint-1-1", "joint-2-1", "joint-2-15"}
    assert "1 of 16 joints carry a finding" in page.text
    assert "1 of 14 joints carry a finding" in page.text


def test_the_least_that_shows() -> None:
    assert SHOWS.words == tuple(shows_words(SHOWS))
    assert (
        "gaps from about 12 µm, and round voids from about 80 µm" in shows_words(replace(SHOWS, words=()))[0]
    )
    assert shows_words(None) == ["Not worked out for this scan."]


def test_nothing_found_makes_a_calm_report() -> None:
    page = page_of(scored(package()))
    assert "0 of 16 joints carry a finding; no ball is missing." in page.text
    assert "Suspicious joints" not in page.text
    assert page.all("article") == []


def test_every_ball_missing() -> None:
    page = page_of(scored(package(2, 2, faults={(r, c): "missing" for r in range(2) for c in range(2)})))
    assert "0 of 0 joints carry a finding; 4 of 4 sites are without a ball." in page.text
    assert page.text.count("No joint without a finding to compare with.") == 4
    assert page.text.count("Nothing was measured: no ball stands here.") == 4


def test_each_sign_has_a_shape_of_its_own_and_a_word(made: Scored) -> None:
    assert set(ORDER) == set(SIGNS) == {*KINDS, "missing"}
    assert len({svg_path(kind) for kind in ORDER}) == len(ORDER)
    for sign in SIGNS.values():
        assert all(np.abs(outline).max() <= 1.1 for outline in sign.shape)
    table = made.packages[0].table.assign(disposition=["reject", "review", "accept", None] * 4)
    drawing = map_svg(table)
    titles = re.findall(r"<title>([^<]*)</title>", drawing)
    assert "A1: void, reject" in titles
    assert "B2: bridging, review" in titles
    assert "D4: missing" in titles
    assert "A4: no finding" in titles
    assert len(titles) == 16 + 1  # and the corner of A1
    assert drawing.count('<rect class="reject"') == drawing.count('<rect class="review"') == 4
    for kind in set(table["findings"].dropna()):
        assert svg_path(kind) in drawing
        assert f">{SIGNS[kind].short}</text>" in drawing


def test_a_site_that_the_part_leaves_empty_is_no_missing_ball(made: Scored) -> None:
    table = made.packages[0].table
    hollow = table[~((table["row"] == 1) & (table["col"] == 3))].reset_index(drop=True)
    assert empty_sites(table) == []
    assert empty_sites(hollow) == [(1, 3)]
    assert map_svg(hollow).count('class="empty"') == 1
    assert map_svg(table).count('class="empty"') == 0


def test_corner_of_a1_follows_the_names(made: Scored) -> None:
    table = made.packages[0].table
    assert a1_corner(table) == (0, 0)
    letters, numbers = edge_names(table)
    assert (letters, numbers) == ({0: "A", 1: "B", 2: "C", 3: "D"}, {0: "1", 1: "2", 2: "3", 3: "4"})
    turned = table.assign(ball=table["ball"].to_numpy()[::-1])
    assert a1_corner(turned) == (3, 3)
    assert a1_corner(table.assign(ball="pad one")) is None


def test_pictures_hold_the_joint_that_was_judged(made: Scored, page: Page) -> None:
    images = [a["href"] for a in page.all("image")]
    assert len(images) == 5 * 14
    void = next(i for i, site in enumerate(to_picture(all_sites(made), 9)) if site.findings == ["void"])
    data = base64.b64decode(images[14 * void].partition(",")[2])
    seen = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), dtype=float)
    assert seen.shape == (56, 56, 3)
    # The void lies at x = 60 µm, y = -40 µm; pixels of 21 µm, y downwards.
    assert seen[30, 30].sum() < seen[20, 24].sum() - 200


def test_the_neighbour_is_the_nearest_without_a_finding(made: Scored) -> None:
    sites = all_sites(made)
    of = {site.ball: site for site in sites}
    assert sound_neighbour(of["A1"], sites).ball in ("A2", "B1")  # type: ignore[union-attr]
    assert sound_neighbour(of["B3"], sites).ball in ("A3", "B4", "C3")  # type: ignore[union-attr]
    assert sound_neighbour(of["A4"], sites).ball in ("A3", "B4")  # type: ignore[union-attr]


def test_what_holds_for_all_packages_is_said_once() -> None:
    first, second = package(), package(2, 3)
    both = [
        replace(one, array=replace(one.array, component=name), alerts=("Of all.", *own))
        for one, name, own in ((first, "U1", ()), (second, "U2", ("Of one.",)))
    ]
    said = alerts(scored(*both))
    assert said.count("Of all.") == 1
    assert "U2: Of one." in said
    assert not [words for words in said if words.endswith(": Of all.")]


def test_the_plain_map_holds_its_whole_legend() -> None:
    its = package(5, 5, dispositions={(0, 0): "review"})
    picture = np.asarray(Image.open(io.BytesIO(map_png([("board", its.table)]))).convert("L"))
    for edge in (picture[0], picture[-1], picture[:, 0], picture[:, -1]):
        assert (edge == 255).all()


def test_scans_that_a_detector_knows_are_told_in_words() -> None:
    ranges: dict[str, tuple[float | None, float | None]] = {
        "voxels_per_ball": (10.0, 60.0),
        "cnr": (5.0, None),
        "lane": (-1.5, 0.25),
        "unlike": (None, 1.0),
    }
    knows = replace(BENCH, learned=replace(BENCH.learned, envelope=Envelope(ranges)))  # type: ignore[type-var]
    told = dict(judges(knows, package().table)[0]["facts"])
    assert told["known scans: voxels per ball"] == "10 to 60"
    assert told["known scans: solder over air"] == "from 5 times the noise"
    assert told["known scans: level between balls"] == "-1.5 to 0.25, 0 being air and 1 solder"
    assert told["known scans: unlikeness to its training joints"] == "up to 1, which is the limit"
    table = next(a for a in page_of(scored(bench=knows)).all("table") if a.get("class") == "sortable")
    assert table["data-numbers"] == "largest"


def test_what_the_cuts_are_for_is_told_with_its_guard_band() -> None:
    guarded = replace(CUTS, criterion="recall_first", false_calls=0.02, void_guard=1.0)
    bench = replace(BENCH, learned=replace(BENCH.learned, thresholds=guarded))  # type: ignore[type-var]
    facts = [dict(judge["facts"]) for judge in judges(bench, package().table)]
    assert facts[0]["chosen for"].startswith(
        "recall first: find as much as a limit allows, at most 2 % of the sound"
    )
    assert "voids of 4 to 5 % of the area not counted" in page_of(scored(bench=bench)).text
    assert all(len(told["chosen for"]) > 20 for told in facts)


def test_errors_of_measures_are_told_where_the_card_holds_them() -> None:
    settings, grid = NetworkSettings("tiny", masks=True), package().cut.joints.grid
    told = {
        "void_projected_area_pct": {"by": "masks", "n": 1472, "masks_error": 1.234, "sizes_error": 2.0},
        "gap_um": {"by": "sizes", "n": 60, "masks_error": 9.0, "sizes_error": 4.5},
        "bridge_neck_um": {"by": "masks", "n": 0, "masks_error": None, "sizes_error": None},
    }
    card = Card("tiny", grid, settings, CUTS, Calibration(), Envelope({}), {}, "0", {MEASURED_BY: told})
    assert errors(card) == [
        ("void area off by", "1.2 % in the median of 1,472 validation joints"),
        ("gap off by", "4.5 µm in the median of 60 validation joints"),
    ]
    assert errors(replace(card, metrics={})) == []


def test_a_doubted_side_stands_on_top() -> None:
    its = package()
    doubt = "The scan looks as if it lay at high z. Check package_side."
    found = replace(its.found, remarks=("The pitch was not told.", doubt))
    said = alerts(scored(replace(its, found=found)))
    assert doubt in said
    assert "The pitch was not told." not in said
