"""The report's section on shift: the same figures on sets unlike the reference, and whether the envelope notices."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.figure import Figure as Drawing

from jointwise.evaluation.measured import Resampled, board_weights, n_boards, resampled, with_wilson
from jointwise.evaluation.pictures.detector_lines import pen
from jointwise.evaluation.pictures.joint_picture import INK, QUIET
from jointwise.evaluation.pictures.svg import to_svg
from jointwise.evaluation.report.outside import outside_findings
from jointwise.evaluation.report.section import Block, Column, Figure, Grid, Paragraph, Section
from jointwise.evaluation.report.words import counted
from jointwise.evaluation.statistics.bootstrap import FEWEST_BOARDS, REPLICATES, Resampling, interval
from jointwise.evaluation.statistics.measures import Floats
from jointwise.evaluation.statistics.shift import shift_area
from jointwise.evaluation.verdicts import DISTANCE, Verdicts
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, TITLES

SHOWN: Final = {
    "ap": "AP",
    "recall": "recall",
    "precision": "precision",
    "false_positive_rate": "false-positive rate",
}
BAD: Final = {"ap": -1, "recall": -1, "false_positive_rate": 1}
"""Measures that findings speak of, and in which direction they get worse."""
SINGLE: Final = {"recall": ("tp", "fn"), "precision": ("tp", "fp"), "false_positive_rate": ("fp", "tn")}
WORDS: Final = (
    "Every detector keeps its own cuts (the scores from which it calls). A difference is the figure on the "
    "other set less that on the reference; "
    "both sets are of different joints, so each is resampled on its own. AP and precision also depend on the "
    "share of faulty joints, which is another in every set; recall and the false-positive rate (joints without the "
    "kind that are called so) do not. Of differences that are none about one in forty looks like a loss by chance."
)
CAPTION: Final = (
    "Rates: Wilson's 95 % interval, which takes joints as independent. AP and differences: 95 % percentile "
    f"interval of {REPLICATES} resamplings of whole boards; too narrow under {FEWEST_BOARDS} boards."
)
DISTANCE_WORDS: Final = (
    "Distance of a scan: 0 in the middle half of what the detector's training scans spanned (voxels per ball, "
    "contrast-to-noise, dark bands between balls where known), 1 at its ends, more beyond. AUROC is the "
    "chance that a scan of the "
    "shifted set lies farther out than one of the reference: 0.5 tells nothing, 1 tells them apart. A shift that "
    "leaves these quantities as they are is not noticed, however much it harms."
)


def shift_section(sets: Sequence[Verdicts], reference: str) -> Section:
    """Figures of every set beside those of the reference, differences, and the envelope's notice of the shift.

    Args:
        sets: of the same detectors; the reference among them.
        reference: its name.

    Raises:
        InputError: no set of that name, two sets of one name, or no other set.
    """
    base, others = _parted(sets, reference)
    table = shift_table(base, others)
    told = distance_table(base, others)
    blocks: list[Block] = [
        Paragraph(f"Reference: “{base.name}”, {_size(base)}. " + WORDS),
        *(_named(one, found, len(sets)) for one in (base, *others) for found in outside_findings(one)),
        *(Paragraph(text, "finding") for text in _findings(table, n_boards(base))),
        *(Paragraph(text, "warning") for text in _few(base, others)),
        *_figures(table, base.name),
        Grid(_titled(table), _columns(), CAPTION, "shift"),
        *_noticed(told),
    ]
    return Section(f"Beside the set “{base.name}”", "shift", blocks, _numbers(table, told))


def shift_table(base: Verdicts, others: Sequence[Verdicts]) -> pd.DataFrame:
    """One row per set, kind and detector, the reference's first.

    Returns:
        set, kind, detector, n, faulty, boards, and for each measure M of SHOWN: M, M_low, M_high, and for all but the
        reference d_M with _low and _high.
    """
    sets = [base, *others]
    found = [_resampled(one, seed) for seed, one in enumerate(sets)]
    return pd.DataFrame(
        [
            _row(one, here, detector, k) | _differences(found[0], here, detector, k, (base, one))
            for one, here in zip(sets, found, strict=True)
            for k in range(len(KINDS))
            for detector in here
        ]
    )


def _resampled(one: Verdicts, seed: int) -> dict[str, Resampled]:
    # Sets are independent of each other, so each has draws of its own.
    return resampled(one, board_weights(one, Resampling(n_boards(one), seed=seed)))


def _row(one: Verdicts, found: Mapping[str, Resampled], detector: str, k: int) -> dict[str, Any]:
    tp, fp, fn, tn = (int(cell) for cell in found[detector].cells[0, k])
    counts = {"tp": tp, "fp": fp, "fn": fn, "tn": tn}
    row: dict[str, Any] = {"set": one.name, "kind": KINDS[k], "detector": detector}
    row |= {"n": tp + fp + fn + tn, "faulty": tp + fn, "boards": n_boards(one)}
    ap = interval(found[detector].ap[:, k], n_boards(one))
    row |= {"ap": ap.value, "ap_low": ap.low, "ap_high": ap.high}
    for name, (part, rest) in SINGLE.items():
        row |= with_wilson(name, counts[part], counts[part] + counts[rest])
    return row


def _differences(
    base: Mapping[str, Resampled],
    here: Mapping[str, Resampled],
    detector: str,
    k: int,
    pair: tuple[Verdicts, Verdicts],
) -> dict[str, float]:
    names = [f"d_{name}{end}" for name in SHOWN for end in ("", "_low", "_high")]
    if pair[0] is pair[1] or detector not in base:
        return dict.fromkeys(names, np.nan)
    boards, values = min(n_boards(one) for one in pair), []
    for name in SHOWN:
        change = interval(here[detector].by_kind[name][:, k] - base[detector].by_kind[name][:, k], boards)
        values += [change.value, change.low, change.high]
    return dict(zip(names, values, strict=True))


def distance_table(base: Verdicts, others: Sequence[Verdicts]) -> pd.DataFrame:
    """One row per shifted set and detector whose distances are known in both: AUROC by scan, and shares outside.

    Returns:
        set, detector, scans, reference_scans, auroc with _low and _high, distance, reference_distance (medians of the
        scans), outside (share of scans beyond 1).
    """
    rows = []
    for one in others:
        for detector in one.scores:
            name = detector + DISTANCE
            if name in one.table and name in base.table:
                here, there = _by_scan(one, name), _by_scan(base, name)
                area = shift_area(
                    *(part for scans in (there, here) for part in (scans["distance"], scans["board"]))
                )
                rows.append(
                    {"set": one.name, "detector": detector, "scans": len(here), "reference_scans": len(there)}
                    | {"auroc": area.value, "auroc_low": area.low, "auroc_high": area.high}
                    | {
                        "distance": float(here["distance"].median()),
                        "reference_distance": float(there["distance"].median()),
                    }
                    | {"outside": float((here["distance"] > 1.0).mean())}
                )
    return pd.DataFrame(rows)


def _by_scan(one: Verdicts, name: str) -> pd.DataFrame:
    """Median distance and board of every scan."""
    table = pd.DataFrame(
        {
            "board": one.boards,
            "scan": one.table["scan"].to_numpy(),
            "distance": one.table[name].to_numpy(float),
        }
    )
    return table.groupby(["board", "scan"], as_index=False)["distance"].median()


def _parted(sets: Sequence[Verdicts], reference: str) -> tuple[Verdicts, list[Verdicts]]:
    names = [one.name for one in sets]
    if len(set(names)) < len(names):
        raise InputError(f"expected sets of different names, found {', '.join(names)}; rename one")
    if reference not in names or len(names) < 2:
        raise InputError(
            f"expected the reference {reference!r} and at least one shifted set, found {', '.join(names) or 'none'}; "
            "give both"
        )
    return sets[names.index(reference)], [one for one in sets if one.name != reference]


def _size(one: Verdicts) -> str:
    return f"{counted(int(one.present.sum()), 'joint')} of {counted(n_boards(one), 'board')}"


def _named(one: Verdicts, found: Paragraph, sets: int) -> Paragraph:
    """A set's finding where several sets are spoken of."""
    return Paragraph(f"“{one.name}”: {found.text}" if sets > 1 else found.text, found.role)


