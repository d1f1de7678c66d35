"""Targets of a detection curve: joints with a flaw of known size, whether it was found, and calls on sound joints."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from jointwise.evaluation.bridges import BRIDGING, can_group, true_bridges
from jointwise.evaluation.statistics.measures import Bools, Floats, any_kind
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS

VOID_LIMIT_PCT: Final = 5.0
"""Projected void area from which a void is labelled, and wanted to be called."""


@dataclass(frozen=True)
class SizeMeasure:
    """A way to say how large a flaw is.

    Args:
        name: for columns and file names.
        kind: whose call is a hit.
        title: for people.
        unit: µm, voxels or % of the joint's largest cross-section.
        needs: columns it is computed from.
        of: the size of each joint, NaN where unknown.
        drawn: whether the report pictures its curve; tables hold all.
    """

    name: str
    kind: str
    title: str
    unit: str
    needs: tuple[str, ...]
    of: Callable[[pd.DataFrame], Floats]
    drawn: bool = True


def _column(table: pd.DataFrame, name: str) -> Floats:
    return np.asarray(table[name].to_numpy(dtype=np.float64, na_value=np.nan))


def _void_um(table: pd.DataFrame) -> Floats:
    """Diameter of the disc as large as the largest void's shadow: ball diameter · √(share of the cross-section)."""
    share = _column(table, "void_largest_pct") / 100
    return np.asarray(1000 * _column(table, "ball_mm") * np.sqrt(share))


def _plain(name: str) -> Callable[[pd.DataFrame], Floats]:
    return lambda table: _column(table, name)


def _in_voxels(of: Callable[[pd.DataFrame], Floats]) -> Callable[[pd.DataFrame], Floats]:
    return lambda table: np.asarray(of(table) / _column(table, "voxel_um"))


GAP, NECK, VOID = ("gap_um",), ("bridge_neck_um",), ("void_largest_pct", "ball_mm")
SIZE_MEASURES: Final = (
    SizeMeasure("non_wet_gap_um", "non_wet", "mean gap", "µm", GAP, _plain("gap_um")),
    SizeMeasure(
        "non_wet_gap_voxels", "non_wet", "mean gap", "voxels", (*GAP, "voxel_um"), _in_voxels(_plain("gap_um"))
    ),
    SizeMeasure("head_in_pillow_gap_um", "head_in_pillow", "mean gap", "µm", GAP, _plain("gap_um")),
    SizeMeasure(
        "head_in_pillow_gap_voxels", "head_in_pillow", "mean gap", "voxels", (*GAP, "voxel_um"),
        _in_voxels(_plain("gap_um")),
    ),
    SizeMeasure("void_diameter_um", "void", "diameter of the largest void", "µm", VOID, _void_um),
    SizeMeasure(
        "void_diameter_voxels", "void", "diameter of the largest void", "voxels", (*VOID, "voxel_um"),
        _in_voxels(_void_um), drawn=False,
    ),
    SizeMeasure(
        "void_area_pct", "void", "projected area of all voids", "%", ("void_projected_area_pct",),
        _plain("void_projected_area_pct"),
    ),
    SizeMeasure("bridge_neck_um", "bridging", "neck of the bridge", "µm", NECK, _plain("bridge_neck_um")),
    SizeMeasure(
        "bridge_neck_voxels", "bridging", "neck of the bridge", "voxels", (*NECK, "voxel_um"),
        _in_voxels(_plain("bridge_neck_um")), drawn=False,
    ),
)  # fmt: skip
"""Every measure a curve is drawn against."""


