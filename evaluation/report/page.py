"""The report of an evaluation: one HTML file that needs nothing else, and every table of it as CSV and Parquet."""

import base64
import io
import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, NamedTuple

import jinja2
import pandas as pd
from markupsafe import Markup, escape

from jointwise.evaluation.report.cells import Cell, cells, is_number
from jointwise.evaluation.report.section import Block, Figure, Grid, Paragraph, Section
from jointwise.evaluation.report.words import slug
from jointwise.joints.atomic import write_bytes, write_text
from jointwise.joints.page import script, style

REPORT: Final = "report.html"
TABLES: Final = "tables"
LONG: Final = 40  # rows from which a table scrolls in a box of its own on a screen; print shows all of it
SHORT: Final = 27  # letters that stay on one line
BROAD: Final = 8  # columns above which a table is printed small
BROADEST: Final = 10  # columns above which even its figures wrap in print
FEW: Final = 10  # rows up to which print keeps a table on one page
SIGNS: Final = {"finding": ("◆", "Finding"), "warning": ("▲", "Limit")}


@dataclass(frozen=True)
class Part:
    """Sections about one set of joints, or about all of them.

    Args:
        name: of the set; empty for what belongs to all.
        sections: in the order in which they are read.
        provenance: where scans and labels of the set come from; stands in every row of its written tables.
        overview: the shortest account of the set, for the top of the page; None where there is none.
    """

    name: str
    sections: Sequence[Section]
    provenance: str = ""
    overview: Grid | None = None


class Facts(NamedTuple):
    """A short list at the head of the page: what was judged, or who judged it."""

    title: str
    rows: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Head:
    """What stands above everything else.

    Args:
        title: of the page.
        lead: one sentence on what was judged.
        when: the time in its head.
        version: of the program.
        provenance: sentences on where scans and labels come from, each once.
        facts: lists of facts.
    """

    title: str
    lead: str
    when: datetime
    version: str
    provenance: Sequence[str]
    facts: Sequence[Facts]


def page_html(head: Head, parts: Sequence[Part], cautions: Sequence[str]) -> str:
    """The whole page as text.

    Args:
        head: what stands above.
        parts: what was found, in reading order.
        cautions: sentences for its end.
    """
    numbers = itertools.count(1)
    several = len({part.name for part in parts if part.name}) > 1
    sections = [_section(part, section, several, numbers) for part in parts for section in part.sections]
    told = [section for section in sections if section["findings"]]
    settled = [
        {"set": f"“{name}”" if name else "All sets together" if several else "", "groups": list(groups)}
        for name, groups in itertools.groupby(told, lambda one: one["set"])
    ]
    return _template().render(
        head=head,
        when=head.when.strftime("%Y-%m-%d %H:%M"),
        sections=sections,
        short=[
            {"set": part.name if several else "", "table": _shown(part.overview, part)}
            for part in parts
            if part.overview
        ],
        settled=settled,
        cautions=cautions,
        signs=SIGNS,
        broad=BROAD,
        broadest=BROADEST,
        few=FEW,
        script=Markup(script(_resource("page.js"))),
        style=Markup(style(_resource("page.css"))),
    )


def write_page(head: Head, parts: Sequence[Part], cautions: Sequence[str], folder: Path) -> list[Path]:
    """Write `report.html` and every table as tables/STEM.csv and .parquet; each file whole or not at all.

    The tables of a set are called STEM_SET.

    Args:
        head, parts, cautions: as for :func:`page_html`.
        folder: made if absent; files of the same names are replaced.

    Returns:
        The files, the report first.

    Raises:
        ValueError: two tables of one name, which is a fault of the program.
    """
    text = page_html(head, parts, cautions)
    tables = _tables(parts)
    written = [folder / REPORT]
    for stem, table in tables.items():
        parquet = io.BytesIO()
        table.to_parquet(parquet, index=False)
        csv = table.to_csv(index=False, lineterminator="\n").encode()
        for suffix, data in (("csv", csv), ("parquet", parquet.getvalue())):
            written.append(folder / TABLES / f"{stem}.{suffix}")
            write_bytes(written[-1], data)
    write_text(folder / REPORT, text)
    return written


def numbers_of(parts: Sequence[Part]) -> dict[str, float]:
    """All sections' flat figures for a tracking server; those of a set as `SET/NAME`."""
    return {
        name if not part.name or name.startswith(f"{part.name}/") else f"{part.name}/{name}": value
        for part in parts
        for section in part.sections
        for name, value in section.numbers.items()
    }


