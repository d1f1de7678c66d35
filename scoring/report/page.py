"""The report: one HTML page that needs nothing else, for the one who has to decide what to do with the board."""

import math
from collections.abc import Sequence
from datetime import datetime
from importlib.metadata import version
from importlib.resources import files
from typing import Any, NamedTuple

import jinja2
import numpy as np
import pandas as pd
from markupsafe import Markup

from jointwise.joints.kinds import KINDS, TITLES
from jointwise.models.bench import Bench, Judge
from jointwise.models.envelope import span
from jointwise.scoring.cut import Progress, cut_site
from jointwise.scoring.finding.locate import ArrayFound
from jointwise.scoring.grey import grey_scale
from jointwise.scoring.judging.judge import suspicion
from jointwise.scoring.report.array_map import map_svg, sign_svg
from jointwise.scoring.report.cautions import cautions, warnings
from jointwise.scoring.report.evidence import find_spot
from jointwise.scoring.report.pictures import LIMITS, colour_bar_png, slices
from jointwise.scoring.report.signs import ORDER, SIGNS, chief, in_words, split_findings
from jointwise.scoring.scored import Scored

MEASURED = (
    ("void_projected_area_pct", "void area", "%", 1),
    ("void_volume_pct", "void volume", "%", 1),
    ("void_largest_pct", "largest void", "%", 1),
    ("void_interface_pct", "void at a land", "%", 1),
    ("gap_um", "gap", "µm", 1),
    ("contact_fraction", "in contact", "", 2),
    ("bridge_neck_um", "bridge neck", "µm", 0),
)
IN_TABLE = ("void_projected_area_pct", "gap_um", "contact_fraction", "bridge_neck_um")
NAMES = {
    "voxels_per_ball": "voxels per ball",
    "cnr": "solder over air ÷ noise",
    "lane": "lanes ÷ solder over air",
}
CORNERS = {
    "x_low_y_low": "lowest x and lowest y",
    "x_high_y_low": "highest x and lowest y",
    "x_low_y_high": "lowest x and highest y",
    "x_high_y_high": "highest x and highest y",
}


class Cell(NamedTuple):
    """One cell of the table: text, and how it is shown."""

    value: str
    kind: str = ""
    link: str = ""
    sign: str = ""


def report_html(scored: Scored, when: datetime, progress: Progress) -> str:
    """The whole page as text.

    Args:
        scored: what to tell.
        when: the time that stands in its head.
        progress: told after every joint that is drawn.
    """
    order = np.argsort(-suspicion(scored.table, scored.bench), kind="stable")
    suspicious = [int(i) for i in order if split_findings(scored.table["findings"].iloc[i])]
    shown = suspicious[: scored.settings.pictures]
    listed = [int(i) for i in order[: len(suspicious) + scored.settings.table_rows]]
    scale = grey_scale(scored.scan, scored.settings)
    low, high = scored.packages[0].cut.levels.air, scored.packages[0].cut.levels.solder
    limits = [scale.of(low + share * (high - low)) for share in (*LIMITS, 0, 1)]
    colours = dict(zip(("low", "high", "air", "solder"), (f"{v:.3g}" for v in limits), strict=True))
    return _template().render(
        title=f"Solder joints of {scored.scan.path.name}",
        when=when.strftime("%Y-%m-%d %H:%M"),
        version=version("jointwise"),
        note=scored.settings.note.rstrip("."),
        outcome=_outcome(scored.table),
        warnings=warnings(scored.table, scored.packages[0].found, scored.packages[0].array),
        scanned=_scanned(scored),
        judges=[
            _judge(judge, scored.table, judge is scored.bench.deciding)
            for judge in scored.bench.judges.values()
        ],
        judged_note="A score at or over its threshold is a finding. Thresholds were chosen on validation joints, never "
        "on this scan; limits for acceptance are the user's own and none is built in.",
        legend=_legend(scored.table),
        map=Markup(map_svg(scored.table)),
        map_note=_map_note(scored),
        table_note=_table_note(scored, len(listed), len(suspicious)),
        heads=_heads(),
        rows=[_row(scored, i, i in set(shown)) for i in listed],
        pictures_note=_pictures_note(len(shown), len(suspicious)),
        joints=[_joint(scored, i, n, len(shown), progress) for n, i in enumerate(shown)],
        colours={**colours, "unit": scale.unit, "name": scale.name, "png": colour_bar_png()},
        cautions=cautions(scored.scan.lattice.voxel_mm),
    )


