"""One page of joints: every kind and sound ones, cut in three planes, with truth and scores in words."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import ArrayLike, NDArray

from jointwise.evaluation.pictures.joint_picture import (
    ACCENT,
    DENSITY_RANGE,
    INK,
    QUIET,
    draw_joint,
    uniform_grey,
)
from jointwise.evaluation.statistics import measures
from jointwise.joints.atomic import write_bytes
from jointwise.joints.batch import Joints
from jointwise.joints.errors import InputError
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.joints.schema import present_array, require_columns, truth_array

SOUND = "sound"
"""The row of joints that have no kind."""

DPI = 120
WIDTH, MARGIN, GUTTER = 12.6, 0.35, 0.4
HEAD, FOOT, ROW_HEAD, CELL_HEAD, LINE = 1.0, 0.75, 0.36, 0.24, 0.155
MOST_PER_ROW = 3
CELL_WIDTH = (WIDTH - 2 * MARGIN - (MOST_PER_ROW - 1) * GUTTER) / MOST_PER_ROW
PICTURE = 0.67 * CELL_WIDTH
"""Sizes of the page in inches; a cell is as wide as its words need, however few stand in a row."""


class Verdict(NamedTuple):
    """What a detector's calls are worth on one joint: a shape, a word, and whether it erred."""

    shape: str
    word: str
    wrong: bool


FOUND, MISSED = Verdict("●", "found", False), Verdict("▲", "missed", True)
WRONG_KIND, FALSE_CALL = Verdict("◆", "other kind", True), Verdict("■", "false call", True)
NO_FINDING = Verdict("○", "no finding", False)


class _Sheet(NamedTuple):
    """All a cell needs: the joints, their labels, and each detector's scores and calls."""

    joints: Joints
    truth: measures.Floats
    scores: dict[str, measures.Floats]
    calls: dict[str, measures.Bools]


def contact_sheet(
    joints: Joints,
    scores: Mapping[str, ArrayLike],
    thresholds: Mapping[str, ArrayLike],
    *,
    title: str,
    per_row: int = 3,
    rows: Mapping[str, Sequence[int]] | None = None,
) -> Figure:
    """A page with one row per kind and one of sound joints; each joint as x–z, y–z and x–y slice.

    Args:
        joints: the judged joints; the table needs pitch_mm and ball_mm (mm) besides kinds and present.
        scores: detector name -> (n, 4) in [0, 1]; NaN only where present = 0.
        thresholds: detector name -> (4,), or (n, 4) where each joint has its own.
        title: what is shown; say "simulated" of simulated joints.
        per_row: joints per row, 1 to 3.
        rows: kind or "sound" -> table rows to show; None takes `choose`.

    Raises:
        InputError: if columns are missing or scores do not fit the joints.

    Example:
        >>> figure = contact_sheet(joints, {"rules": s}, {"rules": t}, title="Simulated")  # doctest: +SKIP
        >>> save(figure, Path("contact_sheet.png"))  # doctest: +SKIP
    """
    require_columns(
        joints.table, ("pitch_mm", "ball_mm", "present", *KINDS), "the table of joints to be drawn"
    )
    if not 1 <= per_row <= MOST_PER_ROW:
        raise InputError(f"expected 1 to {MOST_PER_ROW} joints per row of the contact sheet, found {per_row}")
    sheet = _gather(joints, scores, thresholds)
    chosen = choose(sheet.truth, present_array(joints.table), sheet.scores, per_row) if rows is None else rows
    return _draw_page(sheet, chosen, title)


def choose(
    truth: ArrayLike, present: ArrayLike, scores: Mapping[str, ArrayLike], per_row: int
) -> dict[str, list[int]]:
    """For every kind and for sound joints: rows from the hardest to the easiest, evenly spaced in rank.

    Hard means: on the average of the detectors a low score of that kind, or on a sound joint a high score of
    any kind. So no row shows only the successes.

    Args:
        truth: (n, 4) of 1, 0 or NaN.
        present: (n,) 0 or 1.
        scores: detector name -> (n, 4).
        per_row: how many joints of each; fewer where there are fewer.

    Returns:
        kind (in the order of KINDS, then "sound") -> row numbers.
    """
    labels, known = np.asarray(truth, dtype=np.float64), measures.counted(truth, present)
    mean = np.mean([np.asarray(score, dtype=np.float64) for score in scores.values()], axis=0)
    chosen = {}
    for column, kind in enumerate(KINDS):
        faulty = np.flatnonzero(known[:, column] & (labels[:, column] == 1))
        chosen[kind] = _spread(faulty, mean[faulty, column], per_row)
    sound = np.flatnonzero(measures.any_kind(labels, present) == 0)
    chosen[SOUND] = _spread(sound, -mean[sound].max(axis=1, initial=0.0), per_row)
    return chosen


