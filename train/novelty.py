"""Fit the novelty detector: on sound training joints alone, calibration and thresholds on validation joints."""

from dataclasses import replace
from pathlib import Path

import numpy as np

from jointwise.joints.store import Store
from jointwise.models.novelty import Floats, NoveltyDetector, cells_of, write_novelty
from jointwise.models.settings import ThresholdSettings
from jointwise.models.thresholds import choose_thresholds
from jointwise.train.data import known_truth
from jointwise.train.loop import Tell
from jointwise.train.rules import PIECE, evenly


def fit_novelty(
    store: Store,
    settings: ThresholdSettings,
    folder: Path,
    tell: Tell,
    limit: int = 2000,
    least_gap_voxels: float = 0.0,
) -> None:
    """Fit on a store's sound training joints, calibrate and choose thresholds on its validation split, write both.

    Args:
        store: joints with truth.
        settings: how thresholds are chosen, the same as for the network.
        folder: where novelty.json and novelty.safetensors go.
        tell: told after every few joints how far it is.
        limit: at most so many sound training joints and so many validation joints, evenly taken.
        least_gap_voxels: which gaps count in validation, the same as for the network, see `known_truth`.

    Raises:
        InputError: a split is empty, or too few training joints are sound.
    """
    training, validation = store.split("train"), evenly(store.split("validation"), limit)
    is_sound = (known_truth(store.table.iloc[training]) == 0).all(axis=1)
    sound = evenly(training[is_sound], limit)
    cells = _cells(store, np.concatenate([sound, validation]), tell)
    truth = known_truth(store.table.iloc[validation], least_gap_voxels)
    detector = NoveltyDetector.fit(cells[: len(sound)], cells[len(sound) :], truth, store.grid)
    scores = detector.score_cells(cells[len(sound) :])
    # One number moves all four scores: it knows nothing of the ways in which a joint may be parted.
    rule = replace(settings, parted=False)
    thresholds = choose_thresholds(truth, scores, rule, store.table.iloc[validation])
    data = {
        "fingerprint": store.fingerprint,
        "training_joints": len(sound),
        "validation_joints": len(validation),
        "simulated": store.manifest["seed"] is not None,
    }
    write_novelty(folder, detector, thresholds, data)


def _cells(store: Store, rows: np.ndarray, tell: Tell) -> Floats:
    parts = []
    for start in range(0, len(rows), PIECE):
        parts.append(cells_of(store.read(rows[start : start + PIECE]).volumes))
        tell(min(start + PIECE, len(rows)), len(rows), "")
    return np.concatenate(parts)
