"""The user's own limits of acceptance, and what follows from them for each joint."""

from dataclasses import dataclass
from pathlib import Path

DISPOSITIONS = ("accept", "reject", "review")


@dataclass(frozen=True)
class Limit:
    """One line of a file of limits.

    Args:
        name: in the file's own words, for reasons and report.
        kind: one of KINDS or `missing`: the limit is about joints with that finding; empty where only a measure counts.
        measure: one of MEASURES; empty where the finding alone decides.
        most: the measure may reach this and no more; None where the finding alone decides.
        least: the measure must reach this; None where there is no lower limit.
        where: `all`, or a place in the array that the file defines.
        then: what a joint beyond the limit becomes, `reject` or `review`.
    """

    name: str
    kind: str
    measure: str
    most: float | None
    least: float | None
    where: str
    then: str


@dataclass(frozen=True)
class Acceptance:
    """The limits of one file.

    Args:
        title: what the user calls them, such as the contract and its edition.
        path: the file.
        sha256: of its bytes, so that a report tells which file it was.
        limits: in the order of the file.
        example: whether the file says it is an example.
    """

    title: str
    path: Path
    sha256: str
    limits: tuple[Limit, ...]
    example: bool
