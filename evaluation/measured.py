"""Every measure of a set with its interval: per kind, over all decisions (micro) and as the kinds' mean (macro).

Single rates bear Wilson's interval, which takes joints as independent; from ten boards on the interval from resampled
boards stands beside it. Everything else has the interval from resampled boards alone. All detectors see the same
draws.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.bootstrap import (
    FEWEST_BOARDS,
    METHOD,
    BoardInterval,
    Resampling,
    interval,
    resampled_average_precision,
    resampled_sums,
)
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.table import ANY, escape_table, per_kind_table, stops
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS

MICRO, MACRO = "micro", "macro"
WILSON: Final = "Wilson"
SINGLE: Final = {
    "precision": ("tp", "fp"),
    "recall": ("tp", "fn"),
    "false_positive_rate": ("fp", "tn"),
}
"""Rates of one class: the count that is right, and the one that makes up the whole with it."""

COMPOSED: Final = ("f1", "ap", "balanced_accuracy")


@dataclass(frozen=True)
class Resampled:
    """Counts and average precision of one detector, of the set itself (row 0) and of every replicate.

    Args:
        cells: (1 + replicates, kinds, 4) tp, fp, fn, tn.
        ap: (1 + replicates, kinds).
        micro_ap: (1 + replicates,) of all decisions, whatever the kind, in one ranking.
    """

    cells: Floats
    ap: Floats
    micro_ap: Floats

    @property
    def by_kind(self) -> dict[str, Floats]:
        """Every measure, (1 + replicates, kinds)."""
        return measures.rates(self.cells) | {"ap": self.ap}

    @property
    def micro(self) -> dict[str, Floats]:
        """Every measure from the counts of all kinds together, (1 + replicates,)."""
        return measures.rates(self.cells.sum(axis=1)) | {"ap": self.micro_ap}

    @property
    def averaged(self) -> Bools:
        """Kinds that macro is the mean of, (kinds,): those with a faulty joint."""
        return np.asarray(self.cells[0, :, 0] + self.cells[0, :, 2] > 0)

    @property
    def macro(self) -> dict[str, Floats]:
        """Mean over the kinds that have a faulty joint, (1 + replicates,); NaN where one of them has no value."""
        kinds = self.averaged
        if not kinds.any():
            return {name: np.full(len(values), np.nan) for name, values in self.by_kind.items()}
        return {name: values[:, kinds].mean(axis=1) for name, values in self.by_kind.items()}


def board_weights(verdicts: Verdicts, resampling: Resampling | None = None) -> Floats:
    """How often each board of the set counts in every replicate, (1 + replicates, boards)."""
    drawn = resampling or Resampling(n_boards(verdicts))
    if drawn.boards != n_boards(verdicts):
        raise InputError(
            f"expected draws among the {n_boards(verdicts)} boards of {verdicts.name}, found {drawn.boards}; draw again"
        )
    return drawn.weights


def n_boards(verdicts: Verdicts) -> int:
    """How many boards the set holds."""
    return int(verdicts.boards.max()) + 1 if len(verdicts) else 0


def resampled(verdicts: Verdicts, weights: Floats) -> dict[str, Resampled]:
    """What every detector's counts and rankings become in every replicate.

    Args:
        verdicts: of one set.
        weights: from :func:`board_weights`.
    """
    known, boards, yes = verdicts.known, verdicts.boards, verdicts.truth == 1
    home = np.broadcast_to(boards[:, None], known.shape)
    found = {}
    for detector, score in verdicts.scores.items():
        call = verdicts.calls(detector)
        cells = np.stack([yes & call, ~yes & call, yes & ~call, ~yes & ~call], axis=-1) & known[..., None]
        ap = [
            resampled_average_precision(yes[rows, k], score[rows, k], boards[rows], weights)
            for k, rows in enumerate(known.T)
        ]
        micro = resampled_average_precision(yes[known], score[known], home[known], weights)
        found[detector] = Resampled(resampled_sums(cells, boards, weights), np.column_stack(ap), micro)
    return found


def measured_table(verdicts: Verdicts, found: Mapping[str, Resampled]) -> pd.DataFrame:
    """One row per kind, MICRO and MACRO, and detector.

    Args:
        verdicts: of one set.
        found: from :func:`resampled`.

    Returns:
        The columns of :func:`~jointwise.evaluation.table.per_kind_table` (guessing and cuts only for kinds), boards,
        averaged (kinds in a macro mean), and for each measure M: M_low, M_high, M_method, and M_left_out, the
        replicates that could not be computed. For precision, recall and false_positive_rate also M_boards with
        _boards_low and _boards_high from resampled boards (NaN under FEWEST_BOARDS boards).
    """
    table = per_kind_table(verdicts.truth, verdicts.present, verdicts.scores, verdicts.cuts)
    boards = n_boards(verdicts)
    rows = [
        row
        | _intervals({name: values[:, KINDS.index(row["kind"])] for name, values in by_kind.items()}, boards)
        for row in table.to_dict("records")
        for by_kind in (found[row["detector"]].by_kind,)
    ]
    rows += [_micro(detector, one, boards) for detector, one in found.items()]
    rows += [_macro(detector, one, table, boards) for detector, one in found.items()]
    return pd.DataFrame(rows).assign(boards=boards)


def stopped_table(verdicts: Verdicts, weights: Floats) -> pd.DataFrame:
    """Escapes and false calls within their class and as parts per million of the joints, per kind, ANY and detector.

    Args:
        verdicts: of one set.
        weights: from :func:`board_weights`.

    Returns:
        The columns of :func:`~jointwise.evaluation.table.escape_table`; joints (known to be faulty or sound),
        escape_ppm and false_call_ppm of these joints, with _low and _high (Wilson); escape_rate_boards and
        false_call_rate_boards with _low and _high (resampled boards; NaN under FEWEST_BOARDS boards).
    """
    table = escape_table(verdicts.truth, verdicts.present, verdicts.scores, verdicts.cuts)
    joints = int(np.count_nonzero(~np.isnan(measures.any_kind(verdicts.truth, verdicts.present))))
    boards = n_boards(verdicts)
    masks = {who: stops(verdicts.truth, verdicts.present, verdicts.calls(who)) for who in verdicts.scores}
    rows = []
    for row in table.to_dict("records"):
        one = masks[row["detector"]][row["kind"]]
        sums = resampled_sums(np.column_stack(one), verdicts.boards, weights)
        rows.append(
            row
            | {"joints": joints}
            | _ppm("escape_ppm", row["escapes"], joints)
            | _ppm("false_call_ppm", row["false_calls"], joints)
            | beside("escape_rate", measures.shares(sums[:, 1], sums[:, 0]), boards)
            | beside("false_call_rate", measures.shares(sums[:, 3], sums[:, 2]), boards)
        )
    return pd.DataFrame(rows)


def package_table(verdicts: Verdicts) -> pd.DataFrame:
    """Packages with at least one escape or false call, per kind, ANY and detector.

    A package is a component of a board (the board where components are not named); only its joints in the set count.

    Returns:
        Columns kind, detector; faulty_packages (with a faulty joint of the kind), escape_packages and escape_share;
        sound_packages (with a sound joint), false_call_packages and false_call_share; shares with _low and _high
        (Wilson, packages taken as independent).
    """
    names = [name for name in ("board_id", "component") if name in verdicts.table]
    package = verdicts.table.groupby(names, sort=False, dropna=False).ngroup().to_numpy()
    rows: list[dict[str, Any]] = []
    for detector in verdicts.scores:
        for kind, masks in stops(verdicts.truth, verdicts.present, verdicts.calls(detector)).items():
            faulty, escape, sound, false_call = (len(np.unique(package[mask])) for mask in masks)
            rows.append(
                {"kind": kind, "detector": detector, "faulty_packages": faulty, "escape_packages": escape}
                | with_wilson("escape_share", escape, faulty)
                | {"sound_packages": sound, "false_call_packages": false_call}
                | with_wilson("false_call_share", false_call, sound)
            )
    order = [*KINDS, ANY]
    return pd.DataFrame(sorted(rows, key=lambda row: order.index(row["kind"])))


def prevalence_table(
    verdicts: Verdicts, found: Mapping[str, Resampled], prevalence: Mapping[str, float]
) -> pd.DataFrame:
    """What the same detectors would be worth where another share of joints is faulty, per given kind and detector.

    Args:
        verdicts: of one set.
        found: from :func:`resampled`.
        prevalence: kind -> share of joints that have it.

    Returns:
        Columns kind, detector, share (in this set), prevalence, recall, false_positive_rate, precision with _low and
        _high and precision_method (resampled boards; where there was no false positive, or of a single board, from
        Wilson's bounds of both rates), precision_floor (recall at its lower and false-positive rate at its upper Wilson
        bound), missed_ppm (joints with the kind that are not called so) and false_call_ppm, per million joints.

    Raises:
        InputError: unknown kinds or shares out of range.
    """
    unknown = [kind for kind in prevalence if kind not in KINDS]
    if unknown:
        raise InputError(
            f"expected prevalence of kinds among {', '.join(KINDS)}, found {unknown[0]!r}; rename it"
        )
    rows = []
    for kind, detector in ((kind, detector) for kind in KINDS if kind in prevalence for detector in found):
        one, given = found[detector], float(prevalence[kind])
        cells = one.cells[:, KINDS.index(kind)]
        rate = measures.rates(cells)
        tp, fp, fn, tn = (int(cell) for cell in cells[0])
        restated = measures.precision_at(rate["recall"], rate["false_positive_rate"], given)
        hits, vain = measures.wilson(tp, tp + fn), measures.wilson(fp, fp + tn)
        floor, ceiling = (
            float(measures.precision_at(*rates, given))
            for rates in ((hits.low, vain.high), (hits.high, vain.low))
        )
        drawn = interval(restated, n_boards(verdicts))
        # Boards without a false positive give none in any draw, which would pass for certainty.
        bare = np.isfinite(drawn.value) and (fp == 0 or np.isnan(drawn.low))
        shown = drawn._replace(low=floor, high=ceiling) if bare else drawn
        recall, false_rate = float(rate["recall"][0]), float(rate["false_positive_rate"][0])
        rows.append(
            {"kind": kind, "detector": detector, "prevalence": given}
            | {"share": measures.ratio(tp + fn, tp + fp + fn + tn), "faulty": tp + fn, "not_faulty": fp + tn}
            | {"recall": recall, "false_positive_rate": false_rate}
            | _cells("precision", shown)
            | {"precision_method": WILSON if bare else METHOD, "precision_floor": floor}
            | {"missed_ppm": 1e6 * given * (1 - recall), "false_call_ppm": 1e6 * (1 - given) * false_rate}
        )
    return pd.DataFrame(rows)


def too_few_to_rank(table: pd.DataFrame) -> list[str]:
    """Kinds (in the order of the table) with too few faulty joints for a McNemar test to rank two detectors.

    Args:
        table: kind and faulty at least.
    """
    few = table[(table["faulty"] < measures.fewest_to_rank()) & table["kind"].isin(KINDS)]
    return [str(kind) for kind in few["kind"].unique()]


def _intervals(
    values: Mapping[str, Floats], boards: int, single: Sequence[str] = tuple(SINGLE)
) -> dict[str, Any]:
    """Intervals of one row: beside single rates, in place of none for the rest; `values` as of `Resampled`."""
    cells: dict[str, Any] = {}
    for name, replicates in values.items():
        one = interval(replicates, boards)
        if name in single:
            cells |= beside(name, replicates, boards) | {f"{name}_method": WILSON}
        else:
            cells |= _cells(name, one) | {f"{name}_method": METHOD}
        cells[f"{name}_left_out"] = one.left_out
    return cells


def _micro(detector: str, one: Resampled, boards: int) -> dict[str, Any]:
    counts = measures.Counts(*(int(cell) for cell in one.cells[0].sum(axis=0)))
    row: dict[str, Any] = {"kind": MICRO, "detector": detector, "n": counts.n, "faulty": counts.faulty}
    row |= counts._asdict()
    for name, (part, rest) in SINGLE.items():
        row |= with_wilson(name, row[part], row[part] + row[rest])
    return row | _intervals(one.micro, boards)


def _macro(detector: str, one: Resampled, table: pd.DataFrame, boards: int) -> dict[str, Any]:
    own = table[(table["detector"] == detector) & (table["faulty"] > 0)]
    row = {"kind": MACRO, "detector": detector, "averaged": int(one.averaged.sum())}
    row |= {"n": int(own["n"].sum()), "faulty": int(own["faulty"].sum())}
    return row | _intervals(one.macro, boards, single=())


def _cells(name: str, one: BoardInterval) -> dict[str, float]:
    return {name: one.value, f"{name}_low": one.low, f"{name}_high": one.high}


def beside(name: str, replicates: Floats, boards: int) -> dict[str, float]:
    """A measure and its interval from resampled boards as NAME_boards, to stand beside Wilson's.

    Args:
        name: of the measure.
        replicates: (1 + replicates,) the measure itself first.
        boards: how many have a joint that counts; under FEWEST_BOARDS there is no interval.
    """
    one = interval(replicates, boards)
    if boards < FEWEST_BOARDS:
        one = BoardInterval(one.value, np.nan, np.nan, one.left_out)
    return _cells(f"{name}_boards", one)


def with_wilson(name: str, part: int, whole: int) -> dict[str, float]:
    """A rate under its name and its Wilson interval as NAME_low and NAME_high."""
    low, high = measures.wilson(part, whole)
    return {name: measures.ratio(part, whole), f"{name}_low": low, f"{name}_high": high}


def _ppm(name: str, part: int, whole: int) -> dict[str, float]:
    return {key: 1e6 * value for key, value in with_wilson(name, part, whole).items()}
