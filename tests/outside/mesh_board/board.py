"""A board of joints, bridges, lands, laminates and a package, as meshes by material."""

from __future__ import annotations

import math
from dataclasses import asdict

import numpy as np
from joint import Site
from manifold3d import Manifold, OpType
from presets import Board
from shapes import AROUND, free_height, lathe


def draw_recipes(rng, board: Board) -> tuple[list[str], list[tuple[int, int]]]:
    """A recipe per site, and pairs of sites with a bridge."""
    names, rates = zip(*board.rates.items(), strict=True) if board.rates else ((), ())
    n = board.rows * board.cols
    shares = dict(zip(names, rates, strict=True))
    bridged = shares.pop("bridge", 0.0)
    recipes = ["sound"] * n
    order = list(rng.permutation(n))
    for name, share in shares.items():
        for _ in range(round(share * n)):
            recipes[order.pop()] = name
    for _ in range(board.missing):
        recipes[order.pop()] = "missing"
    pairs = []
    for _ in range(round(bridged * n)):
        i = int(rng.integers(n))
        row, col = divmod(i, board.cols)
        right = rng.random() < 0.5
        j = i + 1 if right else i + board.cols
        inside = col + 1 < board.cols if right else row + 1 < board.rows
        if inside and "missing" not in (recipes[i], recipes[j]) and (i, j) not in pairs:
            pairs.append((i, j))
    return recipes, pairs


def build(board: Board) -> tuple[dict[str, Manifold], list[dict], dict]:
    """Meshes by material in the board's frame, truth rows (without file position) and the record."""
    rng = np.random.default_rng(board.seed)
    recipes, pairs = draw_recipes(rng, board)
    places = [
        board.pitch * np.array([col - (board.cols - 1) / 2, row - (board.rows - 1) / 2])
        for row in range(board.rows)
        for col in range(board.cols)
    ]
    corner = max(float(np.hypot(*p)) for p in places)
    sites: list[Site | None] = []
    rows, solder, copper = [], [], []
    half_a, half_b = board.board_land / 2, board.package_land / 2
    mean_volume = math.pi * board.ball**3 / 6 + board.paste
    shape = [math.sqrt(board.oblong), 1 / math.sqrt(board.oblong), 1.0]
    for i, (recipe, place) in enumerate(zip(recipes, places, strict=True)):
        volume = math.pi * board.ball**3 / 6 * rng.normal(1.0, 0.015) + board.paste * rng.normal(1.0, 0.1)
        share = float(np.hypot(*place) / corner) ** 2
        h = free_height(half_a, half_b, mean_volume) * (
            board.pressed[0] * (1 - share) + board.pressed[1] * share
        )
        site = None if recipe == "missing" else Site(rng, board, recipe, h, volume)
        sites.append(site)
        at = [*map(float, place), 0.0]
        for z, radius in ((-0.025, half_a), (h, half_b)):
            land = Manifold.cylinder(0.025, radius, circular_segments=AROUND).translate([0, 0, z])
            copper.append(land.scale(shape).translate(at))
        truth = dict(site.truth) if site else {"present": 0}
        rows.append({"row": i // board.cols, "col": i % board.cols, "centre": [*at[:2], h / 2], **truth})
        if site:
            solder.append(site.solid.scale(shape).translate(at))
    necks = [neck_between(rng, board, places, sites, i, j, rows) for i, j in pairs]
    box = surroundings(rng, board, max(s.h for s in sites if s))
    box["copper"] = Manifold.batch_boolean([*copper, box["copper"]], OpType.Add)
    box["solder"] = Manifold.batch_boolean([*solder, *necks], OpType.Add)
    facts = [s.facts if s else {"recipe": "missing"} for s in sites]
    return box, rows, {"board": asdict(board), "joints": facts, "bridges": pairs}


def neck_between(rng, board: Board, places, sites, i: int, j: int, rows) -> Manifold:
    """A waisted rod between two joints; its least section is known in closed form."""
    least = board.ball * float(np.exp(rng.uniform(*np.log(board.neck)))) / 2
    squash, level = float(rng.uniform(0.7, 1.0)), float(rng.uniform(0.15, 0.6))
    z = level * min(sites[i].h, sites[j].h)
    if z < 1.3 * least * squash:
        z = 1.3 * least * squash
    across = places[j] - places[i]
    length = float(np.hypot(*across))
    s = np.linspace(-0.5, 0.5, 41)
    profile = np.column_stack([least * (1 + 3.0 * s**2), s * length * 0.8])
    rod = lathe(profile).rotate([0, 90, 0]).scale([1, 1, squash])
    rod = rod.rotate([0, 0, math.degrees(math.atan2(across[1], across[0]))])
    middle = (places[i] + places[j]) / 2
    thick = 2000 * least * math.sqrt(squash)
    for k in (i, j):
        rows[k]["bridging"] = 1
        rows[k]["bridge_neck_um"] = float(np.nanmax([rows[k]["bridge_neck_um"], thick]))
    return rod.translate([float(middle[0]), float(middle[1]), z])


def surroundings(rng, board: Board, highest: float) -> dict[str, Manifold]:
    """Laminates, copper plane and traces, mould and die; bodies of different material never overlap."""

    def box(x: float, y: float, z0: float, z1: float, at=(0.0, 0.0)) -> Manifold:
        return Manifold.cube([2 * x, 2 * y, z1 - z0], True).translate([at[0], at[1], (z0 + z1) / 2])

    x = (board.cols / 2 + 0.2) * board.pitch + 0.3
    y = (board.rows / 2 + 0.2) * board.pitch + 0.3
    plane = -0.025 - 0.35
    base = highest + 0.025
    traces = []
    for row in range(board.rows - 1):
        if rng.random() < 0.5:
            lane = (row - (board.rows - 1) / 2 + 0.5) * board.pitch
            traces.append(box(0.3 * x, 0.04, -0.025, -0.001, (float(rng.uniform(-0.4, 0.4) * x), lane)))
    die = box(0.55 * x, 0.5 * y, base + 0.3, base + 0.6)
    mould = box(0.9 * x, 0.9 * y, base + 0.3, base + 1.0)
    return {
        "laminate": Manifold.batch_boolean(
            [
                box(x, y, plane, -0.025),
                box(x, y, -1.4, plane - 0.018),
                box(0.9 * x, 0.9 * y, base, base + 0.3),
            ],
            OpType.Add,
        ),
        "copper": Manifold.batch_boolean([box(x, y, plane - 0.018, plane), *traces], OpType.Add),
        "mould": mould - die,
        "silicon": die,
    }
