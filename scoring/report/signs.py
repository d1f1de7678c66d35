"""One sign per finding: a word, a short word and a shape, so that it reads without colour.

The shapes recall what is seen in a slice: a hole, a gap at the foot, two joined balls, a cap over a cushion, nothing.
A shape is a set of closed outlines in a square from -1 to 1, y up; an outline that runs clockwise is a hole.
"""

from typing import NamedTuple

import numpy as np
from matplotlib.path import Path
from numpy.typing import NDArray

from jointwise.joints.kinds import TITLES

Outline = NDArray[np.float64]


class Sign(NamedTuple):
    """How one finding is shown.

    Args:
        word: in running text.
        short: beside a small drawing.
        shape: closed outlines, each (n, 2).
        meaning: one clause for the legend.
    """

    word: str
    short: str
    shape: tuple[Outline, ...]
    meaning: str


def _disc(x: float, y: float, radius: float, start: float = 0.0, turn: float = 360.0) -> Outline:
    angle = np.radians(np.linspace(start, start + turn, 33))
    return np.stack([x + radius * np.cos(angle), y + radius * np.sin(angle)], axis=1)


def _bar(x: float, y: float, half_wide: float, half_tall: float) -> Outline:
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=np.float64)
    return corners * [half_wide, half_tall] + [x, y]


def _bowl(y: float, depth: float) -> Outline:
    """A sagging curve from right to left, the edge between a cap and its cushion."""
    x = np.linspace(0.8, -0.8, 17)
    return np.stack([x, y - depth * (1 - (x / 0.8) ** 2)], axis=1)


def _cross() -> tuple[Outline, ...]:
    turned = np.array([[1, 1], [-1, 1]]) / np.sqrt(2)
    return _bar(0, 0, 0.95, 0.17) @ turned, _bar(0, 0, 0.95, 0.17) @ turned.T


_CAP = np.concatenate([_disc(0, 0.15, 0.8, 0, 180), _bowl(0.15, 0.3)[::-1]])
_CUSHION = np.concatenate([_bowl(-0.15, 0.3), [[-0.8, -0.85], [0.8, -0.85]]])

SIGNS = {
    "void": Sign(TITLES["void"], "void", (_disc(0, 0, 0.82), _disc(0, 0, 0.4)[::-1]), "gas in the solder"),
    "non_wet": Sign(
        TITLES["non_wet"],
        "open",
        (_disc(0, -0.25, 0.85, 0, 180), _bar(0, -0.68, 0.85, 0.14)),
        "the solder does not join a land",
    ),
    "bridging": Sign(
        TITLES["bridging"],
        "bridge",
        (_disc(-0.55, 0, 0.44), _disc(0.55, 0, 0.44), _bar(0, 0, 0.5, 0.14)),
        "solder joins the joint to a neighbour",
    ),
    "head_in_pillow": Sign(
        TITLES["head_in_pillow"], "pillow", (_CAP, _CUSHION), "ball and paste touch but have not merged"
    ),
    "missing": Sign("missing", "missing", _cross(), "no ball at this site"),
}
"""Every kind, and the missing ball."""

ORDER = ("missing", "bridging", "non_wet", "head_in_pillow", "void")
"""Which sign stands for a joint with several findings: the one that matters most to a circuit comes first."""


def svg_path(kind: str) -> str:
    """The shape as an SVG path in a square from -1 to 1, y down."""
    outlines = (
        "M" + " ".join(f"{x:.2f} {-y:.2f}" for x, y in outline) + "Z" for outline in SIGNS[kind].shape
    )
    return f'<path d="{"".join(outlines)}"/>'


def marker(kind: str) -> Path:
    """The shape as a marker of a plot."""
    return Path.make_compound_path(*(Path(outline, closed=False) for outline in SIGNS[kind].shape))


def chief(findings: list[str]) -> str | None:
    """The finding whose sign stands for the joint."""
    return next((kind for kind in ORDER if kind in findings), None)


def in_words(findings: list[str]) -> str:
    """Findings as text, gravest first."""
    return ", ".join(SIGNS[kind].word for kind in ORDER if kind in findings)


def split_findings(value: object) -> list[str]:
    """Kinds in a cell of the column `findings`; an empty list for an empty cell."""
    return [word for word in value.split(";") if word] if isinstance(value, str) else []
