"""The data sheet of a generated store: what it is, how it is spread, what it is good for and what not.

A pure function of the manifest and the tables, so it can be made again at any time, to the same letter. Read shard by
shard: of each quantity only its values are kept, four bytes each.
"""

from __future__ import annotations

import importlib.metadata
import json
from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.data_gen.nuisances import numbers
from jointwise.joints.atomic import write_text
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.joints.schema import MEASURES, SCHEMA_VERSION, present_array, truth_array
from jointwise.joints.store import Store

NAME = "DATASHEET.md"
DRAWN = ("scanner.", "board.", "trace.", "joint.", "void.", "bulge.", "neck.")
QUARTILES = (0, 25, 50, 75, 100)
MEASURED = (*MEASURES, "metal_mm3", "voxel_um", "cnr")

PHYSICS = """\
Each scan begins with a record: scanner, board and joints are drawn, what is wrong with them last. From it follow
closed-form solids (truncated spheres and surfaces of revolution, ellipsoidal voids, gaps, necks, lands, copper, die,
laminate) and the truth, taken from the solids by rays 2 µm apart and not from what was meant to be drawn. Metal is
conserved: gas, gaps and bridges change shapes, not the solder that was drawn for the joint.

A cone beam of a tabulated tungsten spectrum with filters passes through the solids on exact path lengths; the detector
adds focal and scintillator blur, scatter, veiling glare, quantum and electronic noise, gain errors and an axis offset.
The views are reconstructed by filtered back-projection (FDK) on the scan's own voxels, stored as a file would hold
them, and cut to the grid at the place and grey levels a finder with errors would have found. 0 is
air, 1 the solder of the same scan."""

USE = """\
To train and to compare detectors of the four kinds on boards that no detector has seen, and to study what can be seen
at which voxel size and noise. Splits are by board; keep them. Labels: `jointwise/joints/schema.py`; marginal joints
(bonded between a quarter and three quarters) carry no label of that kind and count in none."""

CAUTIONS = """\
- Simulated is not real: scores on these joints say how a method does on generated joints. Beside any result belong the
  numbers of real joints, scans and readers, and how well the readers agree.
- Kinds are far more frequent here than in production: precision does not carry over.
- It is no acceptance standard: 5 % void area is a finding for training, not a reject limit. A qualified inspector
  decides, by the standard and edition the contract names.
- Nothing here shows gaps or cracks thinner than about half a voxel, closed cracks and oxide films (two bodies that
  touch look joined to X-rays), the quality of the intermetallic layer, electrical contact or reliability.
- Valid within the ranges below (pitch, ball, alloy, voxel, voltage, mount, reconstruction) and nowhere else.
- Before training on it run `jointwise audit data=STORE`: no label may be guessed from nuisances or metal mass."""


def write_data_sheet(store: Store) -> Path:
    """Make the sheet of a store anew and write it into its folder; returns its path.

    Raises:
        InputError: the store was not generated, so it carries no records.
    """
    if store.manifest["seed"] is None:
        raise InputError(f"expected a generated store in {store.folder}, found joints of another origin")
    path = store.folder / NAME
    write_text(path, data_sheet(store.manifest, store.tables(), importlib.metadata.version("jointwise")))
    return path


def data_sheet(manifest: Mapping[str, Any], tables: Iterable[pd.DataFrame], version: str) -> str:
    """The sheet as Markdown.

    Args:
        manifest: of the store.
        tables: its tables, one shard after another in the manifest's order.
        version: of the package, as it would be given to install it.
    """
    found = _Found()
    for table in tables:
        found.add(table)
    parts = [
        f"# Data sheet: {found.joints} simulated solder joints on {len(found.boards)} boards",
        "Written by `jointwise generate` from the records of the store; `jointwise verify` makes it again.",
        "## What", _what(manifest, found, version),
        "## How it was made", PHYSICS,
        "## Splits and classes", _classes(found),
        "## Together on one joint", _together(found),
        "## Truth", "Of joints that have the measure.", _spread(found.values, "truth."),
        "## Everything drawn", _drawn_words(found), _spread(found.values, *DRAWN),
        "## Intended use", USE,
        "## Limits and cautions", CAUTIONS,
        "## To make it again", _again(manifest),
    ]  # fmt: skip
    return "\n\n".join(parts) + "\n"


