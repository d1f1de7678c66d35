"""What the lines over the slices mean and whose they are, in words for the head of the pictures."""

from typing import NamedTuple

from jointwise.scoring.report.masks import LEAST, SEEN, cell_um, with_masks
from jointwise.scoring.scored import Scored


class Line(NamedTuple):
    """One sort of line: its class in the page's style, and what it means."""

    kind: str
    words: str


SOLDER = Line("solder", "solder, at half of the joint's own step from air")
BY_RULES = (
    Line("void", "void"),
    Line("gap", "gap: metal missing"),
    Line("bonded", "where the same surface or land is bonded"),
    Line("neck", "neck, as thick as measured"),
)
BY_NETWORK = (
    Line(f"{SEEN}void", "void: short dashes"),
    Line(f"{SEEN}gap", "gap: long dashes"),
    Line(f"{SEEN}bridge", "bridge: dashes and dots"),
)


def legend(scored: Scored) -> list[tuple[str, list[Line]]]:
    """Who draws, and with which lines."""
    shows = with_masks(scored.bench) is not None
    groups = [("Measured in the image", [SOLDER])]
    if scored.bench.rules is not None or not shows:
        groups.append(("Measured by rules", list(BY_RULES)))
    if shows:
        groups.append(("Seen by the network, pale dashes on a dark line", list(BY_NETWORK)))
    return groups


def whose(scored: Scored) -> str:
    """How far the network's lines may be trusted, or why there are none; where pictures are cut."""
    place = "The ticks at the edges of a slice point to the place through which the other two are cut: "
    after = "it was chosen after the detector had judged, and need not be what moved the detector."
    if scored.bench.learned is None:
        return place + after
    if with_masks(scored.bench) is None:
        return (
            f"{place}{after} The network that judged does not show where it sees a fault: no line is its own."
        )
    cells = [
        cell_um(package.cut.joints.grid, package.array.pitch_mm, package.array.ball_mm)
        for package in scored.packages
    ]
    sizes = " or ".join(
        dict.fromkeys(f"{along:.0f} µm along the board and {up:.0f} µm high" for along, up in cells)
    )
    return (
        f"{place}where the network found the fault, the cell in which it sees most of it. The network tells of cells "
        f"{sizes} how much of them void, gap or bridge fill; its lines run at half of the joint's fullest cell, if "
        f"that is filled by {100 * LEAST:.0f} % or more. Of what is thinner than a cell they tell the place, not the "
        "thickness, which is measured from the sums. Its scores are made from these cells too, but not from them alone."
    )
