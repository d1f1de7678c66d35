"""The report's section on the observer study: how close each detector comes to what the scan holds."""

import math

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Drawing

from jointwise.evaluation.pictures.detector_lines import Pen, pen
from jointwise.evaluation.pictures.joint_picture import INK, QUIET
from jointwise.evaluation.pictures.svg import to_svg
from jointwise.evaluation.report.section import Block, Column, Figure, Grid, Paragraph, Section
from jointwise.evaluation.report.words import counted
from jointwise.evaluation.statistics.bootstrap import FEWEST_BOARDS
from jointwise.joints.kinds import KINDS, TITLES

UNITS = {
    "voxel": "gap in voxels", "um": "gap in µm", "area_pct": "void area, % of the joint's largest section",
    "ball": "void diameter over the ball's",
}  # fmt: skip

METHOD = (
    "Each pair is the same simulated joint, scanned once sound and once with a known fault of one size at a known "
    "place; both scans have their own noise. The best linear test (channelised Hotelling observer) knows the "
    "fault's form and place from noise-free scans of other boards, and how joints, scanners and noise vary from "
    "the pairs themselves. d' is the distance of the two classes in standard deviations of the test; a detector's "
    "d' is √2 Φ⁻¹ of its area under the ROC curve; efficiency is the square of their ratio: 1 means that the "
    "detector uses all the test finds. The detector must not know where to look, so it will lie below 1; as the "
    "test is linear and sees a few channels only, values above 1 are possible."
)
CAPTION = (
    "Observer study. Intervals: 95 %, jackknife over boards with Student's t, both observers on the same boards. "
    "Recall of the best linear test at a false-positive rate of 1 % follows from its d' for Gaussian noise."
)


def observer_section(frame: pd.DataFrame) -> Section:
    """Words, table and figure.

    Args:
        frame: from :func:`jointwise.evaluation.observed.study`, or that table read back.
    """
    if frame.empty:
        return Section(
            "How close to the best possible",
            "observer",
            [Paragraph("No observer study was made.", "warning")],
        )
    frame = frame.assign(note=["" if pd.isna(note) else str(note) for note in frame["note"]])
    blocks: list[Block] = [Paragraph(METHOD), *(Paragraph(text, "finding") for text in _findings(frame))]
    blocks += [Paragraph(text, "warning") for text in _warnings(frame)]
    blocks += [_figure(frame), _grid(frame)]
    return Section("How close to the best possible", "observer", blocks, _numbers(frame))


def _findings(frame: pd.DataFrame) -> list[str]:
    told = []
    for kind in (k for k in KINDS if k in set(frame["kind"])):
        rows = frame[frame["kind"] == kind].drop_duplicates("size").sort_values("size")
        parts = [
            f"{size(row)}: AUC {row['ideal_auc']:.2f} ({row['ideal_auc_low']:.2f} to {row['ideal_auc_high']:.2f}), "
            f"recall {row['ideal_recall']:.2f} at a false-positive rate of 1 %"
            for row in rows.to_dict("records")
        ]
        told.append(f"{TITLES[kind].capitalize()}, the best linear test: " + "; ".join(parts) + ".")
    return told


def size(row: dict[str, object]) -> str:
    """A size in words."""
    words = {"voxel": "voxels", "um": "µm", "area_pct": "% area", "ball": "of the ball"}
    return f"{row['size']:g} {words[str(row['unit'])]}"


def _warnings(frame: pd.DataFrame) -> list[str]:
    told = []
    if (frame["kind"] == "void").any():
        told.append(
            "A void under 5 % of the section is no finding, and detectors are made to tell 5 % from less: a low "
            "efficiency below that size is no fault of theirs."
        )
    if frame["boards"].min() < FEWEST_BOARDS:
        told.append(
            f"Only {counted(frame['boards'].min(), 'board')}: under {FEWEST_BOARDS} the intervals are too narrow."
        )
    nothing = frame[frame["note"] == "nothing to find"].drop_duplicates(["kind", "size"])
    for row in nothing.to_dict("records"):
        told.append(
            f"{TITLES[row['kind']].capitalize()} of {size(row)}: with {row['pairs']} pairs it is not shown that the "
            "scan holds anything of it, so no efficiency is told."
        )
    for row in frame[frame["note"] == "saturated"].to_dict("records"):
        told.append(
            f"{TITLES[row['kind']].capitalize()} of {size(row)}, {row['detector']}: nearly no mistake in "
            f"{row['pairs']} pairs (d' above {row['d_low']:.1f}); the task is too easy to tell an efficiency."
        )
    return told


