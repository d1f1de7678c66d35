"""How well arrays are found in generated scans: sites, position, side, pitch.

    python -m jointwise.bench.finding bench/finding.csv [boards]

Scans of our own generator of all six pitches, drawn with seed 78 (none of which the rule for the side was fitted to):
any mount, tilt up to 10° about x and about y, turned up to 43°, 11 to 20 voxels a ball, from 15 detected quanta a
pixel. Every second one is turned upside down. `boards`: a folder of development boards by the mesh program (a folder
each with board.mha, scan.json, truth.csv), all of which are high. `few quanta`: more scans of the generator, drawn with
seed 79, of 14 to 20 voxels a ball, 10 to 12 quanta a pixel and 70 to 100 views; of those the ones of CNR below 8.

Columns: what, n scans; lowest cnr; sites, found (right row, column and presence, within 1.5 voxels), invented; median
and largest error in voxels; side: right, wrong, asked for; the wrong ones' upper limit (Wilson, 95 %, of those told);
with neither pitch nor ball told: scans without a pitch, largest error of the pitch, median error of the ball, percent.
"""

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.scan import simulate_volume
from jointwise.data_gen.settings import (
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
    ProcessSettings,
    ScanSettings,
)
from jointwise.data_gen.shapes.scene import Infeasible
from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Lattice
from jointwise.scoring.finding.locate import locate
from jointwise.scoring.reading.formats import read_scan
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import AUTO, ArraySettings, ArrayWanted, ScoreSettings

SEED = 78
SCANS = 60
# Nominal ball, board land, package land and paste metal of each pitch: domain table A, as in configs/family.
FAMILIES = {
    0.4: (0.25, 0.20, 0.22, 0.0014), 0.5: (0.30, 0.25, 0.25, 0.0026), 0.65: (0.40, 0.30, 0.32, 0.0038),
    0.8: (0.50, 0.40, 0.40, 0.0072), 1.0: (0.60, 0.45, 0.50, 0.0091), 1.27: (0.75, 0.55, 0.60, 0.0160),
}  # fmt: skip
SCANNER = ScanSettings(
    voxels_per_ball=(11.0, 20.0),
    views=(180, 400),
    photons_per_pixel=(15.0, 2.0e4),
    tilt_deg=10.0,
    in_plane_deg=43.0,
)
FEW_QUANTA = replace(SCANNER, voxels_per_ball=(14.0, 20.0), views=(70, 100), photons_per_pixel=(10.0, 12.0))
FEW_QUANTA_SEED, FEW_QUANTA_SCANS, FEW_CNR = 79, 18, 8.0
NEAR_VOXELS = 1.5


@dataclass(frozen=True)
class Case:
    """A scan with its truth."""

    what: str
    scan: Scan
    truth: pd.DataFrame
    pitch: float
    ball: float
    side: str


def generated(
    first: int, last: int, seed: int = SEED, scanner: ScanSettings = SCANNER, what: str = "generated"
) -> Iterator[Case]:
    """Scans of the generator, every second upside down."""
    for number in range(first, last):
        pitch = sorted(FAMILIES)[number % len(FAMILIES)]
        try:
            record = draw_scan(settings(pitch, scanner), seed, number)
            volume, lattice, truth = simulate_volume(record, 0.5)
        except (Infeasible, InputError):
            continue  # the generator draws such a scan anew
        case = Case(
            f"{what}, {pitch:g} mm",
            Scan(Path(f"scan_{number}"), volume, lattice),
            truth,
            pitch,
            FAMILIES[pitch][0],
            "high",
        )
        yield upside_down(case) if number // len(FAMILIES) % 2 else case


def settings(pitch: float, scanner: ScanSettings = SCANNER) -> GeneratorSettings:
    """Boards of 4 to 6 rows and columns."""
    ball, board, package, paste = FAMILIES[pitch]
    family = FamilySettings(
        name=f"bga_{1000 * pitch:.0f}",
        pitch_mm=pitch,
        ball_mm=ball,
        board_land_mm=board,
        package_land_mm=package,
        ball_range_mm=(0.94 * ball, 1.06 * ball),
        board_land_range_mm=(0.9 * board, 1.08 * board),
        package_land_range_mm=(0.95 * package, 1.05 * package),
        paste_mm3=paste,
        rows=(4, 6),
        cols=(4, 6),
    )
    return GeneratorSettings(family=family, process=ProcessSettings(), defects=DefectSettings(), scan=scanner)


def upside_down(case: Case) -> Case:
    """The same scan turned about the file's x axis."""
    lattice = case.scan.lattice
    size = np.asarray(lattice.spacing_mm) * (np.asarray(lattice.shape[::-1]) - 1)
    _, y, z = (float(v) for v in -(np.asarray(lattice.origin_mm) + size))
    turned = Lattice(lattice.shape, (lattice.origin_mm[0], y, z), lattice.spacing_mm)
    volume = np.ascontiguousarray(case.scan.volume[::-1, ::-1, 0 : lattice.shape[2]])
    truth = case.truth.assign(
        y_mm=-case.truth["y_mm"], z_mm=-case.truth["z_mm"], row=case.truth["row"].max() - case.truth["row"]
    )
    return replace(case, scan=Scan(case.scan.path, volume, turned), truth=truth, side="low")


