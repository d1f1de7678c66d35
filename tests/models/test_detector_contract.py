"""What everything that claims to be a detector must do: written once, run over each of them.

A new detector joins by one entry in CANDIDATES: a function of (joints to fit on, folder) that returns the detector
and the same detector saved to the folder and loaded again.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import torch

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import N_KINDS
from jointwise.joints.schema import MEASURES, truth_array
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import load_model, save_model
from jointwise.models.learned import LearnedDetector, find_device
from jointwise.models.network import build_network
from jointwise.models.novelty import NoveltyDetector, cells_of, read_novelty, write_novelty
from jointwise.models.protocol import Detector, score_and_measure
from jointwise.models.rules.detector import RuleDetector
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import Thresholds

Pair = tuple[Detector, Detector]


def rules(joints: Joints, folder: Path) -> Pair:
    """The rule detector, fitted."""
    detector = RuleDetector.fit(joints, truth_array(joints.table))
    detector.save(folder / "rules.json")
    return detector, RuleDetector.load(folder / "rules.json")


def network(joints: Joints, folder: Path, sizes: bool = False) -> Pair:
    """The network with its first weights: the contract does not ask how good it is."""
    settings = NetworkSettings("tiny", widths=(4, 8, 8, 8), stem_stride=(2, 4, 4), sizes=sizes)
    torch.manual_seed(0)
    weights, flat = build_network(settings), (0.5,) * N_KINDS
    thresholds = Thresholds((flat,), "f1", None, ((1,) * N_KINDS,), ((1,) * N_KINDS,))
    envelope = Envelope.of(joints.table.assign(board_id="b1", scan="s1"))
    card = Card("tiny", joints.grid, settings, thresholds, Calibration(), envelope, {}, "0", {})
    save_model(folder / "model", weights, card)
    return LearnedDetector(weights, card, find_device("cpu")), load_model(folder / "model")


def network_with_sizes(joints: Joints, folder: Path) -> Pair:
    """The same, which measures voids too."""
    return network(joints, folder, sizes=True)


def novelty(joints: Joints, folder: Path) -> Pair:
    """The novelty detector, fitted as if all were sound: the contract does not ask how good it is."""
    truth, cells = truth_array(joints.table), cells_of(joints.volumes)
    detector = NoveltyDetector.fit(cells, cells, truth, joints.grid)
    flat = (0.5,) * N_KINDS
    write_novelty(folder, detector, Thresholds((flat,), "f1", None, ((1,) * N_KINDS,), ((1,) * N_KINDS,)), {})
    return detector, read_novelty(folder)[0]


CANDIDATES: dict[str, Callable[[Joints, Path], Pair]] = {
    "rules": rules,
    "network": network,
    "network with sizes": network_with_sizes,
    "novelty": novelty,
}

# The network averages in float32, in an order that depends on the batch; the rules are exact.
CLOSE = {"rtol": 1e-5, "atol": 1e-6}


def _same(detector: Detector, a: Joints, b: Joints) -> None:
    np.testing.assert_allclose(detector.score(a), detector.score(b), **CLOSE)
    left, right = detector.measure(a), detector.measure(b)
    np.testing.assert_allclose(left.to_numpy(), right.to_numpy(), **CLOSE)


def check_form(pair: Pair, joints: Joints) -> None:
    """Scores (n, 4) float64 in [0, 1]; measures by name, finite or NaN."""
    detector = pair[0]
    assert isinstance(detector, Detector)
    assert detector.name
    scores, measures = detector.score(joints), detector.measure(joints)
    assert scores.shape == (len(joints), N_KINDS)
    assert scores.dtype == np.float64
    assert (scores >= 0).all()
    assert (scores <= 1).all()
    assert tuple(measures.columns) == MEASURES
    assert list(measures.index) == list(range(len(joints)))
    assert not np.isinf(measures.to_numpy()).any()


def check_one_equals_many(pair: Pair, joints: Joints) -> None:
    """A batch of one says what a batch of many says of that joint."""
    detector = pair[0]
    scores, measures = detector.score(joints), detector.measure(joints)
    for row in range(len(joints)):
        one = joints.take([row])
        np.testing.assert_allclose(detector.score(one)[0], scores[row], **CLOSE)
        np.testing.assert_allclose(detector.measure(one).to_numpy()[0], measures.to_numpy()[row], **CLOSE)


def check_order_does_not_matter(pair: Pair, joints: Joints) -> None:
    """Shuffled joints get shuffled verdicts."""
    detector = pair[0]
    order = np.random.default_rng(3).permutation(len(joints))
    shuffled = joints.take(order)
    np.testing.assert_allclose(detector.score(shuffled), detector.score(joints)[order], **CLOSE)
    np.testing.assert_allclose(
        detector.measure(shuffled).to_numpy(), detector.measure(joints).to_numpy()[order], **CLOSE
    )


def check_strange_neighbour(pair: Pair, joints: Joints) -> None:
    """One absurd joint in a batch leaves the others as they were."""
    detector = pair[0]
    volumes = joints.volumes.copy()
    volumes[0] = 1e3 * np.random.default_rng(4).normal(size=volumes.shape[1:])
    strange = Joints(volumes, joints.table, joints.grid)
    np.testing.assert_allclose(detector.score(strange)[1:], detector.score(joints)[1:], **CLOSE)


def check_input_not_modified(pair: Pair, joints: Joints) -> None:
    """Neither sub-volumes nor table change."""
    volumes, table = joints.volumes.copy(), joints.table.copy(deep=True)
    pair[0].score(joints)
    pair[0].measure(joints)
    np.testing.assert_array_equal(joints.volumes, volumes)
    assert joints.table.equals(table)


def check_read_only_arrays(pair: Pair, joints: Joints) -> None:
    """Memory-mapped, read-only sub-volumes are judged like others."""
    volumes = joints.volumes.copy()
    volumes.flags.writeable = False
    _same(pair[0], Joints(volumes, joints.table, joints.grid), joints)


def check_both_float_types(pair: Pair, joints: Joints) -> None:
    """float16, as stored, and the same numbers as float32 or float64 give the same verdict."""
    half = joints.volumes.astype(np.float16)
    stored = Joints(half, joints.table, joints.grid)
    for kind in (np.float32, np.float64):
        _same(pair[0], stored, Joints(half.astype(kind), joints.table, joints.grid))


def check_nan_refused_in_words(pair: Pair, joints: Joints) -> None:
    """A value that is not finite is refused in one sentence that names the joint."""
    for bad in (np.nan, np.inf):
        volumes = joints.volumes.copy()
        volumes[1, 5, 5, 5] = bad
        broken = Joints(volumes, joints.table, joints.grid)
        for ask in (pair[0].score, pair[0].measure):
            with pytest.raises(InputError, match=str(joints.table["ball"].iloc[1])) as caught:
                ask(broken)
            assert "\n" not in str(caught.value)


def check_sizes_refused_in_words(pair: Pair, joints: Joints) -> None:
    """A missing or absurd pitch is refused in a sentence that names the column."""
    absurd = joints.table.assign(pitch_mm=-1.0)
    for table in (joints.table.drop(columns="pitch_mm"), absurd):
        with pytest.raises(InputError, match="pitch_mm"):
            pair[0].score(Joints(joints.volumes, table, joints.grid))


def check_saved_is_the_same(pair: Pair, joints: Joints) -> None:
    """Saved and loaded, a detector gives the same numbers, bit for bit."""
    detector, again = pair
    assert again.name == detector.name
    np.testing.assert_array_equal(again.score(joints), detector.score(joints))
    np.testing.assert_array_equal(again.measure(joints).to_numpy(), detector.measure(joints).to_numpy())


def check_empty_batch(pair: Pair, joints: Joints) -> None:
    """No joints, no verdicts, same form."""
    empty = joints.take([])
    assert pair[0].score(empty).shape == (0, N_KINDS)
    measures = pair[0].measure(empty)
    assert len(measures) == 0
    assert tuple(measures.columns) == MEASURES


def check_missing_ball(pair: Pair, joints: Joints) -> None:
    """A site without a ball, and a box of plain air, are judged without a fall."""
    volumes = joints.volumes.copy()
    volumes[0] = 0
    bare = Joints(volumes, joints.table, joints.grid)
    assert np.isfinite(pair[0].score(bare)).all()
    missing = joints.take(np.flatnonzero(joints.table["present"].to_numpy() == 0))
    assert len(missing) == 1
    assert np.isfinite(pair[0].score(missing)).all()
    pair[0].measure(bare)


def check_repeats(pair: Pair, joints: Joints) -> None:
    """Asked twice, a detector says the same, bit for bit."""
    np.testing.assert_array_equal(pair[0].score(joints), pair[0].score(joints))


def check_in_one_pass(pair: Pair, joints: Joints) -> None:
    """Scored and measured in one look, it says what it says in two, bit for bit."""
    scores, measures = score_and_measure(pair[0], joints)
    np.testing.assert_array_equal(scores, pair[0].score(joints))
    np.testing.assert_array_equal(measures.to_numpy(), pair[0].measure(joints).to_numpy())


CHECKS: dict[str, Callable[[Pair, Joints], None]] = {
    name.removeprefix("check_"): value for name, value in list(globals().items()) if name.startswith("check_")
}


@pytest.fixture(scope="module", params=list(CANDIDATES))
def pair(request: Any, mixed_phantoms: Callable[..., Joints], tmp_path_factory: Any) -> Pair:
    """One detector, fitted on a few phantoms, and itself saved and loaded."""
    return CANDIDATES[request.param](mixed_phantoms(30, 0.08, 1), tmp_path_factory.mktemp(request.param))


@pytest.fixture(scope="module")
def joints(mixed_phantoms: Callable[..., Joints], phantom: Callable[..., Joints]) -> Joints:
    """Six joints: sound, each kind, and a missing ball."""
    return Joints.concatenate([mixed_phantoms(5, 0.08, 2), phantom(present=False, noise=0.08)])


@pytest.mark.parametrize("check", list(CHECKS))
def test_contract(check: str, pair: Pair, joints: Joints) -> None:
    """Every check on every detector."""
    CHECKS[check](pair, joints)
