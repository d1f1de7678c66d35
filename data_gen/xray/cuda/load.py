"""A scene and its scanner made ready for the card: by any process, without a card.

The projector takes :class:`Sent`. Views differ in frame and in where their detector lies: pixel (row, column) of view i
has its middle at u = u0_mm[i] + column·pixel_mm and v = v0_mm[i] + row·pixel_mm from the foot of the view's source.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import torch
from numpy.typing import NDArray

from jointwise.data_gen.shapes.scene import Packed
from jointwise.data_gen.shapes.solids import BODY, GAP, KEEP, MIX, PATCH, VOID
from jointwise.data_gen.xray.cuda.boxes import stacked
from jointwise.data_gen.xray.cuda.card import CardLimit, Parcel, parcel, sent
from jointwise.data_gen.xray.energies import Energies
from jointwise.data_gen.xray.footprints import bounds
from jointwise.data_gen.xray.geometry import (
    STEADY,
    STILL,
    ConeBeam,
    Pose,
    Wobble,
    detector_shifts,
    view_frames,
)
from jointwise.data_gen.xray.metal import SMALL_COPPER
from jointwise.data_gen.xray.projector import SUB_RAYS

MATERIALS = 5
SHEARED, CLOSED = 8, 16
"""Forms of a primitive, beside its role, as in project.cu."""

_ROUND = 1e-6
"""Departure from roundness about z, relative, that single precision cannot tell."""

JOINT, NECK, COPPER, SUNK, REST = range(5)
"""Kinds of items: a joint's primitive, a whole neck, copper in air, copper in laminate, nothing of its own."""

MOST_BOXES, MOST_ENERGIES, FEW_ENERGIES = 48, 320, 8
"""Boxes and energies of one scan that the projector holds in shared memory; so few energies need none of it."""


class Load(NamedTuple):
    """What the projector needs of one scan.

    Attributes:
        parcel: the arrays of :class:`Sent`, in its order.
        pixel_mm, distance_mm, columns, rows, sub_rays, few: as in :class:`Sent`.
    """

    parcel: Parcel
    pixel_mm: float
    distance_mm: float
    columns: int
    rows: int
    sub_rays: int
    few: tuple[np.float32, ...]


class Sent(NamedTuple):
    """A load on the card, as kernels take it.

    Attributes:
        packed: the scene's arrays; primitives of a joint by role, boxes by material.
        prims: (k, 20) float32: see `_in_one`.
        balls, corners: bounding balls and boxes of all primitives.
        items: (k + joints, 4) int32: kind, owner (number of the joint or neck), whether pixels under it get
            sub-rays, role and form. The last ones stand for whole joints and only mark pixels.
        frames: (views, 4, 3) float32 in the board's frame, as they really are.
        u0_mm, v0_mm: (views,) float32, middle of column 0 and of row 0 of each view.
        stacks: (k, 3, 4) and layers: (m, 4) float32: the boxes; see `boxes.stacked`.
        bins: (MATERIALS + 2, energies): attenuation per mm of solder, copper, laminate, silicon and second alloy,
            weights for signal and for variance.
        pixel_mm, distance_mm: float32, pixel of the detector and source to detector.
        columns, rows: pixels.
        sub_rays: rays per pixel edge where metal of a joint is near.
        few: `bins` energy by energy, attenuations times -log2(e), filled up with energies without weight.
    """

    packed: Packed
    prims: Any
    balls: Any
    corners: Any
    items: Any
    frames: Any
    u0_mm: Any
    v0_mm: Any
    stacks: Any
    layers: Any
    bins: Any
    pixel_mm: Any
    distance_mm: Any
    columns: int
    rows: int
    sub_rays: int
    few: tuple[np.float32, ...]


def load(
    packed: Packed,
    beam: ConeBeam,
    energies: Energies,
    *,
    pose: Pose = STILL,
    wobble: Wobble = STEADY,
    sub_rays: int = SUB_RAYS,
) -> Load:
    """Everything of one scan in one parcel; `packed` must be float32.

    Raises:
        CardLimit: more boxes or energies than the card's projector holds.
    """
    boxes, several = len(packed.box_material), len(energies.weight)
    if boxes > MOST_BOXES or several > MOST_ENERGIES:
        raise CardLimit(
            f"expected at most {MOST_BOXES} boxes and {MOST_ENERGIES} energies in a scan on a card, found {boxes} "
            f"and {several}; use device=cpu"
        )
    packed = _with_sorted_joints(packed)
    balls, corners = bounds(packed)
    views = slice(None)
    frames = view_frames(beam, pose, views, wobble)
    first = np.array([beam.u_mm()[0], beam.v_mm()[0]]) + detector_shifts(beam, views, wobble)
    weights = [energies.weight, energies.weight * energies.quantum]
    rest = [
        frames,
        first[:, 0],
        first[:, 1],
        *stacked(packed),
        np.vstack([energies.of_materials(MATERIALS), *weights]),
    ]
    arrays = [*packed, _in_one(packed), balls, corners, _items(packed), *(a.astype(np.float32) for a in rest)]
    few = np.zeros((FEW_ENERGIES, MATERIALS + 2), np.float32)
    first_few = rest[-1].T[:FEW_ENERGIES]
    few[: len(first_few)] = first_few * ([-1.0 / math.log(2.0)] * MATERIALS + [1.0, 1.0])
    return Load(
        parcel(arrays),
        beam.pixel_mm,
        beam.source_detector_mm,
        beam.columns,
        beam.rows,
        sub_rays,
        tuple(few.ravel()),
    )


