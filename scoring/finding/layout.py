"""A part's own layout: where its balls are by its drawing, and how it lies in the scan.

The layout is matched to the balls seen by turning it in quarters, mirroring and shifting it on the lattice that both
share. A package is seen from above (balls down) in its layout; seen from the board's side it must look mirrored, so a
layout that fits only the wrong way round is refused.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from jointwise.joints.errors import InputError
from jointwise.joints.lattice import Vector
from jointwise.scoring.finding.ball_lattice import ON_SITE, find_lattice
from jointwise.scoring.finding.first_look import FirstLook, nearest

COLUMNS = ("ball", "x_mm", "y_mm")
FEWEST = 4
LEAST_OVERLAP = 0.8  # of the sites that either the layout or the scan has, both have
CLEAR = 0.02  # an overlap so much better than another decides between the two
MOST_BALLS = 20_000


@dataclass(frozen=True)
class Layout:
    """Balls of a part in its own frame, seen from above the package.

    Args:
        path: its file.
        balls: (n,) names.
        places_mm: (n, 2).
        index: (n, 2) column and row on its own lattice, not rounded.
        pitch_mm: of that lattice.
    """

    path: Path
    balls: tuple[str, ...]
    places_mm: Vector
    index: Vector
    pitch_mm: float


@dataclass(frozen=True)
class Lie:
    """One way in which a layout may lie on a scan's lattice.

    Args:
        quarters: turns by a quarter, counted from x to y of the file.
        mirrored: whether it is seen from the balls' side.
        row: (n,) rows of its balls on the scan's lattice, not rounded.
        col: (n,) their columns.
        overlap: share of the sites of layout and scan together that both have.
    """

    quarters: int
    mirrored: bool
    row: Vector
    col: Vector
    overlap: float


def read_layout(path: Path, component: str = "") -> Layout:
    """Read a layout: ball, x_mm, y_mm and perhaps component, of which the given one's rows are taken.

    Raises:
        InputError: no such table, no numbers, a ball twice, balls in one place, or not on a square lattice.
    """
    table = read_table(path, COLUMNS, "layout")
    if component and "component" in table:
        table = table[table["component"].astype(str) == component].reset_index(drop=True)
    if not FEWEST <= len(table) <= MOST_BALLS:
        of = f" of {component}" if component else ""
        raise InputError(f"layout: expected {FEWEST} to {MOST_BALLS} balls{of} in {path}, found {len(table)}")
    names = table["ball"].astype(str).str.strip()
    if names.duplicated().any():
        raise InputError(
            f"layout: expected every ball once in {path}, found {names[names.duplicated()].iloc[0]} twice"
        )
    places = numbers(table, ["x_mm", "y_mm"], path, "layout")
    pitch = nearest(places)
    lattice = find_lattice(places, np.ones(len(places)), pitch) if pitch > 0 else None
    off = None if lattice is None else lattice[0].sites(places)[2]
    if lattice is None or off is None or np.mean(off < ON_SITE) < 0.95:
        raise InputError(
            f"layout: expected balls on one square lattice in {path}, found balls about {pitch:.3g} mm apart, on "
            "none; irregular layouts cannot be scored: split it into regular parts (components), or check its columns "
            "and units (mm)"
        )
    z = (places[:, 0] + 1j * places[:, 1] - lattice[0].origin) / lattice[0].step
    index = np.column_stack([z.real, z.imag])
    return Layout(path, tuple(names), places, index, lattice[0].pitch_mm)


def read_table(path: Path, columns: tuple[str, ...], what: str) -> pd.DataFrame:
    """A CSV file with at least the given columns.

    Raises:
        InputError: it cannot be read, or lacks one.
    """
    try:
        table = pd.read_csv(path, comment="#", skipinitialspace=True)
    except (OSError, ValueError) as error:
        raise InputError(
            f"{what}: expected a table with the columns {', '.join(columns)} at {path}, found none ({error})"
        ) from error
    lacking = [name for name in columns if name not in table]
    if lacking:
        raise InputError(
            f"{what}: expected the columns {', '.join(columns)} in {path}, found {', '.join(map(str, table.columns))}"
        )
    return table


def numbers(table: pd.DataFrame, columns: list[str], path: Path, what: str) -> Vector:
    """Columns as finite numbers (n, columns).

    Raises:
        InputError: names the first that is none.
    """
    values = table[columns].apply(pd.to_numeric, errors="coerce").to_numpy(np.float64)
    bad = np.argwhere(~np.isfinite(values))
    if len(bad):
        row, col = bad[0]
        found = table[columns[col]].iloc[row]
        raise InputError(
            f"{what}: expected a number in column {columns[col]}, row {row + 1} of {path}, found {found!r}"
        )
    return np.asarray(values, np.float64)


def lies(layout: Layout, look: FirstLook) -> list[Lie]:
    """All eight ways in which the layout may lie on the lattice seen, the best shift of each; best first.

    Raises:
        InputError: none of them fits.
    """
    row, col, _ = look.lattice.sites(look.places_mm[look.own])
    seen = np.column_stack([col, row])
    found = [_lie(layout, seen, quarters, mirrored) for mirrored in (False, True) for quarters in range(4)]
    found.sort(key=lambda lie: -lie.overlap)
    if found[0].overlap < LEAST_OVERLAP:
        raise InputError(
            f"expected the layout {layout.path} ({len(layout.balls)} balls) to fit the scan, found {len(seen)} balls "
            f"and {100 * found[0].overlap:.0f} % in common at best ({100 * LEAST_OVERLAP:.0f} % wanted); "
            "check that it is this part's"
        )
    return found


def allowed(found: Sequence[Lie], mirrored: bool) -> list[Lie]:
    """The lies seen from the wanted side that fit about equally well.

    Args:
        found: from `lies`.
        mirrored: whether the part is seen from its balls' side.

    Raises:
        InputError: it fits only seen from the other side.
    """
    ours = [lie for lie in found if lie.mirrored == mirrored]
    if ours[0].overlap < found[0].overlap - 2 * CLEAR:
        raise InputError(
            "expected a layout that fits as seen from above the package, found one that fits only mirrored "
            f"({100 * found[0].overlap:.0f} % against {100 * ours[0].overlap:.0f} %); check package_side, or turn the "
            "sign of the layout's x_mm if it was drawn from the balls' side"
        )
    equal = [lie for lie in ours if lie.overlap >= ours[0].overlap - CLEAR]
    return sorted(equal, key=lambda lie: lie.quarters)


def told_side(found: Sequence[Lie]) -> bool | None:
    """Whether the layout is seen mirrored, where its shape tells; None where it fits both ways, or without one."""
    if not found:
        return None
    best = {m: max(lie.overlap for lie in found if lie.mirrored == m) for m in (False, True)}
    return None if abs(best[True] - best[False]) <= 2 * CLEAR else best[True] > best[False]


def _lie(layout: Layout, seen: NDArray[np.int64], quarters: int, mirrored: bool) -> Lie:
    """The best shift of a layout turned and mirrored so, by the correlation of both occupancies."""
    z = layout.index[:, 0] + 1j * layout.index[:, 1]
    # A layout's lattice may be turned against its axes: what counts is the turn of its axes, to the nearest quarter.
    z = (-np.conj(z) if mirrored else z) * 1j**quarters
    index = np.column_stack([z.real, z.imag])
    low, own_low = np.rint(index).astype(np.int64).min(axis=0), seen.min(axis=0)
    ours = _occupied(np.rint(index).astype(np.int64) - low)
    theirs = _occupied(seen - own_low)
    both = fftconvolve(theirs, ours[::-1, ::-1])
    at = np.unravel_index(int(np.argmax(np.rint(both))), both.shape)
    shift = np.array(at)[::-1] - (np.array(ours.shape)[::-1] - 1) + own_low - low
    hits = float(both[at])
    moved = index + shift
    return Lie(quarters, mirrored, moved[:, 1], moved[:, 0], hits / (ours.sum() + theirs.sum() - hits))


def _occupied(index: NDArray[np.int64]) -> NDArray[np.float64]:
    """(rows, cols) with 1 where a site is."""
    grid = np.zeros(tuple((index.max(axis=0) + 1)[::-1]))
    grid[index[:, 1], index[:, 0]] = 1.0
    return grid


def ranks(lie: Lie) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row and column of each ball, whole numbers from 0, no site twice."""
    row, col = (np.rint(v).astype(np.int64) for v in (lie.row, lie.col))
    row, col = row - row.min(), col - col.min()
    if len(np.unique(row * (col.max() + 1) + col)) < len(row):
        row, col = (np.unique(np.round(v, 2), return_inverse=True)[1] for v in (lie.row, lie.col))
    return np.asarray(row, np.int64), np.asarray(col, np.int64)
