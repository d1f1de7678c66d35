"""The loop: what counts in its loss, how it steps, and when it stops."""

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import torch
from sklearn.metrics import average_precision_score, precision_score, recall_score
from torch import nn
from torch.nn import functional

from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.train.augment import apply, draw
from jointwise.train.checkpoint import Progress
from jointwise.train.data import Split, positive_weights
from jointwise.train.loop import (
    SPEED,
    fit,
    judge,
    learning_rate,
    learns_in_bf16,
    make_optimiser,
    masked_loss,
    out_of_patience,
    predict,
    sizes_loss,
    take_step,
)
from jointwise.train.settings import AugmentSettings, OptimiserSettings, TrainSettings

NAN = float("nan")
EVEN = torch.ones(4)


class Linear(nn.Module):
    """Logits from the mean of eight parts of a sub-volume: enough to see the loop at work."""

    def __init__(self, columns: int = 4) -> None:
        super().__init__()
        self.layer = nn.Linear(8, columns)

    def forward(self, volumes: torch.Tensor) -> torch.Tensor:
        return self.layer(volumes.reshape(len(volumes), 8, -1).mean(dim=2))


def split(n: int, seed: int) -> Split:
    """Joints whose parts 0 to 3 are bright where they have the kind of that number."""
    rng = np.random.default_rng(seed)
    truth = (rng.random((n, 4)) < 0.4).astype(np.float32)
    parts = rng.normal(0, 0.1, (n, 8)) + np.concatenate([truth, np.zeros((n, 4))], axis=1)
    volumes = np.repeat(parts, 64, axis=1).reshape(n, 8, 8, 8).astype(np.float16)
    return Split(torch.from_numpy(volumes), torch.from_numpy(truth), pd.DataFrame(index=range(n)))


def trained(
    training: Split, validation: Split, columns: int = 4, **changes: Any
) -> tuple[Progress, list[int], list[int]]:
    """Progress after a run of the loop; how often it saved, and the steps it told of."""
    settings = TrainSettings(
        **{"data": Path("x"), "epochs": 6, "batch": 8, "optimiser": OptimiserSettings(lr=0.3)} | changes
    )
    torch.manual_seed(1)
    network, progress = Linear(columns), Progress()
    saves: list[int] = []
    told: list[int] = []
    fit(
        network,
        make_optimiser(network, settings.optimiser),
        training,
        validation,
        settings,
        progress,
        lambda now: saves.append(now.step),
        lambda done, *_: told.append(done),
    )
    return progress, saves, told


def test_it_learns_what_can_be_learned() -> None:
    """Floor: parts that say it all are found in six epochs, and the loss fell on the way."""
    progress, saves, told = trained(split(64, 1), split(40, 2))
    last = progress.history[-1]
    assert all(last["kinds"][kind]["ap"] > 0.99 for kind in KINDS)
    assert last["validation_loss"] < 0.5 * progress.history[0]["validation_loss"]
    assert told == list(range(1, 6 * 8 + 1))
    assert saves == [0] * 6


def test_a_run_repeated_repeats_bit_for_bit() -> None:
    """Same seed, same history and weights; another seed, others."""
    first, again, other = (trained(split(64, 1), split(40, 2), seed=seed, epochs=2)[0] for seed in (1, 1, 2))
    for progress in (first, again, other):
        assert all(line.pop(SPEED) > 0 for line in progress.history)
    assert first.history == again.history
    assert all(torch.equal(first.best[name], again.best[name]) for name in first.best)
    assert first.history != other.history


def test_bf16_learns_about_the_same_and_says_how_far_it_is_off() -> None:
    """Weights and validation stay float32; the difference of one batch is in every line, and none in float32's."""
    half, full = (trained(split(64, 1), split(40, 2), precision=p)[0] for p in ("bf16", "fp32"))
    assert all(value.dtype == torch.float32 for value in half.best.values())
    for rough, line in zip(half.history, full.history, strict=True):
        assert rough["validation_loss"] == pytest.approx(line["validation_loss"], rel=0.05)
        assert rough["validation_loss"] != line["validation_loss"]
        assert 0 < rough["bf16_difference"] < 0.1
        assert "bf16_difference" not in line
    auto = trained(split(64, 1), split(40, 2))[0]
    assert all(torch.equal(auto.best[name], full.best[name]) for name in full.best)


