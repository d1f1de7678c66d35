"""Vertical rays through one joint: everything that its truth is made of, in one sweep over a lattice.

The rays are exact along z; the lattice is some 2 um whatever the scan's voxel. See `truth` for what
the sums mean.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.chords import NECK, sort_events, work_arrays
from jointwise.data_gen.shapes.quadrature import lattice, shadow
from jointwise.data_gen.shapes.scene import Infeasible, Joint
from jointwise.data_gen.shapes.solids import BODY, GAP, KEEP, MIX, PATCH, VOID, Floats, Solids
from jointwise.data_gen.shapes.void_groups import group_areas, void_groups

CONTACT_MM = 0.0005
"""A gap below this is metal contact (domain document B6, measure 5)."""

INTERFACE_MM = 0.025
"""A void this near to a land counts as interface void where it lies over the land (B6, measure 4)."""

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
ROWS = 21
LARGEST = (LIFT_MAX_B, LIFT_MAX_P, SHELL_MAX)
"""Rows that hold the largest of all rays, not their sum."""


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
def _between(low, top, height):  # type: ignore[no-untyped-def]
    """First and last level from low to top. On a card math.ceil gives a float, hence int."""
    return int(math.ceil(low / height * LEVELS)), int(math.floor(top / height * LEVELS))  # noqa: RUF046


@njit(error_model="numpy", cache=True, nogil=True)
def _sweep(times, marks, n, height, on_board, on_package, sums, section):  # type: ignore[no-untyped-def]
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
                first, last = _between(low, top, height)
                if last >= 0 and first <= LEVELS:
                    section[max(first, 0)] += 1
                    section[min(last, LEVELS) + 1] -= 1
                if void > 0:
                    sums[GAS] += length
                    met |= active
                    near_board = near_board or low < INTERFACE_MM
                    near_package = near_package or top > height - INTERFACE_MM
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
        # The joint bulges over a land's rim: gas out there covers nothing of the land.
        sums[GAS_BOARD] += near_board and on_board
        sums[GAS_PACKAGE] += near_package and on_package
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
def unbroken(times, marks, n):  # type: ignore[no-untyped-def]
    """Whether the ray meets one unbroken piece of BODY and nothing else, in one primitive or in two stacked ones."""
    if n == 2:
        return marks[0] == BODY
    if n != 4 or times[2] - times[1] > 1e-9:
        return False
    # An entry is BODY, an exit ~BODY; four of them and no other mark.
    body = (marks[0] == BODY) + (marks[1] == BODY) + (marks[2] == BODY) + (marks[3] == BODY)
    exits = (marks[0] == ~BODY) + (marks[1] == ~BODY) + (marks[2] == ~BODY) + (marks[3] == ~BODY)
    return body == 2 and exits == 2


@njit(error_model="numpy", cache=True, nogil=True)
def _add_solid(low, top, height, on_board, on_package, sums, section):  # type: ignore[no-untyped-def]
    """`_sweep` of a ray that meets solid from low to top and nothing else: most rays of most joints."""
    sums[ENVELOPE] += top - low
    sums[METAL] += top - low
    first, last = _between(low, top, height)
    if last >= 0 and first <= LEVELS:
        section[max(first, 0)] += 1
        section[min(last, LEVELS) + 1] -= 1
    if on_board:
        sums[LAND_B] += 1
        _lift(low, sums, TOUCH_B, LIFT_B, LIFT_AREA_B, LIFT_MAX_B)
    if on_package:
        sums[LAND_P] += 1
        _lift(height - top, sums, TOUCH_P, LIFT_P, LIFT_AREA_P, LIFT_MAX_P)
    if low < CONTACT_MM and top > height - CONTACT_MM:
        sums[THROUGH] += 1


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
def on_land(x, y, radius, round_from):  # type: ignore[no-untyped-def]
    """Whether a point, seen from the land's centre, lies on it."""
    u = round_from[0, 0] * x + round_from[0, 1] * y
    v = round_from[1, 0] * x + round_from[1, 1] * y
    return u * u + v * v <= radius * radius


@njit(error_model="numpy", cache=True, nogil=True)
def row_terms(matrix, origin, profile, k, y, terms):  # type: ignore[no-untyped-def]
    """What a vertical ray at (x, y) asks of primitive k, as polynomials in x: written into terms (9,).

    lead t^2 + 2 (h0 + h1 x) t + r0 + r1 x + r2 x^2 <= 0 on the flank, and z0 + z1 x + vz t between the ends.
    """
    px, py, pz = -origin[k, 0], y - origin[k, 1], -origin[k, 2]
    m = matrix[k]
    qx = m[0, 0] * px + m[0, 1] * py + m[0, 2] * pz
    qy = m[1, 0] * px + m[1, 1] * py + m[1, 2] * pz
    qz = m[2, 0] * px + m[2, 1] * py + m[2, 2] * pz
    ux, uy, uz = m[0, 0], m[1, 0], m[2, 0]
    vx, vy, vz = m[0, 2], m[1, 2], m[2, 2]
    a, b, c = profile[k, 0], profile[k, 1], profile[k, 2]
    terms[0] = vx * vx + vy * vy - c * vz * vz
    terms[1] = qx * vx + qy * vy - c * qz * vz - 0.5 * b * vz
    terms[2] = ux * vx + uy * vy - c * uz * vz
    terms[3] = qx * qx + qy * qy - a - b * qz - c * qz * qz
    terms[4] = 2.0 * (qx * ux + qy * uy - c * qz * uz) - b * uz
    terms[5] = ux * ux + uy * uy - c * uz * uz
    terms[6], terms[7], terms[8] = qz, uz, vz


