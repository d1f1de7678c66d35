"""One training from store to model folder: data, loop, calibration, thresholds, files."""

import copy
import dataclasses
import json
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import torch
from numpy.typing import NDArray

from jointwise.evaluation.pictures import contact_sheet
from jointwise.evaluation.statistics.measures import Bools, Floats, average_precision, count
from jointwise.joints.atomic import write_bytes
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import SAMPLE_COLUMNS, truth_array
from jointwise.joints.store import Store
from jointwise.models.calibration import fit_calibration, reliability
from jointwise.models.card import Card
from jointwise.models.envelope import Envelope
from jointwise.models.folder import save_model
from jointwise.models.learned import MEASURED_BY, LearnedDetector, find_device
from jointwise.models.measured import choose
from jointwise.models.network import JointNetwork, build_network, cost
from jointwise.models.settings import NetworkSettings
from jointwise.models.thresholds import choose_thresholds
from jointwise.train.augment import mixed_seed
from jointwise.train.checkpoint import Progress, load_checkpoint, save_checkpoint
from jointwise.train.data import Split, facts, load_split, positive_weights, steps_per_epoch
from jointwise.train.labelled import parted
from jointwise.train.loop import Tell, fit, make_optimiser, masked_loss, predict
from jointwise.train.provenance import code_version
from jointwise.train.run_folder import EXAMPLES, MODEL, VALIDATION, RunFolder
from jointwise.train.settings import TrainSettings
from jointwise.train.start import Start, bring_rules, freeze, read_start, recalibrated, widened
from jointwise.train.stores import is_store, knows_masks, of_first, stores_of
from jointwise.train.tuning import SHARES, answers, chosen, go, some

ELSEWHERE = (
    "data",
    "more_data",
    "labels",
    "init_from",
    "out",
    "device",
    "threads",
    "rules",
    "novelty",
    "tracking",
)
"""Settings that say where a training runs, not which one it is: a resume may change them."""

TUNED = "_tuned"
"""What the name of a fine-tuned network ends with."""


class Task(NamedTuple):
    """A training with everything it needs.

    Args:
        settings: of the whole training.
        store: where the joints come from.
        training, validation: the joints, in memory.
        envelope: scan quality of the training joints, and of those that the model it starts from was trained on.
        start: the model that the training starts from; None if it starts anew.
        part: (n,) with folds, the part that each training joint is kept back with, -1 for never; those of a part are
            the validation joints. None without folds.
    """

    settings: TrainSettings
    store: Store
    training: Split
    validation: Split
    envelope: Envelope
    start: Start | None = None
    part: NDArray[np.int64] | None = None

    @property
    def network(self) -> NetworkSettings:
        """Which network is trained."""
        return self.start.card.network if self.start else self.settings.network


def train(settings: TrainSettings, tell: Tell | None = None) -> Path:
    """Train a network and write its model folder; returns that folder, `out/model`.

    The same call goes on with a training that was cut off, and does nothing more where it is finished.

    Args:
        settings: what, on which data, where.
        tell: told after each step how far it is.

    Raises:
        InputError: unusable store, settings or folder; the folder holds another training; the loss is not finite.
    """
    if (settings.out / MODEL).exists():
        return _finished(settings)
    device = find_device(settings.device)
    task = prepare(settings)
    with RunFolder(settings.out) as folder:
        network = fresh_network(settings, device, task.start)
        folder.begin(described(task, network), facts(task.store))
        progress = _fit(network, task, folder, tell or _silent)
        _finish(network, task, progress, folder, tell or _silent)
    return folder.model


def _finished(settings: TrainSettings) -> Path:
    """The model folder of a training that is done, which may have come from another machine without its data.

    Raises:
        InputError: the folder holds another training, or its data are there and are others.
    """
    wanted = what_counts(settings)
    if is_store(settings.data):
        store = stores_of(settings)
        wanted["derived"] = {"data_fingerprint": store.fingerprint}
    with RunFolder(settings.out) as folder:
        folder.compare(wanted)
    return folder.model


def prepare(settings: TrainSettings) -> Task:
    """Open the store and read both splits; whatever is wrong with the data shows here, before any training.

    Raises:
        InputError: unusable store, or folds without a model to start from.
    """
    store = stores_of(settings)
    start, least = read_start(settings, store.grid), settings.least_gap_voxels
    if settings.folds and start is None:
        raise InputError(
            f"folds: expected init_from beside it, found none with folds={settings.folds}; give both"
        )
    network = start.card.network if start else settings.network
    # What a lab labels is kinds; a network that learned masks goes on without them there.
    masks, some = network.masks and (start is None or knows_masks(store)), start is not None
    training = load_split(
        store, "train", settings.seed, settings.limit, least, network.sizes, masks=masks, some_kinds=some
    )
    validation = load_split(
        store, "validation", settings.seed, settings.validation_limit, least, masks=masks, some_kinds=some
    )
    if start is None:
        return Task(settings, store, training, validation, Envelope.of(training.table))
    seen = pd.concat([training.table, validation.table], ignore_index=True)
    task = Task(settings, store, training, validation, widened(start.card.envelope, seen), start)
    return crossed(task) if settings.folds else task


