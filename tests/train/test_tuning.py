"""Tuning by turns: no network judges what it learned from, and joints kept back say how far to go."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from scipy.special import expit

from jointwise.joints.errors import InputError
from jointwise.models.calibration import Calibration
from jointwise.models.folder import load_model
from jointwise.models.settings import NetworkSettings
from jointwise.train import run, tuning
from jointwise.train.run import prepare, train
from jointwise.train.settings import OF_MODEL, OptimiserSettings, TrainSettings
from jointwise.train.tuning import SHARES, between, chosen

TINY = NetworkSettings("tiny", widths=(8, 16, 16, 16))


@pytest.fixture(autouse=True)
def no_picture(monkeypatch: pytest.MonkeyPatch) -> None:
    """The page of examples is not what is tested here."""
    monkeypatch.setattr(run, "_draw_examples", lambda *_: None)


@pytest.fixture(scope="module")
def first(store: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A model folder after an epoch."""
    out = tmp_path_factory.mktemp("first") / "run"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "_draw_examples", lambda *_: None)
        return train(TrainSettings(store, out, epochs=1, threads=1, device="cpu", network=TINY))


def tuning_of(data: Path, out: Path, init_from: Path) -> TrainSettings:
    return TrainSettings(
        data, out, init_from=init_from, statistics=False, folds=3, epochs=1, batch=8, threads=1, device="cpu",
        rules=False, network=NetworkSettings(name=OF_MODEL), optimiser=OptimiserSettings(3e-3, weight_decay=0),
    )  # fmt: skip


def test_all_joints_are_learned_from_and_each_is_judged_by_networks_without_its_board(
    store: Path, first: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three boards: the training sees all joints, then all but those of each board in turn."""
    learned: list[set[str]] = []
    fit = tuning.fit

    def seen(network, optimiser, training, validation, *rest):  # type: ignore[no-untyped-def]
        assert validation is None
        learned.append(set(training.table["board_id"]))
        fit(network, optimiser, training, validation, *rest)

    monkeypatch.setattr(tuning, "fit", seen)
    cfg = tuning_of(store, tmp_path / "out", first)
    task = prepare(cfg)
    assert len(task.training) == len(task.validation) == 117
    card = load_model(train(cfg)).card
    assert sorted(map(sorted, learned)) == [["b1", "b2"], ["b1", "b3"], ["b2", "b3"]]
    assert card.metrics["tuned"]["parts"] == 3
    assert (card.data["training_joints"], card.data["validation_joints"]) == (117, 117)


def test_joints_of_further_stores_are_always_learned_and_never_asked(
    store: Path, first: Path, make_store, tmp_path: Path
) -> None:  # type: ignore[no-untyped-def]
    """Part -1, and not among the validation joints."""
    more = make_store(tmp_path / "more", 20, 10)
    task = prepare(replace(tuning_of(store, tmp_path / "out", first), more_data=(more,)))
    assert task.part is not None
    own = task.training.table["scan"].str.startswith("1:").to_numpy()
    assert (task.part[~own] == -1).all()
    assert set(task.part[own]) == {0, 1, 2}
    assert len(task.validation) == own.sum() == 117


def test_weights_that_the_joints_kept_back_do_not_want_are_left_alone(
    store: Path, first: Path, tmp_path: Path
) -> None:
    """A rate that ruins the network: share 0, the first weights."""
    cfg = tuning_of(store, tmp_path, first)
    model = load_model(train(replace(cfg, optimiser=replace(cfg.optimiser, lr=3.0))))
    assert model.card.metrics["tuned"]["share"] == 0
    before = load_model(first).network.state_dict()
    assert all(
        torch.equal(value, before[name])
        for name, value in model.network.state_dict().items()
        if "num_b" not in name
    )


def test_without_learning_only_the_calibration_is_new(store: Path, first: Path, tmp_path: Path) -> None:
    """Weights and cuts stay to the bit."""
    model = load_model(train(replace(tuning_of(store, tmp_path, first), learn="none")))
    before = load_model(first)
    assert all(torch.equal(v, before.network.state_dict()[k]) for k, v in model.network.state_dict().items())
    assert model.card.thresholds == before.card.thresholds
    assert model.card.calibration.offsets != before.card.calibration.offsets


def test_the_share_with_the_least_loss_is_taken() -> None:
    """Logits that are right, half right and noise; which place is best follows their order, not their boldness."""
    rng = np.random.default_rng(0)
    right = rng.normal(0, 2, (300, 4))
    truth = (rng.random((300, 4)) < expit(right)).astype(float)
    truth[:50, 0] = np.nan
    half, noise = right + rng.normal(0, 2, right.shape), rng.normal(0, 2, right.shape)
    for place in range(3):
        said = np.stack([noise, half, noise])
        said[place] = 0.3 * right
        assert chosen(Calibration(), truth, said)[0] == place


def test_the_way_between_is_straight() -> None:
    """Ends are kept to the bit; counters are the last's."""
    first, last = (
        {"w": torch.tensor([1.0, 0.1]), "n": torch.tensor(3)},
        {"w": torch.tensor([2.0, 0.7]), "n": torch.tensor(9)},
    )
    for share in SHARES:
        found = between(first, last, share)
        assert torch.allclose(found["w"], first["w"] + share * (last["w"] - first["w"]))
        assert found["n"] == 9
    assert torch.equal(between(first, last, 0)["w"], first["w"])
    assert torch.equal(between(first, last, 1)["w"], last["w"])


def test_what_does_not_go_together_is_refused(store: Path, first: Path) -> None:
    """One part keeps nothing back; learning nothing needs parts, or nothing would be fitted."""
    with pytest.raises(InputError, match="folds: expected 2 or more"):
        TrainSettings(store, folds=1)
    with pytest.raises(InputError, match="data_validates: expected no folds"):
        TrainSettings(store, data_validates=True, folds=2)
    with pytest.raises(InputError, match="expected init_from and folds with learn=none"):
        TrainSettings(store, init_from=first, learn="none")


def test_folds_without_a_model_to_start_from_are_refused(store: Path, first: Path, tmp_path: Path) -> None:
    """They would be passed over in silence."""
    alone = replace(tuning_of(store, tmp_path / "run", first), init_from=None, network=TINY)
    with pytest.raises(InputError, match="folds: expected init_from"):
        prepare(alone)
