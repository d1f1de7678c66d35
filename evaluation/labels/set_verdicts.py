"""A reader-labelled set, and labels from a file, brought into the one form that every figure is computed from."""

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.evaluation.labels.filled import looked_at, read_labels
from jointwise.evaluation.labels.labelled_set import KEY, LabelledSet
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import present_array


class Whole(NamedTuple):
    """All joints of a store or set, and which of them are judged.

    Args:
        sites: what is known of each.
        rows: (n,) the places of the judged ones.
    """

    sites: pd.DataFrame
    rows: NDArray[np.integer[Any]]


def verdicts_of(
    labelled: LabelledSet,
    scores: Mapping[str, Floats],
    cuts: Mapping[str, Floats],
    outside: Mapping[str, Bools] | None = None,
    seconds: Mapping[str, float] | None = None,
) -> Verdicts:
    """Every site of a set, missing balls included, with what readers and detectors say.

    A marginal joint has no truth in any kind (the set's data sheet counts it in none) and 1 in the column `marginal`.

    Args:
        labelled: the set.
        scores, cuts: detector -> (joints, 4), in the order of `labelled.joints`.
        outside: detector -> (joints,).
        seconds: detector -> seconds per joint.
    """
    sites = labelled.tables.sites
    there = present_array(sites)
    truth = np.where(labelled.marginal[:, None], np.nan, labelled.truth)

    def spread(values: Floats) -> Floats:
        whole = np.full((len(sites), values.shape[1]), np.nan)
        whole[there] = values
        return whole

    marginal = np.zeros(len(sites), dtype=np.int64)
    marginal[there] = labelled.marginal
    beyond = {who: np.zeros(len(sites), dtype=bool) for who in outside or {}}
    for who, values in (outside or {}).items():
        beyond[who][there] = values
    return Verdicts(
        labelled.name,
        labelled.provenance,
        _with_measures(sites, labelled.tables.truth).assign(marginal=marginal),
        spread(truth),
        {who: spread(values) for who, values in scores.items()},
        # A site without a ball is never called, whatever its cut.
        {who: _never_where_empty(spread(values)) for who, values in cuts.items()},
        {who: spread(values) for who, values in labelled.labels.items()},
        beyond,
        dict(seconds or {}),
    )


def with_readers(verdicts: Verdicts, path: Path, whole: Whole | None = None) -> Verdicts:
    """The same joints with the labels of a file beside what readers said already; `labelled` in the table counts who
    looked at a joint, so that a joint nobody was shown is told from one nobody could call.

    Args:
        verdicts: of the joints the labels belong to.
        path: as `jointwise labels check=…` writes it.
        whole: all joints that the file may speak of, where the verdicts are of some of them only.

    Raises:
        InputError: as :func:`jointwise.evaluation.labels.filled.read_labels`; a name that is taken; no label of any of
            these joints.
    """
    sites, rows = whole or Whole(verdicts.table, np.arange(len(verdicts)))
    readers = {name: labels[rows] for name, labels in read_labels(path, sites).items()}
    for name in readers:
        if name in {**verdicts.readers, **verdicts.scores}:
            raise InputError(
                f"expected readers other than {', '.join((*verdicts.readers, *verdicts.scores))} in {path}, found "
                f"{name}; rename that reader"
            )
    looked = looked_at(path, sites)[rows]
    if not looked.any():
        raise InputError(
            f"expected labels of the {len(verdicts)} joints that are judged of {verdicts.name} in {path}, found labels "
            "of others only; judge their split (split=…)"
        )
    before = (
        verdicts.table["labelled"].to_numpy(dtype=np.int64)
        if "labelled" in verdicts.table
        else np.where(verdicts.present, len(verdicts.readers), 0)
    )
    return dataclasses.replace(
        verdicts,
        table=verdicts.table.assign(labelled=before + looked),
        readers={**verdicts.readers, **readers},
    )


def _never_where_empty(cuts: Floats) -> Floats:
    return np.where(np.isnan(cuts), np.inf, cuts)


def _with_measures(sites: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """The sites with what truth measured there (gap, void, neck …), by joint."""
    measures = truth.drop(columns=[name for name in truth if name in (*KINDS, "present")])
    new = [name for name in measures if name in KEY or name not in sites]
    if "board_id" not in sites:
        sites = sites.assign(
            board_id=sites["scan"]
        )  # a set that does not name its boards: a board for each scan
    return sites.merge(measures[new], on=KEY, how="left", validate="one_to_one")
