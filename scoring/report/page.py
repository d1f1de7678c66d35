"""The report: one HTML page that needs nothing else, for the one who has to decide what to do with the board."""

from collections.abc import Sequence
from datetime import datetime
from importlib.metadata import version
from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup

from jointwise.joints.page import script, style
from jointwise.scoring.cut import Progress
from jointwise.scoring.grey import grey_scale
from jointwise.scoring.report import head, table
from jointwise.scoring.report.array_map import empty_sites, frame_svg, map_svg, sign_svg
from jointwise.scoring.report.cautions import alerts, cautions
from jointwise.scoring.report.joint import Sections
from jointwise.scoring.report.judges import judges
from jointwise.scoring.report.legend import legend, whose
from jointwise.scoring.report.order import Site, all_sites, to_picture
from jointwise.scoring.report.pictures import LIMITS, colour_bar_png
from jointwise.scoring.report.signs import ORDER, SIGNS
from jointwise.scoring.report.words import DISPOSITIONS
from jointwise.scoring.scored import Package, Scored


def report_html(scored: Scored, when: datetime, progress: Progress) -> str:
    """The whole page as text.

    Args:
        scored: what to tell.
        when: the time that stands in its head.
        progress: told after every joint that is drawn.
    """
    sites = all_sites(scored)
    shown = to_picture(sites, scored.settings.pictures)
    rows = table.rows(scored, sites, {site.anchor for site in shown})
    called = sum(site.called for site in sites)
    first = scored.packages[0].table
    return _template().render(
        title=f"Solder joints of {scored.scan.path.name}",
        css=Markup(style(_source("page.css"))),
        js=Markup(script()),
        when=when.strftime("%Y-%m-%d %H:%M"),
        version=version("jointwise"),
        note=scored.settings.note.rstrip("."),
        verdict=head.verdict(sites, scored.acceptance),
        alerts=alerts(scored),
        scanned=head.scan_facts(scored),
        judges=judges(scored.bench, first),
        limits=head.limits(scored.acceptance),
        times=head.times(dict(scored.seconds)),
        packages=[_package(scored, package, n, sites, shown) for n, package in enumerate(scored.packages)],
        table_note=table.note(scored, sum(row.kept for row in rows), called, len(sites)),
        heads=table.heads(scored),
        rows=rows,
        pictures_note=_pictures_note(sites, len(shown)),
        whose=whose(scored),
        legend=legend(scored),
        joints=Sections(scored, sites).of(shown, progress),
        colours=_colours(scored),
        cautions=cautions(scored.scan.lattice.voxel_mm),
    )


def _template() -> jinja2.Template:
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(_source("page.html.j2"))


def _source(name: str) -> str:
    return files("jointwise.scoring.report").joinpath(name).read_text(encoding="utf-8")


def _package(
    scored: Scored, package: Package, n: int, sites: Sequence[Site], shown: Sequence[Site]
) -> dict[str, Any]:
    """Facts, map and legend of one package."""
    name = package.array.component or (f"package {n + 1}" if len(scored.packages) > 1 else "")
    its = [site for site in sites if site.package == n]
    anchors = {site.place: site.anchor for site in shown if site.package == n}
    return {
        "name": name,
        "facts": head.package_facts(scored, package),
        "shows": head.shows_words(package.shows),
        "verdict": head.verdict(its, scored.acceptance) if len(scored.packages) > 1 else "",
        "legend": _legend(its, len(empty_sites(package.table)), scored.acceptance is not None),
        "map": Markup(map_svg(package.table, anchors)),
        "map_note": head.map_note(package),
    }


def _legend(sites: Sequence[Site], empty: int, limits: bool) -> list[dict[str, Any]]:
    """Every sign, every frame, and what is not there, each with how many."""

    def entry(svg: str, word: str, count: int, meaning: str) -> dict[str, Any]:
        return {"svg": Markup(svg), "word": word, "count": count, "meaning": meaning}

    signs = [
        entry(sign_svg(kind), SIGNS[kind].word, sum(kind in s.findings for s in sites), SIGNS[kind].meaning)
        for kind in ORDER
    ]
    sound = sum(not site.findings for site in sites)
    signs.append(entry(sign_svg(None), "no finding", sound, "which does not prove a sound joint"))
    signs.append(entry(frame_svg(""), "no site", empty, "the part leaves it empty"))
    count = head.counts(sites)
    frames = {"reject": "solid frame", "review": "dotted frame", "accept": "without a frame"}
    if not limits:
        frames = {"review": "dotted frame"}
    for name, look in frames.items():
        signs.append(entry(frame_svg(name), DISPOSITIONS[name], count[name], look))
    return signs


def _colours(scored: Scored) -> list[dict[str, str]]:
    """The scale of colours in the file's unit, for each package that has its own levels."""
    scale = grey_scale(scored.scan, scored.settings)
    bars = []
    for n, package in enumerate(scored.packages):
        low, high = package.cut.levels.air, package.cut.levels.solder
        values = [scale.of(low + share * (high - low)) for share in (*LIMITS, 0, 1)]
        names = dict(zip(("low", "high", "air", "solder"), (f"{v:.3g}" for v in values), strict=True))
        part = package.array.component or f"package {n + 1}" if len(scored.packages) > 1 else ""
        bars.append({**names, "unit": scale.unit, "name": scale.name, "png": colour_bar_png(), "part": part})
    return bars


def _pictures_note(sites: Sequence[Site], shown: int) -> str:
    suspicious = len(to_picture(sites, len(sites)))
    return "" if shown == suspicious else f"The first {shown} of {suspicious} are shown, worst first."
