"""Every miss and every false positive of every detector: one table, and the worst of them as pictures."""

import io
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure as Canvas
from numpy.typing import NDArray
from PIL import Image

from jointwise.evaluation.judged import Read
from jointwise.evaluation.pictures.joint_picture import ACCENT, draw_joint
from jointwise.evaluation.report.section import Block, Column, Figure, Format, Grid, Paragraph, Section
from jointwise.evaluation.report.words import counted
from jointwise.evaluation.statistics import measures
from jointwise.evaluation.statistics.measures import Bools, Floats
from jointwise.evaluation.verdicts import Verdicts
from jointwise.joints.batch import Joints
from jointwise.joints.kinds import KINDS, TITLES

MOST: Final = 60
"""Joints that are pictured, unless told otherwise."""

INCHES, DPI = (4.6, 3.5), 100
GREYS, TINTS, COLOURED = 48, 8, 24
"""A picture's palette: evenly spaced greys for density, and the accent of the ticks over white to black. Fewer
colours than the picture has, so that sixty stay below two megabytes; steps of 5 in 255 lie below a scan's noise."""

SIZES: Final[tuple[tuple[str, str, str, Format], ...]] = (
    ("gap_um", "gap", "µm", "number"),
    ("gap_voxels", "gap", "voxels", "number"),
    ("void_projected_area_pct", "void area", "%", "number"),
    ("bridge_neck_um", "bridge neck", "µm", "number"),
)


class Failures(NamedTuple):
    """Who errs where.

    Args:
        missed: detector -> (n, 4), a kind that is there and is not called.
        false: detector -> (n, 4), a kind that is called and is not there.
    """

    missed: dict[str, Bools]
    false: dict[str, Bools]

    @property
    def rows(self) -> NDArray[np.intp]:
        """Joints on which any detector errs."""
        wrong = [part.any(axis=1) for parts in self for part in parts.values()]
        return np.flatnonzero(np.any(wrong, axis=0)) if wrong else np.empty(0, np.intp)


def failures(verdicts: Verdicts) -> Failures:
    """Misses and false positives, kind by kind, of joints whose truth is known."""
    truth, known = verdicts.truth == 1, verdicts.known
    calls = {who: verdicts.calls(who) for who in verdicts.scores}
    return Failures(
        {who: known & truth & ~called for who, called in calls.items()},
        {who: known & ~truth & called for who, called in calls.items()},
    )


def failures_section(verdicts: Verdicts, read: Read | None = None, most: int = MOST) -> Section:
    """Every joint on which a detector errs, what all say of it, and the worst as three slices each.

    Args:
        verdicts: of one set.
        read: gives sub-volumes by row; None where none are at hand, then there are no pictures.
        most: joints that are pictured.
    """
    found = failures(verdicts)
    order = _worst_first(verdicts, found)
    blocks: list[Block] = [Paragraph(_in_words(verdicts, found))]
    if len(order):
        blocks += [_grid(verdicts, found, order), *_pictures(verdicts, found, order, read, most)]
    return Section("Misses and false positives", "failures", blocks, _numbers(found))


def _in_words(verdicts: Verdicts, found: Failures) -> str:
    several = len(found.missed) > 1
    text = (
        "A miss is a kind that is there by the truth and is not called; a false positive is a kind that is "
        "called and is not there (on a joint sound in every kind: a false call). A faulty joint of which "
        "nothing at all is called escapes. "
    )
    known = counted(int(verdicts.known.any(axis=1).sum()), "joint")
    if not len(found.rows):
        return text + f"No detector errs on any of {known} with known truth."
    who = "a detector errs" if several else f"{next(iter(found.missed))} errs"
    text += f"Of {known} with known truth, {who} on {len(found.rows)}."
    if several:
        alone = {name: len(rows) for name, rows in _alone(found).items()}
        words = ", ".join(f"{count} by {name} alone" for name, count in alone.items())
        text += f" Of these, {words}, the rest by several."
    return text


def _alone(found: Failures) -> dict[str, NDArray[np.intp]]:
    """Joints on which one detector alone errs."""
    wrong = {who: found.missed[who].any(axis=1) | found.false[who].any(axis=1) for who in found.missed}
    number = np.sum(list(wrong.values()), axis=0)
    return {who: np.flatnonzero(mask & (number == 1)) for who, mask in wrong.items()}