def _findings(table: pd.DataFrame, boards: int) -> list[str]:
    """What is worse beyond its interval, one sentence per set and detector, and how far that can be relied on.

    Args:
        table: from :func:`shift_table`.
        boards: of the reference.
    """
    told = []
    there = table.drop_duplicates(["kind", "detector"]).set_index(["kind", "detector"]).to_dict("index")
    known = table[[f"d_{measure}" for measure in BAD]].notna().any(axis=1)
    for (name, detector), rows in table[known].groupby(["set", "detector"], sort=False):
        worse = [
            _change(row, m, there[row["kind"], detector])
            for row in rows.to_dict("records")
            for m in BAD
            if _shown(row, m)
        ]
        fewest = min(boards, int(rows["boards"].iloc[0]))
        told.append(f"“{name}”, {detector}: {_verdict(worse, fewest)}")
    return told


def _verdict(worse: Sequence[str], boards: int) -> str:
    """Whether anything is told apart from chance, and, as another matter, whether the intervals can be relied on."""
    if boards < 2:
        return "with a single board on one side no difference has an interval, so nothing can be told."
    if worse:
        text = f"worse than on the reference in {'; '.join(worse)}."
        few = "what they tell apart from chance is likely, not sure"
    else:
        text = "no loss of AP or recall and no rise of the false-positive rate is told apart from chance."
        few = "yet a loss may be there and not be seen"
    if boards < FEWEST_BOARDS:
        text += f" Intervals over {boards} boards (under {FEWEST_BOARDS}) are too narrow: {few}."
    return text


