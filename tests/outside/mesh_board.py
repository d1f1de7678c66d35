"""A board for development from an independent mesh simulator, so that nobody tunes on the demo boards.

    python tests/outside/mesh_board.py --preset clean --out boards/clean     (packages: extra `mesh`)

Nothing here knows the generator's shapes, projector or detector. Joints are capillary profiles (Young-Laplace by
shooting, not truncated spheres), revolved to triangle meshes; voids, gaps and bridges are boolean operations on
meshes (manifold3d); path lengths come from gvxr (Mesa's software renderer does); spectrum by spekpy, attenuation by
xraydb; energy sum, blur, scatter and noise are written below in numpy. Only the reconstruction is the project's own,
because it is held against itk-rtk.

Writes `board.mha` (1/mm), `truth.csv` (measured on the meshes), `record.json` (what was drawn). Frame of the file:
x along columns, y along rows and the rotation axis, z from board to package. `--check` makes no board but looks at a
marker off the axis and at a solid sphere at one energy.
Needs EGL: on Debian libegl1, libgl1-mesa-dri and the libxcb-* packages that gvxr's library names when it is loaded.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import time
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np
from gvxrPython3 import gvxr
from manifold3d import CrossSection, FillRule, Manifold, Mesh, OpType
from scipy.integrate import solve_ivp
from scipy.ndimage import gaussian_filter
from scipy.optimize import fsolve

AROUND = 96
"""Facets around a joint; an inscribed polygon of so many corners has 0.07 % less area than its circle."""

KINDS = ("void", "non_wet", "bridging", "head_in_pillow")


@dataclass
class Board:
    """What a preset chooses; lengths in mm unless the name says otherwise."""

    rows: int = 5
    cols: int = 6
    pitch: float = 0.8
    ball: float = 0.5
    board_land: float = 0.40
    package_land: float = 0.38
    oblong: float = 1.0  # length over width of lands and joints
    paste: float = 0.0072  # mm³ of metal
    pressed: tuple[float, float] = (
        0.92,
        1.0,
    )  # height over that without load, at the array's middle and corner
    voxel: float = 0.02
    kvp: float = 130.0
    filter_al: float = 1.0
    filter_cu: float = 0.4
    views: int = 400
    photons: float = 3e4
    focal_um: float = 6.0
    blur_px: float = 0.4
    scatter: float = 0.08
    gain_sd: float = 0.002
    read_noise: float = 4.0
    axis_px: float = 0.1
    hann: float = 1.3
    pixel: float = 0.1
    sdd: float = 400.0
    tilt: tuple[float, float] = (0.8, -0.6)  # degrees about x and y
    turn: float = 2.0  # degrees about the board's normal
    rates: dict = field(default_factory=dict)  # share of joints by recipe; the rest is sound
    gap_voxels: tuple[float, float] = (0.7, 3.0)
    void_area: tuple[float, float] = (0.07, 0.3)
    neck: tuple[float, float] = (0.2, 0.6)  # least thickness over ball
    missing: int = 0
    seed: int = 1


MIXED = {
    "void": 0.15,
    "small_void": 0.1,
    "sheet": 0.06,
    "non_wet": 0.13,
    "head_in_pillow": 0.15,
    "bridge": 0.07,
}
PRESETS = {
    "sound": Board(),
    "clean": Board(rows=6, rates=MIXED, missing=1, seed=2),
    "hard": Board(
        rows=6, voxel=0.03, views=320, photons=2500.0, read_noise=10.0, scatter=0.15, hann=1.0, seed=3, missing=1,
        rates=MIXED | {"sheet": 0.15}, gap_voxels=(0.1, 2.0), void_area=(0.03, 0.09), neck=(0.04, 0.15),
    ),
    "shifted": Board(
        rows=6, oblong=1.25, board_land=0.34, package_land=0.36, kvp=90.0, filter_cu=0.1, tilt=(3.5, -2.5), turn=8.0,
        views=360, photons=1e4, scatter=0.12, seed=4, missing=1, rates=MIXED,
    ),
}  # fmt: skip


# Shapes -----------------------------------------------------------------------------------------------------------


def capillary(a: float, b: float, h: float, volume: float, points: int = 60) -> np.ndarray:
    """Profile (r, z) of a drop pinned on discs of radius a (z = 0) and b (z = h); Young-Laplace, no gravity."""

    def drop(unknown, at=None):
        slope, pressure = unknown

        def rhs(_z, y):
            r, s, _ = y
            root = math.sqrt(1.0 + s * s)
            return [s, root**3 * (1.0 / (max(r, 1e-3) * root) - pressure), math.pi * r * r]

        return solve_ivp(rhs, (0.0, h), [a, slope, 0.0], rtol=1e-8, atol=1e-10, t_eval=at)

    def missed(unknown):
        end = drop(unknown).y[:, -1]
        return [(end[0] - b) / a, (end[2] - volume) / volume]

    z0 = (b * b - a * a + h * h) / (2 * h)
    found, _, flag, said = fsolve(missed, [z0 / a, 2.0 / math.hypot(a, z0)], full_output=True)
    if flag != 1 or max(np.abs(missed(found))) > 1e-6:
        raise RuntimeError(f"no capillary shape for a={a}, b={b}, h={h}, V={volume}: {said}")
    z = np.linspace(0.0, h, points)
    return np.column_stack([drop(found, z).y[0], z])


def free_height(a: float, b: float, volume: float) -> float:
    """Height without load: pi h (3 a² + 3 b² + h²) / 6 = volume."""
    roots = np.roots([1.0, 0.0, 3 * (a * a + b * b), -6 * volume / math.pi])
    return float(next(r.real for r in roots if abs(r.imag) < 1e-9))


def lathe(profile: np.ndarray) -> Manifold:
    """The solid between a profile (r, z) from low to high and the axis."""
    closed = np.vstack([[0.0, profile[0, 1]], profile, [0.0, profile[-1, 1]]])
    return CrossSection([closed]).revolve(AROUND)


def bowl(vertex: float, radius: float, reach: float, top, points: int = 40) -> Manifold:
    """Revolved region between the sphere r ↦ vertex + radius - sqrt(radius² - r²) and `top(r)`."""
    r = np.linspace(0.0, reach, points)
    low = vertex + radius - np.sqrt(radius**2 - r**2)
    outline = np.vstack([np.column_stack([r, low]), np.column_stack([r, top(r, low)])[::-1]])
    return CrossSection([outline], FillRule.NonZero).revolve(AROUND)


def upside_down(solid: Manifold, h: float) -> Manifold:
    return solid.mirror([0, 0, 1]).translate([0, 0, h])


def pillars(rng, radius: float, h: float, share: float) -> tuple[Manifold, list]:
    """Columns that stay bonded: a few discs whose areas sum to about `share` of a circle."""
    count = int(rng.integers(1, 4))
    discs = []
    for r in radius * np.sqrt(share * rng.dirichlet(np.full(count, 2.0))):
        where, angle = (radius - r) * math.sqrt(rng.random()), 2 * math.pi * rng.random()
        discs.append((where * math.cos(angle), where * math.sin(angle), float(r)))
    solids = [
        Manifold.cylinder(2 * h, r, circular_segments=32).translate([x, y, -0.5 * h]) for x, y, r in discs
    ]
    return Manifold.batch_boolean(solids, OpType.Add), discs


def volume_of(solid: Manifold) -> float:
    return 0.0 if solid.is_empty() else float(solid.volume())


def shadow_of(solid: Manifold) -> float:
    """Area of the solid's shadow along z."""
    return 0.0 if solid.is_empty() else float(solid.project().area())


