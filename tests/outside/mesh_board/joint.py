"""One joint: its solder, what is wrong with it, and its truth measured on the meshes."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import Manifold, OpType
from presets import KINDS, Board
from shapes import bowl, capillary, lathe, pillars, shadow_of, upside_down, volume_of


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
