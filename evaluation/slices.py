"""The same detectors on parts of the joints: by pitch, sampling, noise, gap, void, place, scan settings, agreement.

Borders are fixed, so that sets compare; where no standard is named they are our choice.
"""

import itertools
from collections.abc import Callable, Sequence
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from jointwise.evaluation.columns import numbers, records
from jointwise.evaluation.measured import beside, with_wilson
from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.bootstrap import resampled_sums
from jointwise.evaluation.statistics.measures import Floats
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS

GAP_VOXELS: Final = (0.5, 1.0, 2.0)
PITCHES_MM: Final = (0.4, 0.5, 0.65, 0.8, 1.0, 1.27)
"""Pitches of the generator's families (configs/family); each joint goes to the nearest."""
VOXELS_PER_BALL: Final = (15.0, 20.0, 30.0)
CNR: Final = (10.0, 20.0, 40.0)
VOID_PCT: Final = (10.0, 20.0, 30.0)
ADJUDICATED: Final = "adjudicated"
"""A reader of that name is the outcome of the others, not one more opinion."""

Places = np.ndarray


class Slicing(NamedTuple):
    """One way to cut a set into parts.

    Args:
        name: for file and column names.
        title: for people.
        labels: the parts in order.
        place: (n, kinds) which part a joint is in for each kind, -1 for none.
        own_sound: whether sound joints have a part of their own; if not, those of the scans of the faulty ones count.
    """

    name: str
    title: str
    labels: Sequence[str]
    place: Places
    own_sound: bool = True


def slicings(verdicts: Verdicts) -> list[Slicing]:
    """Every way to cut that the set's columns allow, also such as leave all joints in one part."""
    makers: tuple[Callable[[Verdicts], Slicing | None], ...] = (
        _pitch,
        lambda v: _bins(v, "voxels_per_ball", "voxels per ball diameter", VOXELS_PER_BALL),
        lambda v: _bins(v, "cnr", "noise (contrast to noise of solder)", CNR),
        _gap,
        _void,
        _position,
        lambda v: _settings(v, "kvp", "tube voltage, kV"),
        lambda v: _settings(v, "mount", "mount of the board"),
        _agreement,
    )
    return [one for make in makers for one in (make(verdicts),) if one is not None]


def slice_table(verdicts: Verdicts, one: Slicing, weights: Floats) -> pd.DataFrame:
    """Recall and false calls of every kind and detector in every part.

    Args:
        verdicts: of one set.
        one: how to cut.
        weights: from :func:`~jointwise.evaluation.measured.board_weights`.

    Returns:
        Columns slice, kind, detector; faulty, found, recall with _low and _high (Wilson) and recall_boards likewise
        (resampled boards; NaN where fewer than ten boards have such a joint); sound, false_calls and false_call_rate
        in the same way: joints sound in every kind, and those of them on which the kind is called; rank: `too few`
        where faulty joints cannot rank two detectors. Parts without any joint of a kind have no row of it.
    """
    sound = measures.any_kind(verdicts.truth, verdicts.present) == 0
    scan = pd.factorize(verdicts.table["scan"])[0]
    calls = {detector: verdicts.calls(detector) for detector in verdicts.scores}
    rows: list[dict[str, Any]] = []
    for part, label in enumerate(one.labels):
        for k, kind in enumerate(KINDS):
            here = one.place[:, k] == part
            faulty = here & verdicts.known[:, k] & (verdicts.truth[:, k] == 1)
            beside_them = sound & (here if one.own_sound else np.isin(scan, scan[faulty]))
            if not faulty.any() and not (one.own_sound and beside_them.any()):
                continue
            for detector, call in calls.items():
                rows.append(
                    {"slice": label, "kind": kind, "detector": detector}
                    | _rate(verdicts, weights, ("faulty", "found", "recall"), faulty, call[:, k])
                    | _rate(
                        verdicts,
                        weights,
                        ("sound", "false_calls", "false_call_rate"),
                        beside_them,
                        call[:, k],
                    )
                    | {"rank": "too few" if faulty.sum() < measures.fewest_to_rank() else ""}
                )
    return pd.DataFrame(rows)


def _rate(
    verdicts: Verdicts, weights: Floats, names: tuple[str, str, str], among: np.ndarray, call: np.ndarray
) -> dict[str, float]:
    whole, part = int(among.sum()), int((among & call).sum())
    home = verdicts.boards[among]
    sums = resampled_sums(np.column_stack([call[among], np.ones(whole)]), home, weights)
    return (
        {names[0]: whole, names[1]: part}
        | with_wilson(names[2], part, whole)
        | beside(names[2], measures.shares(sums[:, 0], sums[:, 1]), len(np.unique(home)))
    )


def _everywhere(place: np.ndarray) -> Places:
    return np.repeat(np.asarray(place, dtype=np.int64)[:, None], len(KINDS), axis=1)


