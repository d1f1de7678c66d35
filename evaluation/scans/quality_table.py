"""The measures of one or several scans side by side: CSV, JSON, a table for the screen, and a picture."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text
from scipy.special import ndtr

from jointwise.evaluation.pictures.joint_picture import ACCENT, INK, QUIET
from jointwise.evaluation.scans.quality import TITLES, Measured, Profiles
from jointwise.joints.edges import MTF_LEVEL
from jointwise.joints.lattice import Vector

COLUMNS = ("scan", "measure", "value", "low", "high", "n", "unit", "usual", "drawn", "reason")
MOST_ROWS = 6
"""Scans in the picture; the tables hold all."""

Range = tuple[float, float]


@dataclass(frozen=True)
class ScanQuality:
    """All that was measured of one scan.

    Args:
        name: what the scan is called in tables and picture.
        facts: what was found of file and array, JSON-safe.
        measured: its figures.
        profiles: what the picture shows.
    """

    name: str
    facts: Mapping[str, Any]
    measured: Sequence[Measured]
    profiles: Profiles


def write_quality(scans: Sequence[ScanQuality], drawn: Mapping[str, Range], folder: Path) -> None:
    """Write quality.csv, quality.json and quality.png into a folder.

    Args:
        scans: at least one.
        drawn: range that the generator draws, for the measures that it draws directly.
        folder: an existing one.
    """
    rows = [_row(scan, m, drawn) for scan in scans for m in scan.measured]
    pd.DataFrame(rows, columns=list(COLUMNS)).to_csv(
        folder / "quality.csv", index=False, float_format="%.6g", lineterminator="\n"
    )
    plain = [
        {
            "scan": scan.name,
            "facts": dict(scan.facts),
            "measures": [_plain(scan, m, drawn) for m in scan.measured],
        }
        for scan in scans
    ]
    (folder / "quality.json").write_text(json.dumps(plain, indent=1, allow_nan=False), encoding="utf-8")
    picture(scans).savefig(folder / "quality.png", dpi=100, metadata={"Software": None})


def terminal(scans: Sequence[ScanQuality], drawn: Mapping[str, Range]) -> Group:
    """The table for the screen: a row a measure, a column a scan, and what stands behind each figure below."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("measure")
    for scan in scans:
        table.add_column(Text(scan.name), justify="right")
    for column in ("unit", "usual", "drawn"):
        table.add_column(column, no_wrap=True)
    for i, first in enumerate(scans[0].measured):
        title = TITLES[first.measure]
        cells = [shown(scan.measured[i]) for scan in scans]
        ranges = [_range(title.usual), _range(drawn.get(first.measure))]
        table.add_row(title.name, *cells, first.unit, *ranges)
    notes = [Text(f"{scan.name}: {_facts_line(scan.facts)}") for scan in scans]
    notes += [
        Text(f"{s.name}: no {TITLES[m.measure].name}: {m.reason}")
        for s in scans
        for m in s.measured
        if m.reason
    ]
    notes.append(
        Text(
            "Medians over joints, in brackets the 95 % bootstrap interval over joints. Edges: 10-90 %; along z the "
            "copper of the lands widens it. Noise, lanes: in % of solder less air; white noise keeps a third of "
            "itself in means of 3 x 3 voxels. Usual: common practice for CT of electronics, no limit. Drawn: what "
            "the generator draws itself; all else follows from physics."
        )
    )
    return Group(table, *notes)


def shown(measured: Measured) -> str:
    """Value and interval as one cell.

    Example:
        >>> shown(Measured("cnr", 12.345, 11.9, 13.0, 20, "1"))
        '12.3 [11.9, 13]'
    """
    if not math.isfinite(measured.value):
        return "n/a"
    if not math.isfinite(measured.low):
        return f"{measured.value:.3g}"
    digits = 5 if measured.unit in ("grey", "steps") else 3
    return f"{measured.value:.{digits}g} [{measured.low:.{digits}g}, {measured.high:.{digits}g}]"


def picture(scans: Sequence[ScanQuality]) -> Figure:
    """Edges with their fits, MTF and lane profiles; four panels for one scan, a row of four for each of several."""
    scans = scans[:MOST_ROWS]
    alone = len(scans) == 1
    figure = Figure(
        figsize=(12, 8.4 if alone else 2.75 * len(scans) + 0.5), facecolor="white", layout="constrained"
    )
    for i, scan in enumerate(scans):
        axes = [
            figure.add_subplot(2, 2, k + 1) if alone else figure.add_subplot(len(scans), 4, 4 * i + k + 1)
            for k in range(4)
        ]
        figures = {m.measure: m for m in scan.measured}
        _edge_panel(axes[0], scan.profiles.rim, "Flank, in plane", figures["edge_in_plane"])
        _edge_panel(axes[1], scan.profiles.end, "At lands, along z", figures["edge_along_z"])
        _mtf_panel(axes[2], scan.profiles, figures["mtf10"])
        _lane_panel(axes[3], scan.profiles)
        axes[0].set_ylabel(f"{scan.name}\n\nshare of solder" if not alone else "share of solder", color=INK)
        for axis in axes:
            _dress(axis)
    if alone:
        figure.suptitle(f"Image quality of {scans[0].name}", color=INK, fontsize=13, x=0.01, ha="left")
    return figure


