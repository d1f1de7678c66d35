"""How large a void, a gap and a neck are, in the numbers that a network learns.

A label says on which side of the limit a void lies, its size says how far. Each is scaled so that what decides lies
near 1 and what is not there is 0: the square root of a void's area over the 5 % limit, which grows as its diameter
does, and the logarithm of 1 + gap (or neck) over the scan's voxel, since a scan shows thin things in voxels.
"""

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.schema import require_columns, truth_array

SIZES: Final = ("void_projected_area_pct", "gap_um", "bridge_neck_um")
"""What is learned, in the order of the network's columns after the kinds."""

LIMIT_PCT: Final = 5.0
"""Projected area from which a void counts (domain document B6; also the usual mark of acceptance rules)."""

NEEDED: Final = (*SIZES, "voxel_um")

Floats = NDArray[np.float64]


def sizes_of(table: pd.DataFrame) -> Floats:
    """What the network should say of the joints of a table, (n, 3); NaN where that is not known.

    A joint whose kinds are known and without gap (or neck) has 0; a marginal one has its gap where that was measured.

    Raises:
        InputError: a column is missing.
    """
    require_columns(table, NEEDED, "the table of joints")
    area, gap, neck, voxel = (
        table[name].to_numpy(dtype=np.float64, na_value=np.nan) for name in (*SIZES, "voxel_um")
    )
    _, non_wet, bridging, pillow = truth_array(table).T
    sizes = np.column_stack([np.sqrt(area / LIMIT_PCT), np.log1p(gap / voxel), np.log1p(neck / voxel)])
    sizes[(non_wet == 0) & (pillow == 0), 1] = 0.0
    sizes[bridging == 0, 2] = 0.0
    return sizes


def void_area_pct(said: Floats) -> Floats:
    """Projected area (n,) in percent that the network says, of its columns (n, 3)."""
    return np.asarray(LIMIT_PCT * np.clip(said[:, 0], 0.0, None) ** 2, dtype=np.float64)


def measured_by_sizes(said: Floats, voxel_um: Floats) -> Floats:
    """Area in percent, gap and neck in um that the network says, (n, 3): :func:`sizes_of` undone.

    Args:
        said: columns (n, 3).
        voxel_um: (n,) voxel of each joint's scan; NaN where not known, and so are then gap and neck.
    """
    thin = np.expm1(np.clip(said[:, 1:], 0.0, None)) * voxel_um[:, None]
    return np.column_stack([void_area_pct(said), thin])
