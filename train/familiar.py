"""Measure what a trained network knows by its features: where joints like those of its training lie in them."""

import numpy as np

from jointwise.joints.schema import truth_array
from jointwise.joints.store import Store
from jointwise.models.familiar import Familiar, fit_familiar
from jointwise.models.learned import LearnedDetector
from jointwise.train.loop import Tell
from jointwise.train.rules import PIECE, evenly


def measure_familiar(detector: LearnedDetector, store: Store, limit: int, tell: Tell) -> Familiar:
    """Ask the network for the features of a store's joints, and measure clouds and limits.

    Args:
        detector: the trained network.
        store: joints like those it was trained on, of whatever split.
        limit: at most so many joints, evenly taken, so that all scans take part.
        tell: told after every few joints how far it is.

    Raises:
        InputError: another grid than the network's, or too few scans or sound joints.
    """
    there = np.flatnonzero(store.table["present"].to_numpy() == 1)
    rows = evenly(there, limit)
    features = []
    for start in range(0, len(rows), PIECE):
        joints = store.read(rows[start : start + PIECE])
        features.append(detector.features(joints))
        tell(start + len(joints), len(rows), "features")
    table = store.table.iloc[rows].reset_index(drop=True)
    return fit_familiar(np.concatenate(features), truth_array(table), table)