def _change(row: Mapping[str, Any], measure: str, there: Mapping[str, Any]) -> str:
    """`void AP 0.520 (-0.310, -0.401 to -0.202; 12 faulty of 80)`, and whether Wilson's intervals of both lie apart."""
    d, low, high = (row[f"d_{measure}{end}"] for end in ("", "_low", "_high"))
    apart = ""
    if measure in SINGLE:
        first, second = sorted((row, there), key=lambda one: float(one[measure]))
        clear = first[f"{measure}_high"] < second[f"{measure}_low"]
        apart = f"; Wilson's intervals of both {'lie apart' if clear else 'overlap'}"
    return (
        f"{TITLES[row['kind']]} {SHOWN[measure]} {row[measure]:.3f} ({d:+.3f}, {low:+.3f} to {high:+.3f}{apart}; "
        f"{row['faulty']} faulty of {row['n']})"
    )


def _shown(row: Mapping[str, Any], measure: str) -> bool:
    """Whether the whole interval of the difference lies on the bad side of 0."""
    low, high = row[f"d_{measure}_low"], row[f"d_{measure}_high"]
    return bool(high < 0.0 if BAD[measure] < 0 else low > 0.0)


def _few(base: Verdicts, others: Sequence[Verdicts]) -> list[str]:
    few = [f"“{one.name}” ({n_boards(one)})" for one in (base, *others) if n_boards(one) < FEWEST_BOARDS]
    if not few:
        return []
    return [
        f"Under {FEWEST_BOARDS} boards in {', '.join(few)}: intervals from resampled boards are as a rule too "
        "narrow there, and there are none for a single board. A difference whose interval excludes 0 is then likely, "
        "not sure; one whose interval holds 0 is not told apart from none."
    ]


