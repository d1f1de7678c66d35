"""Where solder, gas, gaps and bridges lie in a joint's box: the truth behind the labels, voxel by voxel.

A mask has one cell for 2 x 2 x 2 grid points and holds the share of the cell's volume that the thing fills, so that a
gap far thinner than a cell still has its thickness: the sum of its shares along z times the cell's height.
"""

from typing import Final

from jointwise.joints.grid import Grid

MASKS: Final = ("solder", "void", "gap", "bridge")
"""What is told of each cell, in this order.

- solder: metal of the joint itself, with its half of a bridge.
- void: gas enclosed in it.
- gap: what parts it. Between head and pillow, where there is solder below and above; between a land and the solder over
  it, within the land's outline (also of a dry edge that leaves most of the land wetted). No gap below 0.5 um along z.
- bridge: metal that joins it to a neighbour, on both sides of the middle, as far as it lies outside both balls; the
  joint's own half is solder too. A neck that ends in a void or gap joins nothing and is solder alone.
"""

FULL: Final = 255
"""A cell that is filled whole; masks are kept as uint8, share times FULL, rounded so that sums over a layer hold."""

POINTS_BY: Final = {"void": "void", "non_wet": "gap", "bridging": "bridge", "head_in_pillow": "gap"}
"""Mask that shows a kind."""

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
