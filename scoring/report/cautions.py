"""What every report says about its own limits, and what it says about this scan in particular."""

import pandas as pd

from jointwise.scoring.finding.locate import OTHERS, ArrayFound
from jointwise.scoring.judging.judge import OFF_THE_SCAN
from jointwise.scoring.scored import Package, Scored
from jointwise.scoring.settings import ArraySettings

COARSE = 10.0  # voxels across a ball
ODD_PITCH = 0.02
LOOSE_VOXELS = 2.0
DOUBTED_SIDE = "Check package_side"
"""Stands in the finder's remark where the scan speaks against the side that was given."""


def cautions(voxel_mm: float) -> list[str]:
    """Sentences for the foot of a report.

    Args:
        voxel_mm: voxel size of the scan, mm.
    """
    half = 500 * voxel_mm
    return [
        "This is an aid for choosing which joints to look at. A qualified inspector decides on each of "
        "them, by the standard and the edition that the contract names. A joint without a finding is not "
        "proven sound, and a finding is not a rejection.",
        f"Gaps and cracks thinner than about half a voxel, here {half:.2g} µm, are mostly not found by the detectors, "
        "even where the image itself could show less. What cannot be seen at all: cracks that are closed, films "
        "of oxide (to X-rays a ball that touches its paste is joined to it), the quality of the metal layers at "
        "the lands, whether current flows, how long the joint will last, or anything outside the small volume "
        "around each joint. In laminography flat gaps along the board are lost as well.",
        "The detectors were trained and tried out on simulated scans. How often they are right on real ones "
        "is not known from that: compare with joints that people have read or cut open before trusting the "
        "rates.",
        "They hold only within the range they were tested on (pitch, ball, alloy, voxel size, noise, tube "
        "voltage, mounting, reconstruction). Joints outside the known part of that range are marked for review.",
        "Keep the settings, the detector's version and the thresholds together with every verdict; limits "
        "for acceptance are yours to set.",
        "X-rays harm. Scan only in a shielded cabinet with working interlocks and warning lights, under "
        "your site's licence or registration and its radiation safety rules, and never defeat an interlock. "
        "This program drives no tube and protects nobody. Dose can also harm semiconductors: keep a log of "
        "it.",
    ]


def alerts(scored: Scored) -> list[str]:
    """What must be read before anything else: what judging says, what is unusual; what holds for all packages once."""
    of = [_of_package(package) for package in scored.packages]
    common = [words for words in of[0] if all(words in its for its in of)]
    said = list(common)
    for package, its in zip(scored.packages, of, strict=True):
        part = f"{package.array.component}: " if len(of) > 1 and package.array.component else ""
        said += [f"{part}{words}" for words in its if words not in common]
    return list(dict.fromkeys(said))


def _of_package(package: Package) -> list[str]:
    words = [*package.alerts, *warnings(package.table, package.found, package.array)]
    words += [
        remark for remark in package.found.remarks if DOUBTED_SIDE in remark or remark.startswith(OTHERS)
    ]
    if package.found.a1_assumed:
        words.append(
            "Nobody told where A1 is, so the names of all balls are assumed: check them against the part."
        )
    return words


def warnings(table: pd.DataFrame, found: ArrayFound, array: ArraySettings) -> list[str]:
    """What is unusual about this scan; an empty list when nothing is.

    Args:
        table: the scored table.
        found: the array in the scan.
        array: what the user said of the part.
    """
    said = []
    per_ball = float(table["voxels_per_ball"].iloc[0])
    if per_ball < COARSE:
        said.append(
            f"The voxels are coarse: only {per_ball:.1f} lie across a ball, so thin gaps do not show."
        )
    off = found.pitch_mm / array.pitch_mm - 1
    if abs(off) > ODD_PITCH:
        said.append(
            f"The pitch found is {100 * off:+.1f} % off the given one: check the array and the voxel size in the file."
        )
    if found.residual_voxels > LOOSE_VOXELS:
        said.append(
            f"The joints lie {found.residual_voxels:.1f} voxels off their lattice: positions may be wrong."
        )
    cut_off = int(
        (table["present"].eq(1) & table["reason"].str.contains(OFF_THE_SCAN, na=False, regex=False)).sum()
    )
    if cut_off:
        said.append(
            f"{cut_off} of {len(table)} joints are for review since the edge of the scan cuts them off."
        )
    return said