class _Found:
    """What is kept of the tables while they pass."""

    def __init__(self) -> None:
        self.joints = 0
        self.boards: set[str] = set()
        self.redrawn: set[str] = set()
        self.values: dict[str, list[NDArray[np.float32]]] = {}
        self.words: Counter[str] = Counter()
        self.families: Counter[str] = Counter()
        self.labels: Counter[tuple[str, str, float]] = Counter()
        self.pairs: Counter[tuple[str, str]] = Counter()
        self.splits: Counter[tuple[str, str]] = Counter()

    def add(self, table: pd.DataFrame) -> None:
        """Take up one shard."""
        self.joints += len(table)
        self.boards |= set(table["board_id"])
        if "attempt" in table:
            self.redrawn |= set(table.loc[table["attempt"] > 0, "board_id"])
        truth, present = truth_array(table), present_array(table)
        for split, rows in table.groupby("split").indices.items():
            self._count(str(split), truth[rows], present[rows])
            self.splits[str(split), "boards"] += table["board_id"].iloc[rows].nunique()
        for name in MEASURED:
            if name in table:
                self._keep(f"truth.{name}", table[name].to_numpy(float))
        self._records([json.loads(text) for text in table["scanner_record"].unique()], "scanner")
        boards = [json.loads(text) for text in table["board_record"].unique()]
        self._records(boards, "board")
        self.families.update(board["component"] for board in boards)
        self._records([trace for board in boards for trace in board["traces"]], "trace")
        joints = [json.loads(text) for text in table["joint_record"]]
        self._records(joints, "joint")
        for parts, name in (("voids", "void"), ("bulges", "bulge")):
            self._records([part for joint in joints for part in joint[parts]], name)
        self._records([neck for text in table["neck_records"].unique() for neck in json.loads(text)], "neck")

    def _count(self, split: str, truth: NDArray[np.float64], present: NDArray[np.bool_]) -> None:
        self.splits[split, "joints"] += len(truth)
        self.splits[split, "missing"] += int((~present).sum())
        self.splits[split, "sound"] += int((truth == 0).all(axis=1).sum())
        for k, kind in enumerate(KINDS):
            self.labels[split, kind, 1.0] += int((truth[:, k] == 1).sum())
            self.labels[split, kind, 0.5] += int((np.isnan(truth[:, k]) & present).sum())
            for other, second in enumerate(KINDS):
                self.pairs[kind, second] += int(((truth[:, k] == 1) & (truth[:, other] == 1)).sum())

    def _records(self, records: list[dict[str, Any]], name: str) -> None:
        rows = pd.DataFrame([numbers(record, name) for record in records])
        for column in rows:
            if "=" in column:
                self.words[column] += int(rows[column].sum())
            else:
                self._keep(column, rows[column].to_numpy(float))

    def _keep(self, name: str, values: NDArray[np.float64]) -> None:
        self.values.setdefault(name, []).append(values[~np.isnan(values)].astype(np.float32))


def _what(manifest: Mapping[str, Any], found: _Found, version: str) -> str:
    config, grid = manifest["config"], manifest["grid"]
    facts = {
        "joints (sites)": f"{found.joints}, of which {sum(n for (_, w), n in found.splits.items() if w == 'missing')} "
        "without a ball",
        "boards, one scan each": len(found.boards),
        "drawn anew": f"{len(found.redrawn)} boards whose first draw could not be made (metal that does not settle, "
        "a scan too poor to show any); nothing of that draw is kept",
        "X-rays computed on": "cuda; scans that are more than its kernels hold on cpu"
        if manifest.get("device") == "cuda"
        else "cpu",
        "shards": len(manifest["shards"]),
        "families drawn": _families(config, found),
        "alloys": _words(found, "board.alloy="),
        "storage of the scans": _words(found, "scanner.storage="),
        "seed": manifest["seed"],
        "sub-volume": json.dumps(grid),
        "fingerprint": f"`{manifest['fingerprint']}`",
        "code": f"jointwise {version}, schema {SCHEMA_VERSION}",
        "licence": "that of the repository",
    }
    return "\n".join(["| | |", "|---|---|", *(f"| {name} | {value} |" for name, value in facts.items())])


