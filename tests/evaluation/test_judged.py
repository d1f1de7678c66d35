"""Detectors on joints with truth: each joint is called at the cut of its own noise."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from jointwise.evaluation.judged import judge
from jointwise.evaluation.labels.storage import score_change
from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import MEASURES
from jointwise.models.bench import Bench, Judge
from jointwise.models.thresholds import Thresholds

GRID = Grid((8, 8, 8))
BOTH = ((1,) * 4,) * 2
CLASSES = Thresholds(((0.3,) * 4, (0.7,) * 4), "f1", None, BOTH, BOTH, (0.1,))


@dataclass
class Level:
    """Scores a joint by its mean value, the same for every kind."""

    name: str = "level"

    def score(self, joints: Joints) -> np.ndarray:
        return np.repeat(joints.volumes.astype(np.float64).mean(axis=(1, 2, 3))[:, None], 4, axis=1)

    def measure(self, joints: Joints) -> pd.DataFrame:
        return pd.DataFrame(np.nan, index=range(len(joints)), columns=list(MEASURES))


def joints(level: float) -> Joints:
    """Two clean joints and three noisy ones of one grey level; the first of each is faulty in every kind."""
    table = pd.DataFrame({"cnr": [50.0, 50.0, 4.0, 4.0, np.nan]})
    table = table.assign(present=1, pitch_mm=0.8, ball_mm=0.5)
    table = table.assign(**{kind: [1.0, 0.0, 1.0, 0.0, 0.0] for kind in KINDS})
    return Joints(np.full((5, *GRID.shape), level, np.float16), table, GRID)


def test_noisy_joints_are_judged_at_the_cuts_of_their_noise() -> None:
    """All score 0.5: over the clean cut of 0.3, under the noisy one of 0.7."""
    judged = judge(joints(0.5), Bench(rules=Judge(Level(), CLASSES)), lambda *_: None)
    assert judged.thresholds["rules"][:, 0].tolist() == [0.3, 0.3, 0.7, 0.7, 0.7]
    void = judged.per_kind[judged.per_kind["kind"] == "void"].iloc[0]
    assert (void["tp"], void["fp"], void["fn"], void["tn"]) == (1, 1, 1, 2)
    assert (void["threshold"], void["threshold_highest"]) == (0.3, 0.7)


def test_calls_that_change_are_counted_at_the_cuts_of_their_noise() -> None:
    """From 0.5 to 0.75 the three noisy joints cross their cut, the clean ones were over theirs."""
    change = score_change(joints(0.5), joints(0.75), Bench(rules=Judge(Level(), CLASSES)), lambda *_: None)
    assert change["calls_changed"].tolist() == [3] * 4
