"""A set of joints that readers have labelled: sub-volumes in bytes, every reader's answers, truth where it is known.

A set is a folder with `set.json` (facts, and the SHA-256 of every other file), `joints.csv` (every site with its
position), `labels.csv` (long: one row per joint and reader), `truth.csv`, and sub-volumes of the joints that are there
in `SCAN_N.safetensors`, each file at most 8 MiB. Sets are for judging, never for training or tuning.
"""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from safetensors import SafetensorError
from safetensors.numpy import load as load_tensors
from safetensors.numpy import save as save_tensors

from jointwise.evaluation.labels.storage import Packed, pack, unpack
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.joints.atomic import sha256, write_bytes, write_text
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import present_array, require_columns

FORMAT: Final = "jointwise labelled set 1"
FACTS, SITES, LABELS, TRUTH = "set.json", "joints.csv", "labels.csv", "truth.csv"
MOST_BYTES: Final = 8 * 2**20
HEADER_BYTES: Final = 4096  # room for a file's own head and the two numbers of each joint
MARGINAL_ABOVE: Final = 0.25  # bonded share of the interface above which an open or a pillow is marginal
KEY: Final = ["scan", "ball"]
FEWEST_ALIKE: Final = 8  # joints of equal names from which on two scans are compared


class Tables(NamedTuple):
    """The three tables of a set; `scan` and `ball` together name a joint.

    Args:
        sites: every site: schema's identity, position, `present`, pitch_mm, ball_mm and what else the cut tells.
        labels: one row per reader and present joint: scan, ball, reader, the kinds (0/1; empty at will where the
            reader could not tell), cannot_tell, …
        truth: one row per site: scan, ball, present, the kinds (0/1), contact_fraction, gap_um, …
    """

    sites: pd.DataFrame
    labels: pd.DataFrame
    truth: pd.DataFrame


@dataclass(frozen=True)
class LabelledSet:
    """The joints of a set that are there, in the order of `tables.sites`, and what is known and said of them.

    Args:
        name: how tables call it.
        provenance: where scans and labels come from; stands wherever figures of the set appear.
        joints: n joints, float16; their table holds no label and no truth, so no detector can see any.
        truth: (n, 4) 0 or 1, also for marginal joints.
        answers: reader -> (n, 4), every answer as given, also where the reader was not sure enough to tell.
        cannot_tell: reader -> (n,), joints the reader could not tell.
        marginal: (n,), an open or a pillow bonded over more than a quarter of its interface.
        tables: all rows, missing balls included.
    """

    name: str
    provenance: str
    joints: Joints
    truth: Floats
    answers: dict[str, Floats]
    cannot_tell: dict[str, Bools]
    marginal: Bools
    tables: Tables

    @property
    def labels(self) -> dict[str, Floats]:
        """reader -> (n, 4): 0, 1, or NaN where the reader could not tell."""
        return {r: np.where(self.cannot_tell[r][:, None], np.nan, a) for r, a in self.answers.items()}

    @property
    def missing(self) -> int:
        """Sites without a ball; they count in no kind."""
        return len(self.tables.sites) - len(self.joints)


def write_set(
    folder: Path, cuts: Mapping[str, Joints], tables: Tables, provenance: str, facts: Mapping[str, Any]
) -> list[Path]:
    """Write a set; `set.json` comes last, so a folder left half-written is refused by :func:`read_set`.

    Args:
        folder: made if absent; files of the same names are replaced, others left alone.
        cuts: scan -> its present joints, in the order of `tables.sites`, all on one grid.
        tables: the three tables.
        provenance: one line on where scans and labels come from.
        facts: further JSON-safe facts of the cutting.

    Returns:
        The files written.

    Raises:
        InputError: tables that do not fit each other or the joints, no provenance, or values that are not finite.
    """
    if not provenance.strip():
        raise InputError("expected a line on where scans and labels come from, found none; give provenance=…")
    _check(tables, str(folder))
    grid = next(iter(cuts.values())).grid
    parts: dict[str, int] = {}
    (folder / FACTS).unlink(missing_ok=True)
    for scan, joints in cuts.items():
        _check_cut(tables.sites, scan, joints, grid)
        for name, part in _parts(scan, joints):
            write_bytes(folder / name, save_tensors(pack(part.volumes)._asdict()))
            parts[name] = len(part)
    for name, table in zip((SITES, LABELS, TRUTH), tables, strict=True):
        write_bytes(folder / name, table.to_csv(index=False, lineterminator="\n").encode())
    files = [*parts, SITES, LABELS, TRUTH]
    head = {"format": FORMAT, "provenance": provenance.strip(), "grid": grid.to_json(), "parts": parts}
    hashes = {name: sha256(folder / name) for name in files}
    write_text(folder / FACTS, json.dumps({**head, **facts, "sha256": hashes}, indent=1) + "\n")
    return [folder / name for name in (*files, FACTS)]


