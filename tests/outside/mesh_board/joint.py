"""One joint: its solder, what is wrong with it, and its truth measured on the meshes."""

from __future__ import annotations

import math
from dataclasses import asdict

import cavities
import numpy as np
from manifold3d import Manifold, OpType
from mound import Face, drawn_face, stack
from outline import Pull, Seam, Slip, of_volume, swollen
from presets import KINDS, Board
from shapes import (
    AROUND,
    above,
    bulge,
    capillary,
    lathe,
    lean,
    pillars,
    rim_sector,
    ring,
    shadow_of,
    upside_down,
    volume_of,
)

CONTACT = 0.0005
"""Gaps thinner than this (mm) count as metal contact."""

THICKEST = 0.03
"""Of the least gap between a ball and the mound, or the paste, below it (mm): domain document, B, 1 to 30 µm."""

LOW = 0.22
"""Most height of such a mound over the joint's; paste beyond that has run up the ball."""


class Site:
    """One joint in its own frame (axis x = y = 0, board land at z = 0): its solder, the holes in it, truth, facts.

    `shift` is how far the package land lies off the board land; the joint is sheared by it. Where it is `crowded`,
    solder that leads away sideways would fill a waist or the notch over a mound, and neither is made.
    """

    def __init__(
        self,
        rng,
        board: Board,
        recipe: str,
        h: float,
        volume: float,
        bridged: bool,
        shift: np.ndarray,
        crowded: bool = False,
    ) -> None:
        self.recipe, self.h, self.shift = recipe, h, shift
        self.facts: dict = {
            "recipe": recipe,
            "height_mm": h,
            "solder_mm3": volume,
            "shift_mm": shift.tolist(),
        }
        self.truth = {
            "present": 1,
            **dict.fromkeys(KINDS, 0),
            "gap_um": math.nan,
            "contact_fraction": math.nan,
            "bridge_neck_um": math.nan,
        }
        self.form = "" if crowded else self._drawn_form(rng, board, recipe)
        shell = Manifold()  # what a gap takes away; it reaches beyond the joint, lest its rim leave slivers
        notch = Manifold()
        if self.form in ("mound", "neck"):
            body, shell = self._narrow(rng, board, volume)
        elif self.form == "waist":
            body, notch = self._waist(rng, board, volume)
        elif self.form == "slipped":
            body, shell = self._slipped(rng, board, volume)
        elif self.form in ("lopsided", "seam"):
            body = self._outlined(rng, board, volume)
        else:
            self.profile = capillary(board.board_land / 2, board.package_land / 2, h, volume)
            body = lathe(self.profile)
        self.dmax = 2 * float(self.profile[:, 0].max())
        if self.form in ("slipped", "lopsided"):
            self.dmax = 2 * float(np.abs(np.array(body.bounding_box())[[0, 1, 3, 4]]).max())
            if self.dmax > 0.95 * board.pitch:
                raise RuntimeError("a joint drawn aside is as wide as the pitch: another seed")
        if recipe in ("non_wet", "head_in_pillow") and not self.form:
            make = self._free_end if recipe == "non_wet" else self._pillow
            shell = make(rng, board, body, self._drawn_gap(rng, board))
        if not self.form:
            notch = self._notch(rng, board, recipe)
        voids = self._voids(rng, board, recipe, bridged)
        width = math.sqrt(board.oblong)
        place = np.array([[width, 0, shift[0] / h, 0], [0, 1 / width, shift[1] / h, 0], [0, 0, 1, 0]])
        self.solid = (body - shell - notch - voids).transform(place)
        self.holes = ((shell + voids) ^ body).transform(place)
        self._measure(body.transform(place), ((voids ^ body) - shell - notch).transform(place))

    def width_at(self, z):
        return np.interp(z, self.profile[:, 1], self.profile[:, 0])

    @staticmethod
    def _drawn_gap(rng, board: Board, most: float = math.inf) -> float:
        low, high = board.gap_voxels
        limit = most / board.voxel
        range_voxels = min(low, 0.5 * limit), min(high, limit)
        return board.voxel * float(np.exp(rng.uniform(*np.log(range_voxels))))

    @staticmethod
    def _drawn_form(rng, board: Board, recipe: str) -> str:
        """Of what build the joint is: "mound", "neck", "waist", or "" for the usual ones."""
        if recipe == "head_in_pillow" and board.mound and rng.random() < board.mound:
            return "mound"
        if recipe == "sound" and board.waist and rng.random() < board.waist:
            return "neck" if rng.random() < 0.5 else "waist"
        if recipe == "head_in_pillow" and board.slipped and rng.random() < board.slipped:
            return "slipped"
        for form, share in (("lopsided", board.lopsided), ("seam", board.seam)):
            if recipe == "sound" and share and rng.random() < share:
                return form
        if recipe == "void" and board.land_void and rng.random() < board.land_void:
            return "dome" if rng.random() < 0.5 else "film"
        if recipe == "void" and board.burst and rng.random() < board.burst:
            return "burst"
        return ""

    def _narrow(self, rng, board: Board, volume: float) -> tuple[Manifold, Manifold]:
        """A ball on a narrow mound, apart (a pillow) or in one (sound), and the gap between them."""
        ball = math.pi * board.ball**3 / 6
        land, paste = board.board_land / 2, volume * board.paste / (ball + board.paste)
        radius = land * float(rng.uniform(0.7, 1.0))
        height = min(paste * float(rng.uniform(0.8, 1.25)) / (math.pi * radius**2), LOW * self.h)
        pillar = math.pi * radius**2 * height
        face = Face(land, radius, 0.0)
        if self.form == "mound":
            gap = self._drawn_gap(rng, board, min(THICKEST, 0.5 * height))
            face = drawn_face(rng, board, radius, height, gap)
        made = stack(face, board.package_land / 2, self.h, volume - pillar, pillar)
        self.profile = made.profile
        self.facts |= {"face": asdict(made.face), "mound_mm3": pillar, "vertex_mm": made.lowest}
        if 2 * self.profile[:, 0].max() > 0.95 * board.pitch:
            raise RuntimeError(
                "a ball on a mound is pressed as wide as the pitch: another seed, or a higher joint"
            )
        if not face.gap:
            return made.body, Manifold()
        shell = made.air - made.bond
        air = shell ^ made.post
        bonded = 1.0 - shadow_of(air) / shadow_of(made.air ^ made.post)
        self._gap_truth("head_in_pillow", air, bonded, {})
        return made.body, shell

    def _waist(self, rng, board: Board, volume: float) -> tuple[Manifold, Manifold]:
        """A sound joint, and a deep narrow groove about it; what the groove takes the joint has more elsewhere."""
        depth, half = board.ball * float(rng.uniform(0.08, 0.16)), board.ball * float(rng.uniform(0.02, 0.05))
        level = float(rng.uniform(0.2, 0.5)) * self.h
        taken = 0.0
        for _ in range(3):
            self.profile = capillary(board.board_land / 2, board.package_land / 2, self.h, volume + taken)
            body = lathe(self.profile)
            groove = ring(float(self.width_at(level)), level, depth, half)
            taken = volume_of(groove ^ body)
        self.facts["waist_mm"] = [level, depth, half]
        return body, groove

    def _outlined(self, rng, board: Board, volume: float) -> Manifold:
        """A sound joint, solid inside, that is lopsided or has a seam outside.

        Lopsided: domain document, A (solder runs down the side of a land) and C (which does not model it); how far is
        invented. Seam: domain document, B4 (a pillow's notch is 5 to 40 µm deep; a sound joint with a waist looks
        alike); that a grown-together joint keeps one over a part of its outline is invented.
        """
        if self.form == "lopsided":
            most, flat = float(rng.uniform(0.08, 0.2)), float(rng.uniform(0.0, 0.06))
            azimuths, peak = rng.uniform(0, 360, 2), float(rng.uniform(0.3, 0.55))
            swell: Pull | Seam = Pull(most, float(azimuths[0]), flat, float(azimuths[1]), peak, self.h)
        else:
            swell = Seam(
                level=self.h * float(rng.uniform(0.28, 0.55)),
                rise=self.h * float(rng.uniform(0.0, 0.08)),
                azimuth=float(rng.uniform(0, 360)),
                step=float(rng.uniform(0.04, 0.12)) * (1 if rng.random() < 0.7 else -1),
                soft=board.ball * float(rng.uniform(0.02, 0.06)),
                depth=min(board.ball * float(rng.uniform(0.02, 0.08)), 0.04),
                half=board.ball * float(rng.uniform(0.02, 0.05)),
                span=float(rng.uniform(120, 420)),
                middle=float(rng.uniform(0, 360)),
                h=self.h,
            )
        lands = board.board_land / 2, board.package_land / 2
        self.profile, body = of_volume(lands, self.h, volume, lambda profile: swollen(profile, swell))
        self.facts[self.form] = asdict(swell)
        return body

    def _slipped(self, rng, board: Board, volume: float) -> tuple[Manifold, Manifold]:
        """A pillow whose ball and paste lie aside of each other, with a step in the outline, and the curved gap.

        Domain document, B4: each wets its own land, two circles of different radius in a slice; "offset ball" is
        named as a look-alike. That the two come together is invented. Truth's gap is that between the faces; what
        the rounded rims of both leave free besides is the notch, and counts in nothing.
        """
        thick, lands = self._drawn_gap(rng, board, THICKEST), (board.board_land / 2, board.package_land / 2)
        self.profile = capillary(*lands, self.h, volume)
        dmax, level = 2 * float(self.profile[:, 0].max()), self.h * float(rng.uniform(0.3, 0.5))
        dish = rng.random() < 0.75
        sphere = dmax * (float(rng.uniform(0.8, 1.4)) if dish else -float(rng.uniform(0.9, 2.5)))
        vertex = level - float(bulge(sphere)(np.array(0.95 * self.width_at(level))))
        slip = Slip(
            far=dmax * float(rng.uniform(0.07, 0.18)),
            azimuth=float(rng.uniform(0, 360)),
            by_ball=float(rng.uniform(0.5, 1.0)),
            narrow=float(rng.uniform(0.0, 0.12)),
            level=level,
            sphere=sphere,
            vertex=float(np.clip(vertex, 0.1 * self.h, 0.7 * self.h)),
            lean=float(rng.triangular(0, 0, board.oblique)),
            lean_azimuth=float(rng.uniform(0, 360)),
            lip=self.h * float(rng.uniform(0.05, 0.12)),
            h=self.h,
        )
        (over, ball, at), ceiling = slip.face(dmax), slip.ceiling(dmax)
        risen = over.translate([0, 0, thick])
        keep = Manifold()
        if rng.random() < 0.5:
            keep, self.facts["patches"] = pillars(rng, 0.25 * dmax, self.h, float(rng.uniform(0.05, 0.3)))
        shell = over - lean(risen, *self._wedge(rng, board, thick, 0.4 * dmax), at)
        shell = shell - keep.translate([at[0], at[1], 0.0])

        def parted(profile: np.ndarray) -> Manifold:
            whole = lathe(profile)
            return (slip.sheared(whole, False) - over - ceiling) + (slip.sheared(whole, True) ^ ball) - shell

        self.profile, _ = of_volume(lands, self.h, volume, parted)
        both = [slip.sheared(lathe(self.profile), ball) for ball in (False, True)]
        facing = both[0] ^ both[1]
        gap, layer = shell ^ facing, (over - risen) ^ facing
        self._gap_truth(
            "head_in_pillow", gap, 1.0 - shadow_of(gap) / shadow_of(layer), {"slip": asdict(slip)}
        )
        self.slip = slip
        return (both[0] - over - ceiling) + (both[1] ^ ball), shell

    def _keep(self, rng, board: Board) -> Manifold:
        """Patches that stay bonded, in half of the joints."""
        if rng.random() < 0.5:
            return Manifold()
        keep, self.facts["patches"] = pillars(
            rng, board.package_land / 2, self.h, float(rng.uniform(0.03, 0.2))
        )
        return keep

    def _rim_bond(self, rng, board: Board, level: float) -> Manifold | None:
        """A sector along the rim that stays bonded, in some pillows; under a quarter of the area."""
        if not board.rim or rng.random() >= board.rim:
            return None
        width, degrees = float(rng.uniform(0.05, 0.11)), float(rng.uniform(120, 360))
        self.facts["rim_bond"] = [width, degrees]
        return rim_sector(float(self.width_at(level)), width, degrees, float(rng.uniform(0, 360)), self.h)

    def _wedge(self, rng, board: Board, thick: float, half: float) -> tuple[float, float]:
        """Degrees and azimuth by which a free end leans; up to half as much again as closes the gap on one side."""
        if rng.random() >= board.leaning:
            return 0.0, 0.0
        rise = thick * float(rng.uniform(0.3, 1.5))
        azimuth = float(rng.uniform(0, 360))
        self.facts["wedge_um"], self.facts["azimuth"] = 1000 * rise, azimuth
        return math.degrees(math.atan2(rise, half)), azimuth

    def _free_end(self, rng, board: Board, body: Manifold, thick: float) -> Manifold:
        """Solder's end is a dome over the bare land; at board or package. Half the domes are as flat as the gap."""
        top = rng.random() < 0.5
        half = (board.package_land if top else board.board_land) / 2
        radius = float(rng.uniform(1.0, 4.0)) * self.dmax
        if rng.random() < 0.5 or 1.5 * thick < half**2 / (8 * self.dmax):
            radius = max(radius, half**2 / (3.0 * thick))
        rim = radius - math.sqrt(radius**2 - half**2)
        vertex = max(thick - rim / 2, 0.2 * thick)
        end = above(lambda r: vertex + bulge(radius)(r), 0.75 * self.dmax)
        end = lean(end, *self._wedge(rng, board, thick, half), [0, 0, vertex])
        standing = upside_down(body, self.h) if top else body
        low = Manifold.cylinder(0.5 + 0.6 * self.h, 0.7 * self.dmax, circular_segments=AROUND)
        shell = (low.translate([0, 0, -0.5]) - end) - self._keep(rng, board)
        gap = shell ^ standing
        open_share = gap.slice(CONTACT).area() / standing.slice(CONTACT).area()
        self._gap_truth("non_wet", gap, 1.0 - open_share, {"dome_radius_mm": radius, "at_package": bool(top)})
        return upside_down(shell, self.h) if top else shell

    def _pillow(self, rng, board: Board, body: Manifold, thick: float) -> Manifold:
        """Ball and paste meet in a dish or a dome that may be oblique, and do not merge."""
        level = float(rng.uniform(0.28, 0.55)) * self.h
        dish = rng.random() < 0.65
        radius = (
            float(rng.uniform(0.68, 1.3)) * self.dmax if dish else -float(rng.uniform(0.9, 2.5)) * self.dmax
        )
        shape = bulge(radius)
        vertex = level - float(shape(np.array(self.width_at(level) * 0.95)))
        vertex = float(np.clip(vertex, 0.12 * self.h, 0.75 * self.h))
        under = above(lambda r: vertex + shape(r), 0.62 * self.dmax)
        azimuth, oblique, at = (
            float(rng.uniform(0, 360)),
            float(rng.triangular(0, 0, board.oblique)),
            [0, 0, vertex],
        )
        under = lean(under, oblique, azimuth, at)
        head = lean(under.translate([0, 0, thick]), *self._wedge(rng, board, thick, 0.4 * self.dmax), at)
        whole = (under - under.translate([0, 0, thick])) ^ body
        bond = self._rim_bond(rng, board, level)
        shell = (under - head) - (self._keep(rng, board) if bond is None else bond)
        gap = shell ^ body
        facts = {"sphere_mm": radius, "vertex_mm": vertex, "oblique_deg": oblique}
        self._gap_truth("head_in_pillow", gap, 1.0 - shadow_of(gap) / shadow_of(whole), facts)
        return shell

    def _gap_truth(self, kind: str, gap: Manifold, bonded: float, facts: dict) -> None:
        mean_um = 1000 * volume_of(gap) / shadow_of(gap)
        self.truth |= {kind: 1, "gap_um": mean_um, "contact_fraction": max(bonded, 0.0)}
        self.facts |= facts

    def _notch(self, rng, board: Board, recipe: str) -> Manifold:
        """A notch round a pillow's rim, or (seldom) a waist about a whole joint."""
        share = board.notch if recipe == "head_in_pillow" else 0.1 * board.notch
        if rng.random() >= share:
            return Manifold()
        depth, level = float(rng.uniform(0.005, 0.03)), float(rng.uniform(0.35, 0.55)) * self.h
        self.facts["notch_mm"] = [level, depth]
        return ring(float(self.width_at(level)), level, depth)

    def _voids(self, rng, board: Board, recipe: str, bridged: bool) -> Manifold:
        sort = recipe
        if recipe in ("non_wet", "head_in_pillow") or (bridged and recipe == "sound"):
            carries = rng.random() < board.also_void
            sort = (
                str(rng.choice(["void", "small_void", "layer"], p=[0.4, 0.25, 0.35])) if carries else "none"
            )
        if sort not in ("void", "small_void", "layer"):
            return Manifold()
        if self.form in ("dome", "film", "burst"):
            drawn = self._cavity(rng, board)
        else:
            drawn = self._layer(rng, board) if sort == "layer" else self._bubbles(rng, board, sort)
        if self.form == "slipped":
            drawn = [(self._gone_along(at), half) for at, half in drawn]
        self.facts |= {"voids": drawn, "voids_sort": sort}
        segments = 24 if len(drawn) > 4 else 40
        solids = [Manifold.sphere(1.0, segments).scale(half).translate(at) for at, half in drawn]
        return Manifold.batch_boolean(solids, OpType.Add)

    def _cavity(self, rng, board: Board) -> list:
        """A void on a land, or one that broke through; see `cavities`."""
        if self.form == "film":
            return cavities.film(rng, board, self.h)
        aim = float(np.exp(rng.uniform(*np.log(board.void_area))))
        if self.form == "dome":
            return cavities.dome(rng, board, self.h, self.dmax, aim)
        return cavities.burst(rng, self.h, self.profile, aim)

    def _gone_along(self, at: list) -> list:
        """Where a void lies once ball and paste have slipped."""
        ball = at[2] > self.slip.level
        narrow = 1.0 if ball else 1 - self.slip.narrow
        return [*map(float, narrow * np.array(at[:2]) + self.slip.aside(at[2], ball)), at[2]]

    def _layer(self, rng, board: Board) -> list:
        """6 to 40 flat voids by a land, at most little overlapped, covering about a drawn share of it."""
        top, count = bool(rng.random() < 0.5), int(rng.integers(6, 41))
        land = (board.package_land if top else board.board_land) / 2
        cover = float(np.exp(rng.uniform(*np.log(board.layer_cover))))
        radii = np.exp(rng.normal(0, 0.3, count))
        radii *= land * math.sqrt(cover / np.sum(radii**2))
        placed: list = []
        for r in sorted(radii, reverse=True):
            for _ in range(200):
                angle, where = rng.uniform(0, 2 * math.pi), (land - r - 0.004) * math.sqrt(rng.random())
                x, y = where * math.cos(angle), where * math.sin(angle)
                if all(math.hypot(x - p[0][0], y - p[0][1]) > 0.9 * (r + p[1][0]) for p in placed):
                    break
            half = min(r * float(rng.uniform(0.25, 0.6)), 0.02)
            z = half + float(rng.uniform(0.001, 0.012))
            placed.append(([x, y, self.h - z if top else z], [float(r), float(r), half]))
        self.facts["layer_cover"] = cover
        return placed

    def _bubbles(self, rng, board: Board, sort: str) -> list:
        """One to four round or slightly flattened voids inside the joint; they may touch or merge."""
        aim = (
            float(np.exp(rng.uniform(*np.log(board.void_area))))
            if sort == "void"
            else rng.uniform(0.005, 0.035)
        )
        drawn = []
        for share in rng.dirichlet(np.full(int(rng.integers(1, 5)), 3.0)):
            r = min(self.dmax / 2 * math.sqrt(aim * share), 0.4 * self.h)
            z = float(rng.uniform(0.9 * r + 0.004, self.h - 0.9 * r - 0.004))
            steps = np.linspace(-0.9, 0.9, 19)
            room = np.min(self.width_at(z + steps * r) - r * np.sqrt(1 - steps**2)) - 0.012
            where, angle = max(float(room), 0.0) * math.sqrt(rng.random()), rng.uniform(0, 2 * math.pi)
            half = [float(r), float(r), float(r * rng.uniform(0.75, 1.0))]
            drawn.append(([where * math.cos(angle), where * math.sin(angle), z], half))
        return drawn

    def _measure(self, body: Manifold, voids: Manifold) -> None:
        section = max(body.slice(z).area() for z in np.linspace(0.02, 0.98, 49) * self.h)
        area = 100 * shadow_of(voids) / section
        self.truth |= {"void": int(area >= 5.0), "void_projected_area_pct": area}
        self.truth["void_volume_pct"] = 100 * volume_of(voids) / volume_of(body)
