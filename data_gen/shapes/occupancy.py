"""Masks of joints: which share of every cell is solder, gas, gap or bridge, by vertical rays exact along z.

All is done in the box's own frame with the cell as the unit of length, so that a ray's interval is a row of shares. The
meaning of the marks is that of `columns`, from which the truth is told: the same voids, the same surfaces, the same
lands, the same least gap.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from jointwise.data_gen.shapes import solids as sd
from jointwise.data_gen.shapes.chords import NECK, sort_events
from jointwise.data_gen.shapes.columns import CONTACT_MM, on_land, row_terms, unbroken
from jointwise.data_gen.shapes.quadrature import mid_plane, shadow
from jointwise.data_gen.shapes.rows import filled_up, row_pieces, row_work
from jointwise.data_gen.shapes.scene import Scene
from jointwise.data_gen.shapes.solids import BODY, GAP, KEEP, MIX, PATCH, VOID, Floats, Solids
from jointwise.data_gen.shapes.truth import joining_necks
from jointwise.joints.grid import Grid
from jointwise.joints.masks import FULL, MASKS, cell_mm, mask_shape

RAYS = 4
"""Rays across a cell along x and along y."""

SOLDER_AT, VOID_AT, GAP_AT, BRIDGE_AT = (MASKS.index(name) for name in ("solder", "void", "gap", "bridge"))

DEAD_END, BEYOND, OTHER = 7, 8, 9
"""Marks besides the roles and NECK: a neck that joins nothing; a neck past the mid-plane; a neighbour's outer shape."""


_BITS, _ENTRY = np.int64(6), np.int64(1)
"""Of a count of primitives of one mark that a point of a ray lies in, the counts side by side; see `chords`."""

_BODIES, _VOIDS, _GAPS, _KEEPS, _PATCHES, _OTHERS = (
    np.int64(63 << 6 * mark) for mark in (BODY, VOID, GAP, KEEP, PATCH, OTHER)
)
_METAL = np.int64(63 << 6 * BODY | 63 << 6 * NECK | 63 << 6 * DEAD_END)
_BRIDGES = np.int64(63 << 6 * NECK | 63 << 6 * BEYOND)
_ANY_METAL = np.int64(_METAL | _BRIDGES)


class Box(NamedTuple):
    """A joint in the frame of its box: the unit is the cell, zero the box's low corner.

    Attributes:
        solids: primitives of the joint, its necks, and the outer shapes of those they join it to; MIX left out.
        marks: (k,) what each of them is.
        shade: (k, 3) their bounding circles seen along z.
        halves: (k, 3) where a neck counts as the joint's own: nx x + ny y <= c.
        lands: (2, 3) centre of board and package land, radius in mm; round_from: (2, 2) map to round lands in mm.
        planes: (2, 3) of the lands: z = p0 + p1 x + p2 y.
        contact: a gap below this is metal contact.
    """

    solids: Solids
    marks: NDArray[np.int8]
    shade: Floats
    halves: Floats
    lands: Floats
    round_from: Floats
    planes: Floats
    contact: float


def scene_masks(
    scene: Scene,
    wanted: Sequence[int],
    centres_mm: Floats,
    axes: Floats,
    grid: Grid,
    pitch_mm: float,
    ball_mm: float,
) -> NDArray[np.uint8]:
    """Masks of some joints on their grids as cut.

    Args:
        scene: the board.
        wanted: n indices of joints.
        centres_mm: (n, 3) centres of the boxes in the board frame.
        axes: (3, 3), columns are the grid's directions in the board frame.
        grid: voxels and box; pitch_mm and ball_mm say how large it is.

    Returns:
        uint8 (n, mask, z, y, x) of `joints.masks`.
    """
    shape, cell = mask_shape(grid), np.array(cell_mm(grid, pitch_mm, ball_mm))
    corner = np.array([grid.pitches * pitch_mm, grid.pitches * pitch_mm, grid.balls * ball_mm]) / 2
    joining = joining_necks(scene)
    masks = np.zeros((len(wanted), *shape), np.uint8)
    for place, index in enumerate(wanted):
        if scene.joints[index].solids.size:
            into = np.diag(1 / cell) @ axes.T
            box = _box(scene, index, joining, into, corner / cell - into @ centres_mm[place], float(cell[2]))
            masks[place] = box_masks(box, shape)
    return masks