# A joint ----------------------------------------------------------------------------------------------------------


class Site:
    """One joint in its own frame (axis x = y = 0, board land at z = 0): solder without bridges, truth, facts."""

    def __init__(self, rng, board: Board, recipe: str, h: float, volume: float) -> None:
        self.recipe, self.h = recipe, h
        self.facts: dict = {"recipe": recipe, "height_mm": h, "solder_mm3": volume}
        a, b = board.board_land / 2, board.package_land / 2
        self.profile = capillary(a, b, h, volume)
        self.outer = lathe(self.profile)
        self.dmax = 2 * float(self.profile[:, 0].max())
        self.truth = {
            "present": 1,
            **dict.fromkeys(KINDS, 0),
            "gap_um": math.nan,
            "contact_fraction": math.nan,
        }
        gap = self._gap(rng, board, recipe)
        voids = self._voids(rng, board, recipe, gap)
        self.solid = self.outer - gap - voids
        self._measure(voids)

    def _gap(self, rng, board: Board, recipe: str) -> Manifold:
        thick = board.voxel * float(np.exp(rng.uniform(*np.log(board.gap_voxels))))
        share = 0.0 if rng.random() < 0.5 else float(rng.uniform(0.03, 0.2))
        if recipe == "head_in_pillow":
            level, radius = float(rng.uniform(0.3, 0.5)) * self.h, float(rng.uniform(0.5, 1.2)) * self.dmax
            width = float(np.interp(level, self.profile[:, 1], self.profile[:, 0]))
            sag = radius - math.sqrt(radius**2 - min(width, 0.95 * radius) ** 2)
            vertex = max(level - sag, 0.12 * self.h)
            shell = bowl(vertex, radius, min(0.98 * radius, 0.7 * self.dmax), lambda _r, low: low + thick)
        elif recipe == "non_wet":
            radius = float(rng.uniform(1.0, 4.0)) * self.dmax
            # The free end is a dome; the gap runs from the land to it. At the package; else turned over.
            rim = radius - math.sqrt(radius**2 - (board.package_land / 2) ** 2)
            vertex = max(thick - rim / 2, 0.2 * thick)
            dome = bowl(vertex, radius, 0.7 * self.dmax, lambda _r, _low: np.full_like(_r, -0.02))
            shell = dome if rng.random() < 0.5 else upside_down(dome, self.h)
        else:
            return Manifold()
        whole = shell ^ self.outer
        keep, discs = pillars(rng, board.package_land / 2, self.h, share) if share else (Manifold(), [])
        gap = whole - keep if share else whole
        bonded = 1.0 - shadow_of(gap) / shadow_of(whole)
        mean_um = 1000 * volume_of(gap) / shadow_of(gap)
        self.truth |= {recipe: 1, "gap_um": mean_um, "contact_fraction": bonded}
        self.facts |= {"gap_radius_mm": radius, "patches": discs}
        return shell - keep if share else shell

    def _voids(self, rng, board: Board, recipe: str, gap: Manifold) -> Manifold:
        with_voids = recipe in ("void", "small_void", "sheet") or (recipe != "sound" and rng.random() < 0.25)
        if not with_voids:
            return Manifold()
        low, high = board.void_area
        aim = (
            float(rng.uniform(0.005, 0.035))
            if recipe != "void"
            else float(np.exp(rng.uniform(*np.log([low, high]))))
        )
        balls = []
        if recipe == "sheet":
            top = rng.random() < 0.5
            for _ in range(int(rng.integers(10, 30))):
                r, where, angle = (
                    self.dmax * rng.uniform(0.02, 0.045),
                    math.sqrt(rng.random()),
                    rng.uniform(0, 2 * math.pi),
                )
                flat, z = rng.uniform(0.3, 0.6), rng.uniform(0.004, 0.02)
                place = 0.9 * where * board.board_land / 2
                at = [place * math.cos(angle), place * math.sin(angle), z + r * flat]
                balls.append((at if not top else [at[0], at[1], self.h - at[2]], r, flat))
        else:
            sizes = rng.dirichlet(np.full(int(rng.integers(1, 4)), 3.0))
            for share in sizes:
                r = min(self.dmax / 2 * math.sqrt(aim * share), 0.36 * self.h)
                z = float(rng.uniform(r + 0.01, self.h - r - 0.01))
                inner = float(np.interp(z, self.profile[:, 1], self.profile[:, 0])) - r - 0.02
                place, angle = max(inner, 0.0) * math.sqrt(rng.random()), rng.uniform(0, 2 * math.pi)
                balls.append(([place * math.cos(angle), place * math.sin(angle), z], r, 1.0))
        self.facts["voids"] = [[*map(float, at), float(r), float(flat)] for at, r, flat in balls]
        solids = [Manifold.sphere(r, 32).scale([1, 1, flat]).translate(at) for at, r, flat in balls]
        return (Manifold.batch_boolean(solids, OpType.Add) ^ self.outer) - gap

    def _measure(self, voids: Manifold) -> None:
        section = max(self.outer.slice(z).area() for z in np.linspace(0.02, 0.98, 49) * self.h)
        area = 100 * shadow_of(voids) / section
        self.truth |= {"void": int(area >= 5.0), "void_projected_area_pct": area}
        self.truth["void_volume_pct"] = 100 * volume_of(voids) / volume_of(self.outer)
        self.truth["bridge_neck_um"] = math.nan


