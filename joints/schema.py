"""One table: the same column names in truth, labels, scores and reports.

Truth and labels (geometry only, whatever the voxel size and noise):

- ``void``: the union of all voids, seen along z, covers at least 5 % of the joint's largest cross-section.
- ``non_wet``: at one land at most a quarter is in metal contact, with a gap of at least 1 µm there.
- ``bridging``: a path of solder at least 1 µm thick joins the joint to a neighbour; both joints carry it.
- ``head_in_pillow``: both lands wetted, two bodies, at most a quarter of their interface bonded.
- marginal (bonded between a quarter and three quarters) or unknown: empty (NaN), counts in no kind.
"""

from collections.abc import Iterable
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS

SCHEMA_VERSION: Final = 1

IDENTITY: Final = ("scan", "board_id", "component", "ball", "row", "col")
POSITION: Final = ("x_mm", "y_mm", "z_mm")
"""Centre of the joint at half its height, in the frame of the scan's file."""

MEASURES: Final = (
    "void_projected_area_pct",
    "void_volume_pct",
    "void_largest_pct",
    "void_interface_pct",
    "gap_um",
    "contact_fraction",
    "bridge_neck_um",
)
SCORES: Final = tuple(f"score_{kind}" for kind in KINDS)
RULES: Final = tuple(f"rules_{kind}" for kind in KINDS)
VERDICT: Final = ("findings", "disposition", "reason")
ENVELOPE: Final = ("detector", "thresholds_id", "out_of_envelope", "voxels_per_ball", "cnr", "lane")

COLUMNS: Final = (*IDENTITY, *POSITION, "present", *KINDS, *SCORES, *RULES, *MEASURES, *VERDICT, *ENVELOPE)
"""Every column of a scored table, in order."""

SAMPLE_COLUMNS: Final = (
    *IDENTITY,
    *POSITION,
    "present",
    *KINDS,
    *MEASURES,
    "split",
    "pitch_mm",
    "ball_mm",
    "voxel_um",
    "voxels_per_ball",
    "cnr",
)
"""What a stored joint with known truth carries at least; further columns (records, scan settings) may follow."""


def require_columns(table: pd.DataFrame, columns: Iterable[str], where: str) -> None:
    """Refuse a table that lacks columns.

    Raises:
        InputError: names the missing columns and the place.
    """
    missing = [name for name in columns if name not in table.columns]
    if missing:
        raise InputError(f"expected the columns {', '.join(missing)} in {where}, found none of that name")


def truth_array(table: pd.DataFrame) -> NDArray[np.float64]:
    """Labels (n, 4) in the order of KINDS: 1, 0 or NaN (marginal, unknown, or no ball there)."""
    truth = table[list(KINDS)].to_numpy(dtype=np.float64, na_value=np.nan).copy()
    truth[~present_array(table)] = np.nan
    return np.asarray(truth, dtype=np.float64)


def present_array(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether a ball is there, (n,)."""
    return np.asarray(table["present"].to_numpy(dtype=np.float64) > 0.5)
