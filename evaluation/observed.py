"""An observer study: what is in pairs of joints with and without a known fault, and what each detector finds of it."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from jointwise.evaluation.parquet import absence, read_parquet
from jointwise.evaluation.statistics import pairs
from jointwise.evaluation.statistics.measures import Floats
from jointwise.evaluation.statistics.pairs import Efficiency, Names
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import require_columns

SOUND: Final = "sound"
FALSE_CALLS: Final = 0.01
"""Rate of false calls at which the best linear test's recall is told."""
NEEDED: Final = ("task", "pair", "asked", "size", "unit", "noise_free", "board_id", "present")


ESTIMATES: Final = ("ideal_d", "ideal_auc", "auc", "d", "efficiency")
TOLD: Final = (
    "kind", "size", "unit", "size_um", "voxels_per_ball", "cnr", "boards", "pairs", "detector",
    *(name + end for name in ESTIMATES for end in ("", "_low", "_high")), "ideal_recall", "called", "called_sound",
    "note",
)  # fmt: skip
"""Columns of a study that its section shows."""
WHERE: Final = "the results of an observer study (observer.parquet or observer.csv of `jointwise observe`)"


def read_study(path: Path) -> pd.DataFrame:
    """A study that `jointwise observe` wrote, from its Parquet or its CSV.

    Raises:
        InputError: no such file, another file, or a study without a row.
    """
    do = "give a file that `jointwise observe` wrote"
    if path.suffix.lower() != ".csv":
        frame = read_parquet(path, WHERE, do).to_pandas()
    elif found := absence(path):
        raise InputError(f"expected {WHERE} at {path}, found {found}; {do}")
    else:
        try:
            frame = pd.read_csv(path)
        except (OSError, ValueError) as error:
            raise InputError(f"expected {WHERE} at {path}, found no table in CSV; {do}") from error
    lacking = [name for name in TOLD if name not in frame]
    if lacking or not set(frame["kind"]) <= set(KINDS) or frame.empty:
        few = ", ".join(lacking[:3]) + (f" and {len(lacking) - 3} more columns" if len(lacking) > 3 else "")
        found = f"a table without {few}" if lacking else "a table that holds no study"
        raise InputError(f"expected {WHERE} at {path}, found {found}; {do}")
    return frame


def study(joints: Joints, scores: Mapping[str, Floats], calls: Mapping[str, np.ndarray]) -> pd.DataFrame:
    """One row per task and detector.

    Args:
        joints: a store of pairs (`data_gen.pairs`), noise-free boards among them.
        scores: detector -> (n, 4), NaN where a joint is not judged (:func:`judged_rows`).
        calls: detector -> (n, 4) whether its shipped cut calls them.

    Returns:
        Columns kind, size, unit, size_um (mean gap or void's diameter as measured), voxel_um, cnr, boards, pairs,
        detector, ideal_d, ideal_auc, ideal_recall (at 1 % false calls), auc, d, efficiency (each of these but
        ideal_recall with _low and _high), called, called_sound (shares of members called by the cut), note.

    Raises:
        InputError: no store of pairs, or one without noise-free boards.
    """
    table, known = joints.table, np.ones(len(joints), bool)
    known[judged_rows(table)] = False
    rows: list[dict[str, object]] = []
    for task in (name for name in table["task"].unique() if name != SOUND):
        if float(table.loc[table["task"] == task, "size"].iloc[0]) > 0.0:
            rows += _of_task(joints, scores, calls, known, task)
    return pd.DataFrame(rows)


def judged_rows(table: pd.DataFrame) -> np.ndarray:
    """Rows of a store of pairs that are judged; the others, without noise, tell what signal there is to know.

    Raises:
        InputError: no store of pairs, or one that lacks either.
    """
    require_columns(table, NEEDED, "the joints of an observer study (a store of pairs)")
    known = table["noise_free"].to_numpy(dtype=np.float64) > 0.5
    if not known.any() or known.all():
        raise InputError(
            "expected boards with and without noise in the store of pairs, found one sort only; make it anew"
        )
    return np.flatnonzero(~known)


def members(table: pd.DataFrame, task: str, among: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rows of the sound and of the faulty members of a task's pairs, in the same order; both must hold a ball."""
    usable = among & (table["present"].to_numpy(dtype=np.float64) > 0.5)
    place = pd.Series(np.arange(len(table)), index=table["pair"].to_numpy())
    sound = place[usable & (table["task"] == SOUND).to_numpy()]
    faulty = place[usable & (table["task"] == task).to_numpy()]
    both = sound.index.intersection(faulty.index)
    return sound[both].to_numpy(), faulty[both].to_numpy()


def _of_task(
    joints: Joints,
    scores: Mapping[str, Floats],
    calls: Mapping[str, np.ndarray],
    known: np.ndarray,
    task: str,
) -> Iterator[dict[str, object]]:
    table = joints.table
    templates = pairs.signal_channels(*_known(joints, *members(table, task, known)))
    sound, faulty = members(table, task, ~known)
    g0, g1 = (_project(joints, rows, templates) for rows in (sound, faulty))
    boards: Names = table["board_id"].to_numpy()[sound].astype(str)
    first = table.iloc[faulty[0]]
    kind = str(first["asked"])
    k = KINDS.index(kind)
    facts = {
        "kind": kind,
        "size": float(first["size"]),
        "unit": str(first["unit"]),
        "size_um": _size_um(table.iloc[faulty], kind),
        "voxel_um": float(table["voxel_um"].iloc[faulty].mean()),
        "voxels_per_ball": float(table["voxels_per_ball"].iloc[sound].mean()),
        "cnr": float(table["cnr"].iloc[sound].median()),
        "boards": len(np.unique(boards)),
        "pairs": len(sound),
    }
    for detector, score in scores.items():
        found = pairs.observe(g0, g1, score[sound, k], score[faulty, k], boards)
        called = {
            name: float(calls[detector][rows, k].mean())
            for name, rows in (("called", faulty), ("called_sound", sound))
        }
        yield facts | {"detector": detector} | _columns(found) | called | {"note": found.note}


def _known(joints: Joints, sound: np.ndarray, faulty: np.ndarray) -> tuple[Floats, Floats]:
    """The signal and the sound joint without noise, (z, y, x) each."""
    background = joints.volumes[sound].mean(axis=0, dtype=np.float64)
    return joints.volumes[faulty].mean(axis=0, dtype=np.float64) - background, background


def _project(joints: Joints, rows: np.ndarray, templates: Floats) -> Floats:
    """Channels (rows, p); joint by joint, because all at once would not fit into a small memory."""
    return np.array([templates @ joints.volumes[i].ravel().astype(np.float64) for i in rows])


def _size_um(table: pd.DataFrame, kind: str) -> float:
    """The faults' mean gap, or the diameter of a circle of their voids' area, as truth measures them."""
    if kind != "void":
        return float(table["gap_um"].mean())
    share = table["void_projected_area_pct"].mean() / 100.0
    return float(1000.0 * table["ball_mm"].mean() * np.sqrt(share))


def _columns(found: Efficiency) -> dict[str, float]:
    told = {
        "ideal_d": pairs.d_prime(found.ideal_snr2),
        "ideal_auc": pairs.auc_of(found.ideal_snr2),
        "auc": found.auc,
        "d": found.snr,
        "efficiency": found.efficiency,
    }
    columns = {
        name + end: value
        for name, estimate in told.items()
        for end, value in zip(("", "_low", "_high"), estimate, strict=True)
    }
    return columns | {"ideal_recall": pairs.found_at(told["ideal_d"].value, FALSE_CALLS)}