def _grid(frame: pd.DataFrame) -> Grid:
    shown = frame.assign(
        kind_title=[TITLES[kind] for kind in frame["kind"]],
        size_title=[size(row) for row in frame.to_dict("records")],
    )
    columns = (
        Column("kind_title", "Fault"), Column("size_title", "Size"), Column("size_um", "µm", "number"),
        Column("detector", "Detector"), Column("pairs", "Pairs", "count"), Column("boards", "Boards", "count"),
        Column("ideal_d", "Best linear test, d'", "number"), Column("ideal_auc", "its AUC", "rate"),
        Column("ideal_recall", "its recall at a false-positive rate of 1 %", "rate"),
        Column("auc", "Detector's AUC", "rate"),
        Column("d", "its d'", "number"), Column("efficiency", "Efficiency", "number"),
        Column("called", "Called with the fault", "rate"), Column("called_sound", "Called without", "rate"),
        Column("note", "Note"),
    )  # fmt: skip
    return Grid(shown, columns, CAPTION, "observer")


def _figure(frame: pd.DataFrame) -> Figure:
    kinds = [kind for kind in KINDS if kind in set(frame["kind"])]
    drawing = Drawing(figsize=(3.6 * len(kinds) + 1.0, 5.4), layout="constrained")
    axes = drawing.subplots(2, len(kinds), sharex="col", squeeze=False)
    for column, kind in enumerate(kinds):
        rows = frame[frame["kind"] == kind].sort_values("size")
        _d_primes(axes[0, column], rows)
        _efficiencies(axes[1, column], rows)
        axes[0, column].set_title(TITLES[kind].capitalize(), color=INK, fontsize=10)
        axes[1, column].set_xlabel(UNITS[rows["unit"].iloc[0]], color=INK, fontsize=9)
    axes[0, 0].set_ylabel("d'", color=INK, fontsize=9)
    axes[1, 0].set_ylabel("efficiency", color=INK, fontsize=9)
    handles, labels = axes[0, 0].get_legend_handles_labels()
    drawing.legend(handles, labels, loc="outside upper left", ncols=len(labels), fontsize=8, frameon=False)
    first = frame.iloc[0]
    words = (
        f"d' of the best linear test and of the detectors (above), and efficiency (below) against the fault's size; "
        f"{first['pairs']} pairs of {first['boards']} boards per size, {first['voxels_per_ball']:.0f} voxels a ball, "
        f"contrast to noise {first['cnr']:.0f} (median). Bars: 95 %, jackknife over boards."
    )
    return Figure(to_svg(drawing), words, words)


def _d_primes(axes: Axes, rows: pd.DataFrame) -> None:
    ideal = rows.drop_duplicates("size")
    _line(axes, ideal, "ideal_d", Pen("#0f766e", "-", "*"), "best linear test")
    for place, (detector, own) in enumerate(rows.groupby("detector", sort=False)):
        _line(axes, own[own["note"] != "saturated"], "d", pen(place), str(detector))
    axes.set_ylim(bottom=0.0)
    axes.set_xlim(left=0.0)
    _plain(axes)


def _efficiencies(axes: Axes, rows: pd.DataFrame) -> None:
    axes.axhline(1.0, color=QUIET, linewidth=0.8, linestyle=":")
    for place, (detector, own) in enumerate(rows.groupby("detector", sort=False)):
        _line(axes, own[own["efficiency"].notna()], "efficiency", pen(place), str(detector))
    axes.set_ylim(bottom=0.0)
    _plain(axes)


def _line(axes: Axes, rows: pd.DataFrame, name: str, style: Pen, label: str) -> None:
    colour, dash, marker = style
    value = rows[name].to_numpy(float)
    bars = [value - rows[f"{name}_low"].to_numpy(float), rows[f"{name}_high"].to_numpy(float) - value]
    axes.errorbar(
        rows["size"].to_numpy(float), value, [abs(bar) for bar in bars], color=colour, marker=marker,
        linestyle=dash, linewidth=1.4, markersize=6, capsize=2, label=label,
    )  # fmt: skip


def _plain(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(colors=QUIET, labelsize=8)


def _numbers(frame: pd.DataFrame) -> dict[str, float]:
    told = {}
    for row in frame.to_dict("records"):
        at = f"observer/{row['kind']}/{row['size']:g}_{row['unit']}"
        told[f"{at}/ideal_d"] = row["ideal_d"]
        told[f"{at}/{row['detector']}/efficiency"] = row["efficiency"]
    return {name: float(value) for name, value in told.items() if math.isfinite(value)}