def _worst_first(verdicts: Verdicts, found: Failures) -> NDArray[np.intp]:
    """Rows by turns from misses and from false positives, each list with the worst first.

    Escapes come before other misses; then counts how far the score lies on the wrong side of its cut.
    """
    n = len(verdicts)
    calls = {who: verdicts.calls(who) for who in verdicts.scores}
    miss, false, escaped = np.full(n, -np.inf), np.full(n, -np.inf), np.zeros(n, np.bool_)
    for who, scores in verdicts.scores.items():
        off = np.minimum(np.abs(scores - verdicts.cuts[who]), 1.0)  # a cut of infinity never calls
        miss = np.maximum(miss, np.where(found.missed[who], off, -np.inf).max(axis=1, initial=-np.inf))
        false = np.maximum(false, np.where(found.false[who], off, -np.inf).max(axis=1, initial=-np.inf))
        escaped |= measures.escapes(verdicts.truth, calls[who], verdicts.present)[0]
    miss = miss + 2.0 * escaped  # scores differ by 1 at most
    place: dict[int, tuple[int, int]] = {}
    for side, worth in enumerate((miss, false)):
        rows = np.flatnonzero(np.isfinite(worth))
        for rank, row in enumerate(rows[np.argsort(-worth[rows], kind="stable")]):
            place[int(row)] = min(place.get(int(row), (n, side)), (rank, side))
    return np.array(sorted(place, key=lambda row: place[row]), dtype=np.intp)


def _grid(verdicts: Verdicts, found: Failures, order: NDArray[np.intp]) -> Grid:
    table = verdicts.table.iloc[order].reset_index(drop=True)
    names = [name for name in ("scan", "board_id", "component", "ball") if name in table]
    frame = table[names].copy()
    frame["truth"] = [_kinds(verdicts.truth[row] == 1, "sound") for row in order]
    columns = [Column("ball", "joint"), Column("scan", "scan"), Column("truth", "truth")]
    for who in verdicts.scores:
        frame[who] = [_verdict(found, who, row) for row in order]
        columns.append(Column(who, who))
    for reader, labels in verdicts.readers.items():
        frame[f"{reader}_labels"] = [_label(labels[row]) for row in order]
        columns.append(Column(f"{reader}_labels", reader))
    sizes = _sizes(verdicts).iloc[order].reset_index(drop=True)
    for name, title, unit, form in SIZES:
        if name in sizes and sizes[name].notna().any():
            frame[name] = sizes[name]
            columns.append(Column(name, f"{title}, {unit}", form))
    for who, scores in verdicts.scores.items():
        for k, kind in enumerate(KINDS):
            frame[f"{who}_score_{kind}"] = scores[order, k]
            frame[f"{who}_cut_{kind}"] = verdicts.cuts[who][order, k]
    caption = (
        f"All {len(order)} joints on which a detector errs, by turns a miss and a false positive, the worst "
        f"of each first. "
        "The file also holds every score and cut. No intervals: these are single joints."
    )
    return Grid(frame, columns, caption, "failures")


def _sizes(verdicts: Verdicts) -> pd.DataFrame:
    table = verdicts.table
    sizes = table[[name for name, *_ in SIZES if name in table]].copy()
    if {"gap_um", "voxel_um"} <= set(table):
        sizes["gap_voxels"] = table["gap_um"] / table["voxel_um"]
    return sizes


def _kinds(which: Bools, none: str) -> str:
    return ", ".join(TITLES[kind] for kind, yes in zip(KINDS, which, strict=True) if yes) or none


def _label(labels: Floats) -> str:
    return "cannot tell" if np.isnan(labels).all() else _kinds(labels == 1, "sound")


def _verdict(found: Failures, who: str, row: int) -> str:
    parts = [("misses", found.missed[who][row]), ("calls", found.false[who][row])]
    return "; ".join(f"{word} {_kinds(which, '')}" for word, which in parts if which.any()) or "right"


def _pictures(
    verdicts: Verdicts, found: Failures, order: NDArray[np.intp], read: Read | None, most: int
) -> list[Block]:
    if read is None:
        return [
            Paragraph(
                "No pictures: scores were given without sub-volumes. Evaluate the set itself to see them."
            )
        ]
    shown = order[:most]
    rest = len(order) - len(shown)
    text = (
        "Each joint in three planes at right angles; the ticks say where the other two cut. The cut goes "
        "through the place that most looks like the fault that was missed, or that was called, as looked for "
        "in the volume itself; it need not be what moved a detector. Black is air, white is solder. Below "
        "each, what every detector makes of it (▲ misses a kind, ■ calls one that is not there, ○ is right) "
        "and its scores against the cut from which on it calls."
    )
    if rest:
        text += f" The first {len(shown)} are shown; {rest} more stand in the table only."
    joints = read(shown)
    figures = [
        _picture(verdicts, found, int(row), joints, place, number=place + 1)
        for place, row in enumerate(shown)
    ]
    return [Paragraph(text), *figures]


