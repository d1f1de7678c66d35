"""Scored scans made straight from drawn joints, without reading, finding or judging: what report and files are made of.

A joint is a sphere cut flat at both lands, its edge as soft as a voxel, drawn in closed form on the standard grid; its
faults lie at known places.
"""

from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jointwise.joints.batch import Joints
from jointwise.joints.grid import Grid
from jointwise.joints.kinds import KINDS
from jointwise.joints.lattice import Lattice
from jointwise.joints.levels import Levels
from jointwise.joints.names import ball_name
from jointwise.joints.schema import COLUMNS, MEASURES, RULES, SCORES
from jointwise.models.bench import Bench, Judge
from jointwise.models.protocol import empty_measures
from jointwise.models.thresholds import Thresholds
from jointwise.scoring.cut import CutArray
from jointwise.scoring.finding.locate import ArrayFound
from jointwise.scoring.judging.acceptance import Acceptance, Limit
from jointwise.scoring.judging.shows import Shows
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.scored import Package, Scored
from jointwise.scoring.settings import ArraySettings, ScoreSettings

GRID = Grid()
PITCH, BALL = 0.8, 0.5
LAND = 0.36 * BALL  # height of either land over the middle, mm
RADIUS = 0.54 * BALL
VOID = (0.06, -0.04, 0.02, 0.06)  # x, y, z, radius, mm
GAP = (-0.05, 0.024)  # height of a flat gap's middle, and its width, mm
NECK = (0.04, 0.08)  # height of a bridge's axis, and its radius, mm
CUTS = Thresholds(((0.5,) * 4,), "false_calls", 0.01, ((20,) * 4,), ((80,) * 4,))
LIMITS = (
    Limit("no bridge", "bridging", "", None, None, "all", "reject"),
    Limit("void area", "", "void_projected_area_pct", 15.0, None, "rim", "reject"),
)
ACCEPTANCE = Acceptance("Contract 7, edition 2", Path("limits.yaml"), "ab" * 32, LIMITS, example=False)
SHOWS = Shows(12.0, 80.0, 2.1, 25.0, 50.0, 20.0, ("A voxel is 25 µm.",))


@dataclass(frozen=True)
class Silent:
    """A detector that is never asked."""

    name: str

    def score(self, joints: Joints) -> NDArray[np.float64]:
        return np.zeros((len(joints), len(KINDS)))

    def measure(self, joints: Joints) -> pd.DataFrame:
        return empty_measures(len(joints))


BENCH = Bench(rules=Judge(Silent("rules"), CUTS), learned=Judge(Silent("net"), CUTS))


def drawn(kind: str = "", seed: int = 0, noise: float = 0.02) -> NDArray[np.float32]:
    """(z, y, x) of a joint with one fault or none; neighbours' flanks are in it."""
    x, y, z = GRID.offsets_mm(PITCH, BALL)
    zz, yy, xx = np.meshgrid(z, y, x, indexing="ij")

    def solid(distance: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.clip(0.5 + distance / 0.025, 0, 1))

    def ball(x0: float, y0: float) -> NDArray[np.float64]:
        return solid(RADIUS - np.sqrt((xx - x0) ** 2 + (yy - y0) ** 2 + zz**2)) * solid(LAND - np.abs(zz))

    own = ball(0, 0)
    if kind == "void":
        own *= 1 - solid(VOID[3] - np.sqrt((xx - VOID[0]) ** 2 + (yy - VOID[1]) ** 2 + (zz - VOID[2]) ** 2))
    if kind == "head_in_pillow":
        own *= solid(np.abs(zz - GAP[0]) - GAP[1] / 2)
    if kind == "bridging":
        own = np.maximum(own, solid(NECK[1] - np.hypot(yy, zz - NECK[0])) * (xx > 0))
    for x0, y0 in ((PITCH, 0), (-PITCH, 0), (0, PITCH), (0, -PITCH)):
        own = np.maximum(own, ball(x0, y0))
    own += noise * np.random.default_rng(seed).standard_normal(own.shape)
    return own.astype(np.float32)