def crossed(task: Task) -> Task:
    """The task with the joints of both splits for training, and parts of the first store's to be kept back by turns."""
    splits = task.training, task.validation
    both = Split(
        torch.cat([split.volumes for split in splits]),
        torch.cat([split.truth for split in splits]),
        pd.concat([split.table for split in splits], ignore_index=True),
    )
    own, truth = of_first(task.store, both.table), both.truth.double().numpy()
    part = np.full(len(both), -1)
    part[own] = parted(both.table[own], truth[own], task.settings.folds)
    return task._replace(training=both, validation=some(both, own), part=part)


def fresh_network(settings: TrainSettings, device: torch.device, start: Start | None = None) -> JointNetwork:
    """The network with first weights that follow from the seed alone, or with those of the model that it starts from;
    also sets what makes a training repeat."""
    if settings.threads:
        torch.set_num_threads(settings.threads)
    torch.backends.cudnn.benchmark = not settings.repeatable
    torch.backends.cudnn.deterministic = settings.repeatable
    torch.backends.cudnn.allow_tf32 = False  # or float32 on a card would have the 10 bits of TF32
    torch.manual_seed(mixed_seed(settings.seed, 0, 0))
    network = build_network(settings.network) if start is None else copy.deepcopy(start.network)
    freeze(network, settings.learn)
    return network.to(device)


def described(task: Task, network: JointNetwork) -> dict[str, Any]:
    """What settings.json holds: the settings that make the result, and what followed from the data."""
    settings, truth = task.settings, task.training.truth
    price = cost(network, task.store.grid)
    weights = positive_weights(truth, settings.balance).tolist()
    return what_counts(settings) | {
        "derived": {
            "data_fingerprint": task.store.fingerprint,
            "training_joints": len(truth),
            "labels_with_thin_gaps": thin_gaps(task.training) + thin_gaps(task.validation),
            "steps_per_epoch": steps_per_epoch(len(truth), settings.batch),
            "positive_weights": dict(zip(KINDS, weights, strict=True)),
            "parameters": price.parameters,
            "flops_per_joint": price.flops,
        }
        | ({"init_from": task.start.lineage} if task.start else {})
    }


def what_counts(settings: TrainSettings) -> dict[str, Any]:
    """The settings that make the result, as JSON has them."""
    given = json.loads(json.dumps(dataclasses.asdict(settings), default=str))
    return {key: value for key, value in given.items() if key not in ELSEWHERE}


def thin_gaps(split: Split) -> int:
    """How many labels `least_gap_voxels` took out of a split."""
    return int(np.isnan(split.truth.numpy()).sum() - np.isnan(truth_array(split.table)).sum())


def _silent(done: int, total: int, note: str) -> None:
    """Shows nothing."""


def _fit(network: JointNetwork, task: Task, folder: RunFolder, tell: Tell) -> Progress:
    """Run the loop from the checkpoint, if there is one, and leave the best weights in the network."""
    if task.settings.learn == "none":
        return Progress()
    optimiser = make_optimiser(network, task.settings.optimiser)
    begun = folder.checkpoint.exists()
    progress = (
        load_checkpoint(folder.checkpoint, network, optimiser) if begun else first_progress(network, task)
    )

    def save(now: Progress) -> None:
        save_checkpoint(folder.checkpoint, network, optimiser, now)
        folder.write_metrics(now.history)

    folder.write_metrics(progress.history)
    validation = task.validation if task.part is None else None
    fit(network, optimiser, task.training, validation, task.settings, progress, save, tell)
    network.load_state_dict(progress.best)
    return progress


def first_progress(network: JointNetwork, task: Task) -> Progress:
    """Nothing done; where a split validates, the weights started from stay until an epoch does better."""
    if task.start is None or task.part is not None:
        return Progress()
    logits = predict(network, task.validation, task.settings.batch)
    balance = positive_weights(task.training.truth, task.settings.balance)
    loss = masked_loss(logits, task.validation.truth, balance).item()
    best = {name: value.detach().cpu().clone() for name, value in network.state_dict().items()}
    return Progress(best_loss=loss, best=best)


