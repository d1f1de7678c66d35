"""The head of the report: verdict, what was scanned, what the scan can show, limits used, where the time went."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from jointwise.scoring.cut import CutArray
from jointwise.scoring.finding.locate import ArrayFound
from jointwise.scoring.grey import grey_scale
from jointwise.scoring.judging.acceptance import Acceptance
from jointwise.scoring.judging.shows import Shows
from jointwise.scoring.report.order import Site
from jointwise.scoring.report.signs import SIGNS
from jointwise.scoring.report.words import CORNERS, DISPOSITIONS, bounds
from jointwise.scoring.scored import Package, Scored

Fact = tuple[str, str]


def verdict(sites: Sequence[Site], acceptance: Acceptance | None) -> str:
    """What came out, in a sentence or two.

    Args:
        sites: all of them.
        acceptance: the limits by which dispositions were given; None where none were.
    """
    present = [site for site in sites if site.row["present"]]
    called, missing = sum(bool(site.findings) for site in present), len(sites) - len(present)
    text = f"{called} of {len(present)} joints carry a finding; "
    text += f"{missing} of {len(sites)} sites are without a ball." if missing else "no ball is missing."
    count = counts(sites)
    if acceptance is None:
        review = f" {count['review']} are for review." if count["review"] else ""
        return f"{text}{review} No limits of acceptance were given, so nothing is accepted or rejected."
    said = ", ".join(f"{count[name]} {word}" for name, word in DISPOSITIONS.items())
    limits = "EXAMPLE limits, invented numbers," if acceptance.example else "limits given,"
    return f"{text} By the {limits} of {len(sites)} sites: {said}."


def counts(sites: Sequence[Site]) -> dict[str, int]:
    """How many sites became what."""
    return {name: sum(site.disposition == name for site in sites) for name in DISPOSITIONS}


def scan_facts(scored: Scored) -> list[Fact]:
    """What is known of the file, whatever was found in it."""
    scan, settings = scored.scan, scored.settings
    nz, ny, nx = scan.lattice.shape
    voxel = " × ".join(f"{1000 * s:.3g}" for s in dict.fromkeys(scan.lattice.spacing_mm))
    facts = [("file", scan.path.name), ("board", settings.board_id or "not given")]
    facts += [(name.replace("_", " "), str(value)) for name, value in scan.facts.items()]
    return [*facts, ("voxels", f"{nx} × {ny} × {nz} of {voxel} µm, {scan.volume.dtype}")]


def package_facts(scored: Scored, package: Package) -> list[Fact]:
    """Where an array lies in the scan and how it looks there."""
    found, array, cut = package.found, package.array, package.cut
    scale, levels = grey_scale(scored.scan, scored.settings), cut.levels
    rows, cols = found.shape
    return [
        ("part", array.component or "not given"),
        ("array", f"{rows} rows × {cols} columns, {len(package.table)} sites"),
        ("pitch", f"{found.pitch_mm:.4f} mm found, {array.pitch_mm:g} mm given"),
        (
            "ball",
            f"{array.ball_mm:g} mm given, {array.ball_mm / scored.scan.lattice.voxel_mm:.1f} voxels across",
        ),
        (
            "joints",
            f"{_median(found, 'diameter_mm')} mm wide, {_median(found, 'height_mm')} mm high (medians)",
        ),
        ("off the lattice", f"{found.residual_voxels:.2f} voxels (median)"),
        (
            "board",
            f"tilted by {found.tilt_deg:.2f}°, turned by {found.turn_deg:.2f}°, bent by {found.bend_um:.0f} µm",
        ),
        ("package side", _side(scored, package)),
        ("A1", _a1(package)),
        ("levels", f"air {scale.of(levels.air):.3g}, solder {scale.of(levels.solder):.3g} {scale.unit}"),
        ("solder over air", _contrast(cut)),
        *(("remark", remark) for remark in found.remarks),
    ]


def _median(found: ArrayFound, column: str) -> str:
    known = found.sites[column].to_numpy(dtype=np.float64)
    known = known[np.isfinite(known)]
    return f"{np.median(known):.3f}" if len(known) else "–"


def _contrast(cut: CutArray) -> str:
    return f"{cut.levels.cnr:.1f} times the noise" if math.isfinite(cut.levels.cnr) else "no noise"


def _side(scored: Scored, package: Package) -> str:
    """Which side is the package's, how sure that is and what it rests on."""
    side, sure, words = package.found.package_side, package.found.side_sure, package.found.side_words
    if side in (scored.settings.package_side, package.array.package_side):
        return f"{side} z, as given"
    return f"{side} z, found from the scan, {100 * float(sure):.1f} % sure" + (f": {words}" if words else "")


def _a1(package: Package) -> str:
    corner = CORNERS[package.array.a1_corner]
    if package.found.a1_assumed:
        return (
            f"NOT GIVEN: assumed at the {corner} of the file; check it against the part before using any name"
        )
    return f"taken at the {corner} of the file; check it against the part"


def map_note(package: Package) -> str:
    """From where the map is seen, and how its signs are read."""
    side = "package" if package.found.package_side == "high" else "board"
    assumed = ", and is assumed: nobody told where it is" if package.found.a1_assumed else ""
    return (
        f"Seen from high z of the file, here the {side}'s side; the file's x runs to the right, its y upwards. The "
        f"filled corner is A1's{assumed}. A joint with several findings bears the sign of the gravest and the "
        "number of the others."
    )


def shows_words(shows: Shows | None) -> list[str]:
    """The smallest faults that the scan can show."""
    if shows is None:
        return ["Not worked out for this scan."]
    if shows.words:
        return list(shows.words)
    return [
        f"Flat gaps from about {shows.gap_um:.0f} µm, and round voids from about {shows.void_um:.0f} µm across "
        f"({shows.void_area_pct:.1f} % of a usual joint's largest cross-section)."
    ]


def limits(acceptance: Acceptance | None) -> dict[str, Any] | None:
    """The limits used: the file's facts and one line per limit; None where none were given."""
    if acceptance is None:
        return None
    lines = [
        (
            limit.name,
            SIGNS[limit.kind].word if limit.kind else "any joint",
            bounds(limit),
            limit.where,
            limit.then,
        )
        for limit in acceptance.limits
    ]
    for count in acceptance.counts:
        most = (
            f"at most {count.most:g}"
            if count.most is not None
            else f"at most {count.most_pct:g} % of the sites"
        )
        lines.append((count.name, SIGNS[count.kind].word, most, count.where, "said on top"))
    return {
        "title": acceptance.title,
        "file": acceptance.path.name,
        "sha256": acceptance.sha256,
        "example": acceptance.example,
        "lines": lines,
    }


def times(seconds: dict[str, float]) -> list[Fact]:
    """Where the time went, step by step, and in all."""
    if not seconds:
        return []
    rows = [(name, f"{value:.1f} s") for name, value in seconds.items()]
    return [*rows, ("together", f"{sum(seconds.values()):.1f} s")]