# The board --------------------------------------------------------------------------------------------------------


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


# X-rays -----------------------------------------------------------------------------------------------------------

MIXTURES = {
    "solder": (7.38, {"Sn": 0.965, "Ag": 0.03, "Cu": 0.005}),
    "copper": (8.96, {"Cu": 1.0}),
    # Glass 60 %, epoxy 40 % by weight, and a mould of 82 % silica: our own mixes, elements by weight.
    "laminate": (
        1.85,
        {"O": 0.39, "Si": 0.155, "Ca": 0.086, "Al": 0.048, "B": 0.015, "Mg": 0.007, "C": 0.27, "H": 0.029},
    ),
    "mould": (1.95, {"Si": 0.383, "O": 0.482, "C": 0.125, "H": 0.01}),
    "silicon": (2.33, {"Si": 1.0}),
}  # fmt: skip


def attenuation(name: str, kev: np.ndarray) -> np.ndarray:
    """Attenuation per mm (Elam tables of xraydb)."""
    import xraydb

    density, parts = MIXTURES[name]
    whole = sum(parts.values())
    total = sum(w / whole * np.asarray(xraydb.mu_elam(el, kev * 1000.0)) for el, w in parts.items())
    return np.asarray(total * density / 10.0)


def spectrum(board: Board) -> tuple[np.ndarray, np.ndarray]:
    """Energies (keV) and detected quanta per bin, summing to 1, behind the filters in 0.5 mm CsI."""
    import spekpy
    import xraydb

    tube = spekpy.Spek(kvp=board.kvp, th=12, dk=3.0)
    tube.filter("Al", board.filter_al).filter("Cu", board.filter_cu)
    kev, quanta = tube.get_spectrum()
    csi = 4.51 * (0.5115 * xraydb.mu_elam("Cs", kev * 1e3) + 0.4885 * xraydb.mu_elam("I", kev * 1e3))
    quanta = quanta * (1.0 - np.exp(-csi * 0.05))
    keep = quanta > 1e-5 * quanta.max()
    return kev[keep], quanta[keep] / quanta[keep].sum()


