"""What a network knows by its features: distances by definition, limits that hold, scans that are told apart."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import torch
from scipy.spatial.distance import cdist

from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.models import folder as model_folder
from jointwise.models.bench import Judge
from jointwise.models.calibration import Calibration
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.familiar import Familiar, fit_familiar, medians
from jointwise.models.folder import FAMILIAR, load_model, save_model
from jointwise.models.learned import LearnedDetector
from jointwise.models.network import build_network
from jointwise.models.protocol import look
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import Thresholds

WIDTH = 12


def drawn(
    seed: int, scans: int, each: int = 20, shift: float = 0.0
) -> tuple[np.ndarray, np.ndarray, pd.DataFrame]:
    """Features (n, 12) of sound joints and of two kinds, which scans move as a whole; labels and rows."""
    random = np.random.default_rng(seed)
    n = scans * each
    kind, scan = random.integers(0, 3, n), np.repeat(np.arange(scans), each)
    truth = (kind[:, None] == np.arange(1, 5)).astype(float)
    moved = random.normal(0, 0.05, (scans, WIDTH))[scan]
    root = 1 + 0.5 * (kind[:, None] == np.arange(WIDTH) % 3) + moved + random.normal(0, 0.1, (n, WIDTH))
    root[:, 0] += shift
    table = pd.DataFrame({"board_id": [f"b{s}" for s in scan], "scan": "one"})
    return root**2, truth, table


@pytest.fixture(scope="module")
def fitted() -> Familiar:
    return fit_familiar(*drawn(1, 100))


def test_distance_is_that_of_mahalanobis_to_the_nearest_centre(fitted: Familiar) -> None:
    """By scipy, with the inverse covariance that the root makes."""
    features, _, _ = drawn(2, 3)
    inverse = fitted.root.astype(float) @ fitted.root.astype(float).T
    apart = cdist(np.sqrt(features), fitted.centres, "mahalanobis", VI=inverse).min(axis=1)
    assert fitted.distance(features) == pytest.approx(apart, rel=1e-6)


def test_the_covariance_is_that_within_clouds(fitted: Familiar) -> None:
    """Noise of 0.1 and scans of 0.05 make 0.0125 in each channel; kinds lie apart and do not count."""
    spread = np.linalg.inv(fitted.root.astype(float) @ fitted.root.astype(float).T)
    assert np.diag(spread) == pytest.approx(np.full(WIDTH, 0.0125), rel=0.2)
    assert len(fitted.centres) == 3
    assert fitted.centres[0, :3] == pytest.approx([1.5, 1, 1], abs=0.03)


def test_scans_like_those_of_training_lie_inside_and_moved_ones_outside(fitted: Familiar) -> None:
    """About one scan in a hundred beyond the limit; half of one spread in one channel of twelve is not enough."""
    features, _, table = drawn(3, 200)
    outside = fitted.unlike(fitted.distance(features), table) > 1
    assert outside.mean() < 0.04
    features, _, table = drawn(4, 20, shift=-0.6)
    assert (fitted.unlike(fitted.distance(features), table) > 1).all()


def test_limits_come_from_joints_whose_scan_was_left_out() -> None:
    """In as many channels as joints would fit by heart, a fit judged on itself would call new scans strange."""
    features, truth, table = drawn(5, 12, 30)
    wide = np.concatenate(
        [features, np.random.default_rng(6).normal(1, 0.2, (len(features), 100)) ** 2], axis=1
    )
    found = fit_familiar(wide, truth, table)
    itself = medians(found.distance(wide), table).max()
    assert found.scan_limit > itself


def test_one_odd_joint_is_outside_alone_and_an_odd_scan_as_a_whole(fitted: Familiar) -> None:
    """The joint's own distance counts beside its scan's median, and a site without a ball has its scan's."""
    table = pd.DataFrame({"board_id": ["a"] * 5 + ["b"] * 5, "scan": "one"})
    usual, odd = 0.5 * fitted.scan_limit, 2 * fitted.joint_limit
    apart = np.array([usual] * 4 + [odd] + [1.1 * fitted.scan_limit] * 4 + [np.nan])
    outside = fitted.unlike(apart, table) > 1
    assert outside.tolist() == [False] * 4 + [True] + [True] * 5
    assert fitted.unlike(apart[:5], table[[]].iloc[:5]) == pytest.approx(fitted.unlike(apart, table)[:5])