def test_precision_is_what_the_device_takes_unless_it_is_named() -> None:
    """bfloat16 on a card alone."""
    cpu, card = torch.device("cpu"), torch.device("cuda")
    assert [learns_in_bf16("auto", d) for d in (cpu, card)] == [False, True]
    assert [learns_in_bf16("bf16", d) for d in (cpu, card)] == [True, True]
    assert [learns_in_bf16("fp32", d) for d in (cpu, card)] == [False, False]


@pytest.mark.skipif(not torch.cuda.is_available(), reason="needs a CUDA card")
def test_a_card_is_not_waited_for_between_looks_at_the_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    """torch refuses whatever would synchronise within the steps of an epoch; all of augmentation is in use."""
    from jointwise.train import loop

    def strict(*arguments: Any) -> None:
        torch.cuda.set_sync_debug_mode("error")
        try:
            step(*arguments)
        finally:
            torch.cuda.set_sync_debug_mode("default")

    step, device = loop.take_step, torch.device("cuda")
    monkeypatch.setattr(loop, "take_step", strict)
    network = Linear().to(device)
    settings = TrainSettings(Path("x"), epochs=2, batch=8)
    optimiser, progress = make_optimiser(network, settings.optimiser), Progress()
    fit(network, optimiser, split(64, 1), split(40, 2), settings, progress, lambda _: None, lambda *_: None)
    assert progress.epoch == 2
    record = draw(AugmentSettings(0.5, 0.7, 0.5, 0.02, 0.05, 0.1, 0.5, 0.1, 0.1), 8, 0, 0, 0)
    volumes = torch.rand(8, 8, 8, 8, device=device)
    torch.cuda.set_sync_debug_mode("error")
    try:
        apply(volumes, record)
    finally:
        torch.cuda.set_sync_debug_mode("default")


def test_unknown_labels_count_nowhere() -> None:
    """Loss and gradient are those of the known labels alone."""
    logits = torch.randn(6, 4, generator=torch.Generator().manual_seed(0), requires_grad=True)
    truth = torch.tensor([[1, 0, NAN, 1]] * 3 + [[NAN] * 4] + [[0, NAN, NAN, 1]] * 2)
    loss = masked_loss(logits, truth, EVEN)
    loss.backward()  # type: ignore[no-untyped-call]
    known = ~torch.isnan(truth)
    expected = functional.binary_cross_entropy_with_logits(logits[known], truth[known])
    torch.testing.assert_close(loss, expected)
    assert logits.grad is not None
    assert (logits.grad[~known] == 0).all()
    assert (logits.grad[known] != 0).all()


def test_a_batch_without_any_label_has_no_loss() -> None:
    """0, not NaN, which would end the training."""
    assert masked_loss(torch.ones(3, 4), torch.full((3, 4), NAN), EVEN).item() == 0


def with_sizes(joints: Split) -> Split:
    """The same joints; size k is 2 where part 4 + k is bright, which no kind tells; every fifth joint's are unknown."""
    bright = np.random.default_rng(7).random((len(joints), 3)) < 0.5
    volumes = joints.volumes.clone()
    volumes[:, 4:7] += torch.from_numpy(bright.astype(np.float16))[:, :, None, None]
    sizes = torch.from_numpy(2 * bright.astype(np.float32))
    sizes[::5] = NAN
    return replace(joints, volumes=volumes, sizes=sizes)


