"""Two evaluations of the same joints: what changed, joint by joint.

`one` is the earlier and `other` the later run. Joints are the same where scan, component and ball are.
"""

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from jointwise.evaluation.statistics.measures import Floats
from jointwise.evaluation.statistics.paired import paired, right
from jointwise.evaluation.verdicts import KEY, Verdicts, read_verdicts
from jointwise.joints.atomic import write_bytes
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, TITLES

FILES: Final = "verdicts_*.parquet"
REFUSE, LEAVE_OUT = "refuse", "leave_out"
LABELS: Final = (REFUSE, LEAVE_OUT)

FOUND, MISSED, CLEARED, FALSE = "found now", "missed now", "false call gone", "false call now"
GAINED, LOST, SAME = "called now, truth unknown", "call gone, truth unknown", ""
CHANGES: Final = (FOUND, CLEARED, MISSED, FALSE, GAINED, LOST)
"""How a call may change: the first two for the better, the next two for the worse."""


class Matched(NamedTuple):
    """One set as two runs judged it.

    Args:
        name: of the set.
        one, other: the joints in both, row by row the same, with the same labels.
        only_one, only_other: joints that only one of the runs has.
        differing: labels that were left out since the runs do not agree about them.
    """

    name: str
    one: Verdicts
    other: Verdicts
    only_one: int
    only_other: int
    differing: int


def read_runs(one: Path, other: Path) -> list[tuple[Verdicts, Verdicts]]:
    """The sets that two evaluations have in common.

    Args:
        one, other: a folder of `jointwise evaluate`, or one of its verdicts_NAME.parquet.

    Raises:
        InputError: nothing there, or no set in common.
    """
    first, second = _sets(one), _sets(other)
    names = [name for name in first if name in second]
    if not names and len(first) == len(second) == 1:
        return [(next(iter(first.values())), next(iter(second.values())))]
    if not names:
        raise InputError(
            f"expected a set that both evaluations judged, found {', '.join(first)} in {one} and {', '.join(second)} "
            f"in {other}; evaluate the same set with both"
        )
    return [(first[name], second[name]) for name in names]


def alone(one: Path, other: Path) -> tuple[list[str], list[str]]:
    """Names of the sets that only one of two evaluations judged; none where a set's name is all that differs."""
    first, second = _sets(one), _sets(other)
    if len(first) == len(second) == 1:
        return [], []
    return [name for name in first if name not in second], [name for name in second if name not in first]


def match(one: Verdicts, other: Verdicts, labels: str = REFUSE) -> Matched:
    """Bring the joints of two runs together.

    Args:
        one, other: of the same set.
        labels: what to do where the truth differs: `refuse`, or `leave_out` these labels.

    Raises:
        InputError: no joint in common, or labels that differ.
    """
    key = [name for name in KEY if name in one.table and name in other.table]
    tables = [
        run.table[key].astype(str).assign(**{f"row_{i}": np.arange(len(run))})
        for i, run in enumerate((one, other))
    ]
    for run, table in zip((one, other), tables, strict=True):
        if table.duplicated(key).any():
            raise InputError(
                f"expected {', '.join(key)} to tell the joints of {run.name} apart, found two alike; evaluate both "
                "runs on the same set"
            )
    both = tables[0].merge(tables[1], on=key)
    if not len(both):
        raise InputError(
            f"expected joints that both runs judged, found none of the {len(one)} of {one.name} among the {len(other)} "
            f"of {other.name}; evaluate the same set with both"
        )
    left, right_side = one.take(both["row_0"].to_numpy()), other.take(both["row_1"].to_numpy())
    truths = [np.where(run.known, run.truth, np.nan) for run in (left, right_side)]
    differs = ~((truths[0] == truths[1]) | (np.isnan(truths[0]) & np.isnan(truths[1])))
    if differs.any() and labels == REFUSE:
        row, kind = np.argwhere(differs)[0]
        raise InputError(
            f"expected the same truth in both runs of {one.name}, found {int(differs.sum())} labels that differ, first "
            f"{' '.join(both.loc[row, key])} {KINDS[kind]}; evaluate both on one truth, or give labels=leave_out"
        )
    left, right_side = (_labelled(run, np.where(differs, np.nan, truths[0])) for run in (left, right_side))
    return Matched(
        one.name, left, right_side, len(one) - len(both), len(other) - len(both), int(differs.sum())
    )


