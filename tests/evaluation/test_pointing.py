"""The pointing score: what is a hit, what guessing gets, and which joints count."""

import numpy as np
import pytest

from jointwise.evaluation.statistics.measures import wilson
from jointwise.evaluation.statistics.pointing import blind, hits, pointing_table
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.masks import MASKS, POINTS_BY


def at(*cell: int, value: int = 1) -> np.ndarray:
    joint = np.zeros((6, 7, 8), np.uint8)
    joint[cell] = value
    return joint


def test_a_hit_is_the_cell_or_a_neighbour() -> None:
    """A corner's neighbour too, two cells off not; the strongest cell alone points."""
    truth = np.stack([at(2, 3, 4)] * 4)
    seen = np.stack([at(2, 3, 4), at(3, 4, 5), at(4, 3, 4), at(0, 0, 0, value=9)]).astype(np.float16)
    seen[3, 2, 3, 4] = 8
    assert hits(seen, truth).tolist() == [True, True, False, False]


def test_without_a_defect_nothing_can_be_hit() -> None:
    """And shapes must agree."""
    with pytest.raises(InputError, match="none in 1 of 2"):
        hits(np.zeros((2, 6, 7, 8)), np.stack([at(1, 1, 1), np.zeros((6, 7, 8))]))
    with pytest.raises(InputError, match="one shape"):
        hits(np.zeros((1, 6, 7, 8)), np.zeros((1, 6, 7, 7)))


def test_a_blind_guess_hits_as_often_as_cells_near_the_defect_are() -> None:
    """27 of the 60 cells looked at; by a thousand guesses, too."""
    where = np.zeros((1, 6, 7, 8), np.uint8)
    where[0, 1:6, 2:5, 2:6] = 3
    truth = at(3, 3, 4)[None]
    assert blind(truth, where)[0] == pytest.approx(27 / 60)
    rng, tried = np.random.default_rng(0), []
    for cell in rng.choice(np.flatnonzero(where), 1000):
        seen = np.zeros(where[0].size)
        seen[cell] = 1
        tried.append(hits(seen.reshape(where.shape), truth)[0])
    assert np.mean(tried) == pytest.approx(27 / 60, abs=0.05)


def test_every_kind_points_by_its_own_mask() -> None:
    """Gaps for what parts a joint; all joints with the kind, and those called; unknown ones in neither."""
    n = 4
    masks, seen = np.zeros((n, 4, 6, 7, 8), np.uint8), np.zeros((n, 4, 6, 7, 8), np.float16)
    for k, kind in enumerate(KINDS):
        mask = MASKS.index(POINTS_BY[kind])
        masks[k, mask] = at(2, 2, 2 + k)
        seen[k, mask] = at(2, 2, 2 + k) if kind != "bridging" else at(5, 6, 0)
    truth = np.eye(4)
    truth[0, 1] = np.nan
    called = np.eye(4, dtype=bool)
    called[3, 3] = False
    table = pointing_table(seen, masks, truth, called).set_index(["kind", "among"])
    assert table["n"].to_dict() == {
        (kind, among): int(among == "all" or kind != "head_in_pillow")
        for kind in KINDS
        for among in ("all", "called")
    }
    assert [table.loc[(kind, "all"), "hits"] for kind in KINDS] == [1, 1, 0, 1]
    assert tuple(table.loc[("void", "all"), ["low", "high"]]) == wilson(1, 1)
    assert np.isnan(table.loc[("head_in_pillow", "called"), "rate"])
    assert table.loc[("void", "all"), "blind"] == 1  # its own cell is all there is to look at