def _template() -> jinja2.Template:
    source = files("jointwise.scoring.report").joinpath("page.html.j2").read_text(encoding="utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    return environment.from_string(source)


def _outcome(table: pd.DataFrame) -> str:
    present = int(table["present"].sum())
    findings = [split_findings(cell) for cell in table.loc[table["present"] == 1, "findings"]]
    called, missing = sum(bool(f) for f in findings), len(table) - present
    text = f"{called} of {present} joints carry a finding"
    return (
        f"{text}; {missing} of {len(table)} sites are without a ball."
        if missing
        else f"{text}; no ball is missing."
    )


def _scanned(scored: Scored) -> list[tuple[str, str]]:
    scan, found, array = scored.scan, scored.packages[0].found, scored.packages[0].array
    scale, levels = grey_scale(scan, scored.settings), scored.packages[0].cut.levels
    nz, ny, nx = scan.lattice.shape
    voxel = " × ".join(f"{1000 * s:.3g}" for s in dict.fromkeys(scan.lattice.spacing_mm))
    rows, cols = found.shape
    return [
        ("file", scan.path.name),
        ("board, part", ", ".join(filter(None, [scored.settings.board_id, array.component])) or "not given"),
        ("voxels", f"{nx} × {ny} × {nz} of {voxel} µm, {scan.volume.dtype}"),
        ("array", f"{rows} rows × {cols} columns, {len(scored.table)} sites"),
        ("pitch", f"{found.pitch_mm:.4f} mm found, {array.pitch_mm:g} mm given"),
        ("ball", f"{array.ball_mm:g} mm given, {array.ball_mm / scan.lattice.voxel_mm:.1f} voxels across"),
        (
            "joints",
            f"{np.nanmedian(found.sites['diameter_mm']):.3f} mm wide, {_height(found)} mm high (medians)",
        ),
        ("off the lattice", f"{found.residual_voxels:.2f} voxels (median)"),
        (
            "board",
            f"tilted by {found.tilt_deg:.2f}°, turned by {found.turn_deg:.2f}°, bent by {found.bend_um:.0f} µm",
        ),
        ("package side", f"{scored.settings.package_side} z, as given"),
        ("A1", f"taken at the {CORNERS[array.a1_corner]} of the file; check it against the part"),
        ("levels", f"air {scale.of(levels.air):.3g}, solder {scale.of(levels.solder):.3g} {scale.unit}"),
        ("solder over air", f"{levels.cnr:.1f} times the noise" if math.isfinite(levels.cnr) else "no noise"),
    ]


def _height(found: ArrayFound) -> str:
    height = found.sites["height_mm"].dropna()
    return f"{height.median():.3f}" if len(height) else "–"


def _judge(judge: Judge, table: pd.DataFrame, decides: bool) -> dict[str, Any]:
    thresholds = judge.thresholds
    facts = [("thresholds", thresholds.identity)]
    # Noise belongs to the scan: the first row's class and cuts hold for all.
    if thresholds.edges:
        number = int(thresholds.classes(table[:1])[0]) + 1
        facts.append(("noise class", f"{number} of {len(thresholds.values)} (1 is the cleanest)"))
    cuts = zip(KINDS, thresholds.cuts(table[:1])[0], strict=True)
    facts += [(TITLES[kind], f"finding from {cut:.3g}") for kind, cut in cuts]
    if judge.envelope is not None:
        facts += [(f"trained on {NAMES[name]}", span(*ends)) for name, ends in judge.envelope.ranges.items()]
    role = "its findings count" if decides else "for comparison"
    return {"name": judge.detector.name, "role": role, "facts": facts}


def _legend(table: pd.DataFrame) -> list[dict[str, Any]]:
    findings = [split_findings(cell) for cell in table["findings"]]
    legend = [
        {
            "svg": Markup(sign_svg(kind)),
            "word": SIGNS[kind].word,
            "count": sum(kind in f for f in findings),
            "meaning": SIGNS[kind].meaning,
        }
        for kind in ORDER
    ]
    sound = {"svg": Markup(sign_svg(None)), "word": "no finding", "count": sum(not f for f in findings)}
    return [*legend, {**sound, "meaning": "which does not prove a sound joint"}]


def _map_note(scored: Scored) -> str:
    side = "package" if scored.settings.package_side == "high" else "board"
    return (
        f"Seen from high z of the file, here the {side}'s side; the file's x runs to the right, its y upwards. "
        "A joint with several findings bears the sign of the gravest and the number of the others."
    )


def _table_note(scored: Scored, listed: int, suspicious: int) -> str:
    sites = len(scored.table)
    rest = (
        "all sites are listed"
        if listed == sites
        else f"{listed} of {sites} sites are listed, joints.csv has all"
    )
    other = "; in brackets the other detector's" if len(scored.bench.judges) > 1 else ""
    return (
        f"{suspicious} with a finding; {rest}. Scores run from 0 to 1 and are bold where they led to a finding{other}. "
        "Measured numbers are the detector's estimates, given whether or not they led to one."
    )


def _heads() -> list[dict[str, Any]]:
    heads = [("joint", "", True), ("findings", "", True)]
    heads += [(TITLES[kind], "score", False) for kind in KINDS]
    heads += [(word, unit, False) for name, word, unit, _ in MEASURED if name in IN_TABLE]
    return [{"name": name, "unit": unit, "text": text} for name, unit, text in heads]


def _row(scored: Scored, i: int, pictured: bool) -> list[Cell]:
    row = scored.table.iloc[i]
    findings = split_findings(row["findings"])
    words = in_words(findings) or "–"
    if row["out_of_envelope"]:
        words += " (for review)"
    cells = [
        Cell(str(row["ball"]), "text", f"joint-{row['ball']}" if pictured else ""),
        Cell(words, "text", "", Markup(sign_svg(chief(findings)))),
    ]
    for kind in KINDS:
        score, other = _scores(scored.bench, row, kind)
        value = _number(score, 2) + (
            f" ({_number(other, 2)})" if other is not None and not pd.isna(other) else ""
        )
        cells.append(Cell(value, "over" if kind in findings else ""))
    return cells + [Cell(_number(row[name], digits)) for name, _, _, digits in MEASURED if name in IN_TABLE]


def _scores(bench: Bench, row: "pd.Series[Any]", kind: str) -> tuple[float, float | None]:
    """The deciding detector's score, and the other's if there are two."""
    if bench.learned is None:
        return row[f"rules_{kind}"], None
    return row[f"score_{kind}"], row[f"rules_{kind}"] if bench.rules is not None else None


def _number(value: Any, digits: int) -> str:
    return "–" if pd.isna(value) else f"{value:.{digits}f}"


def _pictures_note(shown: int, suspicious: int) -> str:
    rest = "" if shown == suspicious else f" The first {shown} of {suspicious} are shown."
    return (
        "Each joint in three slices at right angles. The ticks at the edges of a slice point to the place through "
        "which the other two are cut: it was chosen by looking for dark or bright places, after the detector had "
        "judged, and need not be what moved the detector. Positions are counted from the joint's middle; z points "
        f"from board to package.{rest}"
    )


def _joint(scored: Scored, i: int, n: int, total: int, progress: Progress) -> dict[str, Any]:
    row, grid = scored.table.iloc[i], scored.packages[0].cut.joints.grid
    package = scored.packages[0]
    pitch, ball = package.array.pitch_mm, package.array.ball_mm
    findings = split_findings(row["findings"])
    volume = cut_site(
        scored.scan,
        scored.packages[0].found,
        scored.packages[0].array,
        grid,
        scored.packages[0].cut.levels,
        i,
    )
    spot = find_spot(volume, grid, pitch, ball, findings)
    progress("joints drawn", n + 1, total)
    return {
        "ball": row["ball"],
        "words": in_words(findings),
        "sign": Markup(sign_svg(chief(findings))),
        "why": spot.why,
        "slices": [
            {"svg": Markup(s.svg), "caption": s.caption} for s in slices(volume, grid, pitch, ball, spot)
        ],
        "facts": _facts(scored, row, scored.packages[0].found.sites.iloc[i]),
    }


def _facts(scored: Scored, row: "pd.Series[Any]", site: "pd.Series[Any]") -> Sequence[tuple[str, str]]:
    place = ", ".join(f"{row[f'{axis}_mm']:.3f}" for axis in "xyz")
    facts = [("x, y, z in the file", f"{place} mm"), ("row, column", f"{row['row']}, {row['col']} (from 0)")]
    facts.append(("metal", f"{100 * site['metal_share']:.0f} % of a usual joint"))
    if not row["present"]:
        return facts
    if row["out_of_envelope"]:
        facts.append(("for review", str(row["reason"])))
    for kind in KINDS:
        score, other = _scores(scored.bench, row, kind)
        beside = f" (rules {_number(other, 2)})" if other is not None else ""
        facts.append((TITLES[kind], f"score {_number(score, 2)}{beside}"))
    for name, word, unit, digits in MEASURED:
        if not pd.isna(row[name]):
            facts.append((word, f"{_number(row[name], digits)} {unit}".strip()))
    return facts
