"""Bridges as one thing each: which bridging joints hang together, and how many bridges a detector finds.

A bridge is solder that joins neighbours, so all its joints bear the label `bridging` and counting joints counts each
bridge twice or more. Joints that belong together are found, in this order: by the column `bridge` where a set names
its bridges; by the generator's record of necks (`neck_records`); by place: bridging neighbours (also diagonal ones)
whose bridges are equally thick, or of which the thinner equals none of its neighbours and the thicker does. A chain of
joined joints is one bridge.
"""

from collections.abc import Iterable
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from jointwise.evaluation.columns import numbers, records
from jointwise.evaluation.measured import beside, with_wilson
from jointwise.evaluation.statistics.bootstrap import resampled_sums
from jointwise.evaluation.statistics.measures import Bools, Floats, shares
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS

BRIDGING: Final = KINDS.index("bridging")
ALIKE_UM: Final = 0.5
"""Necks within so much are one neck seen from both its joints, µm."""

Labels = np.ndarray
"""(n,) whole numbers: which group a joint belongs to, -1 for none."""


def can_group(table: pd.DataFrame) -> bool:
    """Whether the table tells which bridging joints hang together."""
    return "bridge" in table or {"row", "col"} <= set(table.columns)


def true_bridges(verdicts: Verdicts) -> Labels:
    """The bridge of each truly bridging joint, (n,), -1 for all others; see the head of this module.

    A bridging joint whose partner is not in the set is a bridge of its own.
    """
    table = verdicts.table
    bridging = verdicts.known[:, BRIDGING] & (verdicts.truth[:, BRIDGING] == 1)
    if "bridge" in table:
        scan = pd.factorize(table["scan"])[0]
        named = pd.factorize(table["bridge"])[0]
        pairs = _same(scan, named, bridging & (named >= 0))
    else:
        pairs = _joined(table, bridging)
    return _groups(len(table), pairs, bridging)


def called_bridges(verdicts: Verdicts, detector: str) -> Labels:
    """Neighbouring joints of which a detector calls `bridging`, as one group each, (n,), -1 where it calls none."""
    called = verdicts.calls(detector)[:, BRIDGING]
    return _groups(len(verdicts), _neighbours(verdicts.table, called), called)


def bridge_table(verdicts: Verdicts, weights: Floats) -> pd.DataFrame:
    """How many bridges and bridging joints every detector finds.

    Args:
        verdicts: of one set.
        weights: from :func:`~jointwise.evaluation.measured.board_weights`.

    Returns:
        One row per detector: bridges, found_any and found_all (bridges of which any or all joints in the set are called
        bridging) with any_rate and all_rate; joints, found_joint and joint_rate; rates with _low and _high (Wilson,
        bridges or joints taken as independent) and as RATE_boards with the interval from resampled boards (NaN under
        ten boards with a bridge); false_bridges: groups of neighbouring calls that touch no bridging joint and none of
        unknown truth (NaN where rows and columns are not known).
    """
    group = true_bridges(verdicts)
    inside = group >= 0
    size = np.bincount(group[inside])
    home = np.zeros(len(size), dtype=np.int64)
    home[group[inside]] = verdicts.boards[inside]
    placed = {"row", "col"} <= set(verdicts.table.columns)
    not_false = inside | ~verdicts.known[:, BRIDGING]
    rows: list[dict[str, Any]] = []
    for detector in verdicts.scores:
        call = verdicts.calls(detector)[:, BRIDGING]
        found = np.bincount(group[inside & call], minlength=len(size))
        rows.append(
            {"detector": detector, "bridges": len(size)}
            | _found("any", found > 0, home, weights)
            | _found("all", found == size, home, weights)
            | {"joints": int(inside.sum())}
            | _found("joint", call[inside], verdicts.boards[inside], weights)
            | {"false_bridges": _false(called_bridges(verdicts, detector), not_false) if placed else np.nan}
        )
    return pd.DataFrame(rows)


def _false(calls: Labels, not_false: Bools) -> int:
    return len(set(calls[calls >= 0].tolist()) - set(calls[not_false].tolist()))


