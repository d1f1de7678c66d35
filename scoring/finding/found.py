"""What finding hands on: every site of an array, named, with its place, and how the board lies."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from jointwise.joints.lattice import Vector
from jointwise.joints.levels import Levels
from jointwise.scoring.settings import ArraySettings


@dataclass(frozen=True)
class ArrayFound:
    """A ball grid array as found in a scan.

    Args:
        sites: one row per site: row, col, ball, x_mm, y_mm, z_mm (half joint height, file's frame), present,
            diameter_mm, height_mm, metal_share (of the usual joint), in_field (its whole box lies in the scan).
        axes: (3, 3), columns are the grid's x, y and z directions in the file's frame; z from board to package.
        pitch_mm: pitch found, mm.
        residual_voxels: median distance of the joints from their lattice, in voxels.
        levels: air and solder level, noise.
        tilt_deg: between the board's normal and the file's z.
        turn_deg: of the columns' direction against the file's x, within ±45.
        bend_um: height of the array's highest over its lowest site by the fitted surface, tilt taken off.
        array: the part with what was null filled in: pitch, ball, rows, columns, designator, corner of A1.
        package_side: `high` or `low` z of the file.
        side_sure: probability that this is right; 1 where it was given.
        side_words: what it rests on.
        a1_assumed: nobody told where A1 is, so the names are assumed.
        remarks: sentences on what was found or assumed rather than given.
    """

    sites: pd.DataFrame
    axes: Vector
    pitch_mm: float
    residual_voxels: float
    levels: Levels
    tilt_deg: float
    turn_deg: float
    bend_um: float
    array: ArraySettings
    package_side: str
    side_sure: float
    side_words: str
    a1_assumed: bool
    remarks: tuple[str, ...] = ()

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return int(self.sites["row"].max()) + 1, int(self.sites["col"].max()) + 1

    @property
    def middle_mm(self) -> Vector:
        """Middle of the sites (x, y, z) in the file's frame."""
        return np.asarray(self.sites[["x_mm", "y_mm", "z_mm"]].mean().to_numpy())

    def covers(self, x_mm: float, y_mm: float) -> bool:
        """Whether a place of the file's plane lies among the sites, to half a pitch."""
        sites = (self.sites[["x_mm", "y_mm", "z_mm"]].to_numpy() @ self.axes)[:, :2]
        place = np.array([x_mm, y_mm, self.middle_mm[2]]) @ self.axes[:, :2]
        room = 0.5 * self.pitch_mm
        return bool(np.all((place > sites.min(axis=0) - room) & (place < sites.max(axis=0) + room)))

    @property
    def a1_corner(self) -> str:
        """Corner of the file's frame that bears the name A1."""
        return self.array.a1_corner

    @property
    def seen_from(self) -> str:
        """From which side a map shows the array, x to the right and y up as in the file."""
        side = "package" if self.package_side == "high" else "board"
        return f"seen from high z of the file, the {side} side"