def package(
    rows: int = 4,
    cols: int = 4,
    faults: dict[tuple[int, int], str] | None = None,
    dispositions: dict[tuple[int, int], str] | None = None,
    **changes: Any,
) -> Package:
    """An array with faults at some sites (`missing` for no ball) and dispositions at some."""
    sites = _sites(rows, cols, faults or {})
    present = sites["present"].to_numpy() == 1
    looks = {kind: drawn(kind).astype(np.float16) for kind in {"", *(faults or {}).values()} - {"missing"}}
    of = [(faults or {}).get((r, c), "") for r, c in zip(sites["row"], sites["col"], strict=True)]
    volumes = np.array([looks[kind] for kind in of if kind != "missing"], np.float16).reshape(-1, *GRID.shape)
    levels = Levels(0.0, 1.0, 0.02)
    joints = Joints(volumes, sites[present].reset_index(drop=True), GRID)
    cut = CutArray(sites, joints, levels)
    array = ArraySettings(pitch_mm=PITCH, ball_mm=BALL, component="U7")
    made = Package(array, _found(sites, levels, array), cut, _table(sites, of, dispositions or {}), SHOWS)
    return replace(made, **changes)


def scored(*packages: Package, **changes: Any) -> Scored:
    """A scan with the packages, or with one whose every kind of fault is there."""
    every = {
        (0, 0): "void",
        (1, 1): "bridging",
        (1, 2): "bridging",
        (2, 3): "head_in_pillow",
        (3, 3): "missing",
    }
    lattice = Lattice((8, 8, 8), (0.0, 0.0, 0.0), (0.025,) * 3)
    scan = Scan(
        Path("board 7 & co.mha"), np.zeros(lattice.shape, np.float32), lattice, {"format": "MetaImage"}
    )
    made = Scored(
        scan, ScoreSettings(), BENCH, packages or (package(faults=every),), seconds={"finding": 1.5}
    )
    return replace(made, **changes)


def named(its: Package, balls: dict[int, str]) -> Package:
    """The package with other names for some of its rows."""
    table = its.table.copy()
    table["ball"] = [balls.get(i, name) for i, name in enumerate(table["ball"])]
    return replace(its, table=table)


def _sites(rows: int, cols: int, faults: dict[tuple[int, int], str]) -> pd.DataFrame:
    row, col = np.divmod(np.arange(rows * cols), cols)
    there = [int(faults.get((r, c)) != "missing") for r, c in zip(row.tolist(), col.tolist(), strict=True)]
    return pd.DataFrame(
        {
            "scan": "board 7 & co",
            "board_id": "7",
            "component": "U7",
            "ball": [ball_name(int(r), int(c)) for r, c in zip(row, col, strict=True)],
            "row": row,
            "col": col,
            "x_mm": col * PITCH,
            "y_mm": row * PITCH,
            "z_mm": 0.0,
            "present": there,
            "diameter_mm": np.where(there, 2 * RADIUS, np.nan),
            "height_mm": np.where(there, 2 * LAND, np.nan),
            "metal_share": np.array(there, dtype=float),
            "in_field": True,
            "pitch_mm": PITCH,
            "ball_mm": BALL,
            "voxels_per_ball": 20.0,
            "cnr": 50.0,
            "lane": 0.0,
        }
    )


def _found(sites: pd.DataFrame, levels: Levels, array: ArraySettings) -> ArrayFound:
    told: dict[str, Any] = {
        "sites": sites,
        "axes": np.eye(3),
        "pitch_mm": PITCH,
        "residual_voxels": 0.1,
        "levels": levels,
        "tilt_deg": 1.0,
        "turn_deg": 2.0,
        "bend_um": 3.0,
        "array": array,
        "package_side": "high",
        "side_sure": 1.0,
        "side_words": "",
        "a1_assumed": False,
    }
    return ArrayFound(**{field.name: told[field.name] for field in fields(ArrayFound) if field.name in told})


def _table(sites: pd.DataFrame, of: list[str], dispositions: dict[tuple[int, int], str]) -> pd.DataFrame:
    table = sites.copy()
    present = table["present"].to_numpy() == 1
    for name in (*SCORES, *RULES):
        table[name] = np.where(present, np.where(np.array(of) == name.partition("_")[2], 0.9, 0.1), np.nan)
    table[list(MEASURES)] = np.nan
    table["void_projected_area_pct"] = np.where(present, np.where(np.array(of) == "void", 12.25, 0.5), np.nan)
    table["gap_um"] = np.where(np.array(of) == "head_in_pillow", 24.0, np.nan)
    table["bridge_neck_um"] = np.where(np.array(of) == "bridging", 160.0, np.nan)
    table["findings"] = [kind or None for kind in of]
    where = list(zip(sites["row"], sites["col"], strict=True))
    table["disposition"] = [dispositions.get(place) for place in where]
    table["reason"] = [
        f"{dispositions[place]}ed for a reason" if place in dispositions else None for place in where
    ]
    table["detector"], table["thresholds_id"], table["out_of_envelope"] = "net", CUTS.identity, 0
    return table.reindex(columns=list(COLUMNS))