def _found(name: str, found: Bools, home: Labels, weights: Floats) -> dict[str, float]:
    sums = resampled_sums(np.column_stack([found, np.ones(len(found))]), home, weights)
    return (
        {f"found_{name}": int(found.sum())}
        | with_wilson(f"{name}_rate", int(found.sum()), len(found))
        | beside(f"{name}_rate", shares(sums[:, 0], sums[:, 1]), len(np.unique(home)))
    )


def _joined(table: pd.DataFrame, bridging: Bools) -> np.ndarray:
    """Pairs of joints that share a bridge, (pairs, 2), from recorded necks or, where none reach, from place."""
    by_record = _recorded(table, bridging)
    reached = np.isin(np.arange(len(table)), by_record)
    near = _neighbours(table, bridging & ~reached)
    neck = numbers(table, "bridge_neck_um")
    if not len(near) or neck is None:
        return np.vstack([by_record, near])
    equal = ~(np.abs(neck[near[:, 0]] - neck[near[:, 1]]) > ALIKE_UM)  # unknown: speaks against nothing
    # In a chain each joint carries its thickest neck, so the thin end of a chain equals no neighbour.
    alone = ~np.isin(np.arange(len(table)), near[equal])
    thin, thick = np.where(neck[near[:, :1]] <= neck[near[:, 1:]], near, near[:, ::-1]).T
    return np.vstack([by_record, near[equal | (alone[thin] & ~alone[thick])]])


def _recorded(table: pd.DataFrame, bridging: Bools) -> np.ndarray:
    """Pairs of bridging joints that a neck of the generator's record joins."""
    if "neck_records" not in table:
        return np.empty((0, 2), dtype=np.int64)
    at = {
        site: place
        for place, site in enumerate(zip(table["scan"], table["row"], table["col"], strict=True))
        if bridging[place]
    }
    pairs: list[list[int]] = []
    necks = records(table, "neck_records")
    for scan, text in table[["scan", "neck_records"]].drop_duplicates("scan").itertuples(index=False):
        for neck in necks.get(text, ()):
            sites = [(scan, *neck[end]) for end in ("first", "second")]
            ends = [at[site] for site in sites if site in at]
            # A joint whose partner is not in the set is paired with itself, so that no neighbour takes it in.
            pairs += [ends] if len(ends) == 2 else [[end, end] for end in ends]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _neighbours(table: pd.DataFrame, which: Bools) -> np.ndarray:
    """Pairs (first, second) among the chosen joints that stand side by side or cornerwise in one array."""
    array = [name for name in ("scan", "component") if name in table]
    home = table.groupby(array, sort=False, dropna=False).ngroup().to_numpy()
    chosen = np.flatnonzero(which)
    sites: Iterable[tuple[Any, ...]] = zip(
        home[chosen], table["row"].to_numpy()[chosen], table["col"].to_numpy()[chosen], strict=True
    )
    at = dict(zip(sites, chosen.tolist(), strict=True))
    steps = ((0, 1), (1, -1), (1, 0), (1, 1))
    pairs = [
        (place, at[scan, row + down, col + right])
        for (scan, row, col), place in at.items()
        for down, right in steps
        if (scan, row + down, col + right) in at
    ]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _same(scan: np.ndarray, named: np.ndarray, which: Bools) -> np.ndarray:
    """Pairs that link the joints of one name in one scan, each to the first of them."""
    chosen = np.flatnonzero(which)
    first: dict[tuple[int, int], int] = {}
    pairs = [(first.setdefault((int(scan[i]), int(named[i])), int(i)), int(i)) for i in chosen]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def _groups(n: int, pairs: np.ndarray, which: Bools) -> Labels:
    """Number the connected groups among the chosen joints from 0 in the order of their first joints."""
    links = coo_array((np.ones(len(pairs), dtype=bool), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    _, parts = connected_components(links, directed=False)
    group = np.full(n, -1, dtype=np.int64)
    group[which] = pd.factorize(parts[which])[0]
    return group