@dataclass(frozen=True)
class Targets:
    """What a curve is fitted to.

    Args:
        size: (n,) above 0.
        hit: (n,) whether the kind was called (of a bridge: at one of its joints at least).
        boards: (n,) whole numbers.
        unknown_label: joints left out because it is not decided whether they have the kind (marginal, unknown).
        unknown_size: joints with the kind left out because its size is not known.
        false_calls, sound: joints sound in every kind, and how many of them the kind is called at; of voids only joints
            without any.
        small_missed: voids not called that cover less than VOID_LIMIT_PCT, so that no call is wanted.
    """

    size: Floats
    hit: Bools
    boards: np.ndarray
    unknown_label: int
    unknown_size: int
    false_calls: int
    sound: int
    small_missed: int = 0

    @property
    def floor(self) -> float:
        """Share of the sound joints at which the kind is called; 0 where there is no sound joint."""
        return self.false_calls / self.sound if self.sound else 0.0


def targets(verdicts: Verdicts, detector: str, measure: SizeMeasure) -> Targets | None:
    """The targets of a detector at its cuts; None where the set does not hold what the size is computed from.

    Gaps: the joints that truly have the kind. Necks: every true bridge once, with its thickest neck. Voids: every joint
    with any void, also below the 5 % from which a void is labelled, since they are there to be found; calls below that
    limit are not wanted.
    """
    table = verdicts.table
    if any(name not in table for name in measure.needs):
        return None
    k = KINDS.index(measure.kind)
    faulty = verdicts.known[:, k] & (verdicts.truth[:, k] == 1)
    size, called = measure.of(table), verdicts.calls(detector)[:, k]
    sized = np.isfinite(size) & (size > 0) & verdicts.present
    sound = any_kind(verdicts.truth, verdicts.present) == 0
    if measure.kind == "void":
        chosen, undecided = sized, np.zeros(len(table), dtype=bool)
        sound &= _no_void(table)
    else:
        chosen, undecided = sized & faulty, sized & ~verdicts.known[:, k]
    rows, lost = np.flatnonzero(chosen), faulty & ~sized
    sizes, hit = size[rows], called[rows]
    if measure.kind == "bridging":
        rows, sizes, hit, lost = _bridges(verdicts, size, called)
    return Targets(
        sizes, hit, verdicts.boards[rows], int(undecided.sum()), int(lost.sum()),
        int(np.sum(called & sound)), int(np.sum(sound)), _small_missed(table, measure, rows[~hit]),
    )  # fmt: skip


def _small_missed(table: pd.DataFrame, measure: SizeMeasure, missed: np.ndarray) -> int:
    """How many of the rows that were missed hold voids too small to be wanted."""
    if measure.kind != "void" or "void_projected_area_pct" not in table:
        return 0
    return int(np.sum(_column(table, "void_projected_area_pct")[missed] < VOID_LIMIT_PCT))


def _bridges(verdicts: Verdicts, size: Floats, called: Bools) -> tuple[np.ndarray, Floats, Bools, Bools]:
    """Each true bridge once: its first joint, its thickest neck, and whether it is called at any of its joints, as far
    as a neck is known, (bridges,); and the joints of bridges without any known neck, (n,).

    Where nothing tells which joints hang together, each counts alone.
    """
    bridging = verdicts.known[:, BRIDGING] & (verdicts.truth[:, BRIDGING] == 1)
    alone = np.where(bridging, np.cumsum(bridging) - 1, -1)
    group = true_bridges(verdicts) if can_group(verdicts.table) else alone
    inside = np.flatnonzero(group >= 0)
    number, first = np.unique(group[inside], return_index=True)
    neck = np.full(len(number), np.nan)
    np.fmax.at(neck, group[inside], size[inside])
    found = np.bincount(group[inside], weights=called[inside], minlength=len(number)) > 0
    sized = np.isfinite(neck) & (neck > 0)
    lost = np.zeros(len(size), dtype=bool)
    lost[inside] = ~sized[group[inside]]
    return inside[first][sized], neck[sized], found[sized], lost


def _no_void(table: pd.DataFrame) -> Bools:
    """Joints without any void, as far as a column tells."""
    for name in ("void_projected_area_pct", "void_largest_pct"):
        if name in table:
            return np.asarray(_column(table, name) == 0)
    return np.zeros(len(table), dtype=bool)
