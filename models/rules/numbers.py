"""One number per rule and joint: what the score of each kind is made from, and the measures of the table.

Every number is oriented so that more of it speaks for the kind, and is finite whatever the joint looks like.
"""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from jointwise.joints.grid import Grid
from jointwise.models.rules.bridges import Bridge, strongest_bridge
from jointwise.models.rules.cavities import Cavities, cavities
from jointwise.models.rules.edges import Body, Frame, outline
from jointwise.models.rules.lands import PILLOW, Land, lands
from jointwise.models.rules.profile import Profile, area_profile
from jointwise.models.rules.surface import Surface, darkest_surface

STANDARD: Final = Grid()
NUMBERS: Final = {
    "void": ("area", "missing", "clearly_missing", "deep", "shallow", "darkest", "blob", "texture", "no_gap"),
    "non_wet": (
        "steep",
        "steep_excess",
        "shelf",
        "shelf_excess",
        "sag",
        "sag_excess",
        "receded_third",
        "receded_half",
        "ledge_low",
        "no_ledge_high",
        "no_sheet",
        "no_notch",
    ),
    "bridging": ("narrow", "wide", "slender", "narrow_sigmas", "neck"),
    "head_in_pillow": (
        "dark_all",
        "dark_third",
        "dark_half",
        "over_third",
        "over_half",
        "notch",
        "notch_wide",
        "waist",
        "no_sag",
        "ledge_high",
        "no_ledge_low",
    ),
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
    """Apply every rule to one sub-volume; None where no ball stands.

    The rules count in steps of the standard grid; sub-volumes on another one are first brought to as many points.
    """
    volume, grid = on_standard_grid(volume, grid)
    body = outline(volume, Frame.of(grid, pitch_mm, ball_mm))
    if not body.present:
        return None
    board, package = lands(body)
    profile = area_profile(body)
    surface = darkest_surface(body)
    holes = cavities(body, (board, package), profile.largest_mm2, surface)
    bridge = strongest_bridge(body, board.z, package.z)
    return Examination(body, board, package, profile, surface, holes, bridge)


def on_standard_grid(volume: NDArray[np.floating], grid: Grid) -> tuple[NDArray[np.floating], Grid]:
    """A sub-volume brought to as many points as the standard grid has, and its grid."""
    if grid.shape == STANDARD.shape:
        return volume, grid
    zoom = [new / old for new, old in zip(STANDARD.shape, grid.shape, strict=True)]
    points = ndimage.zoom(volume.astype(np.float32), zoom, order=1, mode="nearest", grid_mode=True)
    return points, replace(grid, shape=STANDARD.shape)


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
        _log(c.missing, 1e-3),
        _log(c.clearly_missing, 1e-3),
        _log(c.deep, 0.01),
        _log(c.shallow, 0.01),
        _log(c.darkest, 0.02),
        _log(c.blob, 0.01),
        _log(c.texture, 0.01),
        -found.surface.reached(3),
    )


def _non_wet(found: Examination) -> tuple[float, ...]:
    ball = found.body.frame.ball
    odd, even = suspect(found)
    pairs = [(getattr(odd, name), getattr(even, name)) for name in ("steep_mm", "shelf_mm", "sag_mm")]
    lengths = [number / ball for a, b in pairs for number in (max(a, b), abs(a - b))]
    return (
        *lengths,
        _log(odd.reached(even, 3), 5.0),
        _log(odd.reached(even, 5), 5.0),
        _ledge(found, low=True),
        -_ledge(found, low=False),
        -found.surface.reached(3),
        -found.profile.notches_um[0] / ball / 1000,
    )


def _ledge(found: Examination, low: bool) -> float:
    """Clearest ledge at either land whose grey is that of copper (low) or of a pillow."""
    return max(
        (land.ledge for land in (found.board, found.package) if (land.ledge_level < PILLOW) == low),
        default=0.0,
    )


def suspect(found: Examination) -> tuple[Land, Land]:
    """The land that looks less wetted, and the other one."""
    a, b = found.board, found.package
    return (a, b) if a.oddity_mm > b.oddity_mm else (b, a)


def _bridging(found: Examination) -> tuple[float, ...]:
    b = found.bridge
    # A neck stands out more in the narrow blur, the air at a bulge's tip less.
    return b.narrow, b.wide, b.narrow - b.wide, _log(b.narrow_sigmas), _log(b.neck_um, 20.0)


def _pillow(found: Examination) -> tuple[float, ...]:
    s, p, ball = found.surface, found.profile, found.body.frame.ball
    return (
        s.reached(0),
        s.reached(3),
        s.reached(5),
        s.reached(3) - s.usual,
        s.reached(5) - s.usual,
        p.notches_um[0] / ball / 1000,
        p.notches_um[1] / ball / 1000,
        _log(p.waist_um, 5.0),
        -max(found.board.sag_mm, found.package.sag_mm) / ball,
        _ledge(found, low=False),
        -_ledge(found, low=True),
    )
