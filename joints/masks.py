"""Where solder, gas, gaps and bridges lie in a joint's box: the truth behind the labels, voxel by voxel.

A mask has one cell for 2 x 2 x 2 grid points and holds the share of the cell's volume that the thing fills, so that a
gap far thinner than a cell still has its thickness: the sum of its shares along z times the cell's height.
"""

from typing import Final

from jointwise.joints.grid import Grid

MASKS: Final = ("solder", "void", "gap", "bridge")
"""What is told of each cell, in this order: metal of the joint itself (with its half of a bridge); gas enclosed in it;
what parts it (a gap between head and pillow, or between joint and land, within the joint's outer shape as far as it
was meant to be metal); metal that joins it to a neighbour, as far as it lies outside both balls (also counted as
solder on the joint's own side)."""

FULL: Final = 255
"""A cell that is filled whole; masks are kept as uint8, share times FULL, rounded."""

COARSER: Final = 2
"""Grid points to a cell along every axis."""


def mask_shape(grid: Grid) -> tuple[int, int, int, int]:
    """(mask, z, y, x) of one joint's masks.

    Example:
        >>> mask_shape(Grid())
        (4, 24, 28, 28)
    """
    z, y, x = (-(-n // COARSER) for n in grid.shape)
    return len(MASKS), z, y, x


def cell_mm(grid: Grid, pitch_mm: float, ball_mm: float) -> tuple[float, float, float]:
    """Edges of a cell along (x, y, z), mm."""
    x, y, z = (COARSER * step for step in grid.spacing_mm(pitch_mm, ball_mm))
    return x, y, z
