"""What the report shows of one suspicious joint: pictures beside those of a sound one, and the numbers of the call."""

import os
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from jointwise.joints.kinds import KINDS, TITLES
from jointwise.models.bench import Judge
from jointwise.scoring.cut import Progress, cut_site
from jointwise.scoring.report.array_map import sign_svg
from jointwise.scoring.report.evidence import FLAT_KINDS, find_spot, measured_spot
from jointwise.scoring.report.order import Site, sound_neighbour
from jointwise.scoring.report.outlines import Traced, trace, trace_outline
from jointwise.scoring.report.pictures import Picture, flat_views, slices
from jointwise.scoring.report.signs import chief, in_words
from jointwise.scoring.report.words import DISPOSITIONS, MEASURED, limits_on, number, with_unit
from jointwise.scoring.scored import Scored


class Score(NamedTuple):
    """What one detector says of one kind."""

    kind: str
    value: str
    cut: str
    other: str
    over: bool


class Sections:
    """Makes the sections of joints; sub-volumes that serve several of them are read once.

    Args:
        scored: the scan.
        sites: all its sites.
    """

    def __init__(self, scored: Scored, sites: list[Site]) -> None:
        self.scored, self.sites = scored, sites
        self._volume = cache(self._read)
        self._outline = cache(self._trace_outline)

    def of(self, shown: list[Site], progress: Progress) -> list[dict[str, Any]]:
        """What the page's template needs of the joints to be pictured.

        Args:
            shown: the joints.
            progress: told after every one.
        """
        made = []
        # Filters and pictures are made outside of the interpreter's lock, so threads share the work.
        with ThreadPoolExecutor(self.scored.settings.workers or len(os.sched_getaffinity(0))) as pool:
            for section in pool.map(self._section, shown):
                made.append(section)
                progress("joints drawn", len(made), len(shown))
        return made

    def _section(self, site: Site) -> dict[str, Any]:
        other = sound_neighbour(site, self.sites)
        rows, measured, why = self._pictures(site, other)
        return {
            "anchor": site.anchor,
            "ball": site.ball,
            "part": part(self.scored, site),
            "words": in_words(site.findings) or "no finding",
            "sign": Markup(sign_svg(chief(site.findings))),
            "disposition": DISPOSITIONS.get(site.disposition, ""),
            "reason": site.reason,
            "why": why,
            "rows": [
                {"ball": one.ball, "pictures": [_shown(picture) for picture in row]}
                for one, row in zip(filter(None, (site, other)), rows, strict=True)
            ],
            "measured": measured,
            "scores": scores(self.scored, site),
            "facts": self._facts(site),
        }

    def _pictures(self, site: Site, other: Site | None) -> tuple[list[list[Picture]], str, str]:
        """Pictures of the joint and, cut alike, of the sound one; what was measured; what they are cut through."""
        package = self.scored.packages[site.package]
        sizes = package.cut.joints.grid, package.array.pitch_mm, package.array.ball_mm
        volume = self._volume(site.package, site.place)
        gap = _gap_to_draw(site)
        traced = self._trace(site.package, site.place, gap) if site.row["present"] else None
        spot = measured_spot(traced, *sizes, site.findings) if traced else None
        spot = spot or find_spot(volume, *sizes, site.findings)
        volumes, traces = [volume], [traced]
        if other is not None:
            volumes.append(self._volume(other.package, other.place))
            traces.append(self._outline(other.package, other.place))
        flat = flat_views(volumes, *sizes)
        rows = [[*slices(v, *sizes, spot, t), f] for v, t, f in zip(volumes, traces, flat, strict=True)]
        return rows, _in_words(site, traced), spot.why

    def _read(self, package: int, place: int) -> NDArray[np.float32]:
        """The sub-volume of a site: the one that was judged, or what the scan holds where no ball is."""
        its = self.scored.packages[package]
        present = its.table["present"].to_numpy() == 1
        if present[place]:
            return np.asarray(its.cut.joints.volumes[int(present[:place].sum())], dtype=np.float32)
        grid = its.cut.joints.grid
        return cut_site(self.scored.scan, its.found, its.array, grid, its.cut.levels, place)

    def _trace(self, package: int, place: int, gap: str) -> Traced | None:
        its = self.scored.packages[package]
        volume = self._volume(package, place)
        return trace(volume, its.cut.joints.grid, its.array.pitch_mm, its.array.ball_mm, gap)

    def _trace_outline(self, package: int, place: int) -> Traced | None:
        its = self.scored.packages[package]
        volume = self._volume(package, place)
        return trace_outline(volume, its.cut.joints.grid, its.array.pitch_mm, its.array.ball_mm)

    def _facts(self, site: Site) -> list[tuple[str, str]]:
        """Place, size and measures, each with the limits on it."""
        row, its = site.row, self.scored.packages[site.package].found.sites.iloc[site.place]
        facts = [
            (m.word, with_unit(m, row[m.column]) + limits_on(self.scored.acceptance, m.column))
            for m in MEASURED
            if number(row[m.column], 0) != "–"
        ]
        facts.append(("x, y, z in the file", ", ".join(f"{row[f'{axis}_mm']:.3f}" for axis in "xyz") + " mm"))
        if np.isfinite(its["metal_share"]):
            facts.append(("metal", f"{100 * its['metal_share']:.0f} % of a usual joint"))
        return facts