def _row(scan: ScanQuality, m: Measured, drawn: Mapping[str, Range]) -> tuple[Any, ...]:
    ranges = (_range(TITLES[m.measure].usual), _range(drawn.get(m.measure)))
    return scan.name, m.measure, m.value, m.low, m.high, m.n, m.unit, *ranges, m.reason


def _plain(scan: ScanQuality, m: Measured, drawn: Mapping[str, Range]) -> dict[str, Any]:
    """JSON-safe: what is not a number becomes null."""
    row = dict(zip(COLUMNS, _row(scan, m, drawn), strict=True))
    del row["scan"]
    return {k: None if isinstance(v, float) and not math.isfinite(v) else v for k, v in row.items()}


def _range(limits: Range | None) -> str:
    return "" if limits is None else f"{limits[0]:.3g} to {limits[1]:.3g}"


def _facts_line(facts: Mapping[str, Any]) -> str:
    return ", ".join(f"{name} {value}" for name, value in facts.items())


def _edge_panel(axes: Axes, edge: tuple[Vector, Vector, float] | None, title: str, width: Measured) -> None:
    axes.set_title(title, color=INK, fontsize=10, loc="left")
    if edge is None:
        _absent(axes, width.reason)
        return
    place, share, sigma = edge
    axes.plot(place, share, ".", color=INK, markersize=3.5, label="mean of voxels")
    axes.plot(place, ndtr(-place / sigma), color=ACCENT, linewidth=1.6, label="erf, typical fit")
    axes.set_xlabel("voxels outwards", color=INK, fontsize=9)
    _say(
        axes,
        f"10–90 % in\n{width.value:.2f} voxels\n[{width.low:.2f}, {width.high:.2f}]\nn {width.n}",
        0.97,
        0.95,
    )
    axes.legend(frameon=False, fontsize=8, loc="lower left", handlelength=1.2, labelcolor=INK)


def _mtf_panel(axes: Axes, profiles: Profiles, mtf10: Measured) -> None:
    axes.set_title("MTF, from the flank", color=INK, fontsize=10, loc="left")
    if profiles.mtf is None:
        _absent(axes, mtf10.reason)
        return
    axes.plot(*profiles.mtf, color=INK, linewidth=1.6)
    axes.axvline(0.5, color=QUIET, linewidth=0.8, linestyle=":")
    axes.axhline(MTF_LEVEL, color=ACCENT, linewidth=1.2)
    axes.set(xlim=(0, 1), ylim=(0, 1.05))
    axes.set_xlabel("cycles per voxel (dotted: Nyquist)", color=INK, fontsize=9)
    words = f"10 % at\n{mtf10.value:.3g} lp/mm\n[{mtf10.low:.3g}, {mtf10.high:.3g}]\nn {mtf10.n}"
    _say(axes, words if math.isfinite(mtf10.value) else mtf10.reason, 0.97, 0.95)


def _lane_panel(axes: Axes, profiles: Profiles) -> None:
    axes.set_title("From ball to ball", color=INK, fontsize=10, loc="left")
    if not profiles.lanes:
        _absent(axes, "no three pairs of neighbours")
        return
    for (name, line), colour in zip(profiles.lanes.items(), (ACCENT, INK), strict=False):
        axes.plot(*line, color=colour, linewidth=1.6, label=f"neighbours along {name}")
    axes.axhline(0, color=QUIET, linewidth=0.8, linestyle=":")
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.3 * (high - low))  # room for the legend
    axes.set_xlabel("voxels from the lane's middle", color=INK, fontsize=9)
    axes.legend(frameon=False, fontsize=8, loc="upper center", handlelength=1.2, labelcolor=INK)


def _dress(axes: Axes) -> None:
    axes.tick_params(colors=QUIET, labelsize=8, length=3)
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color(QUIET)


def _say(axes: Axes, words: str, x: float, y: float) -> None:
    axes.text(x, y, words, transform=axes.transAxes, ha="right", va="top", fontsize=8.5, color=INK)


def _absent(axes: Axes, reason: str) -> None:
    axes.text(
        0.5,
        0.5,
        f"n/a: {reason}",
        transform=axes.transAxes,
        ha="center",
        fontsize=8.5,
        color=QUIET,
        wrap=True,
    )
