"""What a network with masks measures, and from what: its masks, or the sizes it learned beside them.

Which is better differs from measure to measure and from training to training, so it is decided on validation joints
and kept in the card.
"""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.models.mask_measures import BY_MASKS
from jointwise.models.protocol import empty_measures
from jointwise.models.sizes import SIZES

Floats = NDArray[np.float64]

MASKS_SAY: Final = "masks"
SIZES_SAY: Final = "sizes"

FEWEST: Final = 20
"""Joints with a size on which sizes may be preferred; with fewer the masks, which can be looked at, are taken."""


class BothWays(NamedTuple):
    """What a network measures of n joints.

    Args:
        by_masks: (n, 5), columns as mask_measures.BY_MASKS.
        by_sizes: (n, 3), columns as sizes.SIZES; None from a network without sizes.
    """

    by_masks: Floats
    by_sizes: Floats | None


def choose(both: BothWays, truth: pd.DataFrame) -> dict[str, dict[str, Any]]:
    """For each measure told both ways: which to take, n, and the median absolute error of either.

    Args:
        both: of the joints of `truth`.
        truth: their rows, columns of schema.MEASURES; joints without a size above 0 do not count.
    """
    chosen: dict[str, dict[str, Any]] = {}
    for k, name in enumerate(SIZES):
        if both.by_sizes is None:
            continue
        true = truth[name].to_numpy(dtype=np.float64, na_value=np.nan)
        masks, sizes = both.by_masks[:, BY_MASKS.index(name)], both.by_sizes[:, k]
        known = np.isfinite(masks) & np.isfinite(sizes) & (true > 0)
        n = int(known.sum())
        errors = [float(np.median(np.abs(said - true)[known])) if n else None for said in (masks, sizes)]
        better = SIZES_SAY if n >= FEWEST and errors[1] < errors[0] else MASKS_SAY  # type: ignore[operator]
        chosen[name] = {"by": better, "n": n, "masks_error": errors[0], "sizes_error": errors[1]}
    return chosen


def measures_of(both: BothWays, chosen: Mapping[str, Mapping[str, Any]]) -> pd.DataFrame:
    """n rows under schema.MEASURES; gap and neck only where the masks show one, NaN where nothing is said.

    Args:
        both: what the network measures.
        chosen: from :func:`choose`; measures not in it are told by masks.
    """
    table = empty_measures(len(both.by_masks))
    for k, name in enumerate(BY_MASKS):
        said = both.by_masks[:, k]
        if both.by_sizes is not None and chosen.get(name, {}).get("by") == SIZES_SAY:
            said = np.where(np.isfinite(said), both.by_sizes[:, SIZES.index(name)], np.nan)
        table[name] = said
    return table