@njit(error_model="numpy", cache=True, nogil=True)
def vertical(terms, low, top, x):  # type: ignore[no-untyped-def]
    """`chords.segment_intervals` of a vertical ray at x, from the row's terms and the primitive's ends."""
    lead, half = terms[0], terms[1] + terms[2] * x
    rest = terms[3] + (terms[4] + terms[5] * x) * x
    square = half * half - lead * rest
    if square <= 0.0 and (lead > 0.0 or (lead == 0.0 and rest > 0.0)):
        return 0.0, 0.0, 0.0, 0.0
    z, rise = terms[6] + terms[7] * x, terms[8]
    if rise != 0.0:
        lower, upper = (low - z) / rise, (top - z) / rise
        if lower > upper:
            lower, upper = upper, lower
    elif low <= z <= top:
        lower, upper = -np.inf, np.inf
    else:
        return 0.0, 0.0, 0.0, 0.0
    if square <= 0.0:
        return lower, upper, 0.0, 0.0
    # Both roots without cancellation; see `chords.segment_intervals`.
    like = -(half + math.copysign(math.sqrt(square), half))
    if lead == 0.0:
        edge = -rest / (half + half)
        if half > 0.0:
            return lower, min(upper, edge), 0.0, 0.0
        return max(lower, edge), upper, 0.0, 0.0
    near, far = rest / like, like / lead
    if near > far:
        near, far = far, near
    if lead < 0.0:
        return lower, min(upper, near), max(lower, far), upper
    return max(lower, near), min(upper, far), 0.0, 0.0


@njit(error_model="numpy", cache=True, nogil=True)
def sweep_row(  # type: ignore[no-untyped-def]
    matrix, origin, profile, ends, marks_of, shade, halves, lands, round_from, start, y, step, height,
    k_of, terms, reach, times, marks, sums, section, met,
):  # fmt: skip
    """Add the rays of one row of the lattice, at x = start + i step, to the sums; False if a ray overfills the work.

    Rows do not depend on each other, so that a card gives each a thread of its own. Work arrays: k_of (k,),
    terms (k, 9), reach (k, 2), times and marks (WORK_EVENTS,). Results: sums, section, and met (rays,), each ray's
    bit mask of the voids it meets.
    """
    count = 0
    for k in range(marks_of.shape[0]):
        square = shade[k, 2] - (y - shade[k, 1]) ** 2
        if square > 0.0:
            half = math.sqrt(square)
            k_of[count] = k
            reach[count, 0], reach[count, 1] = shade[k, 0] - half, shade[k, 0] + half
            row_terms(matrix, origin, profile, k, y, terms[count])
            count += 1
    for ix in range(met.shape[0]):
        x = start + ix * step
        n = 0
        for r in range(count):
            if x <= reach[r, 0] or x >= reach[r, 1]:
                continue
            k = k_of[r]
            # A neck belongs to this joint up to the mid-plane towards its neighbour.
            if marks_of[k] == NECK and halves[k, 0] * x + halves[k, 1] * y > halves[k, 2]:
                continue
            t0, t1, t2, t3 = vertical(terms[r], ends[k, 0], ends[k, 1], x)
            if n + 4 > times.shape[0]:
                return False
            if t1 > t0:
                times[n], marks[n] = t0, marks_of[k]
                times[n + 1], marks[n + 1] = t1, ~marks_of[k]
                n += 2
            if t3 > t2:
                times[n], marks[n] = t2, marks_of[k]
                times[n + 1], marks[n + 1] = t3, ~marks_of[k]
                n += 2
        on_board = on_land(x - lands[0, 0], y - lands[0, 1], lands[0, 2], round_from)
        on_package = on_land(x - lands[1, 0], y - lands[1, 1], lands[1, 2], round_from)
        if n == 0 and not on_board and not on_package:
            continue
        sort_events(times, marks, n)
        if unbroken(times, marks, n):
            _add_solid(times[0], times[n - 1], height, on_board, on_package, sums, section)
            continue
        met[ix] = _sweep(times, marks, n, height, on_board, on_package, sums, section)
    return True


