"""What is judged: joints with truth, from a store or from a labelled set, in the one form that is put to detectors."""

import dataclasses
import itertools
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from numpy.typing import NDArray

from jointwise.evaluation.judged import Read, Tell, scored
from jointwise.evaluation.labels.labelled_set import FACTS as SET_FACTS
from jointwise.evaluation.labels.labelled_set import LabelledSet, read_set
from jointwise.evaluation.labels.set_verdicts import Whole, verdicts_of, with_readers
from jointwise.evaluation.pictures import contact_sheet
from jointwise.evaluation.report.words import counted, slug
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.verdicts import DISTANCE, Verdicts
from jointwise.joints.atomic import sha256
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import present_array, require_columns, truth_array
from jointwise.joints.store import MANIFEST, Store

if TYPE_CHECKING:
    from jointwise.models.bench import Bench

HEAVY: Final = "_record"
"""Ending of the columns with whole drawings in JSON; `neck_records`, which counts bridges, ends otherwise."""


@dataclass(frozen=True)
class Subject:
    """Joints that can be judged.

    Args:
        name, provenance, table, truth, readers: as in :class:`Verdicts`.
        there: (n,) the sites whose sub-volume can be read.
        read: gives the joints of rows of `table`, all of them with a sub-volume.
        source: folder they come from.
        fingerprint: identity of the data.
    """

    name: str
    provenance: str
    table: pd.DataFrame
    truth: Floats
    there: Bools
    read: Read
    source: Path
    fingerprint: str
    readers: Mapping[str, Floats] = field(default_factory=dict)


def open_subject(folder: Path, name: str, split: str, labels: Path | None = None) -> Subject:
    """A store or a labelled set, whichever lies in the folder.

    Args:
        folder: of either.
        name: how tables call it.
        split: of a store: which joints.
        labels: file of checked labels of these joints.

    Raises:
        InputError: neither lies there, it is damaged, or nothing is known of its joints.
    """
    if (folder / MANIFEST).is_file():
        return of_store(Store(folder), name, split, labels)
    if not (folder / SET_FACTS).is_file():
        raise InputError(
            f"expected a set of labelled joints (a folder with {SET_FACTS}) or a store (a folder with {MANIFEST}) at "
            f"{folder}, found neither; give the folder that holds one"
        )
    return of_set(read_set(folder, name), folder, labels)


def of_store(store: Store, name: str, split: str, labels: Path | None = None) -> Subject:
    """The joints of one split of a store.

    Args:
        store: of joints with truth, or of any where people's labels are given.
        name: how tables call it.
        split: which joints.
        labels: file of checked labels; it may speak of joints of other splits too.

    Raises:
        InputError: no such split, a store whose joints nobody knows the truth of, or labels of other joints.
    """
    rows = store.split(split)
    table = store.table.iloc[rows].reset_index(drop=True)
    if labels is not None:
        table = table.assign(**{kind: np.nan for kind in KINDS if kind not in table})
    require_columns(table, (*KINDS, "scan", "board_id", "ball", "present"), str(store.folder))
    truth, present = truth_array(table), present_array(table)
    if labels is None and np.isnan(truth[present]).all():
        raise InputError(
            f"expected joints with known truth in {store.folder}, found none of {int(present.sum())} of the split "
            f"'{split}' with any; have them labelled and give labels=…, or score them with `jointwise score`"
        )
    kept = [column for column in table if not str(column).endswith(HEAVY) and column not in KINDS]
    known = table[kept]
    if "marginal" not in known:
        known = known.assign(marginal=(present & np.isnan(truth).any(axis=1)).astype(int))
    simulated = store.manifest["seed"] is not None
    subject = Subject(
        name,
        "Simulated joints: this project's own generator drew them, truth by geometry."
        if simulated
        else f"Joints of the store {store.folder.name}; where they come from is not written in it.",
        known,
        truth,
        np.ones(len(table), np.bool_),
        lambda some: store.read(rows[some]),
        store.folder,
        store.fingerprint,
    )
    return subject if labels is None else _labelled(subject, labels, Whole(store.table, rows))


def _labelled(subject: Subject, path: Path, whole: Whole) -> Subject:
    """The same joints with the labels of a file."""
    bare = Verdicts(subject.name, subject.provenance, subject.table, subject.truth, {}, {}, subject.readers)
    told = with_readers(bare, path, whole)
    return dataclasses.replace(subject, table=told.table, readers=told.readers)


def of_set(labelled: LabelledSet, folder: Path, labels: Path | None = None) -> Subject:
    """The sites of a labelled set, missing balls among them; truth is left open where a joint is marginal.

    Args:
        labelled: the set.
        folder: it was read from.
        labels: file of checked labels, beside those that the set holds.
    """
    bare = verdicts_of(labelled, {}, {})
    if labels is not None:
        bare = with_readers(bare, labels)
    place = np.cumsum(bare.present) - 1  # of each site that is there, among the joints
    return Subject(
        labelled.name,
        labelled.provenance,
        bare.table,
        bare.truth,
        bare.present,
        lambda some: labelled.joints.take(place[some]),
        folder,
        sha256(folder / SET_FACTS),
        bare.readers,
    )


