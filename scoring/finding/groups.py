"""Places sorted into groups that lie close together, so that each needs one small box of the scan."""

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.lattice import Vector


def neighbours(points_mm: Vector, at_most: int) -> list[NDArray[np.int64]]:
    """Groups of at most so many points (n, 3), halved along their longest side; together every index once."""
    groups, open_ones = [], [np.arange(len(points_mm))]
    while open_ones:
        group = open_ones.pop()
        if len(group) <= at_most:
            groups.append(group)
            continue
        longest = int(np.argmax(np.ptp(points_mm[group], axis=0)))
        order = group[np.argsort(points_mm[group, longest], kind="stable")]
        half = len(order) // 2
        open_ones += [order[half:], order[:half]]
    return groups
