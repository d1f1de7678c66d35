"""Confusion among kinds of which a joint may carry several."""

import numpy as np
import pandas as pd

from jointwise.evaluation.confusion import NOTHING, SOUND, confusion_table, confusion_text
from jointwise.evaluation.measured import board_weights, stopped_table
from jointwise.evaluation.statistics.measures import wilson
from jointwise.evaluation.table import per_kind_table
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS
from tests.evaluation.test_measured import a_set


def four_joints() -> Verdicts:
    """A void and bridge, a void, a sound joint, a void of which bridging is unknown."""
    truth = np.array([[1.0, 0, 1, 0], [1, 0, 0, 0], [0, 0, 0, 0], [1, 0, np.nan, 0]])
    score = np.array([[1.0, 0, 1, 0], [0, 0, 1, 0], [0, 0, 0, 1], [0, 0, 0, 0]])
    table = pd.DataFrame({"scan": "s", "board_id": "b", "ball": list("ABCD"), "present": 1})
    return Verdicts("four", "made up", table, truth, {"d": score}, {"d": np.full((4, 4), 0.5)})


def test_by_hand() -> None:
    found = confusion_table(four_joints()).set_index("truth")
    void = found.loc["void"]
    assert (void["joints"], void["called_void"], void["of_void"]) == (3, 1, 3)
    # The joint that truly has both is not confused, and the one of unknown bridging is left out.
    assert (void["called_bridging"], void["of_bridging"], void["rate_bridging"]) == (1, 1, 1)
    assert (void["rate_bridging_low"], void["rate_bridging_high"]) == wilson(1, 1)
    assert (void["called_nothing"], void["of_nothing"]) == (1, 3)
    sound = found.loc[SOUND]
    assert (sound["joints"], sound["called_head_in_pillow"], sound["called_nothing"]) == (1, 1, 0)
    assert np.isnan(found.loc["non_wet", "rate_void"])
    text = confusion_text(confusion_table(four_joints())).set_index("truth")
    assert text.loc["void", "bridging"] == "1.000 (1 of 1)"
    assert text.loc["non_wet", NOTHING] == "n/a"


def test_its_margins_are_the_other_tables() -> None:
    one = a_set()
    found = confusion_table(one).set_index(["truth", "detector"])
    kinds = per_kind_table(one.truth, one.present, one.scores, one.cuts)
    stopped = stopped_table(one, board_weights(one)).set_index(["kind", "detector"])
    for row in kinds.to_dict("records"):
        key = (row["kind"], row["detector"])
        assert found.loc[key, f"rate_{row['kind']}"] == row["recall"]
        assert found.loc[key, "called_nothing"] == stopped.loc[key, "escapes"]
        assert found.loc[(SOUND, row["detector"]), f"called_{row['kind']}"] == stopped.loc[key, "false_calls"]


def test_the_order_of_joints_does_not_matter_and_no_joint_says_nothing() -> None:
    one = a_set()
    pd.testing.assert_frame_equal(
        confusion_table(one.take(np.random.default_rng(0).permutation(len(one)))), confusion_table(one)
    )
    empty = confusion_table(one.take(np.arange(0)))
    assert (empty["joints"] == 0).all()
    assert empty[[f"rate_{kind}" for kind in (*KINDS, NOTHING)]].isna().all(axis=None)