def box_masks(box: Box, shape: tuple[int, int, int, int]) -> NDArray[np.uint8]:
    """Masks (mask, z, y, x) of one joint."""
    shares = np.zeros((shape[2], shape[3], shape[0], shape[1]), np.float32)
    _rays(
        *box.solids[:4],
        box.marks,
        box.shade,
        box.halves,
        box.lands,
        box.round_from,
        box.planes,
        box.contact,
        shares,
    )
    masks = np.zeros(shape, np.uint8)
    _quantise(shares, FULL / RAYS**2, masks)
    return masks


def _box(scene: Scene, index: int, joining: list[bool], into: Floats, shift: Floats, high: float) -> Box:
    """One joint under the map p -> into @ p + shift from the board frame to its box; `high`: a cell's height, mm."""
    joint = scene.joints[index]
    solids, marks, planes = _met(scene, index, joining)
    inside, back = sd.affine(solids, into, shift), np.linalg.inv(into)
    # What is vertical on the board leans by tenths of a degree in the box: right at half the joint's height.
    across, middle = back[:2, :2], into @ joint.centre + shift
    normals = planes[:, :2] @ across
    offsets = planes[:, 2] - planes[:, :2] @ joint.centre[:2] + normals @ middle[:2]
    ends = np.array([[*joint.foot, 0.0], [*joint.head, joint.height_mm]]) @ into.T + shift
    slope = -back[2, :2] / back[2, 2]
    return Box(
        inside,
        marks,
        shadow(inside),
        np.column_stack([normals, offsets]),
        np.column_stack([ends[:, :2], [joint.board_land_mm, joint.package_land_mm]]),
        joint.round_from @ across,
        np.array([[x[2] - slope @ x[:2], *slope] for x in ends]),
        CONTACT_MM / high,
    )


def _met(scene: Scene, index: int, joining: list[bool]) -> tuple[Solids, NDArray[np.int8], Floats]:
    """All primitives that a joint's masks depend on, their marks, and the half-planes (k, 3) of its necks."""
    joint = scene.joints[index]
    own = sd.select(joint.solids, joint.solids.role != MIX)
    parts, marks, planes = [own], [own.role], [np.zeros((own.size, 3))]
    others: dict[int, Solids] = {}
    for neck, joins in zip(scene.necks, joining, strict=True):
        if index not in neck.joints:
            continue
        other = neck.joints[0] if neck.joints[1] == index else neck.joints[1]
        half = mid_plane(joint.centre[:2], scene.joints[other].centre[:2])
        parts.append(neck.solids)
        marks.append(np.full(neck.solids.size, NECK if joins else DEAD_END, np.int8))
        planes.append(np.tile(half, (neck.solids.size, 1)))
        if joins:
            others[other] = sd.of_role(scene.joints[other].solids, BODY)
    for bodies in others.values():
        parts.append(bodies)
        marks.append(np.full(bodies.size, OTHER, np.int8))
        planes.append(np.zeros((bodies.size, 3)))
    return sd.join(*parts), np.concatenate(marks), np.concatenate(planes)


@njit(error_model="numpy", cache=True, nogil=True)
def _fill(shares, low, top):  # type: ignore[no-untyped-def]
    """Add the interval from low to top to the cells of one column, as far as they reach."""
    n = shares.shape[0]
    if min(top, float(n)) <= max(low, 0.0):
        return
    # All cells side by side: a loop over those between, of another length each time, takes twice as long.
    for i in range(n):
        shares[i] += max(min(top, i + 1.0) - max(low, float(i)), 0.0)


@njit(error_model="numpy", cache=True, nogil=True)
def _fill_lifts(shares, low, top, floor, ceiling, contact):  # type: ignore[no-untyped-def]
    """Gaps between the lands over which a ray stands and its first and last solid; floor is nan off the board land."""
    if low - floor >= contact and low < np.inf:
        _fill(shares[GAP_AT], floor, low)
    if ceiling - top >= contact and top > -np.inf:
        _fill(shares[GAP_AT], top, ceiling)