def _spread(values: NDArray[Any], place: NDArray[np.intp], n: int) -> Floats:
    """Values of the joints that are there at their sites; NaN at the others."""
    spread = np.full((n, *values.shape[1:]), np.nan)
    spread[place] = values
    return spread


def judge(subject: Subject, bench: "Bench", tell: Tell) -> Verdicts:
    """Let every detector score the joints and call them at its own cuts.

    The table gets a column DETECTOR_distance for each detector that knows the scans it was trained on.

    Args:
        subject: the joints.
        bench: the detectors.
        tell: told after every few joints how far it is.
    """
    place = np.flatnonzero(subject.there)
    result = scored(lambda rows: subject.read(place[rows]), len(place), bench, tell)
    n, judges = len(subject.table), bench.judges
    scores = {name: _spread(found, place, n) for name, found in result.scores.items()}
    known = {
        name: one.told(subject.table, _spread(result.apart[name], place, n) if name in result.apart else None)
        for name, one in judges.items()
    }
    told = {name: one.distance(known[name]) for name, one in judges.items()}
    return Verdicts(
        subject.name,
        subject.provenance,
        subject.table.assign(**{f"{name}{DISTANCE}": far for name, far in told.items() if far is not None}),
        subject.truth,
        scores,
        {name: one.thresholds.cuts(subject.table, scores[name]) for name, one in judges.items()},
        subject.readers,
        {name: one.outside(known[name]) for name, one in judges.items()},
        result.seconds,
    )


def examples(verdicts: Verdicts, read: Read) -> Figure:
    """A page of joints of every kind and of sound ones, from the hardest to the easiest.

    Args:
        verdicts: what is said of them.
        read: gives their sub-volumes by row.
    """
    hidden = verdicts.truth.copy()
    hidden[~verdicts.present] = np.nan
    chosen = contact_sheet.choose(hidden, verdicts.present, verdicts.scores, contact_sheet.MOST_PER_ROW)
    rows = np.unique(np.concatenate([np.asarray(places, np.intp) for places in chosen.values()]))
    joints = read(rows)
    known = verdicts.table.iloc[rows].reset_index(drop=True)
    known = known.assign(**dict(zip(KINDS, verdicts.truth[rows].T, strict=True)))
    place = {int(row): number for number, row in enumerate(rows)}
    boards = counted(verdicts.table["board_id"].nunique(), "board")
    return contact_sheet.contact_sheet(
        Joints(joints.volumes, known, joints.grid),
        {who: scores[rows] for who, scores in verdicts.scores.items()},
        {who: cuts[rows] for who, cuts in verdicts.cuts.items()},
        title=f"{verdicts.name}: {counted(int(verdicts.present.sum()), 'joint')} of {boards}",
        rows={kind: [place[row] for row in places] for kind, places in chosen.items()},
    )


def refuse_twins(names: Sequence[str], places: Sequence[Path]) -> None:
    """Refuse a set that is given twice, by its place or by its name; files and links are named after sets.

    Args:
        names: of the sets.
        places: folder or file of each.

    Raises:
        InputError: names the set.
    """
    resolved = [path.resolve() for path in places]
    for i, j in itertools.combinations(range(len(names)), 2):
        if resolved[i] == resolved[j]:
            raise InputError(f"expected every set once, found {places[j]} twice; leave one out")
        if slug(names[i]) == slug(names[j]):
            raise InputError(
                f"expected sets whose names differ in letters or digits, found {names[i]!r} and {names[j]!r}; rename "
                "the folder or file of one, or evaluate them one by one"
            )


def told_apart(read: Sequence[tuple[Path, Verdicts]], others: Sequence[str]) -> list[Verdicts]:
    """Ready verdicts, renamed where two sets would have one name: after their file, then after file and folder.

    Two evaluations of one set can so stand in one report.

    Args:
        read: files and the verdicts in them.
        others: names of sets that keep theirs.
    """
    found = [one for _, one in read]
    for rename in (_file_name, lambda path: f"{_file_name(path)}_{path.resolve().parent.name}"):
        taken = Counter(slug(name) for name in (*others, *(one.name for one in found)))
        found = [
            dataclasses.replace(one, name=rename(path)) if taken[slug(one.name)] > 1 else one
            for (path, _), one in zip(read, found, strict=True)
        ]
    return found


def _file_name(path: Path) -> str:
    """What a file calls its set: verdicts_NAME.parquet."""
    return path.stem.removeprefix("verdicts_") or path.stem
