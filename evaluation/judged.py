"""What detectors say of joints, a few at a time, and how long they take."""

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from jointwise.evaluation.statistics.measures import Floats
from jointwise.joints.batch import Joints
from jointwise.joints.kinds import KINDS
from jointwise.models.protocol import TellsApart

if TYPE_CHECKING:
    from jointwise.models.bench import Bench

PIECE: Final = 64
"""Joints that are in memory at a time."""

Tell = Callable[[int, int, str], None]
Read = Callable[[NDArray[np.integer[Any]]], Joints]
"""Gives the joints of some rows."""


class Scored(NamedTuple):
    """Scores and run times.

    Args:
        scores: detector -> (n, 4) in [0, 1].
        seconds: detector -> seconds per joint; what a detector does once, at its first joint, is not counted.
        apart: detector -> (n,) distance from its training joints, of those that can tell.
    """

    scores: dict[str, Floats]
    seconds: dict[str, float]
    apart: dict[str, Floats]


def scored(read: Read, n: int, bench: "Bench", tell: Tell) -> Scored:
    """Let every detector score the joints; each is read once.

    Args:
        read: gives joints; truth is not needed.
        n: how many there are.
        bench: the detectors.
        tell: told after every few joints how far it is.
    """
    judges = bench.judges
    scores: dict[str, Floats] = {name: np.full((n, len(KINDS)), np.nan) for name in judges}
    apart: dict[str, Floats] = {}
    spent = dict.fromkeys(judges, 0.0)
    for start in range(0, n, PIECE):
        rows = np.arange(start, min(start + PIECE, n))
        joints = read(rows)
        for name, one in judges.items():
            if start == 0:
                one.detector.score(joints.take([0]))
            begun = time.perf_counter()
            if isinstance(one.detector, TellsApart):
                found = one.detector.look(joints)
                scores[name][rows] = found.scores
                if found.apart is not None:
                    apart.setdefault(name, np.full(n, np.nan))[rows] = found.apart
            else:
                scores[name][rows] = one.detector.score(joints)
            spent[name] += time.perf_counter() - begun
        tell(int(rows[-1]) + 1, n, "")
    return Scored(scores, {name: total / max(n, 1) for name, total in spent.items()}, apart)


def scores_of(joints: Joints, bench: "Bench", tell: Tell) -> dict[str, Floats]:
    """What every detector says of the joints, detector -> (n, 4) in [0, 1].

    Args:
        joints: truth is not needed.
        bench: the detectors.
        tell: told after every few joints how far it is.
    """
    return scored(joints.take, len(joints), bench, tell).scores