def rotation(about_x: float, about_y: float, about_z: float) -> np.ndarray:
    a, b, c = np.radians([about_x, about_y, about_z])
    rx = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    ry = np.array([[np.cos(b), 0, np.sin(b)], [0, 1, 0], [-np.sin(b), 0, np.cos(b)]])
    rz = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return rx @ ry @ rz


class Lengths:
    """gvxr's path lengths (mm) by material, `sub` x `sub` rays a pixel, rows along file y, columns along u."""

    def __init__(self, meshes: dict[str, tuple[np.ndarray, np.ndarray]], geometry: dict, sub: int) -> None:
        self.names, self.geometry = list(meshes), geometry
        gvxr.createWindow(0, 0, "EGL")
        for name, (vertices, faces) in meshes.items():
            gvxr.makeTriangularMesh(
                name, vertices.astype(np.float32).ravel(), faces.astype(np.int32).ravel(), "mm"
            )
            gvxr.setCompound(name, "H2O")
            gvxr.setDensity(name, 1.0, "g/cm3")
            gvxr.addPolygonMeshAsInnerSurface(name)
        gvxr.setDetectorNumberOfPixels(geometry["columns"] * sub, geometry["rows"] * sub)
        gvxr.setDetectorPixelSize(geometry["pixel"] / sub, geometry["pixel"] / sub, "mm")
        gvxr.usePointSource()
        gvxr.setMonoChromatic(80, "keV", 1000)
        self.place(0.0)
        gvxr.computeLBuffer(self.names[0])
        gvxr.disableArtefactFiltering()  # only takes effect after a first buffer

    def place(self, angle: float) -> None:
        g = self.geometry
        outward = np.array([math.sin(angle), 0.0, math.cos(angle)])
        across = np.array([math.cos(angle), 0.0, -math.sin(angle)])
        far = -(g["sdd"] - g["sod"]) * outward + g["shift"] * across
        gvxr.setSourcePosition(*map(float, g["sod"] * outward), "mm")
        gvxr.setDetectorPosition(*map(float, far), "mm")
        gvxr.setDetectorUpVector(0.0, 1.0, 0.0)
        gvxr.setDetectorRightVector(*map(float, across))

    def __call__(self, angle: float) -> np.ndarray:
        self.place(angle)
        return np.stack([10.0 * np.asarray(gvxr.computeLBuffer(n), np.float32) for n in self.names])


