"""Vertical rays through one joint: everything that its truth is made of, in one sweep over a lattice.

The rays are exact along z; the lattice is 1 um or finer whatever the scan's voxel. See `truth` for what
the sums mean.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.chords import NECK, add_events, sort_events, work_arrays
from jointwise.data_gen.shapes.quadrature import lattice, shadow
from jointwise.data_gen.shapes.scene import Joint
from jointwise.data_gen.shapes.solids import BODY, GAP, KEEP, MIX, PATCH, VOID, Floats, Solids

CONTACT_MM = 0.0005
"""A gap below this is metal contact (domain document B6, measure 5)."""

INTERFACE_MM = 0.025
"""A void this near to a land counts as interface void (B6, measure 4)."""

FIRST_VOID = 8
"""Mark of void 0 in the sweep; voids need marks of their own to tell which of them touch."""

MAX_VOIDS = 64
"""Voids of one joint, one bit each."""

LEVELS = 256
"""Levels over the joint's height at which the area of the envelope is taken."""

# Rows of the sums.
(ENVELOPE, METAL, GAS, GAS_AREA, GAS_BOARD, GAS_PACKAGE, LAND_B, LAND_P, TOUCH_B, TOUCH_P,
 LIFT_B, LIFT_P, LIFT_AREA_B, LIFT_AREA_P, LIFT_MAX_B, LIFT_MAX_P,
 SHELL_AREA, SHELL_BONDED, SHELL_GAP, SHELL_MAX, THROUGH) = range(21)  # fmt: skip


class Columns(NamedTuple):
    """Sums over the lattice of one joint.

    Attributes:
        sums: lengths (mm, summed over rays) and numbers of rays; see the row names of this module.
        section: (LEVELS + 1,) rays inside the envelope at each level of z.
        void_area: (voids,) rays through each connected group of voids, at the group's first void.
        cell_mm2: area of one ray.
    """

    sums: Floats
    section: NDArray[np.int64]
    void_area: NDArray[np.int64]
    cell_mm2: float


@njit(error_model="numpy", cache=True, nogil=True)
def _find(parent, k):  # type: ignore[no-untyped-def]
    while parent[k] != k:
        k = parent[k]
    return k


@njit(error_model="numpy", cache=True, nogil=True)
def _unite(parent, bits):  # type: ignore[no-untyped-def]
    """Put all voids of a bit mask into one group."""
    first = -1
    for k in range(parent.shape[0]):
        if bits >> np.uint64(k) & np.uint64(1):
            if first < 0:
                first = _find(parent, k)
            else:
                parent[_find(parent, k)] = first


@njit(error_model="numpy", cache=True, nogil=True)
def _sweep(times, marks, n, height, on_board, on_package, sums, section, parent):  # type: ignore[no-untyped-def]
    """Add one ray's events to the sums; the bit mask of the voids it meets inside the envelope."""
    body, neck, void, gap, keep, patch = 0, 0, 0, 0, 0, 0
    active, met = np.uint64(0), np.uint64(0)
    solid_low, solid_top = np.inf, -np.inf  # first and last solid, gas counted as solid
    piece_low, piece_top, through = np.inf, -np.inf, False  # the present unbroken piece of solid
    # A shell counts once there is solid below and above it: a dry edge at a land is none.
    shell_top, shell_open, pending, under, parts = -np.inf, 0.0, 0.0, False, False
    near_board, near_package = False, False
    for i in range(n):
        low, top = times[i - 1] if i else times[0], times[i]
        length = top - low
        if length > 0.0:
            shell = body > 0 and gap > 0 and keep == 0
            if body > 0 or neck > 0:
                sums[ENVELOPE] += length
                first, last = int(np.ceil(low / height * LEVELS)), int(np.floor(top / height * LEVELS))
                if last >= 0 and first <= LEVELS:
                    section[max(first, 0)] += 1
                    section[min(last, LEVELS) + 1] -= 1
                if void > 0:
                    sums[GAS] += length
                    met |= active
                    near_board = near_board or low < INTERFACE_MM
                    near_package = near_package or top > height - INTERFACE_MM
                    if void > 1:
                        _unite(parent, active)
                elif not shell or patch > 0:
                    sums[METAL] += length
            if shell:
                under = under or piece_top > low - 1e-9
                shell_top = top
                if patch == 0:
                    pending += length
            if body > 0 and (not shell or patch > 0):
                solid_low, solid_top = min(solid_low, low), max(solid_top, top)
            if body > 0 and not shell:
                if under and shell_top > low - 1e-9:
                    parts = True
                    shell_open += pending
                pending = 0.0
                if low > piece_top + 1e-9:
                    piece_low = low
                piece_top = top
                through = through or (piece_low < CONTACT_MM and piece_top > height - CONTACT_MM)
        step, mark = 1, marks[i]
        if mark < 0:
            step, mark = -1, ~mark
        if mark == BODY:
            body += step
        elif mark == GAP:
            gap += step
        elif mark == KEEP:
            keep += step
        elif mark == PATCH:
            patch += step
        elif mark == NECK:
            neck += step
        elif mark >= FIRST_VOID:
            void += step
            active ^= np.uint64(1) << np.uint64(mark - FIRST_VOID)
    if met:
        sums[GAS_AREA] += 1
        sums[GAS_BOARD] += near_board
        sums[GAS_PACKAGE] += near_package
    if on_board:
        sums[LAND_B] += 1
        _lift(solid_low, sums, TOUCH_B, LIFT_B, LIFT_AREA_B, LIFT_MAX_B)
    if on_package:
        sums[LAND_P] += 1
        _lift(height - solid_top, sums, TOUCH_P, LIFT_P, LIFT_AREA_P, LIFT_MAX_P)
    if parts:
        sums[SHELL_AREA] += 1
        if shell_open < CONTACT_MM:
            sums[SHELL_BONDED] += 1
        else:
            sums[SHELL_GAP] += shell_open
            sums[SHELL_MAX] = max(sums[SHELL_MAX], shell_open)
    elif through:
        sums[THROUGH] += 1
    return met


