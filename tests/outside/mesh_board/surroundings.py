"""What lies about the solder: laminates, lands, traces, vias, copper plane, mould and die."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import Manifold, OpType
from presets import Board
from shapes import AROUND

COPPER = 0.025
BOTTOM, PLANE = -1.4, -0.375
WALL = 0.022


def box(x: float, y: float, z0: float, z1: float, at=(0.0, 0.0)) -> Manifold:
    """A box by its half sizes in the plane."""
    return Manifold.cube([2 * x, 2 * y, z1 - z0], True).translate([at[0], at[1], (z0 + z1) / 2])


def tube(radius: float, z0: float, z1: float, at, around: int = 32) -> Manifold:
    return Manifold.cylinder(z1 - z0, radius, circular_segments=around).translate([at[0], at[1], z0])


def strip(start, end, width: float, z0: float, z1: float) -> Manifold:
    """A straight trace with a round end."""
    across = np.asarray(end) - start
    angle = math.degrees(math.atan2(across[1], across[0]))
    length = float(np.hypot(*across))
    bar = box(length / 2, width / 2, z0, z1, (length / 2, 0)) + tube(width / 2, z0, z1, (length, 0), 20)
    return bar.rotate([0, 0, angle]).translate([float(start[0]), float(start[1]), 0])


def lands(board: Board, place, shift, h: float) -> list[Manifold]:
    shape = [math.sqrt(board.oblong), 1 / math.sqrt(board.oblong), 1.0]
    both = ((board.board_land / 2, -COPPER, place), (board.package_land / 2, h, place + shift))
    return [
        tube(r, 0, COPPER, (0, 0), AROUND).scale(shape).translate([*map(float, p), z]) for r, z, p in both
    ]


def wiring(rng, board: Board, places: list, shift, heights: list) -> tuple[list, list, list, dict]:
    """Traces, plated barrels, and what the barrels take away from laminate and plane."""
    room = board.pitch / math.sqrt(2) - 0.5 * max(board.board_land, board.package_land) * math.sqrt(
        board.oblong
    )
    room -= 0.04
    drill = min(0.15, 0.45 * room)
    pad = min(drill + 0.09, 0.9 * room)
    copper, bored, antipads, holes = [], [], [], {}
    for row in range(-1, board.rows):
        for col in range(-1, board.cols):
            if rng.random() < board.vias:
                at = board.pitch * np.array([col + 1 - board.cols / 2, row + 1 - board.rows / 2])
                holes[(row, col)] = at
                copper += [
                    tube(drill, BOTTOM, -0.0005, at) - tube(drill - WALL, BOTTOM - 1, 1.0, at),
                    tube(pad, -COPPER, -0.0005, at) - tube(drill - WALL, -1.0, 1.0, at),
                ]
                plugged = rng.random() < 0.5
                bored.append(
                    tube(drill, BOTTOM - 1, 1.0, at)
                    - (tube(drill - WALL, -9, 9, at) if plugged else Manifold())
                )
                antipads.append(tube(pad + 0.08, PLANE - 1, PLANE + 1, at))
    for i, (place, h) in enumerate(zip(places, heights, strict=True)):
        row, col = divmod(i, board.cols)
        if rng.random() < board.traces:
            trace = _trace(rng, board, place, row, col, holes, -COPPER, -0.0005)
            copper.append(trace - Manifold.batch_boolean(bored, OpType.Add) if bored else trace)
        if rng.random() < board.traces / 2:
            copper.append(_trace(rng, board, place + shift, row, col, {}, h + 0.0005, h + COPPER))
    return copper, bored, antipads, {f"{r},{c}": at.tolist() for (r, c), at in holes.items()}


def _trace(rng, board: Board, place, row: int, col: int, holes: dict, z0: float, z1: float) -> Manifold:
    """To a via beside the land if there is one, else a stub, or (one in four) to a neighbour's land."""
    width = board.board_land * float(rng.uniform(0.2, 0.45))
    beside = [
        holes[k] for k in ((row, col), (row - 1, col), (row, col - 1), (row - 1, col - 1)) if k in holes
    ]
    if beside and rng.random() < 0.7:
        return strip(place, beside[int(rng.integers(len(beside)))], width, z0, z1)
    steps = [(1, 0), (0, 1), (-1, 0), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1)]
    linked = rng.random() < 0.25
    step = np.array(steps[int(rng.integers(4 if linked else 8))], float)
    end = place + board.pitch * step * (1.0 if linked else float(rng.uniform(0.4, 0.55)))
    return strip(place, end, width, z0, z1)


def build_surroundings(
    rng, board: Board, places: list, shift, heights: list
) -> tuple[dict[str, Manifold], dict]:
    """Bodies by material (they never overlap) and where the vias are."""
    x, y = (n / 2 * board.pitch + 0.35 for n in (board.cols, board.rows))
    base = max(heights) + COPPER
    wires, bored, antipads, vias = wiring(rng, board, places, shift, heights)
    wetted = [(p, h) for i, (p, h) in enumerate(zip(places, heights, strict=True)) if not board.left_empty(i)]
    every = [land for p, h in wetted for land in lands(board, p, shift, h)]
    plane = box(x, y, PLANE - 0.018, PLANE)
    if antipads:
        plane = plane - Manifold.batch_boolean(antipads, OpType.Add)
    under = box(x, y, BOTTOM, -COPPER)
    if bored:
        under = under - Manifold.batch_boolean(bored, OpType.Add)
    half = board.pitch / 2
    # The package is flat to the eye but each joint has its own height: laminate fills what is between.
    fills = [
        box(half, half, h + COPPER, base + 0.01, p + shift)
        for p, h in zip(places, heights, strict=True)
        if h < base
    ]
    over = Manifold.batch_boolean([box(0.95 * x, 0.95 * y, base, base + 0.3), *fills], OpType.Add)
    die = box(0.55 * x, 0.5 * y, base + 0.3, base + 0.6)
    mould = box(0.95 * x, 0.95 * y, base + 0.3, base + 1.0)
    copper = Manifold.batch_boolean([*every, *wires, plane], OpType.Add)
    laminate = Manifold.batch_boolean([under - plane, over], OpType.Add)
    return {"laminate": laminate, "copper": copper, "mould": mould - die, "silicon": die}, vias
