"""Cut every joint that was found out of the scan onto the one grid."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.cores import core_count
from jointwise.joints.cutting import cut
from jointwise.joints.grid import Grid
from jointwise.joints.lattice import Vector
from jointwise.joints.levels import Levels, lane_level
from jointwise.models.halves import halved
from jointwise.scoring.finding.found import ArrayFound
from jointwise.scoring.finding.groups import neighbours
from jointwise.scoring.grey import array_levels
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings, ScoreSettings

AT_ONCE = 8  # joints cut out of one box of the scan: few, so that all threads have work
Progress = Callable[[str, int, int], None]
"""Called with (what is done, how many are done, of how many)."""


def silent(_what: str, _done: int, _total: int) -> None:
    """Report progress to nobody."""


@dataclass(frozen=True)
class CutArray:
    """All sites of an array, and the sub-volumes of those where a ball is.

    Args:
        sites: one row per site, missing balls included; columns of the schema's identity, position and envelope,
            besides pitch_mm, ball_mm, voxel_um, in_field, diameter_mm, height_mm and metal_share.
        joints: the present ones, in the order of `sites`, float16.
        levels: air and solder level by which they are scaled.
    """

    sites: pd.DataFrame
    joints: Joints
    levels: Levels


def cut_array(
    scan: Scan,
    found: ArrayFound,
    array: ArraySettings,
    settings: ScoreSettings,
    grid: Grid,
    progress: Progress = silent,
) -> CutArray:
    """Read the levels at the joints' own places, then cut every present joint."""
    present = found.sites["present"].to_numpy() == 1
    centres = found.sites[["x_mm", "y_mm", "z_mm"]].to_numpy()
    levels = array_levels(scan, centres[present], found.axes, array, grid)
    sites = describe(scan, found, array, settings, levels)
    volumes = np.empty((int(present.sum()), *grid.shape), np.float16)
    # Sampling happens outside the interpreter's lock, so threads share the work and the scan.
    with ThreadPoolExecutor(settings.workers or core_count()) as pool:
        groups = neighbours(centres[present], AT_ONCE)

        def keep(group: NDArray[np.int64]) -> int:
            volumes[group] = halved(
                _cut_group(scan, centres[present][group], found.axes, array, grid, levels)
            )
            return len(group)

        done = 0
        for n in pool.map(keep, groups):
            done += n
            progress("joints cut", done, len(volumes))
    offsets = grid.offsets_mm(array.pitch_mm, array.ball_mm)
    sites["lane"] = lane_level(volumes, offsets, array.pitch_mm, array.ball_mm)
    return CutArray(sites, Joints(volumes, sites[present].reset_index(drop=True), grid), levels)


def cut_site(
    scan: Scan, found: ArrayFound, array: ArraySettings, grid: Grid, levels: Levels, place: int
) -> NDArray[np.float32]:
    """The sub-volume (z, y, x) of one site, whether a ball is there or not."""
    centre = found.sites[["x_mm", "y_mm", "z_mm"]].to_numpy()[[place]]
    return np.asarray(_cut_group(scan, centre, found.axes, array, grid, levels)[0])


def _cut_group(
    scan: Scan, centres_mm: Vector, axes: Vector, array: ArraySettings, grid: Grid, levels: Levels
) -> NDArray[np.float32]:
    """Sub-volumes (n, z, y, x) of neighbouring places out of one box of the scan."""
    pitch, ball = array.pitch_mm, array.ball_mm
    volume, lattice = scan.around(centres_mm, grid.half_diagonal_mm(pitch, ball))
    cuts = [cut(volume, lattice, centre, axes, grid, pitch, ball, levels) for centre in centres_mm]
    return np.asarray(np.stack(cuts))


def describe(
    scan: Scan, found: ArrayFound, array: ArraySettings, settings: ScoreSettings, levels: Levels
) -> pd.DataFrame:
    """The table of sites with what every row carries of its scan."""
    sites = found.sites.copy()
    sites.insert(0, "scan", scan.path.stem)
    sites.insert(1, "board_id", settings.board_id or scan.path.stem)
    sites.insert(2, "component", array.component or None)
    sites["pitch_mm"], sites["ball_mm"] = array.pitch_mm, array.ball_mm
    sites["voxel_um"] = 1000 * scan.lattice.voxel_mm
    sites["voxels_per_ball"] = array.ball_mm / scan.lattice.voxel_mm
    sites["cnr"] = levels.cnr
    return sites
