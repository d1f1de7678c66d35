"""Makes the network that comes with jointwise of a finished training: cuts chosen anew, kernels in half precision.

    python bench/transfer/ship.py --run out/reference_run --purpose recall_first --store out/reference/every_1

A training keeps what its network said of every validation joint (`validation.parquet`), so cuts by another criterion
and another calibration need neither the joints nor a card. What the network knows by its features is measured on joints
like those of training: with --store, some of that store's, whose scans say from where on a scan is unlike them.
Calls of voids that lie within --void-guard points below the limit of 5 % do not use up the limit on false calls; the
count of sound joints called, printed and in the card, is strict.
Rules fitted on the same kind of joints (`rules.json`) are copied if they lie in the folder that --rules names.
"""

from __future__ import annotations

import argparse
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from jointwise.joints.kinds import KINDS
from jointwise.joints.store import Store
from jointwise.models.calibration import METHODS, fit_calibration, reliability
from jointwise.models.folder import load_model, save_model
from jointwise.models.names import RULES_FILE, SHIPPED_NAME
from jointwise.models.settings import CRITERIA, ThresholdSettings
from jointwise.models.thresholds import choose_thresholds
from jointwise.train.data import known_truth
from jointwise.train.familiar import measure_familiar
from jointwise.train.run import summary
from jointwise.train.run_folder import MODEL, SETTINGS, VALIDATION, read_json


def silent(done: int, total: int, note: str) -> None:
    """Shows nothing."""


def main() -> None:
    """Choose the cuts and write the folder."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--run", type=Path, required=True, help="folder of the finished training")
    parser.add_argument("--out", type=Path, default=Path("models") / SHIPPED_NAME)
    parser.add_argument("--rules", type=Path, help="a model folder whose rules go along")
    parser.add_argument(
        "--purpose", "--criterion", choices=CRITERIA, default="recall_first", dest="criterion"
    )
    parser.add_argument("--false-calls", type=float, default=0.02)
    parser.add_argument("--floor", type=float, default=0.3)
    parser.add_argument("--noise-classes", type=int, default=4)
    parser.add_argument("--void-guard", type=float, default=1.0, help="points; see models/settings.py")
    parser.add_argument(
        "--calibration", choices=METHODS, help="fit it anew by this method; without, it stays"
    )
    parser.add_argument("--store", type=Path, help="joints like those of training, to measure features on")
    parser.add_argument("--joints", type=int, default=6000, help="at most so many of them")
    parser.add_argument("--device", default="cpu")
    given = parser.parse_args()
    detector = load_model(given.run / MODEL, given.device)
    table = pd.read_parquet(given.run / VALIDATION)
    truth = known_truth(table, float(read_json(given.run / SETTINGS)["least_gap_voxels"]))
    logits = table[[f"logit_{kind}" for kind in KINDS]].to_numpy(dtype=np.float64)
    fit = (
        fit_calibration(truth, logits, given.calibration) if given.calibration else detector.card.calibration
    )
    scores = fit(logits)
    guard = given.void_guard if given.criterion == "recall_first" else 0.0
    settings = ThresholdSettings(
        given.criterion, given.false_calls, given.floor, given.noise_classes, void_guard=guard
    )
    cuts = choose_thresholds(truth, scores, settings, table)
    called, sound = cuts.called(scores, table), (truth == 0).all(axis=1)
    metrics = {**detector.card.metrics, "validation": summary(truth, scores, called)}
    metrics["false_calls"] = {"called": int(called[sound].any(axis=1).sum()), "sound": int(sound.sum())}
    if given.calibration:
        metrics["reliability"] = reliability(truth, scores, cuts.classes(table))
    card = replace(detector.card, thresholds=cuts, calibration=fit, metrics=metrics)
    familiar = None
    if given.store:
        familiar = measure_familiar(detector, Store(given.store), given.joints, silent)
        card = replace(card, envelope=card.envelope.with_features())
    save_model(given.out, detector.network, card, half=True, familiar=familiar)
    if given.rules:
        shutil.copy(given.rules / RULES_FILE, given.out / RULES_FILE)
    print(pd.DataFrame(cuts.values, columns=list(KINDS)).round(3).to_string())
    print(f"{cuts.purpose}; sound joints called: {metrics['false_calls']}")
    if familiar:
        print(f"features: {familiar.to_json()}")
    print(pd.DataFrame(metrics["validation"]).T.round(3).to_string())


if __name__ == "__main__":
    main()
