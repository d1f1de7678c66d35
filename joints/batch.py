"""The form that carries everything: joints on one grid plus one table row each."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.masks import mask_shape


@dataclass(frozen=True)
class Joints:
    """A batch of joints.

    Args:
        volumes: (n, z, y, x), float16 or float32; 0 = air level, 1 = solder level of the joint's scan.
        table: n rows; columns of :mod:`jointwise.joints.schema`, index 0 … n-1.
        grid: the grid the volumes lie on.
        masks: (n, mask, z, y, x) uint8 of :mod:`jointwise.joints.masks`, where the joints' inside is known; else None.
    """

    volumes: NDArray[np.floating]
    table: pd.DataFrame
    grid: Grid
    masks: NDArray[np.uint8] | None = None

    def __post_init__(self) -> None:
        if self.volumes.ndim != 4 or self.volumes.shape[1:] != self.grid.shape:
            raise InputError(
                f"expected sub-volumes of shape (n, {', '.join(map(str, self.grid.shape))}), "
                f"found {self.volumes.shape}"
            )
        if len(self.table) != len(self.volumes):
            raise InputError(
                f"expected one table row per sub-volume, found {len(self.table)} rows "
                f"for {len(self.volumes)} sub-volumes"
            )
        wanted = (len(self.volumes), *mask_shape(self.grid))
        if self.masks is not None and self.masks.shape != wanted:
            raise InputError(f"expected masks of shape {wanted}, found {self.masks.shape}")

    def __len__(self) -> int:
        return len(self.table)

    def take(self, rows: Sequence[int] | NDArray[np.integer]) -> "Joints":
        """The joints of the given rows, in that order."""
        rows = np.asarray(rows, dtype=np.int64)
        masks = None if self.masks is None else self.masks[rows]
        return Joints(self.volumes[rows], self.table.iloc[rows].reset_index(drop=True), self.grid, masks)

    @classmethod
    def concatenate(cls, parts: Sequence["Joints"]) -> "Joints":
        """All joints of several batches on the same grid."""
        if not parts:
            raise InputError("expected at least one batch of joints, found none")
        if any(part.grid != parts[0].grid for part in parts):
            raise InputError("expected batches on one grid, found several grids")
        volumes = np.concatenate([part.volumes for part in parts])
        table = pd.concat([part.table for part in parts], ignore_index=True)
        masks = [part.masks for part in parts if part.masks is not None]
        whole = np.concatenate(masks) if len(masks) == len(parts) else None
        return cls(volumes, table, parts[0].grid, whole)


def check_finite(joints: Joints) -> None:
    """Refuse joints whose values are not finite, naming the first.

    Raises:
        InputError: a sub-volume holds NaN or infinity.
    """
    bad = ~np.isfinite(joints.volumes).all(axis=(1, 2, 3)) if len(joints) else np.zeros(0, bool)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        name = joints.table["ball"].iloc[row] if "ball" in joints.table else f"row {row}"
        raise InputError(
            f"expected finite values in every sub-volume, found NaN or infinity in {int(bad.sum())} of "
            f"{len(joints)}, first joint {name}; cut the scan again from an undamaged file"
        )
