"""Quantises the network of a model folder to eight bits for scoring on a CPU, and measures what that changes.

    python bench/transfer/quantise.py --model models/reference --store out/reference/every_1 --held-out out/held_out

Needs the extra `int8` (NNCF); scoring does not. The ranges of the layers are read on joints of `--store`, of every
fourth of its scans. What is compared are the joints of `--held-out`, or of the store's other scans. First layer, last
of the first stage and of the decoder, evidence and last layer stay in float32: little of the work, through which thin
gaps pass and from which the network tells what it knows. Weights keep to seven bits, so that sums of 16 bits never
overflow and a graph says the same on processors with and without instructions for eight.

Prints average precision, calls, scores, measures and distances both ways, writes bench/int8.csv, and, where the
accuracy stands (LARGEST_FALL, MOST_CALLS), `int8.xml`, `int8.bin` and their hashes in `card.json` into the folder.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from hashlib import sha256
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from jointwise.evaluation.statistics.measures import average_precision
from jointwise.joints.atomic import write_bytes, write_text
from jointwise.joints.batch import Joints
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import truth_array
from jointwise.joints.store import Store
from jointwise.models.folder import load_model
from jointwise.models.int8 import GRAPH, KEY, VALUES, Int8Graph
from jointwise.models.learned import LearnedDetector
from jointwise.models.mask_measures import BY_MASKS
from jointwise.models.names import CARD, INT8, OPENVINO
from jointwise.models.network import Asked
from jointwise.models.runtime import graph_of
from jointwise.train.rules import evenly

LARGEST_FALL: Final = 0.005
"""By how much the average precision of any kind may fall."""
MOST_CALLS: Final = 0.02
"""Share of the joints whose calls may differ."""
IN_FLOAT: Final = (
    r".*backbone\.(trunk\.)?conv1/.*",
    r".*backbone\.(trunk\.)?layer1\.0\.conv2/.*",
    r".*decoder\.cells\.5/.*",
    r".*decoder\.masks/.*",
    r".*\.fc(\.\d+)?/.*",
    r"^aten::.*",  # the evidence: an operation of no module of its own
)
"""Layers that keep float32, by their names in the graph; the last line is all that the last layer is given."""
EVERY: Final = 4
"""One in so many scans tells the ranges."""
PART: Final = 64
FILLED: Final = 0.5


class Heard(NamedTuple):
    """What a detector says of n joints: scores (n, 4), measures (n, 5), distances (n,) and masks (n, 4, z, y, x)."""

    scores: np.ndarray
    measures: np.ndarray
    apart: np.ndarray
    masks: np.ndarray | None


def quantised(detector: LearnedDetector, joints: Joints) -> Int8Graph:
    """The detector's network in eight bits, its layers' ranges read on joints."""
    os.environ.setdefault("NNCF_CI", "1")  # else it reports each use to its makers
    import nncf
    import openvino as ov
    from nncf.quantization.range_estimator import RangeEstimatorParametersSet

    masks = detector.card.network.masks
    graph = graph_of(Asked(detector.network, masks, features=True), joints.grid.shape)
    dataset = nncf.Dataset(range(len(joints)), lambda row: joints.volumes[row].astype(np.float32)[None])
    small = nncf.quantize(
        graph,
        dataset,
        preset=nncf.QuantizationPreset.MIXED,
        subset_size=len(joints),
        ignored_scope=nncf.IgnoredScope(patterns=list(IN_FLOAT), validate=False),
        advanced_parameters=nncf.AdvancedQuantizationParameters(
            overflow_fix=nncf.quantization.advanced_parameters.OverflowFix.ENABLE,
            # The usual range, a mean over joints of their extremes, cuts off what the oddest joints show.
            activations_range_estimator_params=RangeEstimatorParametersSet.MINMAX,
        ),
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / GRAPH
        ov.save_model(small, path, compress_to_fp16=False)
        return Int8Graph(path.read_bytes(), path.with_name(VALUES).read_bytes(), masks)


def hear(detector: LearnedDetector, store: Store, rows: np.ndarray) -> Heard:
    """What a detector says of rows of a store."""
    parts = []
    for some in np.array_split(rows, max(1, len(rows) // PART)):
        joints = store.read(some)
        looked = detector.look(joints)
        masks = detector.evidence(joints) if detector.card.network.masks else None
        apart = np.full(len(joints), np.nan) if looked.apart is None else looked.apart
        measures = looked.measures[list(BY_MASKS)].to_numpy(dtype=np.float64)
        parts.append(Heard(looked.scores, measures, apart, masks))
    scores, measures, apart = (np.concatenate([part[n] for part in parts]) for n in range(3))
    known = [part.masks for part in parts if part.masks is not None]
    return Heard(scores, measures, apart, np.concatenate(known) if known else None)


def compared(
    table: pd.DataFrame, detector: LearnedDetector, plain: Heard, small: Heard
) -> Iterator[list[Any]]:
    """Rows (what, kind or measure, n, float32, int8, unit) of the same joints heard twice."""
    truth = truth_array(table)
    calls = [detector.card.thresholds.called(heard.scores, table) for heard in (plain, small)]
    apart = np.abs(small.scores - plain.scores)
    for k, kind in enumerate(KINDS):
        known = np.isfinite(truth[:, k])
        with_kind = known & (truth[:, k] == 1)
        if with_kind.any():
            precision = [
                average_precision(truth[known, k], heard.scores[known, k]) for heard in (plain, small)
            ]
            yield ["average precision", kind, int(with_kind.sum()), *precision, "of 1"]
            found = [float(call[with_kind, k].mean()) for call in calls]
            yield ["found", kind, int(with_kind.sum()), *found, "of 1"]
        sound = (truth == 0).all(axis=1)
        yield [
            "sound joints called",
            kind,
            int(sound.sum()),
            *(int(c[sound, k].sum()) for c in calls),
            "joints",
        ]
        yield ["score changes: largest", kind, len(table), None, float(apart[:, k].max()), "of 1"]
        yield ["score changes: 99 %", kind, len(table), None, float(np.quantile(apart[:, k], 0.99)), "of 1"]
        yield ["call changes", kind, len(table), None, int((calls[0] != calls[1])[:, k].sum()), "joints"]
    sound = (truth == 0).all(axis=1)
    yield [
        "sound joints called",
        "any",
        int(sound.sum()),
        *(int(c[sound].any(axis=1).sum()) for c in calls),
        "joints",
    ]
    yield ["call changes", "any", len(table), None, int((calls[0] != calls[1]).any(axis=1).sum()), "joints"]
    yield from _measures(table, plain, small)
    yield from _places(table, detector, plain, small)


def _measures(table: pd.DataFrame, plain: Heard, small: Heard) -> Iterator[list[Any]]:
    """How far measures lie from the truth and from each other."""
    for k, name in enumerate(BY_MASKS):
        told = [np.isfinite(heard.measures[:, k]) for heard in (plain, small)]
        if not told[0].any():
            continue
        both = told[0] & told[1]
        yield ["told", name, len(table), int(told[0].sum()), int(told[1].sum()), "joints"]
        yield ["told by one alone", name, len(table), None, int((told[0] != told[1]).sum()), "joints"]
        off = np.abs(small.measures[:, k] - plain.measures[:, k])[both]
        for share in (0.5, 0.95):
            yield [
                f"measure changes: {share:.0%}",
                name,
                int(both.sum()),
                None,
                float(np.quantile(off, share)),
                "own",
            ]
        true = table[name].to_numpy(dtype=np.float64, na_value=np.nan)
        known = both & (true > 0)
        if known.any():
            errors = [float(np.median(np.abs(h.measures[:, k] - true)[known])) for h in (plain, small)]
            yield ["median error of size", name, int(known.sum()), *errors, "own"]


def _places(
    table: pd.DataFrame, detector: LearnedDetector, plain: Heard, small: Heard
) -> Iterator[list[Any]]:
    """Where masks lie, and how far joints lie from those of training."""
    if plain.masks is not None and small.masks is not None:
        off = float(
            np.mean(
                [
                    np.abs(a.astype(np.float32) - b).mean()
                    for a, b in zip(plain.masks, small.masks, strict=True)
                ]
            )
        )
        yield ["shares of cells: mean change", "all masks", len(table), None, off, "of 1"]
        filled = [heard.masks > FILLED for heard in (plain, small)]  # type: ignore[operator]
        both, either = (int(m.sum()) for m in (filled[0] & filled[1], filled[0] | filled[1]))
        yield [
            "cells filled by both over by either",
            "all masks",
            len(table),
            None,
            both / max(either, 1),
            "of 1",
        ]
    if detector.familiar is not None:
        outside = [detector.familiar.unlike(heard.apart, table) > 1 for heard in (plain, small)]
        yield [
            "outside what the network knows",
            "any",
            len(table),
            *(int(o.sum()) for o in outside),
            "joints",
        ]
        yield [
            "outside by one alone",
            "any",
            len(table),
            None,
            int((outside[0] != outside[1]).sum()),
            "joints",
        ]


def stands(rows: pd.DataFrame) -> list[str]:
    """What speaks against the quantised network, in words; nothing where the accuracy stands."""
    precision = rows[rows["what"] == "average precision"]
    said = [
        f"average precision of {row.of} falls from {row.float32:.4f} to {row.int8:.4f}"
        for row in precision.itertuples()
        if row.int8 < row.float32 - LARGEST_FALL
    ]
    changed = rows[(rows["what"] == "call changes") & (rows["of"] == "any")].iloc[0]
    if changed["int8"] > MOST_CALLS * changed["n"]:
        said.append(f"calls of {changed['int8']:.0f} of {changed['n']} joints differ")
    return said


def write(folder: Path, graph: Int8Graph, facts: dict[str, Any]) -> None:
    """Put a graph beside its weights; the card speaks of it last, so a reader finds it whole or not at all."""
    card = json.loads((folder / CARD).read_text(encoding="utf-8"))
    card.pop(KEY, None)
    write_text(folder / CARD, json.dumps(card, indent=1, allow_nan=False))
    write_bytes(folder / GRAPH, graph.graph)
    write_bytes(folder / VALUES, graph.values)
    hashes = {"xml_sha256": sha256(graph.graph).hexdigest(), "bin_sha256": sha256(graph.values).hexdigest()}
    card[KEY] = {"weights_sha256": card["weights_sha256"], **hashes, "masks": graph.masks, **facts}
    write_text(folder / CARD, json.dumps(card, indent=1, allow_nan=False))


def present(store: Store, split: str) -> tuple[np.ndarray, np.ndarray]:
    """Rows of a split where a ball stands, and the number of the scan of each."""
    rows = store.split(split)
    rows = rows[store.table["present"].to_numpy()[rows] == 1]
    scans = store.table.iloc[rows].groupby(["board_id", "scan"], dropna=False).ngroup().to_numpy()
    return rows, scans


def main() -> None:
    """Quantise, compare, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--model", type=Path, required=True, help="the model folder")
    parser.add_argument("--store", type=Path, required=True, help="joints like those of training")
    parser.add_argument("--split", default="validation", help="which of them, or all")
    parser.add_argument("--joints", type=int, default=300, help="at most so many tell the ranges")
    parser.add_argument(
        "--held-out", type=Path, help="joints to compare on; the store's other scans if left out"
    )
    parser.add_argument("--compare", type=int, default=3000, help="at most so many are compared")
    parser.add_argument("--table", type=Path, default=Path(__file__).parents[1] / "int8.csv")
    parser.add_argument("--dry", action="store_true", help="compare, but leave the folder as it is")
    given = parser.parse_args()
    detector, store = load_model(given.model, "cpu", OPENVINO), Store(given.store)
    rows, scans = present(store, given.split)
    ranges = evenly(rows[scans % EVERY == 0], given.joints)
    graph = quantised(detector, store.read(ranges))
    others = Store(given.held_out) if given.held_out else store
    asked = evenly(present(others, "all")[0] if given.held_out else rows[scans % EVERY != 0], given.compare)
    small = replace(detector, runtime=INT8, int8=graph)
    heard = [hear(one, others, asked) for one in (detector, small)]
    table = others.table.iloc[asked].reset_index(drop=True)
    columns = ["what", "of", "n", "float32", "int8", "unit"]
    result = pd.DataFrame(compared(table, detector, *heard), columns=columns)
    print(result.to_string(index=False, float_format="%.4f", na_rep=""))
    against = stands(result)
    if not given.dry:
        result.to_csv(given.table, index=False, float_format="%.5g")
    if against:
        raise SystemExit(f"not written: {'; '.join(against)}")
    if not given.dry:
        packages = {name: __import__(name).__version__ for name in ("nncf", "openvino")}
        ranges_of = {"fingerprint": store.fingerprint, "joints": len(ranges)}
        compared_on = {"fingerprint": others.fingerprint, "joints": len(asked)}
        write(given.model, graph, {"ranges": ranges_of, "compared": compared_on, **packages})
    print(
        f"{(len(graph.graph) + len(graph.values)) / 1e6:.1f} MB{'' if given.dry else f' written to {given.model}'}"
    )


if __name__ == "__main__":
    main()
