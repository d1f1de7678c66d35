"""How detectors are told apart in curves: by dash and marker first, by colour besides."""

from typing import Final, NamedTuple

from jointwise.evaluation.pictures.joint_picture import ACCENT, INK, QUIET


class Pen(NamedTuple):
    """Colour, dash and marker of a detector, as matplotlib names them."""

    colour: str
    dash: str | tuple[int, tuple[float, ...]]
    marker: str


PENS: Final = (
    Pen(INK, "-", "o"),
    Pen(ACCENT, (0, (5.0, 2.0)), "s"),
    Pen(QUIET, (0, (1.5, 1.5)), "^"),
    Pen("#1d5c8f", (0, (6.0, 2.0, 1.5, 2.0)), "D"),
    Pen(INK, (0, (3.0, 1.0)), "v"),
    Pen(ACCENT, (0, (8.0, 3.0)), "P"),
)


def pen(number: int) -> Pen:
    """Of the detector that stands at a place in its set; the seventh looks like the first."""
    return PENS[number % len(PENS)]