def _binned(values: Floats, borders: Sequence[float]) -> np.ndarray:
    """Which of the bins (low, high] a value lies in; -1 where it is not known."""
    return np.where(np.isnan(values), -1, np.searchsorted(borders, values, side="left"))


def _ranges(borders: Sequence[float], unit: str = "") -> list[str]:
    inner = [f"{low:g}–{high:g}{unit}" for low, high in itertools.pairwise(borders)]
    return [f"≤ {borders[0]:g}{unit}", *inner, f"> {borders[-1]:g}{unit}"]


def _bins(verdicts: Verdicts, name: str, title: str, borders: Sequence[float]) -> Slicing | None:
    values = numbers(verdicts.table, name)
    if values is None:
        return None
    return Slicing(name, title, _ranges(borders), _everywhere(_binned(values, borders)))


def _pitch(verdicts: Verdicts) -> Slicing | None:
    values = numbers(verdicts.table, "pitch_mm")
    if values is None:
        return None
    middles = [(low + high) / 2 for low, high in itertools.pairwise(PITCHES_MM)]
    labels = [f"{pitch:.2f} mm" for pitch in PITCHES_MM]
    return Slicing("pitch", "pitch", labels, _everywhere(_binned(values, middles)))


def _gap(verdicts: Verdicts) -> Slicing | None:
    gap, voxel = numbers(verdicts.table, "gap_um"), numbers(verdicts.table, "voxel_um")
    if gap is None or voxel is None:
        return None
    place = np.full((len(verdicts), len(KINDS)), -1)
    for kind in ("non_wet", "head_in_pillow"):
        place[:, KINDS.index(kind)] = _binned(gap / voxel, GAP_VOXELS)
    return Slicing("gap", "gap, voxels", _ranges(GAP_VOXELS), place, own_sound=False)


def _void(verdicts: Verdicts) -> Slicing | None:
    values = numbers(verdicts.table, "void_projected_area_pct")
    if values is None:
        return None
    place = np.full((len(verdicts), len(KINDS)), -1)
    place[:, KINDS.index("void")] = _binned(values, VOID_PCT)
    return Slicing(
        "void", "void, share of the cross-section", _ranges(VOID_PCT, " %"), place, own_sound=False
    )


def _position(verdicts: Verdicts) -> Slicing | None:
    row, col = numbers(verdicts.table, "row"), numbers(verdicts.table, "col")
    if row is None or col is None:
        return None
    outer = _outermost(verdicts.table, row, "rows").astype(int) + _outermost(verdicts.table, col, "cols")
    place = np.where(np.isnan(row) | np.isnan(col), -1, outer)
    return Slicing("position", "place in the array", ("inner", "edge", "corner"), _everywhere(place))


def _outermost(table: pd.DataFrame, line: Floats, extent: str) -> np.ndarray:
    """Whether a joint stands in the first or last row (or column) of its array.

    The array's extent is the generator's record of it where there is one (a store keeps only some joints of an array),
    else that of all sites in the set, missing balls included.
    """
    names = [name for name in ("board_id", "component") if name in table]
    home = table.groupby(names, sort=False, dropna=False).ngroup()
    lines = pd.Series(line).groupby(home.to_numpy())
    first, last = lines.transform("min").to_numpy(), lines.transform("max").to_numpy()
    if "board_record" in table:
        sizes = {text: board.get(extent, np.nan) for text, board in records(table, "board_record").items()}
        size = table["board_record"].map(sizes).to_numpy(dtype=np.float64, na_value=np.nan)
        first, last = np.where(np.isnan(size), first, 0), np.where(np.isnan(size), last, size - 1)
    return np.asarray((line == first) | (line == last))


def _settings(verdicts: Verdicts, name: str, title: str) -> Slicing | None:
    """By every value of a setting; the mount stands in the scanner's record where it has no column of its own."""
    table = verdicts.table
    if name in table:
        values = table[name]
    elif "scanner_record" in table:
        known = {text: scanner.get(name) for text, scanner in records(table, "scanner_record").items()}
        values = table["scanner_record"].map(known)
    else:
        return None
    place, labels = pd.factorize(values, sort=True)
    if not len(labels):
        return None
    shown = [f"{label:g}" if isinstance(label, int | float | np.number) else str(label) for label in labels]
    return Slicing(name, title, shown, _everywhere(place))


def _agreement(verdicts: Verdicts) -> Slicing | None:
    """Whether all readers gave one and the same answer about a kind."""
    answers = [labels for reader, labels in verdicts.readers.items() if reader != ADJUDICATED]
    if len(answers) < 2:
        return None
    stack = np.stack(answers)
    agree = ~np.isnan(stack).any(axis=0) & (stack == stack[0]).all(axis=0)
    return Slicing("readers", "readers' agreement", ("all agree", "not all"), np.where(agree, 0, 1))
