"""Contact sheets of generated joints: one per kind and one of sound look-alikes, with the truth under each joint."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from jointwise.evaluation.pictures.contact_sheet import MARGIN, page_axes
from jointwise.evaluation.pictures.joint_picture import INK, QUIET, draw_joint
from jointwise.evaluation.pictures.slices import Voxel, evidence_voxel
from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.joints.schema import present_array, truth_array

LOOKALIKES = "lookalikes"
ACROSS, PAGE, GUTTER = 3, 12.6, 0.4
CELL = (PAGE - 2 * MARGIN - (ACROSS - 1) * GUTTER) / ACROSS
PICTURE, LINE, HEAD, FOOT = 0.67 * CELL, 0.155, 0.95, 0.55
LINES = 5
"""Inches, and lines of words under each joint."""

WORDS = (
    ("void_projected_area_pct", "voids {:.1f} % of area"),
    ("void_volume_pct", "{:.1f} % of volume"),
    ("void_largest_pct", "largest {:.1f} %"),
    ("void_interface_pct", "{:.0f} % of a land"),
    ("gap_um", "gap {:.0f} µm"),
    ("contact_fraction", "{:.0f} % bonded"),
    ("bridge_neck_um", "neck {:.0f} µm"),
    ("clearance_um", "{:.0f} µm to a neighbour"),
)
PERCENT = ("contact_fraction",)


def picked(table: pd.DataFrame, seed: int, each: int) -> dict[str, list[int]]:
    """Rows for every sheet, drawn evenly over the size of what they show; look-alikes one recipe after another.

    Args:
        table: rows of a store with truth and records.
        seed: of the choice.
        each: joints per sheet; fewer where there are fewer.

    Returns:
        kind, then "lookalikes", -> rows.
    """
    rng = np.random.default_rng(seed)
    truth, there = truth_array(table), present_array(table)
    sizes = ("void_projected_area_pct", "gap_um", "bridge_neck_um", "gap_um")
    chosen = {}
    for k, kind in enumerate(KINDS):
        rows = np.flatnonzero(truth[:, k] == 1)
        order = rows[np.argsort(table[sizes[k]].to_numpy(float)[rows], kind="stable")]
        places = np.unique(np.linspace(0, len(order) - 1, min(each, len(order))).round().astype(int))
        chosen[kind] = [int(row) for row in order[places]]
    sound = np.flatnonzero(there & ~(truth == 1).any(axis=1))
    shuffled = [int(row) for row in rng.permutation(sound)]
    seen: dict[str, int] = {}
    ranks = []
    for row in shuffled:
        name = lookalike(table.iloc[row])
        seen[name] = seen.get(name, 0) + 1
        ranks.append((seen[name], name))
    order_of = sorted(range(len(shuffled)), key=lambda i: ranks[i])
    chosen[LOOKALIKES] = [shuffled[i] for i in order_of[:each]]
    return chosen


def lookalike(record: Any) -> str:
    """What a joint without a fault could be taken for, from its record and measures, in words."""
    drawn = json.loads(record["joint_record"])
    if any(void["place"] in ("board", "package") for void in drawn["voids"]) and len(drawn["voids"]) > 5:
        return "microvoids in a layer"
    if drawn["gaps"]:
        return "one edge not wetted"
    if drawn["waist"] is not None:
        return "waist without a gap"
    if drawn["bulges"]:
        return "near-bridge"
    return "small voids" if drawn["voids"] else "plain"


def cut_place(volume: Any, record: Any, kind: str, grid: Grid) -> Voxel:
    """Where to cut: through a layer of microvoids, a land that is not wetted, a bulge; through the evidence else."""
    drawn, like = json.loads(record["joint_record"]), lookalike(record)
    layer = [v for v in drawn["voids"] if v["place"] in ("board", "package")]
    half = float(record["height_mm"]) / 2
    # A joint may have a dry edge besides the land that failed: the one that makes the picture comes first.
    lands = sorted((g for g in drawn["gaps"] if g["place"] != "interface"), key=lambda g: g["form"] == "edge")
    shown = kind == "void" or (kind == LOOKALIKES and like == "microvoids in a layer")
    if shown and len(layer) > 5 and len(layer) > 0.5 * len(drawn["voids"]):
        return layer_voxel(record, layer, volume.shape, grid)
    if lands and (kind == "non_wet" or like == "one edge not wetted"):
        off = lands[0]["gap_um"] / 2000 - half
        return level_voxel(record, off if lands[0]["place"] == "board" else -off, volume.shape, grid)
    if kind == LOOKALIKES and like == "near-bridge":
        return level_voxel(record, (2 * drawn["bulges"][0]["level"] - 1) * half, volume.shape, grid)
    evidence: str | None = kind
    if kind == LOOKALIKES:
        evidence = "void" if like == "small voids" else None
    return evidence_voxel(volume, evidence, grid, float(record["pitch_mm"]), float(record["ball_mm"]))


def layer_voxel(record: Any, layer: list[dict[str, Any]], shape: tuple[int, ...], grid: Grid) -> Voxel:
    """The plane of a layer of microvoids: half a void and half its depth (15 µm) off the land, at its middle."""
    off = float(np.mean([v["level"] * 0.015 + v["flatness"] * v["diameter_mm"] / 2 for v in layer]))
    z = off - float(record["height_mm"]) / 2
    return level_voxel(record, z if layer[0]["place"] == "board" else -z, shape, grid)


def level_voxel(record: Any, z_mm: float, shape: tuple[int, ...], grid: Grid) -> Voxel:
    """The voxel on the joint's axis at a height over its centre."""
    step = grid.spacing_mm(float(record["pitch_mm"]), float(record["ball_mm"]))[2]
    index = round((shape[0] - 1) / 2 + z_mm / step)
    return min(max(index, 0), shape[0] - 1), shape[1] // 2, shape[2] // 2


