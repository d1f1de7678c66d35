"""How the sections of the report write sets, kinds and intervals, so that they all write them alike."""

import re
from collections.abc import Iterable
from typing import Final

import pandas as pd

from jointwise.evaluation.confusion import SOUND
from jointwise.evaluation.measured import MACRO, MICRO
from jointwise.evaluation.report.section import Column
from jointwise.evaluation.statistics.bootstrap import REPLICATES
from jointwise.evaluation.table import ANY
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import TITLES

WORDS: Final = {
    **TITLES,
    MICRO: "all kinds together (micro)",
    MACRO: "mean of the kinds (macro)",
    ANY: "any kind",
    SOUND: "sound in every kind",
}
WHO: Final = (Column("kind_title", "kind"), Column("detector", "detector"))
WILSON_NOTE: Final = "Wilson interval, 95 %, which takes joints as independent"
BOARDS_NOTE: Final = (
    f"percentile interval, 95 %, of {REPLICATES} resamplings of whole boards, the same for every detector"
)


def slug(name: str) -> str:
    """A set's name as part of an anchor: lower case letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "set"


def stem(topic: str, verdicts: Verdicts) -> str:
    """File name of a table of one set."""
    return f"{topic}_{slug(verdicts.name).replace('-', '_')}"


def titled(frame: pd.DataFrame, column: str = "kind") -> pd.DataFrame:
    """The frame with `kind_title`, kinds in words, before its other columns."""
    words = [WORDS.get(kind, kind) for kind in frame[column]]
    rest = frame.drop(columns="kind_title", errors="ignore")
    rest.insert(0, "kind_title", words)
    return rest


def listed(words: Iterable[str]) -> str:
    """`a, b and c`."""
    *most, last = words
    return f"{', '.join(most)} and {last}" if most else last


def counted(n: int, word: str) -> str:
    """`1 board`, `2 boards`."""
    return f"{n} {word}{'' if n == 1 else 's'}"
