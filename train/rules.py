"""Fit the rule detector as fairly as the network: scores on training joints, thresholds on validation joints."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.store import Store
from jointwise.models.bench import write_rules
from jointwise.models.rules.detector import RuleDetector, measure_numbers
from jointwise.models.settings import ThresholdSettings
from jointwise.models.thresholds import choose_thresholds
from jointwise.train.data import known_truth
from jointwise.train.loop import Tell

PIECE = 32


def fit_rules(
    store: Store,
    settings: ThresholdSettings,
    path: Path,
    tell: Tell,
    limit: int = 2000,
    least_gap_voxels: float = 0.0,
) -> None:
    """Fit the rules on a store's training split, choose thresholds on its validation split, write both as JSON.

    Args:
        store: joints with truth.
        settings: how thresholds are chosen, the same as for the network.
        path: the JSON file to write.
        tell: told after every few joints how far it is.
        limit: at most so many joints of either split, evenly taken; a monotone fit of a few numbers needs no more.
        least_gap_voxels: which gaps count, the same as for the network, see `known_truth`.

    Raises:
        InputError: a split is empty or lacks joints of some kind.
    """
    training, validation = store.split("train"), store.split("validation")
    training, validation = evenly(training, limit), evenly(validation, limit)
    rows = np.concatenate([training, validation])
    numbers = _numbers(store, rows, tell)
    truth, first = known_truth(store.table.iloc[rows], least_gap_voxels), len(training)
    detector = RuleDetector.fit_numbers({k: v[:first] for k, v in numbers.items()}, truth[:first])
    scores = detector.score_numbers({k: v[first:] for k, v in numbers.items()})
    thresholds = choose_thresholds(truth[first:], scores, settings, store.table.iloc[rows[first:]])
    data = {
        "fingerprint": store.fingerprint,
        "training_joints": len(training),
        "validation_joints": len(validation),
        "simulated": store.manifest["seed"] is not None,
    }
    write_rules(path, detector, thresholds, data)


def evenly(rows: NDArray[np.int64], limit: int) -> NDArray[np.int64]:
    """At most `limit` of the rows, evenly spread."""
    places = np.linspace(0, len(rows) - 1, min(limit, len(rows))).astype(np.int64)
    return np.asarray(rows[np.unique(places)], dtype=np.int64)


def _numbers(store: Store, rows: np.ndarray, tell: Tell) -> dict[str, np.ndarray]:
    parts = []
    for start in range(0, len(rows), PIECE):
        parts.append(measure_numbers(store.read(rows[start : start + PIECE])))
        tell(min(start + PIECE, len(rows)), len(rows), "")
    return {kind: np.concatenate([part[kind] for part in parts]) for kind in parts[0]}
