"""What is asked in an observer study: known faults, their sizes, and on how many boards."""

from dataclasses import dataclass
from typing import Final

from jointwise.joints.errors import InputError

GAP_UNITS, VOID_UNITS = ("voxel", "um"), ("area_pct", "ball")
GAPS: Final = ("head_in_pillow", "non_wet")
LARGEST_VOID: Final = 0.6
"""Diameter over the ball's, as drawn voids have it at most."""


@dataclass(frozen=True)
class Task:
    """One known fault.

    Args:
        kind: head_in_pillow, non_wet or void.
        size: the mean gap, or the size of the void; 0 is no fault at all.
        unit: gap: `voxel` of the scan or `um`; void: `area_pct` (per cent of the sound joint's largest section) or
            `ball` (diameter over the ball's).
    """

    kind: str
    size: float
    unit: str

    @property
    def name(self) -> str:
        """Stands in the column `task`."""
        return f"{self.kind}_{self.size:g}_{self.unit}"


@dataclass(frozen=True)
class PairSettings:
    """What is asked in an observer study.

    Args:
        boards: judged boards.
        known_boards: boards scanned without noise, from which the signal is known.
        head_in_pillow, non_wet: gaps, in `gap_unit`.
        void: voids, in `void_unit`.
        gap_unit: voxel or um.
        void_unit: area_pct (per cent of the joint's largest section) or ball (diameter over the ball's).
    """

    boards: int = 24
    known_boards: int = 3
    head_in_pillow: tuple[float, ...] = (0.1, 0.25, 0.5, 1.0)
    non_wet: tuple[float, ...] = ()
    void: tuple[float, ...] = (0.5, 1.0, 2.0, 5.0)
    gap_unit: str = "voxel"
    void_unit: str = "area_pct"

    def __post_init__(self) -> None:
        """Refuse what cannot be asked.

        Raises:
            InputError: too few boards, no task, an unknown unit, or a size that no joint has.
        """
        for name in (*GAPS, "void"):
            object.__setattr__(self, name, tuple(float(size) for size in getattr(self, name)))
        if self.boards < 3 or self.known_boards < 1:
            raise InputError(
                f"pairs: expected at least 3 boards and 1 of known_boards, found {self.boards} and "
                f"{self.known_boards}; take more"
            )
        for key, known in (("gap_unit", GAP_UNITS), ("void_unit", VOID_UNITS)):
            if getattr(self, key) not in known:
                raise InputError(
                    f"pairs.{key}: expected one of {', '.join(known)}, found {getattr(self, key)!r}; correct it"
                )
        if not self.tasks:
            raise InputError("pairs: expected sizes of at least one kind, found none; give pairs.void=[2]")
        _check_sizes(self)

    @property
    def tasks(self) -> tuple[Task, ...]:
        """Everything asked."""
        gaps = [Task(kind, size, self.gap_unit) for kind in GAPS for size in getattr(self, kind)]
        return (*gaps, *(Task("void", size, self.void_unit) for size in self.void))


def _check_sizes(settings: PairSettings) -> None:
    largest = {"voxel": 5.0, "um": 100.0, "area_pct": 100 * LARGEST_VOID**2, "ball": LARGEST_VOID}
    for task in settings.tasks:
        if not 0.0 <= task.size <= largest[task.unit]:
            raise InputError(
                f"pairs.{task.kind}: expected sizes from 0 to {largest[task.unit]:g} ({task.unit}), found "
                f"{task.size:g}; correct it"
            )
    names = [task.name for task in settings.tasks]
    if len(set(names)) < len(names):
        raise InputError("pairs: expected every size once, found one twice; leave it out")
