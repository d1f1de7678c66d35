"""A package before its side and its names are known: its sites, by a pitch and a ball told or found."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from jointwise.joints.errors import InputError
from jointwise.joints.grid import Grid
from jointwise.joints.levels import Levels
from jointwise.scoring.finding.first_look import first_look
from jointwise.scoring.finding.frame import first_frame
from jointwise.scoring.finding.layout import Layout, Lie, lies
from jointwise.scoring.finding.not_found import NotFound
from jointwise.scoring.finding.pitch import RARE_SHARES, USUAL_SHARE, WIDENING, Pitches, other_pitch
from jointwise.scoring.finding.search import Search
from jointwise.scoring.finding.sites import (
    Index,
    Sites,
    check_balls,
    look_closer,
    rectangle,
    trust,
    without_strays,
)
from jointwise.scoring.grey import array_levels
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import A1_CORNERS, ArraySettings, ArrayWanted, check_array

ROUGH = Grid((24, 28, 28))  # to read first levels on: fast, and fine enough for medians
FEWEST_VOXELS_PER_BALL = 5.0
SAME_PITCH = 0.015  # a guess so near one that was refused is the same
BALL_IS_RIGHT = 0.06  # a ball measured anew is taken as found when it moves less than this


@dataclass(frozen=True)
class Draft:
    """A package before its side and its names are known.

    Args:
        part: pitch and ball as used.
        sites: its sites.
        levels: air and solder level, noise.
        lies: how a layout may lie, best first; empty without one.
    """

    part: ArraySettings
    sites: Sites
    levels: Levels
    lies: tuple[Lie, ...]

    @property
    def ball_mm(self) -> float:
        """Ball before reflow as the outlines tell it, mm."""
        seen = self.sites.shapes.diameter_mm[trust(self.sites.shapes, self.part)]
        return float(np.median(seen)) / WIDENING


def drafted(search: Search, array: ArrayWanted, layout: Layout | None, certain: bool) -> Draft:
    """The package with most balls of those not found yet; pitch and ball measured where they were not told.

    Args:
        search: the scan.
        array: what is known of the part.
        layout: its balls, or none for a rectangle.
        certain: refuse what chance might give.

    Raises:
        NotFound: no pitch holds.
    """
    pitch = array.pitch_mm if layout is None else layout.pitch_mm
    if pitch is not None:
        return _with_pitch(search, array, pitch, layout, certain)
    pitches = Pitches(search, array.ball_mm)
    refused: dict[float, InputError] = {}
    for guess in pitches:
        if any(abs(guess / other - 1) < SAME_PITCH for other in refused):
            continue
        ball = array.ball_mm or USUAL_SHARE * guess
        try:
            draft = _measured(search, array, guess, ball, None, certain, told=False)
            _check_open(search, draft)
            return draft
        except InputError as error:
            refused[guess] = error
    raise pitches.none_holds(refused)


def _check_open(search: Search, draft: Draft) -> None:
    """Refuse a pitch found where the balls may be an array of another one just as well."""
    present = draft.sites.present(draft.part)
    row, col = (np.asarray(index, np.int64)[present] for index in (draft.sites.row, draft.sites.col))
    other = other_pitch(row, col)
    if other is not None:
        pitch = draft.part.pitch_mm
        raise InputError(
            f"array.pitch_mm: expected an array of which {search.scan.path} tells the pitch, found balls "
            f"{pitch:.3g} mm apart on a lattice that may as well be one of {other * pitch:.3g} mm; give array.pitch_mm"
        )


def _with_pitch(
    search: Search, array: ArrayWanted, pitch: float, layout: Layout | None, certain: bool
) -> Draft:
    """A draft where the pitch was told; balls of rare sizes are tried too where theirs was not."""
    if array.ball_mm is None:
        for share in (USUAL_SHARE, *RARE_SHARES):
            try:
                return _measured(search, array, pitch, share * pitch, layout, certain, told=False)
            except InputError:
                continue  # said below of the usual size
    return _measured(search, array, pitch, array.ball_mm or USUAL_SHARE * pitch, layout, certain)


def _measured(
    search: Search,
    array: ArrayWanted,
    pitch: float,
    ball: float,
    layout: Layout | None,
    certain: bool,
    told: bool = True,
) -> Draft:
    """A draft from a pitch and a ball, each measured anew unless it was told."""
    free = array.pitch_mm is None and layout is None
    ball = round(ball, 4)
    for _ in range(3):
        draft = _draft(search, known(array, pitch, ball), layout, certain, told)
        if free:
            pitch = round(draft.sites.frame.lattice.pitch_mm, 4)
        if array.ball_mm is not None or abs(draft.ball_mm / ball - 1) < BALL_IS_RIGHT:
            break
        ball = round(draft.ball_mm, 4)
    return replace(draft, part=known(array, pitch, ball))


def known(array: ArrayWanted, pitch: float, ball: float) -> ArraySettings:
    fields = {name: getattr(array, name) for name in ArrayWanted.__dataclass_fields__}
    corner = array.a1_corner or A1_CORNERS[0]
    return ArraySettings(**(fields | {"pitch_mm": pitch, "ball_mm": ball, "a1_corner": corner}))


def _check_voxels(scan: Scan, array: ArraySettings) -> None:
    per_ball = array.ball_mm / scan.lattice.voxel_mm
    if per_ball < FEWEST_VOXELS_PER_BALL:
        raise InputError(
            f"expected at least {FEWEST_VOXELS_PER_BALL:g} voxels across a ball, found {per_ball:.1f} "
            f"(array.ball_mm={array.ball_mm:g}, voxels of {1000 * scan.lattice.voxel_mm:.3g} µm in {scan.path}); "
            "scan finer, or check array= and the spacing in the file"
        )


def _draft(
    search: Search, array: ArraySettings, layout: Layout | None, certain: bool, told: bool = True
) -> Draft:
    """Sites of the package with most balls, not yet named.

    Args:
        search: the scan.
        array: the part.
        layout: its balls, or none for a rectangle.
        certain: refuse what chance might give.
        told: the pitch was told, so that a refusal is to say which one fits instead.
    """
    check_array(array)
    _check_voxels(search.scan, array)
    scan, look = search.scan, first_look(search, array, told)
    if certain and not look.certain:
        raise NotFound(look.no_balls(scan), look.seen(scan))
    ways = () if layout is None else tuple(lies(layout, look))
    row: Index
    col: Index
    if ways:
        frame = first_frame(look.plane, look.lattice)
        row, col = ways[0].row, ways[0].col
    else:
        row, col, frame = rectangle(scan, look, array)
    places = frame.place(row, col)
    apart, _ = cKDTree(look.points_mm).query(places)
    levels = array_levels(scan, places[apart < 0.35 * array.pitch_mm], frame.axes, array, ROUGH)
    sites = look_closer(scan, array, row, col, frame, levels)
    check_balls(scan, array, sites, look)
    return Draft(array, sites if ways else without_strays(scan, array, sites), levels, ways)