def gallery_sheet(joints: Joints, kind: str, total: int, title: str) -> Figure:
    """One sheet.

    Args:
        joints: those to show, in order.
        kind: a kind or "lookalikes".
        total: how many such joints the source holds.
        title: where they come from; say "simulated".
    """
    deep = -(-max(len(joints), 1) // ACROSS)
    cell = PICTURE + (LINES + 1.2) * LINE
    figure = Figure(figsize=(PAGE, HEAD + deep * (cell + 0.15) + FOOT), facecolor="white")
    FigureCanvasAgg(figure)
    page, top = page_axes(figure), figure.get_figheight()
    name = "no fault, but like one" if kind == LOOKALIKES else TITLES[kind]
    page.text(MARGIN, top - 0.42, f"{title}: {name}", fontsize=15, weight="bold", color=INK)
    words = f"{len(joints)} of {total} such joints" + (
        "" if kind == LOOKALIKES else ", from the least to the largest"
    )
    page.text(
        MARGIN, top - 0.68, f"{words}. Orange ticks: where the other two planes cut.", fontsize=9, color=QUIET
    )
    for place in range(len(joints)):
        left = MARGIN + (place % ACROSS) * (CELL + GUTTER)
        _cell(figure, page, joints, place, kind, left, top - HEAD - (place // ACROSS) * (cell + 0.15))
    page.text(
        MARGIN, 0.2, "z from board (bottom) to package (top), µm from the joint's centre; x–y seen from the package. "
        "Grey from −0.2 (black) to 1.3 (white), 0 = air, 1 = solder.", fontsize=8.5, color=QUIET,
    )  # fmt: skip
    return figure


def _cell(figure: Figure, page: Axes, joints: Joints, row: int, kind: str, left: float, top: float) -> None:
    record, high = joints.table.iloc[row], figure.get_figheight()
    axes: Axes = figure.add_axes((left / PAGE, (top - PICTURE) / high, CELL / PAGE, PICTURE / high))
    draw_joint(axes, joints, row, None, at=cut_place(joints.volumes[row], record, kind, joints.grid))
    for number, line in enumerate(truth_lines(record, kind)):
        level = top - PICTURE - (number + 0.8) * LINE
        page.text(left, level, line, fontsize=8, color=QUIET if number == LINES - 1 else INK, va="center")


def truth_lines(record: Any, kind: str) -> list[str]:
    """Which joint, its labels, its measures with units and how well the scan shows them: five lines."""
    labels = [TITLES[k] for k in KINDS if record[k] == 1]
    unclear = [f"{TITLES[k]} marginal" for k in KINDS if pd.isna(record[k])]
    known = {
        name: words.format(float(record[name]) * (100 if name in PERCENT else 1))
        for name, words in WORDS
        if name in record and not pd.isna(record[name]) and np.isfinite(record[name]) and _worth(record, name)
    }
    first = f"{record['scan']} · {record['ball']}" + (f" · {lookalike(record)}" if kind == LOOKALIKES else "")
    scan = f"{float(record['voxels_per_ball']):.0f} voxels per ball ({float(record['voxel_um']):.0f} µm)"
    return [
        first,
        "truth: " + (", ".join([*labels, *unclear]) or "no fault"),
        " · ".join(words for name, words in known.items() if name.startswith("void")) or "no voids",
        " · ".join(words for name, words in known.items() if not name.startswith("void")),
        f"{scan} · cnr {float(record['cnr']):.0f} · {float(record['metal_mm3']):.3f} mm³",
    ]


def _worth(record: Any, name: str) -> bool:
    """Whether a measure says something about this joint: voids if there are any, clearance if it is small."""
    if name.startswith("void"):
        return float(record[name]) > 0.05
    return name != "clearance_um" or 0.0 < float(record[name]) < 250.0
