"""Find ball grid arrays in a scan: every site, named, with its place, and how the board lies."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Vector
from jointwise.models.names import AUTO
from jointwise.scoring.finding.draft import Draft, drafted, known
from jointwise.scoring.finding.empties import left_empty
from jointwise.scoring.finding.first_look import best_layer, first_look, fits
from jointwise.scoring.finding.found import ArrayFound
from jointwise.scoring.finding.layout import Layout, read_layout, told_side
from jointwise.scoring.finding.named import Named, name_layout, name_rectangle
from jointwise.scoring.finding.naming import depopulated_sites
from jointwise.scoring.finding.not_found import NotFound
from jointwise.scoring.finding.search import Search
from jointwise.scoring.finding.side import MOST_SURE, SURE_ENOUGH, Side, see_side
from jointwise.scoring.finding.sites import (
    Sites,
    check_in_scan,
    in_field,
    look_closer,
    settled,
)
from jointwise.scoring.reading.scan import Scan
from jointwise.scoring.settings import (
    MOST_PACKAGES,
    ArraySettings,
    ArrayWanted,
    ScoreSettings,
    check_array,
    check_score,
)

__all__ = ["ArrayFound", "locate", "locate_all"]

SURE_TO_DOUBT = 0.95  # before the user's word on the side is questioned
TRIES = 10  # packages looked at in the search for the one at a given place

OTHERS = "Another array was seen and not scored"
"""Begins the remark on a package that nobody asked for."""


def locate(scan: Scan, array: ArrayWanted, settings: ScoreSettings) -> ArrayFound:
    """Find one package of an array, the one with most balls if there are several.

    Args:
        scan: the scan.
        array: what is known of the part; `packages` is not looked at.
        settings: package side and largest tilt.

    Raises:
        InputError: settings that make no sense, voxels too coarse, a layout that does not fit, a side that is unsure.
        NotFound: no balls, another pitch, another ball size; with what was seen.
    """
    return locate_all(scan, [replace(array, packages=1)], settings)[0]


def locate_all(scan: Scan, arrays: Sequence[ArrayWanted], settings: ScoreSettings) -> list[ArrayFound]:
    """Find all packages of all parts, in the order of the parts; several of one part by their place (y, then x).

    Args:
        scan: the scan; read box by box.
        arrays: the parts.
        settings: package side and largest tilt.

    Raises:
        InputError: as for :func:`locate`; or fewer packages than the user said.
    """
    check_score(settings)
    search = Search(scan, settings.max_tilt_deg)
    found: list[ArrayFound] = []
    for array in arrays:
        check_array(array)
        found += _packages(search, array, settings)
    return [_with_others(search, one) for one in found]


def _with_others(search: Search, one: ArrayFound) -> ArrayFound:
    """The package, with a remark if balls like its own stand on a lattice of their own outside all packages found."""
    pitch, ball = one.array.pitch_mm, one.array.ball_mm
    look = best_layer(search.candidates(pitch, ball), pitch, ball, search.max_tilt_deg)
    if look is None or not fits(look) or not look.certain:
        return one
    x, y, _ = look.points_mm[look.own].mean(axis=0)
    what = f"{int(look.own.sum())} balls about x {x:.3g} mm, y {y:.3g} mm stand {look.lattice.pitch_mm:.3g} mm apart"
    remedy = "give array.packages=null for all packages of this part, or parts="
    words = f"{OTHERS}: {what} as these do; {remedy}."
    return replace(one, remarks=(*one.remarks, words))


def _packages(search: Search, array: ArrayWanted, settings: ScoreSettings) -> list[ArrayFound]:
    """All wanted packages of one part."""
    found: list[ArrayFound] = []
    for number in range(array.packages or MOST_PACKAGES):
        try:
            one = _at_its_place(search, array, settings, certain=array.packages is None and number > 0)
        except NotFound as error:
            if array.packages is None and found:
                break
            if not found:
                raise
            raise NotFound(
                f"expected {array.packages} packages (array.packages) in {search.scan.path}, found {len(found)}; "
                f"correct it (null = as many as there are), or scan the whole board ({error})",
                error.seen,
            ) from error
        found.append(one)
        search.found.append(one)
    return _numbered(found, array) if array.packages != 1 else found


def _numbered(found: list[ArrayFound], array: ArrayWanted) -> list[ArrayFound]:
    """Several packages of one part get designators of their own, by their place in the file."""
    found = sorted(
        found, key=lambda one: tuple(np.round(one.middle_mm[[1, 0]] / (2 * one.pitch_mm)).tolist())
    )
    stem = array.component or "package"
    return [
        replace(one, array=replace(one.array, component=f"{stem}_{n + 1}", packages=1))
        for n, one in enumerate(found)
    ]


def _at_its_place(search: Search, array: ArrayWanted, settings: ScoreSettings, certain: bool) -> ArrayFound:
    """The package that covers the place where the user saw it, if one was named."""
    before = len(search.found)
    try:
        for _ in range(TRIES):
            one = _one(search, array, settings, certain)
            if array.x_mm is None or one.covers(array.x_mm, array.y_mm or 0.0):
                return one
            search.found.append(one)
    finally:
        del search.found[before:]
    raise NotFound(
        f"expected the part {array.component or ''} about x {array.x_mm:g} mm, y {array.y_mm:g} mm in "
        f"{search.scan.path}, found {TRIES} packages elsewhere; correct the place",
        first_look(search, known(array, one.pitch_mm, one.array.ball_mm)).seen(search.scan),
    )


def _one(search: Search, array: ArrayWanted, settings: ScoreSettings, certain: bool) -> ArrayFound:
    """The next package: with a told pitch the one with most balls; pitch and ball are measured where not told."""
    layout = None if array.layout is None else read_layout(array.layout, array.component)
    draft = drafted(search, array, layout, certain)
    remarks = []
    if array.pitch_mm is None and layout is None:
        remarks.append(f"The pitch was not told; {draft.part.pitch_mm:.4g} mm was found.")
    if array.ball_mm is None:
        ball = draft.part.ball_mm
        remarks.append(f"The ball was not told; {ball:.3g} mm before reflow was estimated from the outlines.")
    side, doubt = _side(search.scan, draft, settings)
    remarks += doubt
    sites = draft.sites
    if layout is None:
        named = name_rectangle(sites.row, sites.col, array)
    else:
        lie, named = name_layout(layout, draft.lies, side.side == "low", array)
        if lie is not draft.lies[0]:
            sites = look_closer(search.scan, draft.part, lie.row, lie.col, sites.frame, draft.levels)
    return _found(search.scan, replace(draft, sites=sites), named, side, layout, remarks)


def _side(scan: Scan, draft: Draft, settings: ScoreSettings) -> tuple[Side, list[str]]:
    """The side that was given, that the layout tells, or that the scan shows; and a word where these differ.

    Raises:
        InputError: nothing tells it surely.
    """
    given = draft.part.package_side or settings.package_side
    mirrored = told_side(draft.lies)
    if given == AUTO and mirrored is not None:
        return Side(
            "low" if mirrored else "high", MOST_SURE, "the layout fits only as seen from this side"
        ), []
    seen = see_side(scan, draft.part, draft.sites, draft.levels)
    if given != AUTO:
        doubt = (
            f"The package was taken to lie at {given} z, as set; the scan looks as if it lay at {seen.side} z "
            f"({100 * seen.sure:.0f} %: {seen.words}). Check package_side."
        )
        return Side(given, 1.0, "as set"), [
            doubt
        ] if seen.side != given and seen.sure >= SURE_TO_DOUBT else []
    if seen.sure < SURE_ENOUGH:
        raise InputError(
            f"package_side: expected {scan.path} to show on which side of the balls the package is, found "
            f"{seen.side} z only {100 * seen.sure:.0f} % likely ({seen.words}); give package_side=high or "
            "package_side=low"
        )
    return seen, []


def _found(
    scan: Scan, draft: Draft, named: Named, side: Side, layout: Layout | None, remarks: list[str]
) -> ArrayFound:
    """Put everything together."""
    sites, array = draft.sites, draft.part
    frame, present = sites.frame, sites.present(array)
    centre, off = settled(sites, array)
    check_in_scan(scan, named.row, named.col, centre)
    axes = frame.axes * [1, -1, -1] if side.side == "low" else frame.axes
    table = _table(sites, array, named, centre)
    table["in_field"] = in_field(scan.lattice, centre, axes, array)
    words = [*remarks, *named.words]
    empty = depopulated_sites(table, array.depopulated)
    if layout is None and not array.depopulated:
        empty = left_empty(named.row, named.col, present)
        if empty.any():
            words.append(_empty_words(list(table["ball"][empty])))
    if layout is not None:
        words.append(_layout_words(layout, frame.lattice.pitch_mm, off))
    rows, cols = int(named.row.max()) + 1, int(named.col.max()) + 1
    return ArrayFound(
        sites=table[~empty].reset_index(drop=True),
        axes=axes,
        pitch_mm=frame.lattice.pitch_mm,
        residual_voxels=off / scan.lattice.voxel_mm,
        levels=draft.levels,
        tilt_deg=frame.tilt_deg,
        turn_deg=frame.turn_deg,
        bend_um=1000 * frame.bent_mm(sites.row, sites.col),
        array=replace(array, rows=rows, cols=cols, a1_corner=named.a1_corner),
        package_side=side.side,
        side_sure=side.sure,
        side_words=side.words,
        a1_assumed=named.assumed,
        remarks=tuple(words),
    )


def _table(sites: Sites, array: ArraySettings, named: Named, centre: Vector) -> pd.DataFrame:
    shapes = sites.shapes
    return pd.DataFrame(
        {
            "row": named.row,
            "col": named.col,
            "ball": named.balls,
            "x_mm": centre[:, 0],
            "y_mm": centre[:, 1],
            "z_mm": centre[:, 2],
            "present": sites.present(array).astype(int),
            "diameter_mm": shapes.diameter_mm,
            "height_mm": np.where(np.isfinite(shapes.height_mm), shapes.height_mm, np.nan),
            "metal_share": sites.metal_share(array),
        }
    )


def _empty_words(names: list[str]) -> str:
    some = ", ".join(names[:6]) + (", …" if len(names) > 6 else "")
    return (
        f"{len(names)} sites without a ball ({some}) form a regular pattern and are assumed to be left empty on "
        "purpose; array.depopulated says which are (or none)."
    )


def _layout_words(layout: Layout, pitch_mm: float, off_mm: float) -> str:
    return (
        f"The layout {layout.path.name} fits the balls to {1000 * off_mm:.1f} µm (median), its distances times "
        f"{pitch_mm / layout.pitch_mm:.4f}."
    )
