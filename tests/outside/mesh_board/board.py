"""A board of joints, bridges, lands, laminates and a package, as meshes by material."""

from __future__ import annotations

import math
from dataclasses import asdict

import numpy as np
from joint import Site
from manifold3d import Manifold, OpType
from presets import Board
from shapes import free_height
from solder import neck, spur
from surroundings import build_surroundings


def neighbours(board: Board) -> list[tuple[int, int]]:
    """All pairs of sites side by side."""
    index = np.arange(board.rows * board.cols).reshape(board.rows, board.cols)
    across = zip(index[:, :-1].ravel(), index[:, 1:].ravel(), strict=True)
    along = zip(index[:-1].ravel(), index[1:].ravel(), strict=True)
    return [(int(i), int(j)) for i, j in (*across, *along)]


def draw_recipes(rng, board: Board) -> tuple[list[str], list[tuple[int, int]], list[tuple[int, int]]]:
    """A recipe per site, pairs of sites with a bridge, and pairs where the first has a spur towards the second."""
    n = board.rows * board.cols
    shares = dict(board.rates)
    bridged = shares.pop("bridge", 0.0)
    recipes = ["sound"] * n
    order = [i for i in rng.permutation(n) if not board.left_empty(int(i))]
    for i in set(range(n)) - {int(i) for i in order}:
        recipes[i] = "depopulated"
    n = len(order)
    for name, share in shares.items():
        for _ in range(round(share * n)):
            recipes[order.pop()] = name
    for _ in range(board.missing):
        recipes[order.pop()] = "missing"
    none = {"missing", "depopulated"}
    free = [pair for pair in neighbours(board) if not none & {recipes[pair[0]], recipes[pair[1]]}]
    picked = [free[int(k)] for k in rng.permutation(len(free))[: round((bridged + board.spurs) * n)]]
    bridges = picked[: round(bridged * n)]
    spurs = [pair if rng.random() < 0.5 else pair[::-1] for pair in picked[len(bridges) :]]
    return recipes, bridges, spurs


def draw_sizes(rng, board: Board, place, corner: float) -> tuple[float, float]:
    """Height and solder volume of a joint; a few are far from the others."""
    ball = math.pi * board.ball**3 / 6
    volume = ball * rng.normal(1.0, 0.015) + board.paste * rng.normal(1.0, 0.1)
    share = float(np.hypot(*place) / corner) ** 2
    h = free_height(board.board_land / 2, board.package_land / 2, ball + board.paste)
    h *= (board.pressed[0] * (1 - share) + board.pressed[1] * share) * rng.normal(1.0, 0.008)
    if rng.random() < board.unusual:
        volume *= float(rng.uniform(0.82, 1.18))
        h *= float(rng.uniform(0.9, 1.08))
    return float(h), float(volume)


def build(board: Board) -> tuple[dict[str, Manifold], list[dict], dict]:
    """Meshes by material in the board's frame, truth rows (without file position) and the record."""
    rng = np.random.default_rng(board.seed)
    recipes, bridges, spurs = draw_recipes(rng, board)
    places = [
        board.pitch * np.array([col - (board.cols - 1) / 2, row - (board.rows - 1) / 2])
        for row in range(board.rows)
        for col in range(board.cols)
    ]
    corner = max(float(np.hypot(*p)) for p in places)
    shift = board.offset * rng.standard_normal(2)
    joined = {i for pair in bridges for i in pair}
    crowded = joined | {i for i, _ in spurs}
    sites: list[Site | None] = []
    rows, heights = [], []
    for i, (recipe, place) in enumerate(zip(recipes, places, strict=True)):
        h, volume = draw_sizes(rng, board, place, corner)
        heights.append(h)
        site = (
            None
            if recipe in ("missing", "depopulated")
            else Site(rng, board, recipe, h, volume, i in joined, shift, i in crowded)
        )
        sites.append(site)
        truth = dict(site.truth) if site else {"present": 0}
        note = f"{recipe}; {site.form}" if site and site.form else recipe
        centre = [*map(float, place + shift / 2), h / 2]
        rows.append({"row": i // board.cols, "col": i % board.cols, "centre": centre, "note": note, **truth})
    solder, clearances = solder_of(rng, board, places, sites, bridges, spurs, rows)
    solids, vias = build_surroundings(rng, board, places, shift, heights)
    facts = [s.facts if s else {"recipe": recipe} for s, recipe in zip(sites, recipes, strict=True)]
    rows = [row for row in rows if row["note"] != "depopulated"]
    record = {"board": asdict(board), "joints": facts, "bridges": bridges, "spurs": spurs}
    return solids | {"solder": solder}, rows, record | {"spur_clearance_um": clearances, "vias_mm": vias}


def solder_of(rng, board: Board, places, sites, bridges, spurs, rows) -> tuple[Manifold, list[float]]:
    """All solder as one mesh; bridges and spurs fill no gap and no void."""
    bodies, holes = {}, []
    for i, (place, site) in enumerate(zip(places, sites, strict=True)):
        if site:
            at = [*map(float, place), 0.0]
            bodies[i] = site.solid.translate(at)
            holes.append(site.holes.translate(at))
    rods = []
    for i, j in bridges:
        rod, thick = neck(rng, board, [places[i], places[j]], min(sites[i].h, sites[j].h))
        rods.append(rod)
        for k in (i, j):
            rows[k]["bridging"] = 1
            rows[k]["bridge_neck_um"] = float(np.nanmax([rows[k]["bridge_neck_um"], thick]))
            rows[k]["note"] += "; bridge"
    clearances = []
    for i, j in spurs:
        x = int(abs(places[j][0] - places[i][0]) > 1e-6)
        wide = sites[j].dmax / 2 * board.oblong ** (0.5 if x else -0.5)
        rod = spur(
            rng, board, places[i], places[j], sites[i].h, wide + board.voxel * float(rng.uniform(1.5, 6.0))
        )
        clear = rod.min_gap(bodies[j], 8 * board.voxel)
        if clear <= 0.5 * board.voxel:
            raise RuntimeError(f"the spur from site {i} to {j} comes as near as {1000 * clear:.1f} µm")
        rods.append(rod)
        clearances.append(1000 * clear)
        rows[i]["note"] += "; near-bridge"
    free = Manifold.batch_boolean(rods, OpType.Add) - Manifold.batch_boolean(holes, OpType.Add)
    return Manifold.batch_boolean([*bodies.values(), free], OpType.Add), clearances
