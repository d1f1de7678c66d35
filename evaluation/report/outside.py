"""Whether a detector was asked about scans unlike those it was trained on: what must be read before any figure."""

from typing import Final

import numpy as np

from jointwise.evaluation.report.section import Paragraph
from jointwise.evaluation.report.words import counted
from jointwise.evaluation.verdicts import Verdicts

UNFAIR: Final = 0.1
"""Share of joints outside from which the figures as a whole no longer say what the detector does where it belongs."""


def outside_findings(verdicts: Verdicts) -> list[Paragraph]:
    """A finding for each detector that was asked about joints of scans outside its training; none where all lie inside.

    Args:
        verdicts: of one set.
    """
    return [
        Paragraph(_told(who, int(np.sum(beyond & verdicts.present)), int(verdicts.present.sum())), "finding")
        for who, beyond in verdicts.outside.items()
        if np.any(beyond & verdicts.present)
    ]


def _told(who: str, count: int, n: int) -> str:
    lie = "lies" if count == 1 else "lie"
    if count >= UNFAIR * n:
        end = "what follows is no fair judgement of it on scans like its own"
    else:
        end = "they count in every figure that follows"
    return f"{who} was trained on other scans: {count} of {counted(n, 'joint')} {lie} outside its training; {end}."
