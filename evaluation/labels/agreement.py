"""Readers among themselves, and detectors against readers before the truth: three tables for the report."""

import itertools
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from jointwise.evaluation.labels.adjudication import adjudicate, independent, sides
from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.kappa import agreement_of
from jointwise.evaluation.statistics.mcnemar import exact
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.kinds import KINDS, TITLES

LEAST_DIFFERENT: Final = 6
"""Joints on which only one is right below which the exact test cannot reach p < 0.05, however they fall."""


def kappa_table(verdicts: Verdicts, rule: str) -> pd.DataFrame:
    """How far readers agree beyond chance, one row per kind and pair, and all together where there are three or more.

    Returns:
        Columns readers, statistic (Cohen, Fleiss), kind, n (joints all of them could tell), left_out (joints they
        looked at that one could not tell), boards, observed, kappa, kappa_low, kappa_high (95 %, boards drawn with
        replacement). No rows where fewer than two read for themselves.
    """
    own = independent(verdicts.readers, rule)
    groups: list[tuple[str, ...]] = list(itertools.combinations(own, 2))
    groups += [tuple(own)] if len(own) > 2 else []
    looked = looked_at(verdicts)
    rows = []
    for group in groups:
        said = np.stack([own[name] for name in group])
        for column, kind in enumerate(KINDS):
            found = agreement_of(said[:, looked, column], verdicts.boards[looked])
            row: dict[str, Any] = {
                "readers": " and ".join(group) if len(group) == 2 else f"all {len(group)}",
                "statistic": "Cohen" if len(group) == 2 else "Fleiss",
                "kind": kind,
                "n": found.n,
                "left_out": int(looked.sum()) - found.n,
                "boards": found.boards,
                "observed": found.observed,
            }
            rows.append(row | {"kappa": found.kappa, "kappa_low": found.low, "kappa_high": found.high})
    counted = ["readers", "statistic", "kind", "n", "left_out", "boards", "observed"]
    return pd.DataFrame(rows, columns=[*counted, "kappa", "kappa_low", "kappa_high"])


def looked_at(verdicts: Verdicts) -> Bools:
    """Which joints readers were shown, (n,): those with a ball; fewer where the column `labelled` says so."""
    there = verdicts.present
    if "labelled" not in verdicts.table:
        return there
    shown = verdicts.table["labelled"].to_numpy(dtype=np.float64, na_value=0.0) > 0
    return np.asarray(there & shown)


def untold_table(verdicts: Verdicts, rule: str) -> pd.DataFrame:
    """Joints that readers could not call, one row per kind.

    Returns:
        Columns kind, n (joints looked at), some (at least one reader could not tell), nobody (no reader could), share
        (nobody/n) with share_low and share_high (95 % Wilson), differ (readers who could tell differ), open (no settled
        label).
    """
    said, settled = _stack(independent(verdicts.readers, rule)), adjudicate(verdicts.readers, rule)
    looked = looked_at(verdicts)
    untold, n = np.isnan(said), int(looked.sum())
    masks = {
        "some": untold.any(axis=0),
        "nobody": untold.all(axis=0),
        "differ": (said == 1).any(axis=0) & (said == 0).any(axis=0),
        "open": np.isnan(settled),
    }
    rows = []
    for column, kind in enumerate(KINDS):
        row: dict[str, Any] = {"kind": kind, "n": n}
        row |= {name: int(mask[looked, column].sum()) for name, mask in masks.items()}
        row["share"] = measures.ratio(row["nobody"], n)
        row["share_low"], row["share_high"] = measures.wilson(row["nobody"], n)
        rows.append(row)
    return pd.DataFrame(rows)


def open_joints(verdicts: Verdicts, rule: str) -> pd.DataFrame:
    """Joints without a settled label in some kind: scan, ball, kinds (words), and each reader's answer to those kinds.

    Rows in the order of the table; answers are 1, 0 or ? (could not tell), in the order of `kinds`.
    """
    settled = np.isnan(adjudicate(verdicts.readers, rule)) & looked_at(verdicts)[:, None]
    rows = []
    for place in np.flatnonzero(settled.any(axis=1)):
        kinds = np.flatnonzero(settled[place])
        site = verdicts.table.iloc[place]
        row = {
            "scan": site["scan"],
            "ball": site["ball"],
            "kinds": ", ".join(TITLES[KINDS[k]] for k in kinds),
        }
        for name, labels in verdicts.readers.items():
            row[name] = " ".join("?" if np.isnan(v) else f"{v:.0f}" for v in labels[place, kinds])
        rows.append(row)
    return pd.DataFrame(rows, columns=["scan", "ball", "kinds", *verdicts.readers])


def beats_table(verdicts: Verdicts, rule: str) -> pd.DataFrame:
    """Each detector against each reader and the settled label, both held against the truth on the same joints.

    Returns:
        Columns detector, reader, kind, n (truth known and the reader could tell), left_out (truth known, the reader
        could not), detector_only and reader_only (joints on which only that one is right), each also as _missed (the
        other missed a fault) and _false (the other called falsely), p (exact McNemar), better: detector, reader,
        neither (p >= 0.05) or too few (fewer than six joints differ). No rows where no truth is known.
    """
    rows = []
    for detector in verdicts.scores:
        calls = verdicts.calls(detector).astype(np.float64)
        for reader, labels in sides(verdicts.readers, rule).items():
            for column, kind in enumerate(KINDS):
                known = verdicts.known[:, column]
                told = known & ~np.isnan(labels[:, column])
                if not known.any():
                    continue
                row = {"detector": detector, "reader": reader, "kind": kind, "n": int(told.sum())}
                row["left_out"] = int((known & ~told).sum())
                truth, call, said = (v[told, column] for v in (verdicts.truth, calls, labels))
                rows.append(row | _duel(truth, call, said))
    return pd.DataFrame(rows)


def _duel(truth: Floats, detector: Floats, reader: Floats) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for name, right, wrong in (("detector", detector, reader), ("reader", reader, detector)):
        only = (right == truth) & (wrong != truth)
        row[f"{name}_only"] = int(only.sum())
        row[f"{name}_only_missed"] = int((only & (truth == 1)).sum())
        row[f"{name}_only_false"] = int((only & (truth == 0)).sum())
    b, c = row["detector_only"], row["reader_only"]
    row["p"] = exact(b, c)
    row["better"] = (
        "too few" if b + c < LEAST_DIFFERENT
        else "neither" if row["p"] >= 0.05
        else "detector" if b > c
        else "reader"
    )  # fmt: skip
    return row


def _stack(readers: Mapping[str, Floats]) -> Floats:
    return np.stack(list(readers.values()))