def common_detectors(matched: Sequence[Matched], wanted: Sequence[str] = ()) -> list[str]:
    """Detectors that judged in both runs of every set.

    Raises:
        InputError: none did, or a wanted one did not.
    """
    names = [
        name for name in matched[0].one.scores
        if all(name in run.scores for part in matched for run in (part.one, part.other))
    ]  # fmt: skip
    missing = [name for name in wanted if name not in names]
    if missing or not names:
        told = [", ".join(run.scores) or "none" for run in (matched[0].one, matched[0].other)]
        raise InputError(
            f"expected {', '.join(missing) or 'a detector'} in both runs, found {told[0]} in one and {told[1]} in the "
            "other; evaluate the same detectors in both"
        )
    return list(wanted) or names


def changes(matched: Matched, detector: str) -> pd.DataFrame:
    """Every joint and kind as two runs of a detector judged it.

    Returns:
        Per joint that is there in both and kind: set, detector, the joint's key, kind, truth (1, 0 or NaN), score_one,
        score_other, change (other less one), cut_one, cut_other, called_one, called_other, what (one of CHANGES, empty
        where the call is the same).
    """
    one, other = matched.one, matched.other
    there = np.flatnonzero(one.present & other.present)
    key = [name for name in KEY if name in one.table and name in other.table]
    frames = []
    for k, kind in enumerate(KINDS):
        before, after = (run.calls(detector)[there, k] for run in (one, other))
        truth = one.truth[there, k]
        scores = [run.scores[detector][there, k] for run in (one, other)]
        columns = {
            "kind": kind, "truth": truth, "score_one": scores[0], "score_other": scores[1],
            "change": scores[1] - scores[0], "cut_one": one.cuts[detector][there, k],
            "cut_other": other.cuts[detector][there, k], "called_one": before, "called_other": after,
            "what": _what(truth, before, after),
        }  # fmt: skip
        frame = one.table.loc[there, key].assign(**columns)
        frame.insert(0, "detector", detector)
        frame.insert(0, "set", matched.name)
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def summary(every: pd.DataFrame) -> pd.DataFrame:
    """The changes counted.

    Args:
        every: rows of :func:`changes`, of any sets and detectors.

    Returns:
        Per set, detector and kind: n (joints with known truth), one column per word of CHANGES, only_one and only_other
        (joints about which only that run is right), p (exact McNemar of one against the other, joints taken as
        independent), mean_change and max_change (of the score, absolute).
    """
    rows: list[dict[str, Any]] = []
    for (name, detector, kind), part in every.groupby(["set", "detector", "kind"], sort=False):
        truth = part["truth"].to_numpy()
        found = paired(*(right(truth, part[f"called_{run}"].to_numpy()) for run in ("one", "other")))
        size = part["change"].abs()
        rows.append(
            {
                "set": name, "detector": detector, "kind": kind, "n": found.n,
                **{word: int((part["what"] == word).sum()) for word in CHANGES},
                "only_one": found.only_one, "only_other": found.only_other, "p": found.p,
                "mean_change": float(size.mean()), "max_change": float(size.max()),
            }
        )  # fmt: skip
    return pd.DataFrame(rows)


def write_changes(every: pd.DataFrame, counted: pd.DataFrame, folder: Path, least: float) -> list[Path]:
    """Write changes.csv and .parquet (calls that changed, and scores that did by `least` or more), and the summary.

    Args:
        every: rows of :func:`changes`.
        counted: from :func:`summary`.
        folder: made if absent; files of the same names are replaced.
        least: change of a score from which a joint is listed though its call is the same.
    """
    listed = every[(every["what"] != SAME) | (every["change"].abs() >= least)]
    order = np.lexsort((-listed["change"].abs().to_numpy(), listed["what"] == SAME))
    listed = listed.iloc[order].reset_index(drop=True)
    paths = []
    for name, frame in (("changes", listed), ("changes_summary", counted)):
        parquet = io.BytesIO()
        frame.to_parquet(parquet, index=False)
        for suffix, data in (("csv", frame.to_csv(index=False).encode()), ("parquet", parquet.getvalue())):
            write_bytes(folder / f"{name}.{suffix}", data)
            paths.append(folder / f"{name}.{suffix}")
    return paths