def part(scored: Scored, site: Site) -> str:
    """Which package a site belongs to; empty where there is only one."""
    if len(scored.packages) == 1:
        return ""
    return scored.packages[site.package].array.component or f"package {site.package + 1}"


def scores(scored: Scored, site: Site) -> list[Score]:
    """Each kind's score with its threshold, and the other detector's beside it; empty without a ball."""
    if not site.row["present"]:
        return []
    judges = {"score": scored.bench.learned, "rules": scored.bench.rules}
    there: list[tuple[str, Judge]] = [(name, judge) for name, judge in judges.items() if judge is not None]
    table = scored.packages[site.package].table.iloc[[site.place]]
    names = {name: [f"{name}_{kind}" for kind in KINDS] for name, _ in there}
    cuts = [judge.thresholds.cuts(table, table[names[name]].to_numpy(np.float64))[0] for name, judge in there]
    said = []
    for k, kind in enumerate(KINDS):
        values = [site.row[f"{name}_{kind}"] for name, _ in there]
        other = f"{number(values[1], 2)} of {cuts[1][k]:.2f}" if len(there) > 1 else ""
        over = kind in site.findings
        said.append(Score(TITLES[kind], number(values[0], 2), f"{cuts[0][k]:.2f}", other, over))
    return said


def _gap_to_draw(site: Site) -> str:
    """Which gap the rules would measure there: at a land or along a surface; none where nothing speaks for one."""
    flat = [kind for kind in FLAT_KINDS if kind in site.findings]
    if not flat and number(site.row["gap_um"], 0) == "–":
        return ""
    if len(flat) == 1:
        return "land" if flat == ["non_wet"] else "surface"
    return "land" if site.row["rules_non_wet"] > site.row["rules_head_in_pillow"] else "surface"


def _in_words(site: Site, traced: Traced | None) -> str:
    """What the lines over the slices are, and what was not measured."""
    if traced is None:
        return (
            "Nothing was measured: no ball stands here."
            if not site.row["present"]
            else "Nothing was measured."
        )
    said = ["voids outlined" if traced.voids is not None else "no void measured"]
    if number(site.row["gap_um"], 0) != "–":
        said.append("gap at a land drawn" if traced.gap == "land" else "gap drawn")
    elif traced.gap:
        where = (
            "the solder's end at the suspect land" if traced.gap == "land" else "the darkest complete surface"
        )
        said.append(f"no gap measured ({where} is drawn)")
    else:
        said.append("no gap measured")
    said.append("neck drawn" if traced.neck_um > 0 else "no neck measured")
    return "Solder outlined; " + ", ".join(said) + "."


def _shown(picture: Picture) -> dict[str, Any]:
    return {"svg": Markup(picture.svg), "caption": picture.caption, "name": picture.name}
