"""Columns of joint tables as numbers and records, refused in words where they hold something else."""

import json
from typing import Any

import numpy as np
import pandas as pd

from jointwise.evaluation.statistics.measures import Floats
from jointwise.joints.errors import InputError


def numbers(table: pd.DataFrame, name: str) -> Floats | None:
    """A column as numbers, (n,), NaN where a cell is empty; None where there is no such column.

    Raises:
        InputError: other values.
    """
    if name not in table:
        return None
    try:
        return np.asarray(table[name].to_numpy(dtype=np.float64, na_value=np.nan))
    except (TypeError, ValueError) as error:
        raise InputError(
            f"expected numbers in the column {name}, found others ({error}); correct them"
        ) from error


def records(table: pd.DataFrame, name: str) -> dict[Any, Any]:
    """What each distinct text of a column of JSON holds; cells that are no text are left out.

    Raises:
        InputError: text that is not JSON.
    """
    texts = [text for text in table[name].unique() if isinstance(text, str)] if name in table else []
    try:
        return {text: json.loads(text) for text in texts}
    except json.JSONDecodeError as error:
        raise InputError(
            f"expected JSON in the column {name}, found another text ({error}); take the column from the store anew"
        ) from error