def _finish(network: JointNetwork, task: Task, progress: Progress, folder: RunFolder, tell: Tell) -> None:
    """Calibrate, choose thresholds, write model folder and picture; then the checkpoint has done its work."""
    truth = task.validation.truth.double().numpy()
    start = task.start
    # A network that goes on with what it learned before, masks too, is no other one for it.
    goes_on = task.training.masks is not None
    before = start.card.name if start else task.network.name
    tuned: dict[str, Any] = {}
    if task.part is None:
        logits = predict(network, task.validation, task.settings.batch).double().numpy()
    else:
        logits, tuned = _turned_back(network, task, tell)
    if start and task.settings.keep_cuts:
        calibration, thresholds = recalibrated(start.card.calibration, truth, logits), start.card.thresholds
        scores = calibration(logits)
    else:
        calibration = fit_calibration(truth, logits, task.settings.calibration)
        scores = calibration(logits)
        thresholds = choose_thresholds(truth, scores, task.settings.thresholds, task.validation.table)
    called = thresholds.called(scores, task.validation.table)
    card = Card(
        name=f"{before.removesuffix(TUNED)}{TUNED}" if start and not goes_on else before,
        grid=task.store.grid,
        network=task.network,
        thresholds=thresholds,
        calibration=calibration,
        envelope=task.envelope,
        data={
            "fingerprint": task.store.fingerprint,
            "training_joints": len(task.training),
            "validation_joints": len(task.validation),
            "simulated": task.store.manifest["seed"] is not None,
        }
        | ({"init_from": start.lineage | {"data": start.card.data}} if start else {}),
        code_version=code_version(),
        metrics={
            "best_epoch": progress.best_epoch,
            "validation": summary(truth, scores, called),
            "reliability": reliability(truth, scores, thresholds.classes(task.validation.table)),
        }
        | tuned,
    )
    if start and not goes_on and MEASURED_BY in start.card.metrics:
        card.metrics[MEASURED_BY] = start.card.metrics[MEASURED_BY]
    elif card.network.masks:
        card.metrics[MEASURED_BY] = _measured_by(network, task.validation, card)
    _write_validation(task.validation, logits, folder.path / VALIDATION)
    save_model(folder.model, network, card)
    if start and not task.settings.rules:
        bring_rules(start.folder, folder.model)
    _draw_examples(task.validation, scores, card, folder.path / EXAMPLES)
    folder.checkpoint.unlink(missing_ok=True)


def _turned_back(network: JointNetwork, task: Task, tell: Tell) -> tuple[Floats, dict[str, Any]]:
    """Take the network to the share of its way that joints kept back ask for; its logits of these, and why."""
    start, part = task.start, task.part
    assert start is not None
    assert part is not None
    device = next(network.parameters()).device
    said = answers(
        lambda: fresh_network(task.settings, device, start), task.training, part, task.settings, tell
    )[:, part >= 0]
    place, losses = chosen(start.card.calibration, task.validation.truth.double().numpy(), said)
    go(network, start.network.state_dict(), SHARES[place])
    found = dict(zip(map(str, SHARES), losses, strict=True))
    return said[place], {
        "tuned": {"share": SHARES[place], "loss_kept_back": found, "parts": int(part.max()) + 1}
    }


def _measured_by(network: JointNetwork, validation: Split, card: Card) -> dict[str, dict[str, Any]]:
    """Whether masks or sizes tell each measure of the validation joints better."""
    detector = LearnedDetector(network, card, next(network.parameters()).device)
    joints = Joints(validation.volumes.numpy(), validation.table, card.grid)
    return choose(detector.both_ways(joints), validation.table)


def _write_validation(validation: Split, logits: Floats, path: Path) -> None:
    """What the network said of every validation joint, so that cuts can be chosen anew without the joints."""
    said = pd.DataFrame(logits.astype(np.float32), columns=[f"logit_{kind}" for kind in KINDS])
    rows = validation.table[list(SAMPLE_COLUMNS)].reset_index(drop=True)
    write_bytes(path, pd.concat([rows, said], axis=1).to_parquet(index=False))


def _draw_examples(validation: Split, scores: Floats, card: Card, path: Path) -> None:
    """A page of validation joints of every kind with truth and scores."""
    joints = Joints(validation.volumes.numpy(), validation.table, card.grid)
    first = "Simulated validation" if card.data["simulated"] else "Validation"
    sheet = contact_sheet.contact_sheet(
        joints,
        {card.name: scores},
        {card.name: card.thresholds.cuts(validation.table, scores)},
        title=f"{first} joints, judged by {card.name}",
    )
    contact_sheet.save(sheet, path)


def summary(truth: Floats, scores: Floats, called: Bools) -> dict[str, Any]:
    """Per kind n, precision, recall and AP of calibrated scores at the chosen cuts; null where not defined.

    The cuts were chosen on these very joints, so precision and recall flatter; held-out boards say more.
    """
    kinds = {}
    for k, kind in enumerate(KINDS):
        known = ~np.isnan(truth[:, k])
        counts = count(truth[known, k], called[known, k])
        ap = average_precision(truth[known, k], scores[known, k])
        kinds[kind] = {
            "n": counts.n,
            "with": counts.faulty,
            "precision": _or_null(counts.precision),
            "recall": _or_null(counts.recall),
            "ap": _or_null(ap),
        }
    return kinds


def _or_null(value: float) -> float | None:
    return value if np.isfinite(value) else None