_RANKS = np.array([{BODY: 0, GAP: 1, VOID: 2, KEEP: 3, PATCH: 4, MIX: 5}[role] for role in range(6)])
"""Roles in the order in which the kernel meets the primitives of a joint: what is missed spares it what follows."""


def _with_sorted_joints(packed: Packed) -> Packed:
    """The primitives of every joint by role."""
    order = np.arange(len(packed.role))
    for first, last in packed.joint_rows:
        order[first:last] = first + np.argsort(_RANKS[packed.role[first:last]], kind="stable")
    fields = "matrix", "origin", "profile", "ends", "role"
    return packed._replace(**{field: getattr(packed, field)[order] for field in fields})


def _in_one(packed: Packed) -> NDArray[np.float32]:
    """All numbers of a primitive side by side, as project.cu reads them.

    Origin, middle between its ends; a, b / 2, c, half its height; of its map the shear (x, y) or the last number, 0,
    role and form (bits of an integer); the other eight numbers of the map.
    """
    matrix, ends = packed.matrix.astype(np.float64), packed.ends.astype(np.float64)
    profile = packed.profile.astype(np.float64)
    sheared, closed = _forms(packed)
    # x and y in units of the map's width, z in units of its height: what is left is the shear. A turn about z changes
    # nothing of a solid that is round about it.
    wide = np.where(sheared, np.hypot(matrix[:, 0, 0], matrix[:, 1, 0]), 1.0)
    tall = np.where(sheared, matrix[:, 2, 2], 1.0)
    profile *= np.stack([np.ones_like(tall), tall, tall**2], axis=1) / (wide**2)[:, None]
    # A map that turns z about changes the ends' places.
    ends = np.sort(ends / tall[:, None], axis=1)
    shear = np.einsum("kji,kj->ki", matrix[:, :2, :2], matrix[:, :2, 2]) / (wide**2)[:, None]
    table = np.zeros((len(packed.role), 20), np.float32)
    table[:, :3], table[:, 3], table[:, 7] = packed.origin, ends.mean(axis=1), np.diff(ends)[:, 0] / 2.0
    table[:, 4:7] = profile * [1.0, 0.5, 1.0]
    table[:, 8:10] = np.where(sheared[:, None], shear, matrix[:, 2, 2:] * [1.0, 0.0])
    table[:, 11] = _shape(packed.role, sheared, closed).view(np.float32)
    table[:, 12:] = matrix.reshape(-1, 9)[:, :8]
    return table


def _forms(packed: Packed) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which primitives are sheared, round about z but for that, and which are met in one interval by any ray."""
    matrix = packed.matrix.astype(np.float64)
    plane = matrix[:, :2, :2]
    product = np.einsum("kai,kaj->kij", plane, plane)
    even = np.abs(product[:, 0, 0] - product[:, 1, 1]) + np.abs(product[:, 0, 1]) <= _ROUND * product[:, 0, 0]
    flat = np.all(matrix[:, 2, :2] == 0.0, axis=1) & (matrix[:, 2, 2] != 0.0)
    return even & flat & (product[:, 0, 0] > 0.0), packed.profile[:, 2] <= 0.0


def _shape(role: NDArray[Any], sheared: NDArray[np.bool_], closed: NDArray[np.bool_]) -> NDArray[np.int32]:
    shape: NDArray[np.int32] = (role + SHEARED * sheared + CLOSED * closed).astype(np.int32)
    return shape


def _items(packed: Packed) -> NDArray[np.int32]:
    rows, joints = len(packed.role), len(packed.joint_radius)
    table = np.zeros((rows + joints, 4), np.int32)
    table[:, 0] = REST
    table[:rows, 3] = _shape(packed.role, *_forms(packed))
    for j, (first, last) in enumerate(packed.joint_rows):
        table[first:last, :3] = JOINT, j, 0
        # The second alloy is asked for where there is metal, never listed.
        table[last - 1, 0] = REST if packed.role[last - 1] == MIX else JOINT
    for n, (first, last) in enumerate(packed.neck_rows):
        table[first:last, :3] = REST, n, 0
        table[first, :3] = NECK, n, 1
    small = packed.copper_radius < np.float32(SMALL_COPPER) * packed.joint_radius.max(initial=0.0)
    for kind, (first, last) in zip((COPPER, SUNK), packed.copper_rows, strict=True):
        table[first:last, 0] = kind
        table[first:last, 2] = small[first - packed.copper_rows[0, 0] : last - packed.copper_rows[0, 0]]
    table[rows:, 1], table[rows:, 2] = np.arange(joints), 1
    return table


def on_card(load: Load, device: torch.device) -> Sent:
    """Copy a load to the card."""
    arrays: list[Any] = sent(load.parcel, device)
    count, real = len(Packed._fields), np.float32
    prims, balls, corners, items, frames, u0_mm, v0_mm, stacks, layers, bins = arrays[count:]
    return Sent(
        Packed(*arrays[:count]),
        prims,
        balls,
        corners,
        items,
        frames,
        u0_mm,
        v0_mm,
        stacks,
        layers,
        bins,
        real(load.pixel_mm),
        real(load.distance_mm),
        load.columns,
        load.rows,
        load.sub_rays,
        load.few,
    )
