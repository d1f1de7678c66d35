"""One number per rule and joint: what the score of each kind is made from, and the measures of the table.

Every number is oriented so that more of it speaks for the kind, and is finite whatever the joint looks like.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from jointwise.joints.grid import Grid
from jointwise.models.rules.bridges import Bridge, strongest_bridge
from jointwise.models.rules.cavities import Cavities, cavities
from jointwise.models.rules.edges import Body, Frame, outline
from jointwise.models.rules.lands import Land, lands
from jointwise.models.rules.profile import Profile, area_profile
from jointwise.models.rules.surface import Surface, darkest_surface

NUMBERS: Final = {
    "void": ("area", "volume", "largest", "interface", "missing", "sharpness", "no_sheet"),
    "non_wet": ("receded_third", "receded_half", "receded_whole", "receded_deep", "excess", "dip"),
    "bridging": ("narrow", "wide", "narrow_sigmas", "wide_sigmas", "neck"),
    "head_in_pillow": ("gap_third", "gap_half", "gap_whole", "gap_sigmas", "waist", "wetted"),
}
"""Names of the numbers per kind, in the order of their columns."""


@dataclass(frozen=True)
class Examination:
    """All that the rules found in one joint."""

    body: Body
    board: Land
    package: Land
    profile: Profile
    surface: Surface
    cavities: Cavities
    bridge: Bridge


def examine(volume: NDArray[np.floating], grid: Grid, pitch_mm: float, ball_mm: float) -> Examination | None:
    """Apply every rule to one sub-volume; None where no ball stands."""
    body = outline(volume, Frame.of(grid, pitch_mm, ball_mm))
    if not body.present:
        return None
    board, package = lands(body)
    ends = board.z, package.z
    profile = area_profile(body, *ends)
    surface = darkest_surface(body, *ends)
    holes = cavities(body, ends, profile.largest_mm2, surface.sheet(body))
    bridge = strongest_bridge(body, *ends)
    return Examination(body, board, package, profile, surface, holes, bridge)


def numbers_of(found: Examination) -> dict[str, tuple[float, ...]]:
    """The numbers of one joint per kind, in the order of NUMBERS."""
    return {
        "void": _void(found),
        "non_wet": _non_wet(found),
        "bridging": _bridging(found),
        "head_in_pillow": _pillow(found),
    }


def _log(value: float, unit: float = 1.0) -> float:
    """Logarithm that starts at 0: differences matter in proportion, and nothing is infinite."""
    return float(np.log1p(max(value, 0.0) / unit))


def _void(found: Examination) -> tuple[float, ...]:
    c = found.cavities
    return (
        _log(c.area_pct),
        _log(c.volume_pct, 0.2),
        _log(c.largest_pct),
        _log(c.interface_pct),
        _log(c.missing_pct, 0.2),
        _log(c.sharpness),
        -_log(found.surface.reached(3), 3.0),
    )


def _non_wet(found: Examination) -> tuple[float, ...]:
    worse, better = found.board, found.package
    if better.reached(3) > worse.reached(3):
        worse, better = better, worse
    return (
        _log(worse.reached(3), 5.0),
        _log(worse.reached(5), 5.0),
        _log(worse.reached(0), 5.0),
        _log(worse.reached(8), 5.0),
        _log(worse.reached(3) - better.reached(5), 2.0),
        _log(worse.dip, 0.02),
    )


def _bridging(found: Examination) -> tuple[float, ...]:
    b = found.bridge
    return b.narrow, b.wide, _log(b.narrow_sigmas), _log(b.wide_sigmas), _log(b.neck_um, 20.0)


def _pillow(found: Examination) -> tuple[float, ...]:
    s = found.surface
    third, half, whole = s.reached(3), s.reached(5), s.reached(0)
    worst = max(found.board.reached(3), found.package.reached(3))
    return (
        _log(third, 3.0),
        _log(half, 3.0),
        _log(whole, 3.0),
        _log(third / max(s.spread, 0.5)),
        _log(found.profile.waist_um, 5.0),
        -_log(worst, 5.0),
    )
