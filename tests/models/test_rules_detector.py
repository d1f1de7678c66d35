"""The rule detector as a whole on phantoms, its files, and laws its verdicts obey. (The contract is elsewhere.)"""

import json

import numpy as np
import pytest
from sklearn.metrics import average_precision_score

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import truth_array
from jointwise.models.rules.detector import RuleDetector, measure_numbers
from jointwise.models.rules.numbers import NUMBERS, examine, numbers_of


@pytest.fixture(scope="module")
def known(mixed_phantoms) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Numbers and truth of the joints the rules are fitted on."""
    joints = mixed_phantoms(40, 0.1, 11)
    return measure_numbers(joints), truth_array(joints.table)


@pytest.fixture(scope="module")
def fitted(known) -> RuleDetector:
    return RuleDetector.fit_numbers(*known)


@pytest.fixture(scope="module")
def unseen(mixed_phantoms) -> Joints:
    return mixed_phantoms(25, 0.1, 12)


def test_kinds_are_told_apart_on_unseen_phantoms(fitted, unseen) -> None:
    scores, truth = fitted.score(unseen), truth_array(unseen.table)
    for k, kind in enumerate(KINDS):
        assert average_precision_score(truth[:, k], scores[:, k]) > 0.95, kind


def test_measures_stand_where_something_was_found(fitted, unseen) -> None:
    measures, table = fitted.measure(unseen), unseen.table
    parted = (table["head_in_pillow"] == 1) | (table["non_wet"] == 1)
    assert measures["gap_um"][parted].notna().mean() > 0.9
    assert measures["gap_um"][~parted].isna().mean() > 0.9
    assert (measures["bridge_neck_um"].notna() == (table["bridging"] == 1)).mean() > 0.95
    assert measures["void_projected_area_pct"][table["void"] == 1].min() > 5


def test_mirror_and_quarter_turn_leave_the_verdict(fitted, unseen) -> None:
    plain = fitted.score(unseen)
    for turned in (
        unseen.volumes[:, :, :, ::-1],
        unseen.volumes[:, :, ::-1],
        np.rot90(unseen.volumes, 1, (2, 3)),
    ):
        scores = fitted.score(Joints(np.ascontiguousarray(turned), unseen.table, unseen.grid))
        assert np.abs(scores - plain).max() < 0.2
        assert ((scores >= 0.5) == (plain >= 0.5)).all()


def test_upside_down_swaps_the_lands_only(phantom) -> None:
    joints = phantom(open_board=0.03)
    sizes = joints.table["pitch_mm"][0], joints.table["ball_mm"][0]
    up, down = (examine(v, joints.grid, *sizes) for v in (joints.volumes[0], joints.volumes[0][::-1]))
    assert up is not None
    assert down is not None
    assert (up.board.steep_mm, up.board.sag_mm) == pytest.approx(
        (down.package.steep_mm, down.package.sag_mm), abs=1e-4
    )
    np.testing.assert_allclose(numbers_of(up)["non_wet"][:6], numbers_of(down)["non_wet"][:6], atol=1e-3)


def test_a_coarser_grid_is_judged_too(fitted, phantom) -> None:
    fine = phantom(gap=0.04)
    coarse = fine.volumes.reshape(1, 24, 2, 28, 2, 28, 2).mean(axis=(2, 4, 6))
    scores = fitted.score(Joints(coarse, fine.table, Grid((24, 28, 28))))
    assert scores[0].argmax() == KINDS.index("head_in_pillow")


def test_numbers_are_finite_and_named(unseen) -> None:
    numbers = measure_numbers(unseen)
    for kind, names in NUMBERS.items():
        assert numbers[kind].shape == (len(unseen), len(names))
        assert np.isfinite(numbers[kind]).all()


def test_missing_balls_do_not_take_part_in_the_fit(known, phantom, fitted) -> None:
    numbers, truth = known
    missing = measure_numbers(phantom(present=False))
    assert all(np.isnan(v).all() for v in missing.values())
    more = {kind: np.concatenate([numbers[kind], missing[kind]]) for kind in KINDS}
    assert RuleDetector.fit_numbers(more, np.concatenate([truth, np.zeros((1, 4))])) == fitted


def test_file_is_plain_json(fitted, tmp_path) -> None:
    path = tmp_path / "rules with space.json"
    fitted.save(path)
    assert set(json.loads(path.read_text())) == {"format", "numbers", "fits"}
    assert RuleDetector.load(path) == fitted


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"format": "other"}', '{"format": "jointwise-rules-1", "numbers": {}}']
)
def test_other_files_are_refused_in_a_sentence(text, tmp_path) -> None:
    path = tmp_path / "rules.json"
    path.write_text(text)
    with pytest.raises(InputError, match="fit the rules again"):
        RuleDetector.load(path)


def test_a_fit_of_other_numbers_is_refused(fitted) -> None:
    data = fitted.to_json()
    data["fits"]["void"] = data["fits"]["bridging"]
    with pytest.raises(InputError, match="numbers for void"):
        RuleDetector.from_json(data)


def test_absent_file_is_refused(tmp_path) -> None:
    with pytest.raises(InputError, match=r"rules\.json"):
        RuleDetector.load(tmp_path / "rules.json")