def boards(folder: Path) -> Iterator[Case]:
    """Development boards of the mesh program."""
    for facts in sorted(folder.glob("*/scan.json")):
        scan = json.loads(facts.read_text(encoding="utf-8"))
        truth = pd.read_csv(facts.with_name("truth.csv"))
        read = read_scan(facts.with_name("board.mha"))
        yield Case("mesh boards", read, truth, scan["pitch_mm"], scan["ball_mm"], "high")


def measure(case: Case) -> dict[str, object]:
    """What was found of one scan."""
    part = ArraySettings(case.pitch, case.ball, depopulated=["none"])
    tilt = ScoreSettings(package_side=case.side, max_tilt_deg=15.0)
    row: dict[str, object] = {"what": case.what, "sites": len(case.truth)}
    try:
        found = locate(case.scan, part, tilt)
    except InputError as error:
        print(case.scan.path, error)
        return row | {"found": 0, "invented": 0, "cnr": np.nan}
    both = case.truth.merge(found.sites, on=["row", "col"], suffixes=("_true", ""))
    true, ours = (both[[f"{a}_mm{end}" for a in "xyz"]].to_numpy() for end in ("_true", ""))
    off = np.linalg.norm(true - ours, axis=1) / case.scan.lattice.voxel_mm
    right = (off < NEAR_VOXELS) & (both["present"] == both["present_true"]).to_numpy()
    row |= {
        "found": int(right.sum()),
        "invented": len(found.sites) - len(both),
        "cnr": found.levels.cnr,
        "off": off,
    }
    return row | _side(case, part, tilt) | _pitch(case, tilt)


def _side(case: Case, part: ArraySettings, tilt: ScoreSettings) -> dict[str, object]:
    try:
        told = locate(case.scan, part, replace(tilt, package_side=AUTO))
    except InputError:
        return {"side": "asked"}
    return {"side": "right" if told.package_side == case.side else "wrong", "sure": told.side_sure}


def _pitch(case: Case, tilt: ScoreSettings) -> dict[str, object]:
    try:
        free = locate(case.scan, ArrayWanted(pitch_mm=None, ball_mm=None, depopulated=["none"]), tilt)
    except InputError as error:
        print(case.scan.path, "pitch not found:", error)
        return {"pitch": np.nan, "ball": np.nan}
    return {
        "pitch": 100 * (free.pitch_mm / case.pitch - 1),
        "ball": 100 * (free.array.ball_mm / case.ball - 1),
    }


def summary(rows: pd.DataFrame, what: str) -> dict[str, object]:
    """One line of the table."""
    off = np.concatenate([np.asarray(o) for o in rows["off"].dropna()])
    side = rows["side"].value_counts()
    right, wrong = int(side.get("right", 0)), int(side.get("wrong", 0))
    return {
        "what": what,
        "n": len(rows),
        "cnr_lowest": round(float(rows["cnr"].min()), 1),
        "sites": int(rows["sites"].sum()),
        "found": int(rows["found"].sum()),
        "invented": int(rows["invented"].sum()),
        "median_voxels": round(float(np.median(off)), 2),
        "largest_voxels": round(float(off.max()), 2),
        "side_right": right,
        "side_wrong": wrong,
        "side_asked": int(side.get("asked", 0)),
        "wrong_up_to_pct": round(100 * _upper(wrong, right + wrong), 1),
        "pitch_not_found": int(rows["pitch"].isna().sum()),
        "pitch_off_pct": round(float(rows["pitch"].abs().max()), 2),
        "ball_off_pct": round(float(rows["ball"].abs().median()), 1),
    }


def _upper(wrong: int, of: int) -> float:
    """Upper end of Wilson's 95 % interval."""
    if of == 0:
        return 1.0
    p, z = wrong / of, 1.96
    return (p + z * z / (2 * of) + z * np.sqrt(p * (1 - p) / of + z * z / (4 * of * of))) / (1 + z * z / of)


def main(out: Path, folder: Path | None) -> None:
    """Measure all and write the table."""
    rows = []
    for case in generated(0, SCANS):
        rows.append(measure(case))
        print(case.scan.path, rows[-1] | {"off": None}, flush=True)
    if folder is not None:
        rows += [measure(case) for case in boards(folder)]
    table = pd.DataFrame(rows)
    lines = [summary(group, str(what)) for what, group in table.groupby("what")]
    drawn = table[table["what"].str.startswith("generated")]
    lines.append(summary(drawn, "generated, all"))
    noisy = drawn[drawn["cnr"] < 20]
    if len(noisy):
        lines.append(summary(noisy, "generated, CNR below 20"))
    few = [
        measure(case) for case in generated(0, FEW_QUANTA_SCANS, FEW_QUANTA_SEED, FEW_QUANTA, "few quanta")
    ]
    within = pd.DataFrame(few)
    within = within[~(within["cnr"] >= FEW_CNR)]  # one that was not found counts, whatever its CNR
    lines.append(summary(within, "few quanta, CNR below 8"))
    pd.DataFrame(lines).to_csv(out, index=False)


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        raise InputError("expected the table to write, and perhaps a folder of development boards")
    main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) == 3 else None)
