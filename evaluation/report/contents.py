"""What the report holds and in which order: the one place that lists its topics."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import pandas as pd

from jointwise.evaluation.judged import Read
from jointwise.evaluation.report.calibration import calibration_section
from jointwise.evaluation.report.compare import compare_section
from jointwise.evaluation.report.failures import MOST, failures_section
from jointwise.evaluation.report.measures import measures_section
from jointwise.evaluation.report.observer import observer_section
from jointwise.evaluation.report.overview import overview
from jointwise.evaluation.report.page import Part
from jointwise.evaluation.report.pod import pod_section
from jointwise.evaluation.report.readers import readers_section
from jointwise.evaluation.report.section import Section
from jointwise.evaluation.report.shift import shift_section
from jointwise.evaluation.report.slices import slices_section
from jointwise.evaluation.set_up import SetUp
from jointwise.evaluation.verdicts import Verdicts


@dataclass(frozen=True)
class Asked:
    """Everything a topic may need.

    Args:
        sets: what detectors and readers say, one per set.
        read: set -> its sub-volumes by row, where they are at hand.
        setup: detector -> what it was fitted on, where that is known.
        chosen: detector -> how its cuts were chosen, in plain words, where that is known.
        prevalence: kind -> share of joints with it on the user's own line, 0 to 1.
        adjudication: how the readers' labels become one.
        reference: name of the set without shift, where several are judged.
        observer: results of an observer study; None where there is none.
        pictures: joints of each set that are pictured.
    """

    sets: Sequence[Verdicts]
    read: Mapping[str, Read] = field(default_factory=dict)
    setup: Mapping[str, SetUp] = field(default_factory=dict)
    chosen: Mapping[str, str] = field(default_factory=dict)
    prevalence: Mapping[str, float] = field(default_factory=dict)
    adjudication: str | None = None
    reference: str = ""
    observer: pd.DataFrame | None = None
    pictures: int = MOST


OfSet = Callable[[Verdicts, Asked], Section | None]
OfAll = Callable[[Asked], Section | None]

OF_EACH_SET: Final[tuple[OfSet, ...]] = (
    lambda one, asked: measures_section(one, asked.prevalence, asked.chosen),
    lambda one, asked: readers_section(one, asked.adjudication),
    lambda one, asked: compare_section(one, asked.setup, asked.prevalence),
    lambda one, _: pod_section(one),
    lambda one, _: slices_section(one),
    lambda one, _: calibration_section(one),
)
"""Topics of one set, in reading order; None where a set has nothing to say."""

OF_ALL_SETS: Final[tuple[OfAll, ...]] = (
    lambda asked: shift_section(asked.sets, asked.reference) if len(asked.sets) > 1 else None,
    lambda asked: observer_section(asked.observer) if asked.observer is not None else None,
)
"""Topics that look at all sets together."""

AT_THE_END: Final[tuple[OfSet, ...]] = (
    lambda one, asked: failures_section(one, asked.read.get(one.name), asked.pictures),
)
"""Topics of one set that are looked up rather than read."""


def parts(
    asked: Asked,
    of_each: Sequence[OfSet] = OF_EACH_SET,
    of_all: Sequence[OfAll] = OF_ALL_SETS,
    at_the_end: Sequence[OfSet] = AT_THE_END,
) -> list[Part]:
    """All sections of the report, in reading order.

    Args:
        asked: the sets and what the user wants to know of them.
        of_each, of_all, at_the_end: the topics.
    """
    return [
        *(
            Part(one.name, _given([topic(one, asked) for topic in of_each]), one.provenance, overview(one))
            for one in asked.sets
        ),
        Part("", _given([topic(asked) for topic in of_all])),
        *(
            Part(one.name, _given([topic(one, asked) for topic in at_the_end]), one.provenance)
            for one in asked.sets
        ),
    ]


def _given(sections: Sequence[Section | None]) -> list[Section]:
    return [section for section in sections if section is not None]
