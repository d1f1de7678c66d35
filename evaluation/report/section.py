"""What a part of the report is made of: words, tables and figures, whatever page holds them later.

Every topic of the evaluation (measures, readers, comparison, detection curves, calibration, observer, shift) makes one
or more sections; the page only lays them out.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

Format = Literal["text", "count", "rate", "number", "p", "ppm"]
"""How a column is written: as it is; whole number; 0 to 1 with three digits; three significant digits; p-value; ppm."""


@dataclass(frozen=True)
class Column:
    """A column of a table for people.

    Args:
        name: of the data frame's column. Where the frame also holds NAME_low and NAME_high, they are written beside the
            value as its 95 % interval.
        title: heading, plain words.
        form: how values are written; NaN is always written n/a.
    """

    name: str
    title: str
    form: Format = "text"


@dataclass(frozen=True)
class Paragraph:
    """Plain text.

    Args:
        text: one paragraph.
        role: `words`; `finding` for a sentence that answers a question; `warning` for what limits the figures beside.
    """

    text: str
    role: Literal["words", "finding", "warning"] = "words"


@dataclass(frozen=True)
class Grid:
    """A table of figures.

    Args:
        frame: one row per line; columns that `columns` does not name are for machines only.
        columns: what is shown, in order.
        caption: what the table tells and with which method its intervals were made.
        stem: file name (without ending) under which the whole frame is also written as CSV and Parquet.
    """

    frame: pd.DataFrame
    columns: Sequence[Column]
    caption: str
    stem: str


@dataclass(frozen=True)
class Figure:
    """A picture.

    Args:
        svg: the whole `<svg>` element as text, or a PNG's bytes where pixels are shown.
        caption: what it shows, with n.
        alt: the same for who cannot see it.
    """

    svg: str | bytes
    caption: str
    alt: str


Block = Paragraph | Grid | Figure


@dataclass(frozen=True)
class Section:
    """One part of the report.

    Args:
        title: heading, plain words.
        anchor: its place on the page: lower case letters, digits and hyphens.
        blocks: in the order in which they are read.
        numbers: flat figures for a tracking server, NAME -> value.
    """

    title: str
    anchor: str
    blocks: Sequence[Block]
    numbers: Mapping[str, float] = field(default_factory=dict)
