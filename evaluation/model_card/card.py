"""The whole card: what a detector is, what it was trained on, what was measured of it, and what it cannot do.

The same inputs give the same text: nothing is taken from the clock or the machine.
"""

import json
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any, Final

from jointwise.evaluation.model_card import table_parts, verdict_parts
from jointwise.evaluation.model_card.sources import Sources
from jointwise.evaluation.model_card.words import Lines, plain_table, section, share, table
from jointwise.evaluation.report.cells import written
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.models.card import Card
from jointwise.models.envelope import WORDS, span
from jointwise.models.folder import load_model
from jointwise.models.names import CARD, MODEL_CARD
from jointwise.models.network import build_network, cost

USE: Final = (
    "It reads sub-volumes of solder balls of ball grid arrays, cut from X-ray CT, and gives four probabilities: void, "
    "non-wet, bridging, head-in-pillow. It is for choosing which joints a qualified inspector looks at first. It is "
    "not for accepting or rejecting a board on its own."
)
NEVER_REAL: Final = (
    "**It has never met a real scan.** All joints behind it and behind every figure here are simulated. What it does "
    "on your scanner is known only after a site test: joints of your own, read or cut open, scored and compared "
    "(`jointwise labels`, `jointwise evaluate`)."
)
BLIND: Final = (
    "Closed cracks, oxide films and bodies that touch look joined to X-rays; so do the quality of the intermetallic "
    "layer, electrical contact and future reliability. It sees nothing outside the sub-volume and, in laminography, no "
    "flat gap parallel to the board. The tables say from which size on gaps and voids are found."
)
CAUTIONS: Final = (
    "A screening aid: a qualified inspector decides on each joint, by the standard and edition that the contract "
    "names. No finding does not prove a joint sound; a finding is not a rejection.",
    "Simulated is not real: these figures say how it does on simulated joints, and hold only inside the range of scans "
    "above. Joints outside are sent to review and are not to be trusted.",
    "Precision, and how many joints are called for nothing, depend on how often faults occur: these sets hold far more "
    "faults than a line.",
    "Keep scan settings, weights (hash above) and cuts with each verdict.",
    "X-rays harm. Scan only in a shielded cabinet with working interlocks, under the site's licence, local rules and "
    "radiation safety person. This software drives no tube and is no safety device.",
)


def model_card(folder: Path, sources: Sources, root: Path) -> str:
    """The card's text.

    Args:
        folder: the model folder.
        sources: what was measured, and what it was trained on.
        root: where the files of the sources lie.

    Raises:
        InputError: the folder or a file of the sources does not read, or holds something else.
    """
    detector = load_model(folder)
    card, told = detector.card, json.loads((folder / CARD).read_text(encoding="utf-8"))
    weights = str(told["weights_sha256"])
    parts = sources.parts
    every = partial(section, weights=weights, root=root)
    held = parts["held_out"]
    lines = [
        *_head(detector.name, weights, folder),
        *every("In short", held, write=verdict_parts.in_short),
        *_training(card, sources.training),
        *_cuts(card, sources.cuts),
        "# What was measured",
        "",
        *every("Held-out generated joints", held, write=verdict_parts.held_out),
        *every("From which size on flaws are found", held, write=verdict_parts.curves),
        *every("Development boards of an independent simulator", parts["boards"], write=table_parts.boards),
        *every("What was asked for", parts["bars"], write=table_parts.bars),
        *every(
            "Shared demo sets, beside readers and rules (simulated)", parts["demo"], write=verdict_parts.demo
        ),
        *every("Shifted sets", parts["shifted"], write=verdict_parts.shifted),
        *every("Calibration", held, write=verdict_parts.calibrated),
        *every("Abstention", held, write=verdict_parts.abstained),
        *every("Measures against truth", parts["measures"], write=plain_table),
        *every("Does the evidence lie on the defect", parts["pointing"], write=plain_table),
        *every("Against the best linear test", parts["observer"], write=table_parts.observer),
        *every("Seeds", parts["seeds"], write=table_parts.several),
        *every("Networks at equal budget", parts["networks"], write=table_parts.several),
        *every("Speed and memory", parts["speed"], write=plain_table),
        *every("Where it works and where it does not", held, write=verdict_parts.where),
        *every("What it cannot see", held, write=verdict_parts.sizes),
        BLIND,
        "",
        "## Cautions",
        "",
        NEVER_REAL,
        "",
        *(f"- {one}" for one in CAUTIONS),
        "",
    ]
    return "\n".join(lines)