def _titled(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(kind_title=[TITLES[kind] for kind in table["kind"]])


def _columns() -> tuple[Column, ...]:
    who = (
        Column("set", "Set"), Column("kind_title", "Kind"), Column("detector", "Detector"),
        Column("faulty", "Faulty", "count"), Column("n", "Joints", "count"),
    )  # fmt: skip
    pairs = [
        (Column(m, words, "rate"), Column(f"d_{m}", f"{words}, difference", "rate"))
        for m, words in SHOWN.items()
    ]
    return (*who, *(column for pair in pairs for column in pair))


def _figures(table: pd.DataFrame, reference: str) -> list[Figure]:
    """AP of every kind on every set, one panel a kind."""
    if table["ap"].isna().all():
        return []
    names = list(dict.fromkeys(table["set"]))
    drawing = Drawing(figsize=(10.0, 1.2 + 0.42 * len(names)), layout="constrained")
    panels = drawing.subplots(1, len(KINDS), sharey=True, squeeze=False)[0]
    detectors = list(dict.fromkeys(table["detector"]))
    for axes, kind in zip(panels, KINDS, strict=True):
        for i, detector in enumerate(detectors):
            colour, _, marker = pen(i)
            rows = table[(table["kind"] == kind) & (table["detector"] == detector) & table["ap"].notna()]
            at = np.array([names.index(name) for name in rows["set"]]) + 0.22 * (i - (len(detectors) - 1) / 2)
            bars = _bars(rows)
            axes.errorbar(
                rows["ap"], at, xerr=bars, color=colour, marker=marker, linestyle="none", markersize=5,
                capsize=2, linewidth=1.2, label=detector,
            )  # fmt: skip
        axes.set_title(TITLES[kind], fontsize=9, color=INK)
        axes.set_xlim(0.0, 1.04)
        axes.spines[["top", "right"]].set_visible(False)
        axes.tick_params(labelsize=8, colors=QUIET)
        axes.set_xlabel("AP", fontsize=8, color=INK)
    panels[0].set_yticks(range(len(names)), names)
    panels[0].invert_yaxis()
    handles, labels = panels[0].get_legend_handles_labels()
    drawing.legend(handles, labels, loc="outside upper left", ncols=len(labels), fontsize=8, frameon=False)
    words = (
        f"Average precision of each kind on “{reference}” (reference) and the shifted sets; bars: 95 %, resampled "
        "boards."
    )
    return [Figure(to_svg(drawing), words, words)]


def _bars(rows: pd.DataFrame) -> Floats:
    """Lengths of the bars (2, n); none where there is no interval."""
    value = rows["ap"].to_numpy(float)
    ends = [value - rows["ap_low"].to_numpy(float), rows["ap_high"].to_numpy(float) - value]
    return np.asarray(np.maximum(np.nan_to_num(np.array(ends)), 0.0))


def _noticed(told: pd.DataFrame) -> list[Block]:
    if told.empty:
        text = "How far the scans lie from those of the training is not known for these sets."
        return [Paragraph(text, "warning")]
    columns = (
        Column("set", "Set"), Column("detector", "Detector"), Column("scans", "Scans", "count"),
        Column("reference_scans", "Scans of the reference", "count"), Column("auroc", "AUROC of the shift", "rate"),
        Column("distance", "Median distance", "number"),
        Column("reference_distance", "that of the reference", "number"),
        Column("outside", "Share of scans outside", "rate"),
    )  # fmt: skip
    caption = (
        "Does the envelope notice the shift? AUROC by scan, 95 % percentile interval of resampled boards of both "
        f"sets, none for a single board, too narrow under {FEWEST_BOARDS}."
    )
    return [Paragraph(DISTANCE_WORDS), Grid(told, columns, caption, "shift_noticed")]


def _numbers(table: pd.DataFrame, told: pd.DataFrame) -> dict[str, float]:
    values = {
        f"shift/{row['set']}/{row['detector']}/{row['kind']}/{name}": row[name]
        for row in table.to_dict("records")
        for name in ("ap", "d_ap", "d_false_positive_rate")
    }
    values |= {f"shift/{row['set']}/{row['detector']}/auroc": row["auroc"] for row in told.to_dict("records")}
    return {name: float(value) for name, value in values.items() if np.isfinite(value)}