@njit(error_model="numpy", cache=True, nogil=True)
def _rays(  # type: ignore[no-untyped-def]
    matrix, origin, profile, ends, marks_of, shade, halves, lands, round_from, grid, step, height, work, out
):
    """All rays of the lattice; False if a ray overfills the work arrays."""
    times, marks = work
    sums, section, met = out
    count = marks_of.shape[0]
    k_of, terms, reach = np.empty(count, np.int64), np.empty((count, 9)), np.empty((count, 2))
    for iy in range(grid[3]):
        if not sweep_row(
            matrix, origin, profile, ends, marks_of, shade, halves, lands, round_from, grid[0], grid[1] + iy * step,
            step, height, k_of, terms, reach, times, marks, sums, section, met[iy],
        ):  # fmt: skip
            return False
    return True


class Sweep(NamedTuple):
    """One joint with its halves of the necks, made ready for the sweep.

    Attributes:
        site: row and column, for messages.
        solids: primitives of joint and necks, MIX left out: which alloy it is makes no difference to truth.
        marks: (k,) what each of them is; voids have marks of their own.
        shade: (k, 3) their bounding circles seen along z; halves: (k, 3) half-planes in which they count.
        lands: (2, 3) centre and radius of board and package land; round_from: the map that makes them round.
        grid: first x and y, number of rays in x and y; step: their distance, mm; height: of the joint, mm.
        groups: (voids,) parent of each void in the forest of connected ones.
    """

    site: tuple[int, int]
    solids: Solids
    marks: NDArray[np.int8]
    shade: Floats
    halves: Floats
    lands: Floats
    round_from: Floats
    grid: tuple[float, float, int, int]
    step: float
    height: float
    groups: NDArray[np.int64]

    def columns(self, sums: Floats, section: NDArray[np.int64], areas: NDArray[np.int64]) -> Columns:
        """The result of the sweep; `section` holds steps up and down along z."""
        return Columns(sums, np.cumsum(section)[:-1], areas, self.step**2)


def prepare_sweep(joint: Joint, necks: Solids, halves: Floats, step: float) -> Sweep:
    """What the sweep needs of a joint.

    Args:
        joint: the joint (with at least one primitive).
        necks: primitives of all necks that reach it.
        halves: (necks, 3) half-planes (nx, ny, c): the neck counts where nx x + ny y <= c.
        step: lateral distance of the rays in mm.

    Raises:
        Infeasible: more than MAX_VOIDS voids.
    """
    own = sd.select(joint.solids, joint.solids.role != MIX)
    everything = sd.join(own, necks)
    marks_of = np.concatenate([own.role, np.full(necks.size, NECK, np.int8)])
    voids = np.flatnonzero(marks_of == VOID)
    if len(voids) > MAX_VOIDS:
        raise Infeasible(f"expected at most {MAX_VOIDS} voids in a joint, found {len(voids)}")
    marks_of[voids] = FIRST_VOID + np.arange(len(voids))
    planes = np.concatenate([np.tile([0.0, 0.0, 1.0], (own.size, 1)), halves])
    lands = np.array([[*joint.foot, joint.board_land_mm], [*joint.head, joint.package_land_mm]])
    round_lands = np.array_equal(joint.round_from, np.eye(2))
    reach = 1.0 if round_lands else float(np.linalg.norm(np.linalg.inv(joint.round_from), 2))
    discs = sd.posts(lands[:, :2], 0.0, 1.0, reach * lands[:, 2])
    whole = sd.join(everything, discs)
    back = sd.inverses(whole.matrix)
    grid, shade = lattice(whole, step, back), shadow(everything, back[: everything.size])
    groups = void_groups(sd.select(everything, voids)) if len(voids) else np.zeros(0, np.int64)
    return Sweep(
        (joint.row, joint.col), everything, marks_of, shade, planes, lands, joint.round_from, grid,
        step, joint.height_mm, groups,
    )  # fmt: skip


def sweep(ready: Sweep) -> Columns:
    """Sums over the vertical rays through one joint.

    Raises:
        Infeasible: a ray crosses too many primitives.
    """
    sums, section = np.zeros(ROWS), np.zeros(LEVELS + 2, np.int64)
    met = np.zeros((ready.grid[3], ready.grid[2]), np.uint64)
    fits = _rays(
        *ready.solids[:4], ready.marks, ready.shade, ready.halves, ready.lands, ready.round_from, ready.grid,
        ready.step, ready.height, work_arrays(), (sums, section, met),
    )  # fmt: skip
    if not fits:
        raise Infeasible(overfilled(ready))
    areas = np.zeros(len(ready.groups), np.int64)
    if len(areas):
        group_areas(met, ready.groups, areas)
    return ready.columns(sums, section, areas)


def overfilled(ready: Sweep) -> str:
    """What is said of a joint that is too crowded to be told of."""
    return f"a vertical ray crosses too many primitives of joint {ready.site[0]}, {ready.site[1]}"
