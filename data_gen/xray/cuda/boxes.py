"""The boxes of a scene as the card's projector takes them: stacks of those with the same sides."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from jointwise.data_gen.shapes.scene import COPPER, LAMINATE, SILICON, Packed

_ROUND = 1e-5
"""Difference of areas, relative, that single precision cannot tell."""


def stacked(packed: Packed) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Boxes as stacks, of those with the same sides, and the heights in them where materials change.

    A stack: x and y of its sides (first, last of each); first and last height, first and last + 1 layer (bits of
    integers); thickness of copper, laminate and silicon, 0. A layer: height, copper, laminate and silicon that end
    there less those that begin.
    """
    low, high, weight = _filled(packed)
    of_stack: dict[tuple[float, ...], list[int]] = {}
    for k, sides in enumerate(np.stack([low[:, 0], high[:, 0], low[:, 1], high[:, 1]], axis=1)):
        of_stack.setdefault(tuple(sides.tolist()), []).append(k)
    stacks, layers, end = np.zeros((len(of_stack), 3, 4), np.float32), [np.zeros((0, 4), np.float32)], 0
    for stack, (sides, boxes) in zip(stacks, of_stack.items(), strict=True):
        z, place = np.unique(np.concatenate([low[boxes, 2], high[boxes, 2]]), return_inverse=True)
        change = np.zeros((len(z), 3))
        np.add.at(change, place, np.concatenate([-weight[boxes], weight[boxes]]))
        stack[0], stack[1, :2], stack[2, :3] = sides, (z[0], z[-1]), z.astype(np.float64) @ change
        stack[1, 2:] = np.array([end, end + len(z)], np.int32).view(np.float32)
        layers.append(np.column_stack([z, change]).astype(np.float32))
        end += len(z)
    return stacks, np.concatenate(layers)


def _filled(packed: Packed) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float64]]:
    """Corners of boxes and how much copper, laminate and silicon they hold. Four boxes of mould around a die become the
    whole, less mould in place of the die: fewer sides to meet."""
    low, high, material = packed.box_low, packed.box_high, packed.box_material
    weight = np.stack([material == COPPER, material == LAMINATE, material == SILICON], axis=1).astype(float)
    kept, whole = np.ones(len(low), bool), []
    for die in np.flatnonzero(material == SILICON):
        beside = (low[:, 2] == low[die, 2]) & (high[:, 2] == high[die, 2]) & (material == LAMINATE) & kept
        if np.sum(beside) == 4:
            first, last = low[beside].min(axis=0), high[beside].max(axis=0)
            areas = np.prod((high - low)[:, :2].astype(np.float64), axis=1)
            outline = np.prod((last - first)[:2].astype(np.float64))
            if abs(areas[beside].sum() + areas[die] - outline) < _ROUND * outline:
                kept &= ~beside
                weight[die] -= 0.0, 1.0, 0.0
                whole.append((first, last))
    filling = np.tile([0.0, 1.0, 0.0], (len(whole), 1))
    corners = np.array(whole, np.float32).reshape(-1, 2, 3)
    return (
        np.concatenate([low[kept], corners[:, 0]]),
        np.concatenate([high[kept], corners[:, 1]]),
        np.concatenate([weight[kept], filling]),
    )
