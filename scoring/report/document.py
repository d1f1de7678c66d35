"""The results as one JSON document, for other programs: its form is `joints.schema.json` beside this file.

A change that takes a key away or gives it another meaning raises SCHEMA_VERSION; a new key does not.
"""

import json
import math
import uuid
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime
from importlib.metadata import version
from typing import Any, Final

import numpy as np
import pandas as pd

from jointwise.joints.kinds import KINDS
from jointwise.joints.schema import COLUMNS
from jointwise.models.bench import Judge
from jointwise.models.learned import LearnedDetector
from jointwise.scoring.grey import grey_scale
from jointwise.scoring.judging.acceptance import Acceptance
from jointwise.scoring.report.head import counts, verdict
from jointwise.scoring.report.order import Site, all_sites
from jointwise.scoring.report.signs import split_findings
from jointwise.scoring.scored import Package, Scored

SCHEMA: Final = "jointwise-joints"
SCHEMA_VERSION: Final = 1
OF_THE_SCAN: Final = ("scan", "board_id", "component", *KINDS)
"""Columns of the table that a joint does not repeat: the same for all, or truth, which a scan does not tell."""
YES_OR_NO: Final = ("present", "out_of_envelope")
SIZES: Final = ("diameter_mm", "height_mm", "metal_share", "in_field")


def document(scored: Scored, tables: list[pd.DataFrame], when: datetime) -> dict[str, Any]:
    """Everything but the pictures, JSON-safe: numbers that are not known are null.

    Args:
        scored: the scored scan.
        tables: of each package, rounded as in the CSV file.
        when: the time of the report.
    """
    sites = all_sites(scored)
    content = {
        "schema": SCHEMA,
        "schema_version": SCHEMA_VERSION,
        "made_by": f"jointwise {version('jointwise')}",
        "made_at": when.isoformat(timespec="seconds"),
        "scan": _scan(scored),
        "detectors": [
            _detector(name, judge, judge is scored.bench.deciding, scored.packages[0].table)
            for name, judge in scored.bench.judges.items()
        ],
        "acceptance": _acceptance(scored.acceptance),
        "outcome": _outcome(sites, scored.acceptance),
        "seconds": dict(scored.seconds),
        "packages": [
            _package(scored, package, table, [site for site in sites if site.package == n])
            for n, (package, table) in enumerate(zip(scored.packages, tables, strict=True))
        ],
    }
    safe = _safe(content)
    assert isinstance(safe, dict)
    return safe


def to_text(content: dict[str, Any]) -> str:
    """The document as text, one joint a line."""
    here = uuid.uuid4().hex  # where a package's joints go; no text of the document can hold it
    packages = [{**package, "joints": here} for package in content["packages"]]
    text = json.dumps({**content, "packages": packages}, indent=1, ensure_ascii=False, allow_nan=False)
    for package in content["packages"]:
        lines = ",\n".join(
            "   " + json.dumps(joint, ensure_ascii=False, allow_nan=False) for joint in package["joints"]
        )
        text = text.replace(f'"{here}"', f"[\n{lines}\n  ]", 1)
    return text


def _scan(scored: Scored) -> dict[str, Any]:
    scan, settings, scale = scored.scan, scored.settings, grey_scale(scored.scan, scored.settings)
    return {
        "file": scan.path.name,
        "board_id": settings.board_id,
        "note": settings.note,
        "facts": {str(name): str(value) for name, value in scan.facts.items()},
        "type": str(scan.volume.dtype),
        "voxels_xyz": list(scan.lattice.shape[::-1]),
        "voxel_mm_xyz": list(scan.lattice.spacing_mm),
        "origin_mm_xyz": list(scan.lattice.origin_mm),
        "grey": {"unit": scale.unit, "slope": scale.slope, "intercept": scale.intercept},
    }


def _detector(name: str, judge: Judge, decides: bool, table: pd.DataFrame) -> dict[str, Any]:
    """A detector with the cuts that hold for this scan; its whole card where it has one."""
    learned = judge.detector
    return {
        "name": learned.name,
        "columns": "rules" if name == "rules" else "score",
        "decides": decides,
        "thresholds_id": judge.thresholds.identity,
        "thresholds": dict(zip(KINDS, judge.thresholds.cuts(table[:1])[0].tolist(), strict=True)),
        "envelope": {n: list(ends) for n, ends in judge.envelope.ranges.items()} if judge.envelope else None,
        "card": learned.card.to_json() if isinstance(learned, LearnedDetector) else None,
    }


def _acceptance(acceptance: Acceptance | None) -> dict[str, Any] | None:
    if acceptance is None:
        return None
    return {
        "title": acceptance.title,
        "file": acceptance.path.name,
        "sha256": acceptance.sha256,
        "example": acceptance.example,
        "limits": [asdict(limit) for limit in acceptance.limits],
        "counts": [asdict(count) for count in acceptance.counts],
    }


def _outcome(sites: list[Site], acceptance: Acceptance | None) -> dict[str, Any]:
    present = sum(int(site.row["present"]) for site in sites)
    return {
        "sentence": verdict(sites, acceptance),
        "sites": len(sites),
        "present": present,
        "missing": len(sites) - present,
        "with_findings": sum(bool(site.findings) and bool(site.row["present"]) for site in sites),
        **counts(sites),
    }


def _package(scored: Scored, package: Package, table: pd.DataFrame, sites: list[Site]) -> dict[str, Any]:
    found, levels = package.found, package.cut.levels
    rows, cols = found.shape
    return {
        "component": package.array.component,
        "rows": rows,
        "cols": cols,
        "pitch_mm": found.pitch_mm,
        "pitch_given_mm": package.array.pitch_mm,
        "ball_mm": package.array.ball_mm,
        "axes": found.axes.tolist(),
        "tilt_deg": found.tilt_deg,
        "turn_deg": found.turn_deg,
        "bend_um": found.bend_um,
        "residual_voxels": found.residual_voxels,
        "levels": {"air": levels.air, "solder": levels.solder, "noise": levels.noise, "cnr": levels.cnr},
        "package_side": found.package_side,
        "package_side_sure": found.side_sure,
        "package_side_words": found.side_words,
        "a1_corner": found.array.a1_corner,
        "a1_assumed": found.a1_assumed,
        "remarks": list(found.remarks),
        "alerts": list(package.alerts),
        "shows": asdict(package.shows) if package.shows else None,
        "outcome": _outcome(sites, scored.acceptance),
        "joints": _joints(package, table),
    }


def _joints(package: Package, table: pd.DataFrame) -> list[dict[str, Any]]:
    """The rows of the table, findings as a list, and what was seen of each joint's size."""
    rows = table[[name for name in COLUMNS if name not in OF_THE_SCAN]].to_dict("records")
    sizes = package.found.sites[list(SIZES)].round(5).to_dict("records")
    return [
        {
            **row,
            **{name: bool(row[name]) for name in YES_OR_NO},
            "findings": split_findings(row["findings"]),
            **size,
        }
        for row, size in zip(rows, sizes, strict=True)
    ]


def _safe(value: Any) -> Any:
    """Plain JSON values: no numpy types, and null for what is not a finite number."""
    if isinstance(value, Mapping):
        return {str(key): _safe(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_safe(item) for item in value]
    if isinstance(value, np.generic):
        return _safe(value.item())
    if value is None or value is pd.NA or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return value