def test_sizes_are_learned_beside_the_kinds() -> None:
    """Floor: what the bright parts tell of sizes is found, and the kinds are found as well as without."""
    training = with_sizes(split(64, 1))
    changes = {"epochs": 12, "optimiser": OptimiserSettings(lr=0.1)}
    progress = trained(training, with_sizes(split(40, 2)), columns=7, **changes)[0]
    network = Linear(7)
    network.load_state_dict(progress.best)
    known = ~torch.isnan(training.sizes).any(dim=1)  # type: ignore[arg-type]
    with torch.inference_mode():
        off = network(training.volumes.float())[known, 4:] - training.sizes[known]  # type: ignore[index]
    assert off.abs().mean() < 0.3  # 1 without learning
    assert all(progress.history[-1]["kinds"][kind]["ap"] > 0.99 for kind in KINDS)
    assert predict(network, training, 8).shape == (64, 4)


def test_sizes_of_no_weight_leave_a_training_as_it_was() -> None:
    """Bit for bit that of joints whose sizes are not known to it; with a weight it is another."""
    training, validation = with_sizes(split(64, 1)), with_sizes(split(40, 2))
    bare = replace(training, sizes=None)
    cases = ((bare, 1.0), (bare, 0.0), (training, 0.0), (training, 1.0), (training, 0.1))
    runs = [
        trained(some, validation, columns=7, sizes_weight=weight, epochs=2)[0].best["layer.weight"]
        for some, weight in cases
    ]
    assert torch.equal(runs[0], runs[1])
    assert torch.equal(runs[0], runs[2])
    assert not torch.equal(runs[0], runs[3])
    assert not torch.equal(runs[3], runs[4])


def test_unknown_sizes_count_nowhere() -> None:
    """Loss and gradient are those of the known sizes alone; without any the loss is 0."""
    said = torch.randn(6, 3, generator=torch.Generator().manual_seed(0), requires_grad=True)
    sizes = torch.tensor([[1.0, 0.0, NAN]] * 3 + [[NAN] * 3] + [[0.2, NAN, 2.0]] * 2)
    loss = sizes_loss(said, sizes)
    loss.backward()  # type: ignore[no-untyped-call]
    known = ~torch.isnan(sizes)
    torch.testing.assert_close(loss, functional.smooth_l1_loss(said[known], sizes[known], beta=0.25))
    assert said.grad is not None
    assert (said.grad[~known] == 0).all()
    assert (said.grad[known] != 0).all()
    assert sizes_loss(torch.ones(3, 3), torch.full((3, 3), NAN)).item() == 0


def test_distance_of_sizes_is_squared_below_a_quarter_and_plain_above() -> None:
    """Off by 0.1: 0.1² / (2 · 0.25); off by 2: 2 - 0.25 / 2."""
    for off, expected in ((0.0, 0.0), (0.1, 0.02), (-0.1, 0.02), (2.0, 1.875)):
        found = sizes_loss(torch.tensor([[1.0 + off, 0.0, 0.0]]), torch.tensor([[1.0, NAN, NAN]]))
        assert found.item() == pytest.approx(expected, abs=1e-6)


def test_balance_weighs_joints_that_have_the_kind() -> None:
    """Weight 3 is three such joints instead of one."""
    logits, truth = torch.tensor([[0.3] * 4, [-1.0] * 4]), torch.tensor([[1.0] * 4, [0.0] * 4])
    weighed = masked_loss(logits, truth, torch.full((4,), 3.0)) * 2
    plain = functional.binary_cross_entropy_with_logits
    torch.testing.assert_close(weighed, 3 * plain(logits[:1], truth[:1]) + plain(logits[1:], truth[1:]))


def test_judge_agrees_with_scikit_learn() -> None:
    """Precision, recall and AP per kind of the known labels, at the undecided probability."""
    rng = np.random.default_rng(3)
    truth = (rng.random((50, 4)) < 0.3).astype(np.float32)
    truth[::5, 1] = np.nan
    logits = torch.from_numpy(rng.normal(0, 1, (50, 4)).astype(np.float32))
    line = judge(logits, torch.from_numpy(truth), EVEN)
    for k, kind in enumerate(KINDS):
        known = ~np.isnan(truth[:, k])
        labels, scores = truth[known, k], logits.numpy()[known, k]
        found = line["kinds"][kind]
        assert (found["with"], found["without"]) == (labels.sum(), (labels == 0).sum())
        assert found["ap"] == pytest.approx(average_precision_score(labels, scores))
        assert found["precision"] == pytest.approx(precision_score(labels, scores >= 0))
        assert found["recall"] == pytest.approx(recall_score(labels, scores >= 0))