def verdict(row_kind: str, calls: ArrayLike) -> Verdict:
    """What a detector's calls (4,) are worth on a joint shown in the row `row_kind` (a kind or "sound")."""
    called = np.asarray(calls, dtype=bool)
    if row_kind == SOUND:
        return FALSE_CALL if called.any() else NO_FINDING
    if called[KINDS.index(row_kind)]:
        return FOUND
    return WRONG_KIND if called.any() else MISSED


def save(figure: Figure, path: Path) -> Path:
    """Write the page as PNG at its own resolution, whole or not at all; returns `path`."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi=DPI)
    write_bytes(path, buffer.getvalue())
    return path


def _gather(joints: Joints, scores: Mapping[str, ArrayLike], thresholds: Mapping[str, ArrayLike]) -> _Sheet:
    there = present_array(joints.table)
    missing = [name for name in scores if name not in thresholds]
    if missing or not scores:
        raise InputError(
            f"expected scores and thresholds of at least one detector, found no {'thresholds' if missing else 'scores'}"
            f" {'of ' + ', '.join(missing) if missing else ''}; evaluate first"
        )
    arrays = {name: np.asarray(score, dtype=np.float64) for name, score in scores.items()}
    called = {name: measures.calls(score, thresholds[name], there) for name, score in arrays.items()}
    return _Sheet(joints, truth_array(joints.table), arrays, called)


def _spread(indices: NDArray[np.intp], difficulty: measures.Floats, n: int) -> list[int]:
    ranked = indices[np.argsort(difficulty, kind="stable")]
    if not len(ranked):
        return []
    places = np.unique(np.linspace(0, len(ranked) - 1, n).round().astype(int))
    return [int(ranked[place]) for place in places]


def _draw_page(sheet: _Sheet, chosen: Mapping[str, Sequence[int]], title: str) -> Figure:
    cell = CELL_HEAD + PICTURE + (len(sheet.scores) + 2) * LINE
    heights = [ROW_HEAD + (cell + 0.2 if rows else LINE) for rows in chosen.values()]
    figure = Figure(figsize=(WIDTH, HEAD + sum(heights) + FOOT), facecolor="white")
    FigureCanvasAgg(figure)
    page = page_axes(figure)
    top = figure.get_figheight()
    _draw_head(figure, page, top, title)
    top -= HEAD
    for (kind, rows), height in zip(chosen.items(), heights, strict=True):
        _draw_row_head(page, top, kind, sheet, len(rows))
        for place, row in enumerate(rows):
            left = MARGIN + place * (CELL_WIDTH + GUTTER)
            box = (left, top - ROW_HEAD - CELL_HEAD - PICTURE, CELL_WIDTH, PICTURE)
            rank = _rank(place, len(rows))
            _draw_cell(figure, page, box, sheet, kind, row, rank)
        top -= height
    _draw_foot(page)
    return figure


def page_axes(figure: Figure) -> Axes:
    """Axes over the whole page in inches from the lower left, for words and lines."""
    axes: Axes = figure.add_axes((0, 0, 1, 1), zorder=-1)
    axes.set(xlim=(0, figure.get_figwidth()), ylim=(0, figure.get_figheight()))
    axes.axis("off")
    return axes


def _draw_head(figure: Figure, page: Axes, top: float, title: str) -> None:
    page.text(MARGIN, top - 0.42, title, fontsize=15, weight="bold", color=INK)
    words = (
        "Each row runs from the joint the detectors find hardest to the easiest (mean score). "
        "Orange ticks: where the other two planes cut."
    )
    page.text(MARGIN, top - 0.68, words, fontsize=9, color=QUIET)
    width = 2.2
    left = WIDTH - MARGIN - width
    high = figure.get_figheight()
    bar: Axes = figure.add_axes((left / WIDTH, (top - 0.45) / high, width / WIDTH, 0.14 / high))
    bar.imshow(
        np.linspace(*DENSITY_RANGE, 256)[None],
        cmap=uniform_grey(),
        aspect="auto",
        extent=(*DENSITY_RANGE, 0, 1),
    )
    bar.set_yticks([])
    bar.set_xticks([0, 1], ["0 = air", "1 = solder"], fontsize=9, color=INK)
    bar.tick_params(length=3, color=INK)


def _draw_row_head(page: Axes, top: float, kind: str, sheet: _Sheet, shown: int) -> None:
    verdicts = measures.any_kind(sheet.truth, present_array(sheet.joints.table))
    column = verdicts == 0 if kind == SOUND else sheet.truth[:, KINDS.index(kind)] == 1
    page.plot([MARGIN, WIDTH - MARGIN], [top - 0.06] * 2, color=INK, linewidth=0.8)
    page.text(MARGIN, top - 0.26, TITLES.get(kind, kind), fontsize=12, weight="bold", color=INK)
    words = f"{int(column.sum())} of {len(sheet.joints)} joints" if shown else "no such joint in this set"
    page.text(MARGIN + 1.6, top - 0.26, words, fontsize=9, color=QUIET)


def _rank(place: int, shown: int) -> str:
    if shown == 1:
        return "only one"
    return "hardest" if place == 0 else "easiest" if place == shown - 1 else "typical"


def _draw_cell(
    figure: Figure,
    page: Axes,
    box: tuple[float, float, float, float],
    sheet: _Sheet,
    kind: str,
    row: int,
    rank: str,
) -> None:
    """One joint: head line, three slices, table of words. `box` = left, bottom, width, height of the slices, in."""
    left, bottom, width, height = box
    record = sheet.joints.table.iloc[row]
    page.text(left, bottom + height + 0.08, f"{rank}: {joint_words(record, kind)}", fontsize=9, color=INK)
    high = figure.get_figheight()
    axes: Axes = figure.add_axes((left / WIDTH, bottom / high, width / WIDTH, height / high))
    draw_joint(axes, sheet.joints, row, None if kind == SOUND else kind)
    _draw_words(page, box, sheet, kind, row)


def joint_words(record: Any, kind: str) -> str:
    """Which joint it is and how large its defect truly is, in words.

    Args:
        record: a table row; ball, scan and the measure of the kind are told where known.
        kind: the row it stands in.
    """
    words = [str(record[name]) for name in ("scan", "ball") if name in record and not pd.isna(record[name])]
    measure, unit = _MEASURE_OF.get(kind, ("", ""))
    value = record.get(measure)
    if measure and value is not None and not pd.isna(value):
        words.append(unit.format(float(value)) + _in_voxels(record, measure, float(value)))
    return " · ".join(words)


_MEASURE_OF = {
    "void": ("void_projected_area_pct", "voids {:.0f} % of area"),
    "non_wet": ("gap_um", "gap {:.0f} µm"),
    "bridging": ("bridge_neck_um", "neck {:.0f} µm"),
    "head_in_pillow": ("gap_um", "gap {:.0f} µm"),
}


def _in_voxels(record: Any, measure: str, value_um: float) -> str:
    """The size in scan voxels: whether it can be seen depends on it."""
    per_ball = record.get("voxels_per_ball")
    if not measure.endswith("_um") or per_ball is None or pd.isna(per_ball):
        return ""
    return f" ({value_um * float(per_ball) / (1000 * float(record['ball_mm'])):.1f} voxels)"


def _draw_words(
    page: Axes, box: tuple[float, float, float, float], sheet: _Sheet, kind: str, row: int
) -> None:
    """Below the slices: per kind the truth and each detector's score, then what its calls are worth."""
    left, bottom, width, _ = box
    columns = left + width * np.array([0.0, 0.15, 0.315, 0.48, 0.645, 0.845])
    level = bottom - 0.6 * LINE
    for column, name in zip(columns[1:5], KINDS, strict=True):
        page.text(column, level, TITLES[name], fontsize=8, color=QUIET, va="center")
    level -= LINE
    page.text(columns[0], level, "truth", fontsize=8, color=INK, va="center")
    for column, value in zip(columns[1:5], sheet.truth[row], strict=True):
        word = "unclear" if math.isnan(value) else "yes" if value else "no"
        page.text(
            column, level, word, fontsize=8, color=INK, va="center", weight="bold" if value == 1 else "normal"
        )
    for detector, scores in sheet.scores.items():
        level -= LINE
        page.text(columns[0], level, _short(detector), fontsize=8, color=INK, va="center")
        calls = sheet.calls[detector][row]
        for column, score, called in zip(columns[1:5], scores[row], calls, strict=True):
            words = f"{score:.2f} call" if called else f"{score:.2f}"
            page.text(
                column,
                level,
                words,
                fontsize=8,
                color=INK,
                va="center",
                weight="bold" if called else "normal",
            )
        shape, word, wrong = verdict(kind, calls)
        page.text(
            columns[5], level, f"{shape} {word}", fontsize=8, color=ACCENT if wrong else INK, va="center"
        )


def _short(name: str) -> str:
    return name if len(name) <= 8 else f"{name[:7]}…"


def _draw_foot(page: Axes) -> None:
    lines = (
        "z runs from board (bottom) to package (top), µm from the joint's centre; x–y as seen from the package. "
        "Cuts: middle of a sound joint, most conspicuous place of a faulty one.",
        "● found   ▲ missed: nothing called   ◆ only another kind called   ■ false call on a sound joint   "
        "○ rightly no finding   call = score at or above the detector's threshold for that kind",
    )
    for place, line in enumerate(lines):
        page.text(MARGIN, 0.42 - 0.2 * place, line, fontsize=8.5, color=QUIET)