def _head(name: str, weights: str, folder: Path) -> Lines:
    size = sum(path.stat().st_size for path in folder.iterdir() if path.name != MODEL_CARD) / 1e6
    return [
        f"# Model card: {name}",
        "",
        "Written by `python bench/model_card.py` from the files it names; do not edit. Every figure stands with n, its "
        "interval and the command that made it; what was not measured is said to be so.",
        "",
        USE,
        "",
        NEVER_REAL,
        "",
        f"Weights: SHA-256 `{weights}`; the folder holds {size:.1f} MB (safetensors, JSON and, for scoring on a "
        "processor, a graph of plain numbers in eight bits; no pickle).",
        "",
    ]


def _training(card: Card, training: Mapping[str, str]) -> Lines:
    price = cost(build_network(card.network), card.grid)
    data, before = card.data, card.joints_before
    rows = [
        ["network", f"{card.network.name}: {price.parameters / 1e6:.2f} million parameters, "
         f"{price.flops / 1e9:.2f} GFLOP a joint on {' × '.join(map(str, card.grid.shape))} voxels (z, y, x)"],
        ["joints", f"{data.get('training_joints', 0):,} for training, {data.get('validation_joints', 0):,} for "
         "validation" + (f", going on from a training on {before:,}" if before else "")
         + (", all simulated by this project's generator" if data.get("simulated") else "")],
        ["data fingerprint", f"`{data.get('fingerprint')}`"],
        ["code", f"`{card.code_version}`"],
        ["recipe", training["recipe"]],
        ["command", f"`{training['command']}`"],
        ["date", training["date"]],
        *([f"range of {WORDS[name]}", span(*ends)] for name, ends in card.envelope.ranges.items()),
        ["scans the ranges are of", f"{card.envelope.scans:,}"],
    ]  # fmt: skip
    note = training.get("note", "")
    return ["## What it was trained on", "", *table(("what", "value"), rows), *([note, ""] if note else [])]


def _cuts(card: Card, cuts: Mapping[str, str]) -> Lines:
    found = card.thresholds
    edges = [f"{1 / edge:.3g}" for edge in found.edges]
    ends = [*edges, "0"] if edges else []
    names = [f"CNR from {low}" + (f" to {ends[c - 1]}" if c else "") for c, low in enumerate(ends)] or ["all"]
    rows = [
        [names[c], *(f"{value:.3f} ({found.with_kind[c][k]:,} with, {found.without_kind[c][k]:,} without)"
                     for k, value in enumerate(values))]
        for c, values in enumerate(found.values)
    ]  # fmt: skip
    return [
        "## How the cuts were chosen",
        "",
        f"{found.purpose[0].upper()}{found.purpose[1:]}. {cuts['purpose']} Chosen by "
        f"`{cuts['command']}`. Calibration: {card.calibration.method}.",
        "",
        *table(("scans", *(TITLES[kind] for kind in KINDS)), rows),
        *_validation(card.metrics.get("validation", {})),
    ]


def _validation(metrics: Mapping[str, Any]) -> Lines:
    """What the card says of the validation joints themselves: they flatter, and are said to."""
    if not metrics:
        return []
    rows = []
    for kind, one in metrics.items():
        hits = round((one["recall"] or 0) * one["with"])
        called = round(hits / one["precision"]) if one["precision"] else 0
        rows.append([TITLES[kind], share(hits, one["with"]), share(hits, called), written(one["ap"], "rate")])
    return [
        "On these very joints, which therefore flatter (Wilson 95 %; held-out joints follow):",
        "",
        *table(("kind", "recall", "precision", "AP (no interval)"), rows),
    ]