def read_set(folder: Path, name: str) -> LabelledSet:
    """Read a set as :func:`write_set` wrote it.

    Args:
        folder: of the set.
        name: how tables call it.

    Raises:
        InputError: no set there, a file missing or changed, or tables that do not fit each other.
    """
    facts = _read_facts(folder)
    for file, expected in facts["sha256"].items():
        if not (folder / file).is_file() or sha256(folder / file) != expected:
            raise InputError(
                f"expected {file} in {folder} as {FACTS} lists it, found it missing or changed; take the folder whole"
            )
    tables = Tables(*(pd.read_csv(folder / file) for file in (SITES, LABELS, TRUTH)))
    _check(tables, str(folder))
    present = tables.sites[present_array(tables.sites)].reset_index(drop=True)
    volumes = [unpack(_read_part(folder / part, joints)) for part, joints in facts["parts"].items()]
    joints = Joints(np.concatenate(volumes), present, Grid.from_json(facts["grid"]))
    return assemble(name, str(facts["provenance"]), joints, tables)


def assemble(name: str, provenance: str, joints: Joints, tables: Tables) -> LabelledSet:
    """Bring truth and labels into the order of the joints.

    Args:
        name, provenance, joints, tables: as in :class:`LabelledSet`.
    """
    keys = pd.MultiIndex.from_frame(joints.table[KEY])
    truth = tables.truth.set_index(KEY).loc[keys]
    answers, cannot_tell = {}, {}
    for reader, rows in tables.labels.groupby("reader", sort=False):
        own = rows.set_index(KEY).loc[keys]
        answers[str(reader)] = own[list(KINDS)].to_numpy(dtype=np.float64)
        cannot_tell[str(reader)] = np.asarray(own["cannot_tell"].to_numpy() == 1)
    gap = (truth["non_wet"].to_numpy() == 1) | (truth["head_in_pillow"].to_numpy() == 1)
    marginal = gap & (truth["contact_fraction"].to_numpy(dtype=np.float64) > MARGINAL_ABOVE)
    kinds = truth[list(KINDS)].to_numpy(dtype=np.float64)
    return LabelledSet(name, provenance, joints, kinds, answers, cannot_tell, np.asarray(marginal), tables)


def likeness(joints: Joints, known: LabelledSet) -> float:
    """How much of what sets its joints apart a batch shares with a set: 1 for cuts of one scan, about 0.2 for others.

    Of each joint the mean over its batch is taken off, so that what is left is its own: size, faults, noise. The
    median over joints of equal names of the correlation, the largest over the set's scans; 0 if fewer than eight
    names meet or the grids differ.
    """
    best = 0.0
    for _, rows in known.joints.table.groupby("scan", sort=False):
        theirs = known.joints.take(rows.index.to_numpy())
        _, here, there = np.intersect1d(joints.table["ball"], theirs.table["ball"], return_indices=True)
        if joints.grid != known.joints.grid or len(here) < FEWEST_ALIKE:
            continue
        one, two = (
            (v - v.mean(axis=0)).reshape(len(here), -1)
            for v in (joints.volumes[here].astype(np.float32), theirs.volumes[there].astype(np.float32))
        )
        norm = np.linalg.norm(one, axis=1) * np.linalg.norm(two, axis=1)
        best = max(best, float(np.median((one * two).sum(axis=1) / np.maximum(norm, 1e-12))))
    return best


