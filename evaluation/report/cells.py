"""How figures are written for people: digits, intervals, and what stands where there is nothing to write."""

import math
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from jointwise.evaluation.report.section import Column, Format

NOTHING: Final = "n/a"


class Cell(NamedTuple):
    """One cell of a table.

    Args:
        text: as it is read.
        key: what the column is sorted by; empty where there is nothing, which always goes last.
    """

    text: str
    key: str


def cells(frame: pd.DataFrame, column: Column) -> list[Cell]:
    """The cells of one column; where the frame holds NAME_low and NAME_high, `value (low to high)`."""
    values = frame[column.name].tolist()
    bounds = [f"{column.name}_{end}" for end in ("low", "high")]
    if not all(name in frame for name in bounds):
        return [Cell(written(value, column.form), _key(value)) for value in values]
    lows, highs = (frame[name].tolist() for name in bounds)
    return [
        Cell(_with_interval(*three, column.form), _key(three[0]))
        for three in zip(values, lows, highs, strict=True)
    ]


def is_number(frame: pd.DataFrame, column: Column) -> bool:
    """Whether a column stands at the right, as numbers do."""
    return column.form != "text" or bool(
        pd.api.types.is_numeric_dtype(frame[column.name])
        and not pd.api.types.is_bool_dtype(frame[column.name])
    )


def written(value: Any, form: Format) -> str:
    """A value as people read it.

    Example:
        >>> [written(v, f) for v, f in ((0.5, "rate"), (1234, "count"), (0.0002, "p"), (1234.5, "number"))]
        ['0.500', '1,234', '< 0.001', '1,230']
    """
    if _nothing(value):
        return NOTHING
    if form == "text":
        return "yes" if value is True else "no" if value is False else str(value)
    number = float(value)
    if math.isinf(number):
        return "∞" if number > 0 else "−∞"
    if form in ("count", "ppm"):
        return _minus(f"{number:,.0f}")
    if form == "rate":
        return _minus(f"{number:.3f}")
    if form == "p":
        return "< 0.001" if number < 0.001 else f"{number:.3f}"
    return _significant(number)


def _significant(number: float) -> str:
    """Three significant digits without an exponent, where that can be read."""
    if abs(number) < 1e-12:  # what sums leave over
        return "0"
    if not 1e-4 <= abs(number) < 1e7:
        return _minus(f"{number:.2e}")
    rounded = float(f"{number:.3g}")
    digits = max(0, 2 - math.floor(math.log10(abs(rounded))))
    return _minus(f"{rounded:,.{digits}f}")


def _minus(text: str) -> str:
    return text.replace("-", "−")


def _with_interval(value: Any, low: Any, high: Any, form: Format) -> str:
    if _nothing(value) or (_nothing(low) and _nothing(high)):
        return written(value, form)
    return f"{written(value, form)} ({written(low, form)} to {written(high, form)})"


def _nothing(value: Any) -> bool:
    return (
        value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value))
    )


def _key(value: Any) -> str:
    if _nothing(value):
        return ""
    if isinstance(value, bool | int | float | np.number):
        return repr(float(value))
    return str(value)