def _families(config: Mapping[str, Any], found: _Found) -> str:
    """Those the boards are of, with their pitch and nominal ball where the settings tell."""
    settings = {known.get("name"): known for known in config.get("families") or [config.get("family", {})]}
    told = []
    for name, boards in sorted(found.families.items()):
        sizes = settings.get(name, {})
        size = (
            f"pitch {sizes['pitch_mm']} mm, nominal ball {sizes['ball_mm']} mm, "
            if "pitch_mm" in sizes
            else ""
        )
        told.append(f"{name} ({size}{boards} boards)")
    return "; ".join(told)


def _words(found: _Found, prefix: str) -> str:
    counts = {w.removeprefix(prefix): n for w, n in sorted(found.words.items()) if w.startswith(prefix)}
    return ", ".join(f"{word} ({n} boards)" for word, n in counts.items())


def _classes(found: _Found) -> str:
    heads = [
        "split",
        "boards",
        "sites",
        "no ball",
        "sound",
        *(TITLES[k] for k in KINDS),
        "marginal (any kind)",
    ]
    lines = [_row(heads), "|" + "---|" * len(heads)]
    for split in sorted({s for s, _ in found.splits}):
        kinds = [found.labels[split, kind, 1.0] for kind in KINDS]
        unclear = ", ".join(
            f"{found.labels[split, k, 0.5]} {TITLES[k]}" for k in KINDS if found.labels[split, k, 0.5]
        )
        counts = [found.splits[split, w] for w in ("boards", "joints", "missing", "sound")]
        lines.append(_row([split, *counts, *kinds, unclear or "none"]))
    return "\n".join(lines)


def _together(found: _Found) -> str:
    lines = [_row(["joints with both", *(TITLES[k] for k in KINDS)]), "|" + "---|" * (len(KINDS) + 1)]
    lines += [_row([TITLES[a], *(found.pairs[a, b] for b in KINDS)]) for a in KINDS]
    return "\n".join(lines)


def _drawn_words(found: _Found) -> str:
    recipes = _plain(found, "joint.recipe=")
    return (
        "Scanner and board: one value per board; joint, void, bulge and neck: one for each that was drawn. `.count` is "
        f"the length of a list, `.0` and on the parts of a vector. What was meant to be drawn (labels come "
        f"from the solids): {recipes}."
    )


def _plain(found: _Found, prefix: str) -> str:
    return ", ".join(
        f"{w.removeprefix(prefix)} {n}" for w, n in sorted(found.words.items()) if w.startswith(prefix)
    )


def _spread(values: Mapping[str, list[NDArray[np.float32]]], *prefixes: str) -> str:
    lines = [_row(["quantity", "n", "least", "quarter", "half", "three quarters", "most"]), "|" + "---|" * 7]
    for name in (name for prefix in prefixes for name in values if name.startswith(prefix)):
        whole = np.concatenate(values[name])
        if len(whole) and not (name.endswith(".count") and np.ptp(whole) == 0):
            cuts = np.percentile(whole.astype(np.float64), QUARTILES)
            lines.append(_row([name.removeprefix("truth."), len(whole), *(f"{cut:.4g}" for cut in cuts)]))
    return "\n".join(lines)


def _row(cells: Iterable[object]) -> str:
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def _again(manifest: Mapping[str, Any]) -> str:
    return (
        f"`jointwise generate boards={len(manifest['shards'])} seed={manifest['seed']} "
        f"{_on(manifest)}out=STORE` with these settings "
        f"(the same bits with the same releases of the libraries; damaged shards: `jointwise verify data=STORE "
        f"remake=true`):\n\n```json\n{json.dumps(manifest['config'], indent=1)}\n```"
    )


def _on(manifest: Mapping[str, Any]) -> str:
    device = manifest.get("device", "cpu")
    masks = "masks=true " if manifest.get("masks", False) else ""
    return masks if device == "cpu" else f"device={device} {masks}"