def terminal(matched: Sequence[Matched], counted: pd.DataFrame) -> Group:
    """The summary for the terminal, a table per set, with what does not fit said below."""
    parts: list[Table | Text] = []
    for one in matched:
        rows = counted[counted["set"] == one.name]
        title = f"{one.name}: {len(one.one)} joints in both runs"
        if unchanged(one, rows):
            who = ", ".join(rows["detector"].unique())
            parts.append(Text(f"{title}, no call and no score of {who} changed"))
            continue
        parts.append(_table(rows, title))
        parts.append(Text(_notes(one), style="dim"))
    return Group(*parts)


def unchanged(one: Matched, rows: pd.DataFrame) -> bool:
    """Whether both runs say the same of the same joints.

    Args:
        one: the set.
        rows: of its :func:`summary`; none where no ball is there.
    """
    apart = one.only_one + one.only_other + one.differing
    return not apart and len(rows) > 0 and not rows[[*CHANGES, "max_change"]].to_numpy().any()


def _table(rows: pd.DataFrame, title: str) -> Table:
    table = Table(
        title=title, title_justify="left", title_style="bold", header_style="bold", box=box.HORIZONTALS,
        show_edge=False, padding=0,
    )  # fmt: skip
    for name in ("kind", "by"):
        table.add_column(name, no_wrap=True)
    for name in ("n", "found", "cleared", "missed", "false", "unknown", "p", "score ±"):
        table.add_column(name, justify="right")
    for row in rows.to_dict("records"):
        told = [str(row[word]) for word in CHANGES[:4]]
        p = "n/a" if np.isnan(row["p"]) else f"{row['p']:.2g}"
        table.add_row(
            TITLES[row["kind"]], row["detector"], str(row["n"]), *told, str(row[GAINED] + row[LOST]), p,
            f"{row['mean_change']:.3f}",
        )  # fmt: skip
    return table


def _notes(one: Matched) -> str:
    lines = [
        f"Only in one: {one.only_one} joints; only in the other: {one.only_other}; neither is compared.",
        "found: faulty joints called now and not before; missed: the reverse. false: new false calls; cleared: those "
        "that are gone. unknown: calls that changed where the truth is not known.",
        "p: exact McNemar of right against wrong calls, joints taken as independent. score ±: mean absolute change.",
    ]
    if one.differing:
        lines.insert(1, f"{one.differing} labels differ between the runs and count as unknown.")
    return "\n".join(lines) + "\n"


def files_of(path: Path) -> list[Path]:
    """The verdicts of an evaluation: those in a folder, or the one file."""
    return sorted(path.glob(FILES)) if path.is_dir() else [path]


def _sets(path: Path) -> dict[str, Verdicts]:
    files = files_of(path)
    if not files:
        raise InputError(
            f"expected an evaluation ({FILES}) in {path}, found none; run jointwise evaluate with out={path}"
        )
    read = [read_verdicts(file) for file in files]
    found = {one.name: one for one in read}
    if len(found) < len(read):
        raise InputError(
            f"expected verdicts of every set once in {path}, found {len(read)} files of the sets {', '.join(found)}; "
            "give the one file that is meant"
        )
    return found


def _labelled(run: Verdicts, truth: Floats) -> Verdicts:
    return Verdicts(run.name, run.provenance, run.table, truth, run.scores, run.cuts)


def _what(truth: Floats, before: NDArray[np.bool_], after: NDArray[np.bool_]) -> NDArray[np.object_]:
    gained, lost = after & ~before, before & ~after
    cases = [
        gained & (truth == 1),
        lost & (truth == 0),
        lost & (truth == 1),
        gained & (truth == 0),
        gained,
        lost,
    ]
    return np.asarray(np.select(cases, CHANGES, SAME), dtype=object)