@njit(error_model="numpy", cache=True, nogil=True)
def _lift(lift, sums, touch, total, area, largest):  # type: ignore[no-untyped-def]
    """One ray over a land: in contact, or lifted by so much; no solder above it at all adds neither."""
    if lift < CONTACT_MM:
        sums[touch] += 1
    elif lift < np.inf:
        sums[total] += lift
        sums[area] += 1
        sums[largest] = max(sums[largest], lift)


@njit(error_model="numpy", cache=True, nogil=True)
def _on_land(x, y, radius, round_from):  # type: ignore[no-untyped-def]
    """Whether a point, seen from the land's centre, lies on it."""
    u = round_from[0, 0] * x + round_from[0, 1] * y
    v = round_from[1, 0] * x + round_from[1, 1] * y
    return u * u + v * v <= radius * radius


@njit(error_model="numpy", cache=True, nogil=True)
def _rays(  # type: ignore[no-untyped-def]
    matrix, origin, profile, ends, marks_of, shade, halves, grid, step, lands, round_from, height, work, out
):
    """All rays of the lattice; False if a ray overfills the work arrays."""
    x0, y0, nx, ny = grid
    times, marks = work
    sums, section, parent, met = out
    row = np.empty(marks_of.shape[0], np.int64)
    for iy in range(ny):
        y = y0 + iy * step
        count = 0
        for k in range(marks_of.shape[0]):
            if (y - shade[k, 1]) ** 2 < shade[k, 2]:
                row[count] = k
                count += 1
        for ix in range(nx):
            x = x0 + ix * step
            n = 0
            for r in range(count):
                k = row[r]
                if (x - shade[k, 0]) ** 2 + (y - shade[k, 1]) ** 2 >= shade[k, 2]:
                    continue
                # A neck belongs to this joint up to the mid-plane towards its neighbour.
                if halves[k, 0] * x + halves[k, 1] * y > halves[k, 2]:
                    continue
                n = add_events(
                    matrix, origin, profile, ends, k, marks_of[k], x, y, 0.0, 0.0, 0.0, 1.0, times, marks, n
                )
                if n > times.shape[0]:
                    return False
            on_board = _on_land(x - lands[0, 0], y - lands[0, 1], lands[0, 2], round_from)
            on_package = _on_land(x - lands[1, 0], y - lands[1, 1], lands[1, 2], round_from)
            if n == 0 and not on_board and not on_package:
                continue
            sort_events(times, marks, n)
            met[iy, ix] = _sweep(times, marks, n, height, on_board, on_package, sums, section, parent)
    return True


@njit(error_model="numpy", cache=True, nogil=True)
def _group_areas(met, parent, areas):  # type: ignore[no-untyped-def]
    """Rays through each connected group of voids, counted at the group's root."""
    for bits in met.flat:
        seen = np.uint64(0)
        for k in range(parent.shape[0]):
            if bits >> np.uint64(k) & np.uint64(1):
                root = _find(parent, k)
                if not seen >> np.uint64(root) & np.uint64(1):
                    areas[root] += 1
                    seen |= np.uint64(1) << np.uint64(root)


def sweep_columns(joint: Joint, necks: Solids, halves: Floats, step: float) -> Columns:
    """Sums over vertical rays `step` mm apart through a joint and its halves of the necks.

    Args:
        joint: the joint (with at least one primitive).
        necks: primitives of all necks that reach it.
        halves: (necks, 3) half-planes (nx, ny, c): the neck counts where nx x + ny y <= c.
        step: lateral distance of the rays in mm.

    Raises:
        ValueError: more than MAX_VOIDS voids, or a ray that crosses too many primitives.
    """
    own = sd.select(joint.solids, joint.solids.role != MIX)  # which alloy it is makes no difference to truth
    everything = sd.join(own, necks)
    marks_of = np.concatenate([own.role, np.full(necks.size, NECK, np.int8)])
    voids = np.flatnonzero(marks_of == VOID)
    if len(voids) > MAX_VOIDS:
        raise ValueError(f"expected at most {MAX_VOIDS} voids in a joint, found {len(voids)}")
    marks_of[voids] = FIRST_VOID + np.arange(len(voids))
    planes = np.concatenate([np.tile([0.0, 0.0, 1.0], (own.size, 1)), halves])
    lands = np.array([[*joint.foot, joint.board_land_mm], [*joint.head, joint.package_land_mm]])
    reach = float(np.linalg.norm(np.linalg.inv(joint.round_from), 2))
    discs = (sd.cylinder((x, y, 0), (x, y, 1), reach * r) for x, y, r in lands)
    grid = lattice(sd.join(everything, *discs), step)
    sums, section = np.zeros(21), np.zeros(LEVELS + 2, np.int64)
    parent, met = np.arange(len(voids)), np.zeros((grid[3], grid[2]), np.uint64)
    arrays = everything.matrix, everything.origin, everything.profile, everything.ends
    fits = _rays(
        *arrays, marks_of, shadow(everything), planes, grid, step, lands, joint.round_from, joint.height_mm,
        work_arrays(), (sums, section, parent, met),
    )  # fmt: skip
    if not fits:
        raise ValueError(f"a vertical ray crosses too many primitives of joint {joint.row}, {joint.col}")
    areas = np.zeros(len(voids), np.int64)
    if len(voids):
        _group_areas(met, parent, areas)
    return Columns(sums, np.cumsum(section)[:-1], areas, step**2)