def _tables(parts: Sequence[Part]) -> dict[str, pd.DataFrame]:
    """File name without ending -> table."""
    tables: dict[str, pd.DataFrame] = {}
    for part in parts:
        blocks = [part.overview, *(block for section in part.sections for block in section.blocks)]
        for grid in (block for block in blocks if isinstance(block, Grid)):
            stem = _stem(part, grid)
            if stem in tables:
                raise ValueError(f"two tables are called {stem}")
            told = {"provenance": part.provenance} if part.provenance else {}
            tables[stem] = grid.frame.assign(**told)
    return tables


def _stem(part: Part, grid: Grid) -> str:
    """Of a set's tables the file name ends with the set, whether or not the topic saw to it."""
    if not part.name:
        return grid.stem
    end = f"_{slug(part.name).replace('-', '_')}"
    return f"{grid.stem.removesuffix(f'_{part.name}').removesuffix(end)}{end}"


def _section(part: Part, section: Section, several: bool, numbers: Iterator[int]) -> dict[str, Any]:
    blocks = [block for run in _runs(section.blocks) for block in _block(run, part, numbers)]
    return {
        "set": part.name if several else "",
        "title": section.title.removesuffix(f": {part.name}") if part.name else section.title,
        "anchor": _anchor(part.name, section.anchor),
        "blocks": blocks,
        "findings": [b.text for b in section.blocks if isinstance(b, Paragraph) and b.role == "finding"],
    }


def _anchor(name: str, anchor: str) -> str:
    end = f"-{slug(name)}" if name else ""
    return f"{anchor.removesuffix(end)}{end}"


def _runs(blocks: Sequence[Block]) -> Iterator[list[Block]]:
    """Blocks one by one, but pictures in pixels that follow each other together: they stand side by side."""
    for pixels, run in itertools.groupby(blocks, _in_pixels):
        if pixels:
            yield list(run)
        else:
            yield from ([block] for block in run)


def _in_pixels(block: Block) -> bool:
    return isinstance(block, Figure) and isinstance(block.svg, bytes)


def _block(run: list[Block], part: Part, numbers: Iterator[int]) -> Iterator[dict[str, Any]]:
    first = run[0]
    if isinstance(first, Paragraph):
        yield {"what": first.role, "text": first.text}
    elif isinstance(first, Grid):
        yield _shown(first, part)
    else:
        figures = [_figure(one, next(numbers)) for one in run if isinstance(one, Figure)]
        yield {"what": "pictures" if _in_pixels(first) else "figure", "figures": figures}


def _shown(grid: Grid, part: Part) -> dict[str, Any]:
    return {"what": "table", **_table(grid), "file": f"{TABLES}/{_stem(part, grid)}.csv"}


def _table(grid: Grid) -> dict[str, Any]:
    columns: list[list[Cell]] = [cells(grid.frame, column) for column in grid.columns]
    heads = [
        {"title": column.title, "kind": "number" if is_number(grid.frame, column) else _text_kind(own)}
        for column, own in zip(grid.columns, columns, strict=True)
    ]
    return {
        "caption": grid.caption,
        "heads": heads,
        "rows": list(zip(*columns, strict=True)),
        "long": len(grid.frame) > LONG,
    }


def _text_kind(column: list[Cell]) -> str:
    """Short words stay on one line; sentences get room."""
    longest = max((len(cell.text) for cell in column), default=0)
    return "text" if longest <= SHORT else "text wordy"


def _figure(figure: Figure, number: int) -> dict[str, Any]:
    # Of a caption in several lines the first is its heading.
    title, _, rest = figure.caption.partition("\n")
    title, caption = (title, rest) if rest else ("", title)
    words = {"title": title, "caption": caption, "alt": figure.alt}
    if isinstance(figure.svg, bytes):
        data = f"data:image/png;base64,{base64.b64encode(figure.svg).decode()}"
        return {"png": data, "svg": "", **words}
    return {"png": "", "svg": _own_names(figure, number), **words}


def _own_names(figure: Figure, number: int) -> Markup:
    """The element with names and style of its own: several figures stand in one page and must not share theirs."""
    own = f"figure-{number}"
    text = re.sub(r"<metadata>.*?</metadata>", "", str(figure.svg), flags=re.DOTALL)
    text = re.sub(r'(\sid=")', rf"\g<1>{own}-", text)
    text = re.sub(r"(url\(#|href=\"#)", rf"\g<1>{own}-", text)
    text = text.replace('<style type="text/css">*{', f'<style type="text/css">#{own} *{{')
    head = f'<svg id="{own}" role="img" preserveAspectRatio="xMinYMid" aria-label="{escape(figure.alt)}"'
    return Markup(head + text.removeprefix("<svg"))


def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(_resource("page.html.j2"))


def _resource(name: str) -> str:
    return files("jointwise.evaluation.report").joinpath(name).read_text(encoding="utf-8")


def facts(title: str, rows: Mapping[str, str]) -> Facts:
    """A list of facts; what is empty is left out."""
    return Facts(title, [(name, value) for name, value in rows.items() if value])