def test_what_is_not_defined_is_null_not_zero() -> None:
    """No joint has void: no recall, no AP; nothing called: no precision."""
    kinds = judge(torch.full((5, 4), -3.0), torch.zeros(5, 4), EVEN)["kinds"]
    assert kinds["void"] == {"with": 0, "without": 5, "precision": None, "recall": None, "ap": None}


def test_it_stops_when_validation_gets_no_better_and_keeps_the_best() -> None:
    """Validation that contradicts training is best before anything is learned."""
    training, validation = split(64, 1), split(40, 2)
    contrary = Split(validation.volumes, 1 - validation.truth, validation.table)
    progress, _, _ = trained(training, contrary, epochs=30, patience=3)
    assert progress.epoch == progress.best_epoch + 3 < 30
    assert progress.best_loss == min(line["validation_loss"] for line in progress.history)
    network = Linear()
    network.load_state_dict(progress.best)
    again = masked_loss(predict(network, contrary, 8), contrary.truth, positive_weights(training.truth, 4.0))
    assert again.item() == progress.best_loss
    assert not out_of_patience(progress, 0)
    assert not out_of_patience(progress, 4)


def test_checkpoints_come_between_epochs_too_if_asked() -> None:
    """Every three steps, and after each epoch of eight; no two for one step."""
    _, saves, _ = trained(split(64, 1), split(40, 2), epochs=3, checkpoint_steps=4)
    assert saves == [4, 0, 4, 0, 4, 0]


def test_joints_fewer_than_a_batch_are_trained_on() -> None:
    """One step per epoch with all there are."""
    progress, _, told = trained(split(5, 1), split(10, 2), epochs=2)
    assert told == [1, 2]
    assert progress.epoch == 2


def test_a_loss_that_is_no_number_ends_the_training_in_words() -> None:
    """It says where and what to lower."""
    training = split(16, 1)
    training.volumes[3] = float("inf")
    with pytest.raises(InputError, match=r"finite loss.*epoch 1, step [12].*optimiser\.lr"):
        trained(training, split(10, 2))


def test_learning_rate_rises_and_falls_as_said() -> None:
    """one_cycle peaks after the warm-up and ends near zero; cosine starts at its peak; constant stays."""
    one = [learning_rate(OptimiserSettings(lr=1.0, warmup=0.2), i, 100) for i in range(100)]
    assert one[0] == pytest.approx(1 / 21)
    assert np.argmax(one) == 20
    assert one[20] == 1.0
    assert one[60] == pytest.approx(0.5)
    assert 0 < one[-1] < 0.001
    cosine = [learning_rate(OptimiserSettings(lr=1.0, schedule="cosine"), i, 100) for i in range(100)]
    assert cosine[0] == 1.0
    assert cosine[50] == pytest.approx(0.5)
    assert learning_rate(OptimiserSettings(lr=0.1, schedule="constant"), 77, 100) == 0.1


def test_only_weights_decay() -> None:
    """Biases and normalisation keep their size."""
    groups = make_optimiser(
        nn.Sequential(nn.Conv3d(1, 2, 3), nn.BatchNorm3d(2)), OptimiserSettings()
    ).param_groups
    assert [(len(g["params"]), g["weight_decay"] > 0) for g in groups] == [(1, True), (3, False)]


def test_gradients_are_clipped() -> None:
    """Plain descent with rate 1 moves the weights by the gradient: at most by the limit."""
    network = nn.Linear(2, 1, bias=False)
    before = network.weight.detach().clone()
    loss = network(torch.tensor([[300.0, 400.0]])).sum()
    take_step(network, torch.optim.SGD(network.parameters(), lr=1.0), loss, clip=5.0)
    moved = (network.weight.detach() - before).flatten()
    torch.testing.assert_close(moved, torch.tensor([-3.0, -4.0]), atol=1e-4, rtol=0)
    assert math.isclose(float(moved.norm()), 5.0, rel_tol=1e-3)