def _parts(scan: str, joints: Joints) -> Iterator[tuple[str, Joints]]:
    """The joints of a scan in files of about equal size, none above the limit."""
    most = (MOST_BYTES - HEADER_BYTES) // (int(np.prod(joints.grid.shape)) + 8)
    if most < 1:
        raise InputError(
            f"grid.shape: expected a sub-volume below 8 MiB, found {joints.grid.shape}; shrink it"
        )
    pieces = np.array_split(np.arange(len(joints)), -(-len(joints) // most))
    for number, rows in enumerate(pieces, start=1):
        yield f"{scan}_{number}.safetensors", joints.take(rows)


def _read_part(path: Path, joints: int) -> Packed:
    try:
        packed = Packed(**load_tensors(path.read_bytes()))
    except (OSError, SafetensorError, TypeError) as error:
        raise InputError(
            f"expected sub-volumes in {path}, found none that read; write the set anew"
        ) from error
    if packed.codes.dtype != np.uint8 or len(packed.codes) != joints:
        raise InputError(
            f"expected {joints} sub-volumes in bytes in {path}, found others; write the set anew"
        )
    return packed


def _read_facts(folder: Path) -> dict[str, Any]:
    path = folder / FACTS
    if not path.is_file():
        raise InputError(f"expected a set of labelled joints (a folder with {FACTS}) at {folder}, found none")
    try:
        facts = json.loads(path.read_text(encoding="utf-8"))
        if facts["format"] != FORMAT:
            raise InputError(
                f"expected the format {FORMAT!r} in {path}, found {facts['format']!r}; write it anew"
            )
        _ = Grid.from_json(facts["grid"]), dict(facts["parts"]), dict(facts["sha256"]), facts["provenance"]
    except (ValueError, KeyError, TypeError) as error:
        raise InputError(
            f"expected the facts of a set in {path}, found a damaged file; write it anew"
        ) from error
    return dict(facts)


def _check(tables: Tables, where: str) -> None:
    """Whether the tables speak of the same joints, each once, in 0 and 1.

    Raises:
        InputError: says what does not fit.
    """
    require_columns(tables.sites, [*KEY, "present", "x_mm", "y_mm", "z_mm"], f"{where}, {SITES}")
    require_columns(tables.labels, [*KEY, "reader", *KINDS, "cannot_tell"], f"{where}, {LABELS}")
    require_columns(tables.truth, [*KEY, "present", *KINDS, "contact_fraction"], f"{where}, {TRUTH}")
    sites = _keys(tables.sites, where, SITES)
    there = _keys(tables.sites[present_array(tables.sites)], where, SITES)
    _demand_same(sites, _keys(tables.truth, where, TRUTH), f"{where}, {TRUTH}")
    _demand_same(
        there, _keys(tables.truth[present_array(tables.truth)], where, TRUTH), f"{where}, {TRUTH} (present)"
    )
    for reader, rows in tables.labels.groupby("reader", sort=False):
        _demand_same(there, _keys(rows, where, f"{LABELS} of {reader}"), f"{where}, {LABELS} of {reader}")
    present_truth = tables.truth[present_array(tables.truth)]
    told = tables.labels[tables.labels["cannot_tell"] != 1]
    untold = tables.labels[tables.labels["cannot_tell"] == 1].fillna(dict.fromkeys(KINDS, 0))
    for table, file, columns in (
        (told, LABELS, [*KINDS, "cannot_tell"]),
        (untold, LABELS, list(KINDS)),
        (present_truth, TRUTH, list(KINDS)),
    ):
        if not table[columns].isin([0, 1]).all(axis=None):
            raise InputError(
                f"expected 0 or 1 in {', '.join(columns)} of {where}, {file}, found other values"
            )


def _keys(table: pd.DataFrame, where: str, file: str) -> set[tuple[str, str]]:
    twice = table.duplicated(KEY)
    if twice.any():
        ball = table.loc[twice, "ball"].iloc[0]
        raise InputError(
            f"expected every joint once in {where}, {file}, found {ball} twice; correct the table"
        )
    return set(table[KEY].itertuples(index=False, name=None))


def _demand_same(expected: set[tuple[str, str]], found: set[tuple[str, str]], where: str) -> None:
    odd: Sequence[tuple[str, str]] = sorted(expected ^ found)
    if odd:
        scan, ball = odd[0]
        raise InputError(
            f"expected the same joints in {SITES} and in {where}, found {len(odd)} in only one of them, "
            f"the first {scan} {ball}; correct the tables"
        )


def _check_cut(sites: pd.DataFrame, scan: str, joints: Joints, grid: Grid) -> None:
    own = sites[(sites["scan"] == scan) & present_array(sites)]
    if joints.grid != grid or list(own["ball"]) != list(joints.table["ball"]) or not len(own):
        raise InputError(f"expected a sub-volume for every present joint of {scan} on one grid, found others")