def _picture(
    verdicts: Verdicts, found: Failures, row: int, joints: Joints, place: int, number: int
) -> Figure:
    record = verdicts.table.iloc[row]
    words = {who: _verdict(found, who, row) for who in verdicts.scores}
    head = f"{number}. {record['ball']} of {record['scan']}"
    lines = [f"{head}. Truth: {_kinds(verdicts.truth[row] == 1, 'sound')}{_size(verdicts, row)}."]
    for who, verdict in words.items():
        outside = who in verdicts.outside and bool(verdicts.outside[who][row])
        note = " (scan unlike its training)" if outside else ""
        lines.append(f"{_shape(verdict)} {who} {verdict}{note}: {_scores(verdicts, who, row)}.")
    told = [f"{reader} {_label(labels[row])}" for reader, labels in verdicts.readers.items()]
    if told:
        lines.append(f"Readers: {'; '.join(told)}.")
    alt = f"Three slices of joint {record['ball']}: {'; '.join(f'{who} {verdict}' for who, verdict in words.items())}"
    return Figure(joint_png(joints, place, _evidence(found, row)), "\n".join(lines), alt)


def _shape(verdict: str) -> str:
    """A sign for who reads without colour and at a glance: hollow for right, a triangle for misses, else a square."""
    return "○" if verdict == "right" else "▲" if "misses" in verdict else "■"


def _size(verdicts: Verdicts, row: int) -> str:
    sizes = _sizes(verdicts).iloc[row]
    parts = [
        f"{title} {sizes[name]:.3g} {unit}"
        for name, title, unit, _ in SIZES
        if name in sizes and pd.notna(sizes[name]) and sizes[name] > 0
    ]
    return f" ({', '.join(parts)})" if parts else ""


def _scores(verdicts: Verdicts, who: str, row: int) -> str:
    """All four scores beside their cuts; at or over it a kind is called."""
    pairs = zip(KINDS, verdicts.scores[who][row], verdicts.cuts[who][row], strict=True)
    return ", ".join(f"{TITLES[kind]} {beside(score, cut)}" for kind, score, cut in pairs)


def _evidence(found: Failures, row: int) -> str | None:
    """The kind whose evidence is cut through: one that was missed, else one that was called for nothing."""
    for parts in (found.missed, found.false):
        for which in parts.values():
            if which[row].any():
                return KINDS[int(np.argmax(which[row]))]
    return None


def joint_png(joints: Joints, row: int, kind: str | None) -> bytes:
    """One joint as three slices, as a small PNG."""
    figure = Canvas(figsize=INCHES)
    canvas: Any = FigureCanvasAgg(figure)
    figure.set_dpi(DPI)
    draw_joint(figure.add_axes((0.0, 0.0, 1.0, 1.0)), joints, row, kind)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[..., :3]
    image, file = _with_palette(_cropped(pixels)), io.BytesIO()
    image.save(file, "PNG", optimize=True)
    return file.getvalue()


def _with_palette(pixels: NDArray[np.uint8]) -> Image.Image:
    """The picture in few colours: greys by their step, what is coloured by the nearest tint of the accent."""
    accent = np.array([int(ACCENT[i : i + 2], 16) for i in (1, 3, 5)])
    share = np.linspace(0.3, 1.0, TINTS // 2)[:, None]
    tints = np.concatenate([share * accent + (1 - share) * under for under in (0, 255)])
    greys = np.repeat(np.linspace(0, 255, GREYS)[:, None], 3, axis=1)
    values = pixels.astype(np.float64)
    index = np.rint(values.mean(axis=2) / 255 * (GREYS - 1)).astype(np.uint8)
    coloured = np.ptp(values, axis=2) > COLOURED
    far = ((values[coloured][:, None] - tints) ** 2).sum(axis=2)
    index[coloured] = GREYS + far.argmin(axis=1)
    image = Image.fromarray(index)
    image.putpalette(np.concatenate([greys, tints]).round().astype(np.uint8).tobytes())
    return image


def _cropped(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Without the white margin."""
    inked: Bools = np.any(pixels < 255, axis=2)
    rows, columns = np.flatnonzero(inked.any(axis=1)), np.flatnonzero(inked.any(axis=0))
    if not len(rows):
        return pixels
    return np.ascontiguousarray(pixels[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1])


def _numbers(found: Failures) -> dict[str, float]:
    sides: Sequence[tuple[str, dict[str, Bools]]] = (("misses", found.missed), ("false_calls", found.false))
    return {
        f"{who}/{kind}/{word}": float(which[:, k].sum())
        for word, parts in sides
        for who, which in parts.items()
        for k, kind in enumerate(KINDS)
    }


def beside(score: float, cut: float) -> str:
    """A score and its cut, `0.94 < 0.96`, with as many digits as it takes to tell them apart."""
    digits = next((n for n in range(2, 8) if f"{score:.{n}f}" != f"{cut:.{n}f}"), 2)
    return f"{score:.{digits}f} {'≥' if score >= cut else '<'} {cut:.{digits}f}"
