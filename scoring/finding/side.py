"""Which side of the balls is the package, told by nothing but the scan."""

from dataclasses import dataclass

from jointwise.joints.levels import Levels
from jointwise.scoring.finding.sites import Sites
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import ArraySettings

SURE_ENOUGH = 0.9


@dataclass(frozen=True)
class Side:
    """Where the package lies.

    Args:
        side: `high` or `low` z of the file.
        sure: probability that this is right.
        words: what it rests on.
    """

    side: str
    sure: float
    words: str


def see_side(scan: Scan, array: ArraySettings, sites: Sites, levels: Levels) -> Side:
    """Weigh what lies above the balls against what lies below them."""
    return Side("high", 0.5, "")
