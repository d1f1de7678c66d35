"""How numbers, measures and dispositions are written for people; the same in every part of the report."""

from typing import Any, Final, NamedTuple

import pandas as pd

from jointwise.scoring.judging.acceptance import Acceptance, Limit


class Measure(NamedTuple):
    """A measured column of the table.

    Args:
        column: its name there.
        word: what people call it.
        unit: empty for a share.
        digits: after the point.
    """

    column: str
    word: str
    unit: str
    digits: int


MEASURED: Final = (
    Measure("void_projected_area_pct", "void area", "%", 1),
    Measure("void_volume_pct", "void volume", "%", 1),
    Measure("void_largest_pct", "largest void", "%", 1),
    Measure("void_interface_pct", "void at a land", "%", 1),
    Measure("gap_um", "gap", "µm", 1),
    Measure("contact_fraction", "in contact", "", 2),
    Measure("bridge_neck_um", "bridge neck", "µm", 0),
)
BY_COLUMN: Final = {measure.column: measure for measure in MEASURED}

DISPOSITIONS: Final = {"reject": "rejected", "review": "for review", "accept": "accepted"}
"""What a joint became, gravest first, and how that is said of several."""

ENVELOPE: Final = {
    "voxels_per_ball": ("voxels per ball", ""),
    "cnr": ("solder over air", " times the noise"),
    "lane": ("level between balls", ", 0 being air and 1 solder"),
    "unlike": ("unlikeness to its training joints", ", which is the limit"),
}
"""What bounds the scans that a detector knows, and what follows the range."""
CORNERS: Final = {
    "x_low_y_low": "lowest x and lowest y",
    "x_high_y_low": "highest x and lowest y",
    "x_low_y_high": "lowest x and highest y",
    "x_high_y_high": "highest x and highest y",
}


def number(value: Any, digits: int) -> str:
    """A number with so many digits after the point; a dash where there is none."""
    return "–" if pd.isna(value) else f"{value:.{digits}f}"


def with_unit(measure: Measure, value: Any) -> str:
    """A measured value as it stands in running text."""
    return f"{number(value, measure.digits)} {measure.unit}".strip()


def bounds(limit: Limit) -> str:
    """What a limit asks for, in words.

    Example:
        >>> bounds(Limit("voids", "", "void_largest_pct", 15.0, None, "all", "reject"))
        'largest void at most 15 %'
    """
    if not limit.measure:
        return "none" if limit.kind else "no finding"
    measure = BY_COLUMN[limit.measure]
    ends = [("at most", limit.most), ("at least", limit.least)]
    said = [f"{word} {end:g} {measure.unit}".strip() for word, end in ends if end is not None]
    return f"{measure.word} {' and '.join(said) or 'without a limit'}"


def limits_on(acceptance: Acceptance | None, column: str) -> str:
    """All limits on one measure in brackets; empty where there is none."""
    limits = [limit for limit in acceptance.limits if limit.measure == column] if acceptance else []
    said = [
        bounds(limit).removeprefix(BY_COLUMN[column].word + " ")
        + ("" if limit.where == "all" else f" {limit.where}")
        for limit in limits
    ]
    return f" (limit: {'; '.join(said)})" if said else ""