@pytest.mark.parametrize("scans", [3, 9])
def test_too_few_scans_are_refused(scans: int) -> None:
    """Few scans say nothing of how scans differ."""
    with pytest.raises(InputError, match="at least 10 scans"):
        fit_familiar(*drawn(1, scans, 60))


GRID = Grid((16, 16, 16))
SETTINGS = NetworkSettings("tiny", widths=(4, 4, 8, WIDTH), sizes=True)


def joints(n: int = 40) -> Joints:
    volumes = np.random.default_rng(1).random((n, *GRID.shape)).astype(np.float16)
    table = pd.DataFrame(
        {"pitch_mm": 0.8, "ball_mm": 0.5, "voxels_per_ball": 20.0, "cnr": 30.0}, index=range(n)
    )
    return Joints(volumes, table.assign(board_id="a", scan="one"), GRID)


@pytest.fixture
def saved(tmp_path: Path, fitted: Familiar) -> Path:
    torch.manual_seed(0)
    envelope = Envelope({"voxels_per_ball": (10.0, 60.0), "cnr": (3.0, None)}).with_features()
    cuts = Thresholds(((0.5,) * 4,), "f1", None, ((9,) * 4,), ((30,) * 4,))
    card = Card("tiny", GRID, SETTINGS, cuts, Calibration(), envelope, {}, "0", {})
    save_model(tmp_path / "model", build_network(SETTINGS), card, familiar=fitted)
    return tmp_path / "model"


def test_one_look_gives_scores_measures_and_distances_of_the_last_layers_input(saved: Path) -> None:
    """The last layer applied to the features gives the logits; saved and loaded, they are the same."""
    detector = load_model(saved)
    features, some = detector.features(joints()), joints()
    last = detector.network.backbone.fc
    logits = features @ last.weight.detach().numpy().T + last.bias.detach().numpy()
    assert logits[:, :4] == pytest.approx(detector.logits(some), abs=1e-5)
    found = look(detector, some)
    assert found.scores.tolist() == detector.score(some).tolist()
    pd.testing.assert_frame_equal(found.measures, detector.measure(some))
    assert detector.familiar is not None
    assert found.apart == pytest.approx(detector.familiar.distance(features))
    assert not [m for m in detector.network.modules() if m._forward_pre_hooks]


def test_a_judge_holds_scans_to_the_limit_of_features(saved: Path) -> None:
    """Noise is no joint: inside by voxels and noise, outside by what the network sees. Without a look all are in."""
    detector = load_model(saved)
    judge = Judge(detector, detector.card.thresholds, detector.card.envelope)
    table = judge.told(joints().table, look(detector, joints()).apart)
    assert (table["unlike"] > 1).all()
    assert judge.outside(table).all()
    assert judge.reasons(table)[0].startswith("unlikeness to the training joints, 1 being the limit: ")
    assert "trained on" not in judge.reasons(table)[0]
    assert not judge.outside(judge.told(joints().table, None)).any()
    blind = LearnedDetector(detector.network, detector.card, detector.device)
    assert look(blind, joints()).apart is None


def test_tensors_of_another_card_are_refused(saved: Path) -> None:
    """And so are none where the card speaks of some; a card that does not is an older one."""
    tensors = (saved / FAMILIAR).read_bytes()
    (saved / FAMILIAR).write_bytes(tensors[:-4] + b"\0\0\0\1")
    with pytest.raises(InputError, match=FAMILIAR):
        load_model(saved)
    (saved / FAMILIAR).unlink()
    with pytest.raises(InputError, match=FAMILIAR):
        model_folder.load_model(saved)