def expected(lengths: np.ndarray, mu: np.ndarray, weight: np.ndarray, quantum: np.ndarray, sub: int):
    """Signal over air and its variance for one quantum per pixel, from lengths (material, row, column)."""
    flat = lengths.reshape(len(mu), -1)
    some = np.flatnonzero(flat.any(axis=0))
    through = np.exp(-(flat[:, some].T @ mu.astype(np.float32)))
    images = []
    for share in (weight, weight * quantum):
        image = np.full(flat.shape[1], share.sum(), np.float32)
        image[some] = through @ share.astype(np.float32)
        rows, cols = (n // sub for n in lengths.shape[1:])
        images.append(image.reshape(rows, sub, cols, sub).mean(axis=(1, 3)))
    return images


def measured(
    signal: np.ndarray, spread: np.ndarray, board: Board, magnification: float, gain, rng
) -> np.ndarray:
    """Line integrals of one view: spot blur, scatter, quanta, scintillator blur, electronics, gain, 16 bit, -ln."""
    spot = (magnification - 1) * board.focal_um / 1000 / 2.355 / board.pixel
    signal, spread = (
        gaussian_filter(signal, spot, mode="nearest"),
        gaussian_filter(spread, spot, mode="nearest"),
    )
    extra = board.scatter * (
        0.5 * signal.mean() + 0.5 * gaussian_filter(signal, 10.0 / board.pixel, mode="nearest", truncate=2)
    )
    signal, spread = signal + extra, spread + extra
    quantum = spread / signal  # signal of the one size of quantum that has this mean and variance
    signal = quantum * rng.poisson(board.photons * signal / quantum) / board.photons
    signal = gaussian_filter(signal, board.blur_px, mode="nearest")
    signal = (signal + board.read_noise / board.photons * rng.standard_normal(signal.shape)) * gain
    step = 1.5 / 65535
    return -np.log(np.maximum(np.rint(signal / step) * step, max(0.5 / board.photons, step))).astype(
        np.float32
    )


def geometry_of(board: Board, half: tuple[float, float, float]) -> dict:
    """Distances and detector for a region of half sizes (x, y, z) about the axis, all of it in every view."""
    magnification = board.pixel / board.voxel
    sod = board.sdd / magnification
    radius = math.hypot(half[0], half[2])
    columns = 2 * math.ceil(radius * sod / math.sqrt(sod**2 - radius**2) / board.voxel) + 14
    rows = 2 * math.ceil(half[1] * sod / (sod - radius) / board.voxel) + 14
    return {
        "sod": sod,
        "sdd": board.sdd,
        "pixel": board.pixel,
        "columns": columns,
        "rows": rows,
        "shift": 0.0,
    }


def reconstruct(integrals: np.ndarray, geometry: dict, lattice, hann: float) -> np.ndarray:
    from jointwise.data_gen.xray.geometry import ConeBeam
    from jointwise.data_gen.xray.reconstruct import all_voxels
    from jointwise.data_gen.xray.reconstruct import reconstruct as fdk

    beam = ConeBeam(
        source_axis_mm=geometry["sod"], source_detector_mm=geometry["sdd"], pixel_mm=geometry["pixel"],
        columns=geometry["columns"], rows=geometry["rows"], views=len(integrals),
    )  # fmt: skip
    return np.ascontiguousarray(fdk(integrals, beam, all_voxels(lattice), hann))


def lattice_of(half, voxel: float):
    from jointwise.joints.lattice import Lattice

    nx, ny, nz = (2 * math.ceil(h / voxel) for h in half)
    x, y, z = (-(n - 1) / 2 * voxel for n in (nx, ny, nz))
    return Lattice((nz, ny, nx), (x, y, z), (voxel, voxel, voxel))


def arrays(solid: Manifold) -> tuple[np.ndarray, np.ndarray]:
    mesh: Mesh = solid.to_mesh()
    return np.asarray(mesh.vert_properties)[:, :3].astype(float), np.asarray(mesh.tri_verts)


# Check and run ----------------------------------------------------------------------------------------------------


def check() -> None:
    """A marker off the axis must appear at its place, and a solid solder sphere at one energy at its attenuation."""
    board = replace(PRESETS["sound"], views=240)
    geometry = geometry_of(board, (0.9, 0.9, 0.7))
    marker, ball = np.array([0.43, -0.37, 0.29]), np.array([-0.3, 0.25, -0.1])
    solids = {
        "solder": Manifold.sphere(0.09, 96).translate(marker) + Manifold.sphere(0.25, 192).translate(ball)
    }
    lengths = Lengths({n: arrays(s) for n, s in solids.items()}, geometry, 2)
    mu = 2.219  # per mm, SAC305 at 80 keV (NIST SRD 126 by weight)
    integrals = []
    for k in range(board.views):
        signal, _ = expected(
            lengths(2 * math.pi * k / board.views), np.array([[mu]]), np.ones(1), np.ones(1), 2
        )
        integrals.append(-np.log(signal))
    lattice = lattice_of((0.7, 0.7, 0.5), board.voxel)
    volume = reconstruct(np.array(integrals, np.float32), geometry, lattice, math.inf)
    z, y, x = np.indices(volume.shape)
    at = np.stack([x, y, z], axis=-1) * board.voxel + lattice.origin_mm
    near = np.linalg.norm(at - marker, axis=-1) < 0.14
    weight = np.clip(volume, 0, None)[near]
    off = ((at[near] * weight[:, None]).sum(axis=0) / weight.sum() - marker) / board.voxel
    inner = np.linalg.norm(at - ball, axis=-1) < 0.18
    mean, spread = float(volume[inner].mean()), float(volume[inner].std())
    print(
        f"marker off by {np.round(off, 3).tolist()} voxels (x, y, z); sphere {mean:.4f} +- {spread:.4f} /mm, true {mu}"
    )
    if max(abs(off)) > 0.1 or abs(mean / mu - 1) > 0.01:
        sys.exit("the chain does not hold: no board is made")


def run(board: Board, folder: Path, sub: int) -> None:
    import pandas as pd
    import SimpleITK as sitk

    from jointwise.joints.names import ball_name

    began = time.time()
    solids, rows, record = build(board)
    turn = rotation(*board.tilt, board.turn)
    middle = np.mean([r["centre"] for r in rows], axis=0)
    shift = np.array([0.3, -0.2, 0.4]) * board.voxel - turn @ middle
    meshes = {name: (v @ turn.T + shift, f) for name, (v, f) in ((n, arrays(s)) for n, s in solids.items())}
    reach = np.abs(turn) @ np.array(
        [board.cols * board.pitch / 2, board.rows * board.pitch / 2, board.ball * 0.5]
    )
    half = tuple(float(h) for h in reach + np.array([0.3, 0.3, 0.35]))
    geometry = geometry_of(board, half) | {"shift": board.axis_px * board.pixel}
    print(
        f"meshes: {sum(len(f) for _, f in meshes.values())} triangles after {time.time() - began:.0f} s; {geometry}"
    )
    lengths = Lengths(meshes, geometry, sub)
    kev, quanta = spectrum(board)
    weight = kev * quanta / (kev * quanta).sum()
    quantum = kev / (kev * quanta).sum()
    mu = np.stack([attenuation(name, kev) for name in lengths.names])
    rng = np.random.default_rng([board.seed, 1])
    gain = 1 + board.gain_sd * rng.standard_normal((geometry["rows"], geometry["columns"]))
    integrals = np.empty((board.views, geometry["rows"], geometry["columns"]), np.float32)
    for k in range(board.views):
        signal, spread = expected(lengths(2 * math.pi * k / board.views), mu, weight, quantum, sub)
        integrals[k] = measured(signal, spread, board, board.pixel / board.voxel, gain, rng)
        if k % 50 == 0:
            print(f"view {k} of {board.views}, {time.time() - began:.0f} s", flush=True)
    lattice = lattice_of(half, board.voxel)
    volume = reconstruct(integrals, geometry | {"shift": 0.0}, lattice, board.hann)
    folder.mkdir(parents=True, exist_ok=True)
    image = sitk.GetImageFromArray(volume)
    image.SetSpacing(lattice.spacing_mm)
    image.SetOrigin(lattice.origin_mm)
    sitk.WriteImage(image, str(folder / "board.mha"), useCompression=True)
    for r in rows:
        x, y, z = turn @ np.array(r.pop("centre")) + shift
        r |= {"ball": ball_name(r["row"], r["col"]), "x_mm": float(x), "y_mm": float(y), "z_mm": float(z)}
    names = [
        *("ball", "row", "col", "x_mm", "y_mm", "z_mm", "present", *KINDS),
        *("void_projected_area_pct", "void_volume_pct", "gap_um", "contact_fraction", "bridge_neck_um"),
    ]
    pd.DataFrame(rows).reindex(columns=names).round(5).to_csv(folder / "truth.csv", index=False)
    record |= {
        "geometry": geometry,
        "rotation": turn.tolist(),
        "shift_mm": shift.tolist(),
        "energies_kev": len(kev),
    }
    (folder / "record.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")
    counts = pd.DataFrame(rows)[list(KINDS)].sum().to_dict()
    print(f"{folder}: {volume.shape} voxels, {counts}, {time.time() - began:.0f} s")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--preset", choices=sorted(PRESETS), default="clean")
    parser.add_argument("--out", type=Path, help="folder of the board; needed unless --check")
    parser.add_argument("--seed", type=int, help="another board of the same preset")
    parser.add_argument("--sub-rays", type=int, default=2, help="rays per pixel edge, intensities averaged")
    parser.add_argument(
        "--check", action="store_true", help="only hold marker and sphere against what they are"
    )
    given = parser.parse_args()
    os.environ.setdefault("XDG_RUNTIME_DIR", "/tmp")
    if given.check:
        check()
        return
    if given.out is None:
        parser.error("expected --out FOLDER, found none")
    board = PRESETS[given.preset]
    run(board if given.seed is None else replace(board, seed=given.seed), given.out, given.sub_rays)


if __name__ == "__main__":
    main()
