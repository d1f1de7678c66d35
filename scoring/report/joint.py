"""What the report shows of one suspicious joint: pictures beside those of a sound one, and the numbers of the call."""

from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from jointwise.joints.cores import core_count
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS, TITLES
from jointwise.models.bench import Judge
from jointwise.scoring.cut import Progress, cut_site
from jointwise.scoring.report.array_map import sign_svg
from jointwise.scoring.report.evidence import Spot, find_spot, measured_spot
from jointwise.scoring.report.masks import Seen, look_at, with_masks
from jointwise.scoring.report.measured import Fact, gap_to_draw, lines_in_words, measured_by_rules, measures
from jointwise.scoring.report.order import Site, sound_neighbour
from jointwise.scoring.report.outlines import Traced, trace, trace_outline
from jointwise.scoring.report.pictures import Picture, flat_views, slices
from jointwise.scoring.report.signs import chief, in_words
from jointwise.scoring.report.words import DISPOSITIONS, number
from jointwise.scoring.scored import Scored

AT_ONCE = 32
"""Joints whose masks are held at a time."""


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
        self.network = with_masks(scored.bench)
        self._volume = cache(self._read)
        self._outline = cache(self._trace_outline)

    def of(self, shown: list[Site], progress: Progress) -> list[dict[str, Any]]:
        """What the page's template needs of the joints to be pictured.

        Args:
            shown: the joints.
            progress: told after every one.
        """
        made: list[dict[str, Any]] = []
        # Filters and pictures are made outside of the interpreter's lock, so threads share the work.
        with ThreadPoolExecutor(self.scored.settings.workers or core_count()) as pool:
            for first in range(0, len(shown), AT_ONCE):
                some = shown[first : first + AT_ONCE]
                for section in pool.map(self._section, some, self._look(some)):
                    made.append(section)
                    progress("joints drawn", len(made), len(shown))
        return made

    def _look(self, some: list[Site]) -> list[Seen | None]:
        """What the network sees in these joints, now that all is judged; None where it shows nothing or no ball is."""
        if self.network is None:
            return [None] * len(some)
        seen: dict[str, Seen] = {}
        for n, package in enumerate(self.scored.packages):
            its = [site for site in some if site.package == n and site.row["present"]]
            looked = look_at(self.network, package, [site.place for site in its])
            seen |= {site.anchor: one for site, one in zip(its, looked, strict=True)}
        return [seen.get(site.anchor) for site in some]

    def _section(self, site: Site, seen: Seen | None) -> dict[str, Any]:
        other = sound_neighbour(site, self.sites)
        traced = self._trace(site) if site.row["present"] else None
        spot = self._spot(site, traced, seen)
        rules = measured_by_rules(site, traced)
        return {
            "anchor": site.anchor,
            "ball": site.ball,
            "part": part(self.scored, site),
            "words": in_words(site.findings) or "no finding",
            "sign": Markup(sign_svg(chief(site.findings))),
            "disposition": DISPOSITIONS.get(site.disposition, ""),
            "reason": site.reason,
            "why": spot.why,
            "rows": [
                {"ball": one.ball, "pictures": [_shown(picture) for picture in row]}
                for one, row in zip(
                    filter(None, (site, other)), self._pictures(site, other, spot, traced, seen), strict=True
                )
            ],
            "measured": lines_in_words(site, traced, rules, seen),
            "scores": scores(self.scored, site),
            "facts": [*measures(site, self.scored.acceptance, rules, seen), *self._facts(site)],
        }

    def _spot(self, site: Site, traced: Traced | None, seen: Seen | None) -> Spot:
        """Where to cut: where the network sees what it found, else where rules measured it, else where it looks odd."""
        volume, sizes = self._volume(site.package, site.place), self._sizes(site.package)
        return (
            (seen.spot(site.findings) if seen else None)
            or (measured_spot(traced, *sizes, site.findings) if traced else None)
            or find_spot(volume, *sizes, site.findings)
        )

    def _pictures(
        self, site: Site, other: Site | None, spot: Spot, traced: Traced | None, seen: Seen | None
    ) -> list[list[Picture]]:
        """Pictures of the joint and, cut alike, of the sound one."""
        sizes = self._sizes(site.package)
        volumes, traces = [self._volume(site.package, site.place)], [traced]
        if other is not None:
            volumes.append(self._volume(other.package, other.place))
            traces.append(self._outline(other.package, other.place))
        flat = flat_views(volumes, *sizes)
        looks = [seen, None]
        return [
            [*slices(v, *sizes, spot, t, s), f]
            for v, t, s, f in zip(volumes, traces, looks[: len(volumes)], flat, strict=True)
        ]

    def _sizes(self, package: int) -> tuple[Grid, float, float]:
        """Grid, pitch and ball, mm."""
        its = self.scored.packages[package]
        return its.cut.joints.grid, its.array.pitch_mm, its.array.ball_mm

    def _read(self, package: int, place: int) -> NDArray[np.float32]:
        """The sub-volume of a site: the one that was judged, or what the scan holds where no ball is."""
        its = self.scored.packages[package]
        present = its.table["present"].to_numpy() == 1
        if present[place]:
            return np.asarray(its.cut.joints.volumes[int(present[:place].sum())], dtype=np.float32)
        grid = its.cut.joints.grid
        return cut_site(self.scored.scan, its.found, its.array, grid, its.cut.levels, place)

    def _trace(self, site: Site) -> Traced | None:
        """What the rules measure there; where masks show it and no rules judged, only where the solder ends."""
        if self.network is not None and self.scored.bench.rules is None:
            return self._outline(site.package, site.place)
        volume = self._volume(site.package, site.place)
        return trace(volume, *self._sizes(site.package), gap_to_draw(site))

    def _trace_outline(self, package: int, place: int) -> Traced | None:
        return trace_outline(self._volume(package, place), *self._sizes(package))

    def _facts(self, site: Site) -> list[Fact]:
        """Place and size."""
        row, its = site.row, self.scored.packages[site.package].found.sites.iloc[site.place]
        facts = [Fact("x, y, z in the file", ", ".join(f"{row[f'{axis}_mm']:.3f}" for axis in "xyz") + " mm")]
        if np.isfinite(its["metal_share"]):
            facts.append(Fact("metal", f"{100 * its['metal_share']:.0f} % of a usual joint"))
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


def _shown(picture: Picture) -> dict[str, Any]:
    return {"svg": Markup(picture.svg), "caption": picture.caption, "name": picture.name}
