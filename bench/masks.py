"""Does a network's evidence lie on the defects, and how far off are the sizes it measures?

    python bench/masks.py --model models/reference --data out/joints [--split test]

Takes joints with masks whose truth is known (store generated with masks=true), of a split the network was not trained
on, and prints two tables: the pointing score of every kind, and Bland and Altman's bias and limits of every measure,
taken from the masks, from the sizes learned beside them, and as the detector tells it; gaps by classes of size.
Writes them as pointing.csv and measures.csv beside this file.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from jointwise.evaluation.statistics.bland_altman import agreement_by_size
from jointwise.evaluation.statistics.pointing import pointing_table
from jointwise.joints.schema import truth_array
from jointwise.joints.store import Store
from jointwise.models.folder import load_model
from jointwise.models.learned import LearnedDetector
from jointwise.models.mask_measures import BY_MASKS
from jointwise.models.sizes import SIZES

PART: Final = 256
"""Joints looked at at a time."""

EDGES: Final = {"gap_um": (0.0, 5.0, 10.0, 20.0, 40.0, np.inf)}
"""Classes of true size, um; other measures are told as one."""

HAS: Final = {"gap_um": ("non_wet", "head_in_pillow"), "bridge_neck_um": ("bridging",)}
"""Kinds of which a joint has at least one where a measure is compared; other measures, wherever the truth is known."""


def looked(detector: LearnedDetector, store: Store, rows: np.ndarray) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Pointing table of the rows, and their truth beside what is measured in three ways."""
    evidence, masks, called, sizes = [], [], [], []
    for part in np.array_split(rows, max(1, len(rows) // PART)):
        joints = store.read(part, masks=True)
        scores, measures, shown = detector.score_measure_and_show(joints)
        both = detector.both_ways(joints)
        table = joints.table.assign(**{f"{name}_said": measures[name] for name in BY_MASKS})
        table = table.assign(**{f"{name}_masks": both.by_masks[:, k] for k, name in enumerate(BY_MASKS)})
        if both.by_sizes is not None:
            table = table.assign(**{f"{name}_sizes": both.by_sizes[:, k] for k, name in enumerate(SIZES)})
        evidence.append(shown)
        assert joints.masks is not None
        masks.append(joints.masks)
        called.append(detector.card.thresholds.called(scores, joints.table))
        sizes.append(table)
    together = pd.concat(sizes, ignore_index=True)
    pointed = pointing_table(
        np.concatenate(evidence), np.concatenate(masks), truth_array(together), np.concatenate(called)
    )
    return pointed, together


def agreements(table: pd.DataFrame) -> pd.DataFrame:
    """Bias and limits of every measure in every way it is told."""
    truth = pd.DataFrame(truth_array(table) == 1, columns=["void", "non_wet", "bridging", "head_in_pillow"])
    parts = []
    for name in BY_MASKS:
        own = truth[list(HAS[name])].any(axis=1) if name in HAS else table["present"] == 1
        for by in ("masks", "sizes", "said"):
            if f"{name}_{by}" in table:
                found = agreement_by_size(
                    table.loc[own, f"{name}_{by}"], table.loc[own, name], EDGES.get(name, (0.0, np.inf))
                )
                parts.append(found.assign(measure=name, by=by))
    first = ["measure", "by"]
    whole = pd.concat(parts, ignore_index=True)
    return whole[[*first, *(name for name in whole if name not in first)]]


def main() -> None:
    """Look, print both tables, write them."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--model", type=Path, required=True)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--pointing", type=Path, default=Path(__file__).with_name("pointing.csv"))
    parser.add_argument("--measures", type=Path, default=Path(__file__).with_name("measures.csv"))
    parser.add_argument("--split", default="test")
    parser.add_argument("--limit", type=int, default=0, help="first so many joints; 0 takes all")
    parser.add_argument("--device", default="auto")
    given = parser.parse_args()
    store, detector = Store(given.data), load_model(given.model, given.device)
    pointed, sizes = looked(detector, store, store.split(given.split)[: given.limit or None])
    agreed = agreements(sizes)
    with pd.option_context("display.width", 200, "display.max_columns", 30, "display.precision", 3):
        print(f"{given.model} on {len(sizes)} joints of {given.split} in {given.data}")
        print(pointed.to_string(index=False))
        print(agreed.to_string(index=False))
    for table, path in ((pointed, given.pointing), (agreed, given.measures)):
        path.parent.mkdir(parents=True, exist_ok=True)
        table.to_csv(path, index=False, float_format="%.5g")


if __name__ == "__main__":
    main()