@njit(error_model="numpy", cache=True, nogil=True)
def _fill_solid(times, marks, n, floor, ceiling, contact, shares):  # type: ignore[no-untyped-def]
    """`_fill_ray` of a ray that meets BODY alone."""
    body, low, top = 0, np.inf, -np.inf
    for i in range(n):
        if body > 0 and times[i] > times[i - 1]:
            _fill(shares[SOLDER_AT], times[i - 1], times[i])
            low, top = min(low, times[i - 1]), max(top, times[i])
        body += 1 if marks[i] >= 0 else -1
    _fill_lifts(shares, low, top, floor, ceiling, contact)


@njit(error_model="numpy", cache=True, nogil=True)
def _fill_ray(times, marks, n, floor, ceiling, contact, spans, shares):  # type: ignore[no-untyped-def]
    """Add one ray's intervals to the shares (mask, z) of its column, by the rules of `columns._sweep`."""
    inside = np.int64(0)  # how many primitives of each mark the ray is in, side by side
    solid_low, solid_top = np.inf, -np.inf
    piece_top, shell_top, under = -np.inf, -np.inf, False
    # Pieces of shell: sure ones, ones that wait for solid above, their length.
    kept, waiting, opened = 0, 0, 0.0
    for i in range(n):
        low, top = times[i - 1] if i else times[0], times[i]
        if top > low and inside & _ANY_METAL:
            body, gas = inside & _BODIES != 0, inside & _VOIDS != 0
            shell = body and inside & _GAPS != 0 and inside & _KEEPS == 0
            open_shell = shell and inside & _PATCHES == 0
            if inside & _METAL and (gas or not open_shell):
                _fill(shares[VOID_AT if gas else SOLDER_AT], low, top)
            if not body:
                if inside & _BRIDGES and not gas and inside & _OTHERS == 0:
                    _fill(shares[BRIDGE_AT], low, top)
            else:
                if shell:
                    under = under or piece_top > low - 1e-9
                    shell_top = top
                else:
                    if under and shell_top > low - 1e-9:
                        for s in range(kept, waiting):
                            opened += spans[s, 1] - spans[s, 0]
                        kept = waiting
                    waiting = kept
                    piece_top = top
                if open_shell:
                    spans[waiting, 0], spans[waiting, 1] = low, top
                    waiting += 1
                else:
                    solid_low, solid_top = min(solid_low, low), max(solid_top, top)
        mark = np.int64(marks[i])
        inside += _ENTRY << (_BITS * mark) if mark >= 0 else -(_ENTRY << (_BITS * ~mark))
    if opened >= contact:
        for s in range(kept):
            _fill(shares[GAP_AT], spans[s, 0], spans[s, 1])
    _fill_lifts(shares, solid_low, solid_top, floor, ceiling, contact)


@njit(error_model="numpy", cache=True, nogil=True)
def _ray_events(x, y, ix, work, count, marks_of, halves, times, marks):  # type: ignore[no-untyped-def]
    """What ray ix at (x, y) enters and leaves of the primitives of its row, unsorted.

    Returns:
        How many events, and whether all are of BODY.
    """
    numbers, pieces, n, alone = work[0], work[1], 0, True
    for r in range(count):
        if ix < numbers[r, 1] or ix >= numbers[r, 2]:
            continue
        k = numbers[r, 0]
        mark = marks_of[k]
        if mark in (NECK, DEAD_END) and halves[k, 0] * x + halves[k, 1] * y > halves[k, 2]:
            if mark == DEAD_END:
                continue
            mark = BEYOND
        for piece in range(1 + numbers[r, 3]):
            begin, end = pieces[r, 2 * piece, ix], pieces[r, 2 * piece + 1, ix]
            if end > begin:
                times[n], marks[n] = begin, mark
                times[n + 1], marks[n + 1] = end, ~mark
                n += 2
                alone = alone and mark == BODY
    return n, alone


@njit(error_model="numpy", cache=True, nogil=True)
def _row_met(matrix, origin, profile, ends, shade, y, rays, work):  # type: ignore[no-untyped-def]
    """Write the intervals of a row's rays in all primitives to `work`; how many primitives they may meet."""
    numbers, pieces, forms = work
    terms, count = np.empty(9), 0
    for k in range(shade.shape[0]):
        square = shade[k, 2] - (y - shade[k, 1]) ** 2
        if not square > 0.0:
            continue
        half = np.sqrt(square)
        left, right = shade[k, 0] - half, shade[k, 0] + half
        first, last = min(max(int(left * RAYS), 0), rays), min(max(int(right * RAYS) + 1, 0), rays)
        while first < last and (first + 0.5) / RAYS <= left:
            first += 1
        while last > first and (last - 0.5) / RAYS >= right:
            last -= 1
        if first >= last:
            continue
        row_terms(matrix, origin, profile, k, y, terms)
        stop = filled_up(first, last)
        half, rest, height = forms[0, first:stop], forms[1, first:stop], forms[2, first:stop]
        for i in range(stop - first):
            x = (first + i + 0.5) / RAYS
            half[i] = terms[1] + terms[2] * x
            rest[i] = terms[3] + (terms[4] + terms[5] * x) * x
            height[i] = terms[6] + terms[7] * x
        twice = row_pieces(
            terms[0],
            terms[8],
            ends[k, 0],
            ends[k, 1],
            forms[0],
            forms[1],
            forms[2],
            first,
            last,
            pieces[count],
        )
        numbers[count, 0], numbers[count, 1], numbers[count, 2], numbers[count, 3] = k, first, last, twice
        count += 1
    return count


@njit(error_model="numpy", cache=True, nogil=True)
def _rays(  # type: ignore[no-untyped-def]
    matrix, origin, profile, ends, marks_of, shade, halves, lands, round_from, planes, contact, shares
):
    """All rays of one box into shares (y, x, mask, z)."""
    size, rays = marks_of.shape[0], shares.shape[1] * RAYS
    times, marks, spans = np.empty(4 * size), np.empty(4 * size, np.int8), np.empty((4 * size, 2))
    work = row_work(size, rays)
    numbers = work[0]
    for iy in range(shares.shape[0] * RAYS):
        y = (iy + 0.5) / RAYS
        count = _row_met(matrix, origin, profile, ends, shade, y, rays, work)
        if count == 0:
            continue
        for ix in range(numbers[:count, 1].min(), numbers[:count, 2].max()):
            x = (ix + 0.5) / RAYS
            n, alone = _ray_events(x, y, ix, work, count, marks_of, halves, times, marks)
            if n == 0:
                continue
            floor, ceiling = np.nan, np.nan
            if on_land(x - lands[0, 0], y - lands[0, 1], lands[0, 2], round_from):
                floor = planes[0, 0] + planes[0, 1] * x + planes[0, 2] * y
            if on_land(x - lands[1, 0], y - lands[1, 1], lands[1, 2], round_from):
                ceiling = planes[1, 0] + planes[1, 1] * x + planes[1, 2] * y
            column = shares[iy // RAYS, ix // RAYS]
            sort_events(times, marks, n)
            if unbroken(times, marks, n):
                _fill(column[SOLDER_AT], times[0], times[n - 1])
                _fill_lifts(column, times[0], times[n - 1], floor, ceiling, contact)
            elif alone:
                _fill_solid(times, marks, n, floor, ceiling, contact, column)
            else:
                _fill_ray(times, marks, n, floor, ceiling, contact, spans, column)


@njit(error_model="numpy", cache=True, nogil=True)
def _quantise(shares, scale, masks):  # type: ignore[no-untyped-def]
    """Shares (y, x, mask, z) times scale as whole numbers (mask, z, y, x).

    What rounding takes from one cell goes to the next of its layer: a thin gap of one thickness, which would be rounded
    to one side everywhere, keeps its mean thickness. Empty and full cells stay what they are.
    """
    rest = np.zeros((masks.shape[0], masks.shape[1]))
    for y in range(masks.shape[2]):
        for x in range(masks.shape[3]):
            for mask in range(masks.shape[0]):
                for z in range(masks.shape[1]):
                    exact = min(shares[y, x, mask, z] * scale, 255.0)
                    if exact > 0.0:
                        whole = min(np.floor(exact + rest[mask, z] + 0.5), 255.0)
                        rest[mask, z] += exact - whole
                        masks[mask, z, y, x] = int(whole)
