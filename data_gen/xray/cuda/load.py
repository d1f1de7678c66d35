"""A scene and its scanner made ready for the card: by any process beforehand, without a card."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import torch
from numpy.typing import NDArray

from jointwise.data_gen.shapes.scene import Packed
from jointwise.data_gen.xray.cuda.card import Parcel, parcel, seen, sent
from jointwise.data_gen.xray.energies import Energies
from jointwise.data_gen.xray.footprints import Plate, bounds
from jointwise.data_gen.xray.geometry import ConeBeam, Pose, view_frames
from jointwise.data_gen.xray.metal import SMALL_COPPER
from jointwise.data_gen.xray.projector import SUB_RAYS

MATERIALS = 5
JOINT, NECK, COPPER, SUNK, REST = range(5)
"""Kinds of items: a joint's primitive, a whole neck, copper in air, copper in laminate, nothing of its own."""


class Load(NamedTuple):
    """What the projector needs of one scan.

    Attributes:
        parcel: the arrays of :class:`Sent`, in its order but for the plate's numbers.
        pixel_mm, distance_mm: pixel of the detector, source to detector.
        sub_rays: rays per pixel edge where metal of a joint is near.
    """

    parcel: Parcel
    pixel_mm: float
    distance_mm: float
    sub_rays: int


class Sent(NamedTuple):
    """A load on the card, as kernels take it.

    Attributes:
        packed: the scene's arrays.
        balls, corners: bounding balls and boxes of all primitives.
        items: (k + joints, 3) int32: kind, owner (number of the joint or neck), whether pixels under it get
            sub-rays. The last ones stand for whole joints and only mark pixels.
        frames: (views, 4, 3) in the board's frame.
        plate: the detector.
        bins: (MATERIALS + 2, energies): attenuation per mm, weights for signal and for variance.
    """

    packed: Packed
    balls: object
    corners: object
    items: object
    frames: object
    plate: Plate
    bins: object


def load(
    packed: Packed,
    beam: ConeBeam,
    energies: Energies,
    *,
    pose: Pose,
    detector_shift_mm: float = 0.0,
    sub_rays: int = SUB_RAYS,
) -> Load:
    """Everything of one scan in one parcel; `packed` must be float32."""
    balls, corners = bounds(packed)
    frames = view_frames(beam, pose, slice(None)).astype(np.float32)
    u = (beam.u_mm() + detector_shift_mm).astype(np.float32)
    bins = np.zeros((MATERIALS + 2, len(energies.weight)), np.float32)
    bins[: len(energies.mu_per_mm)] = energies.mu_per_mm
    bins[-2], bins[-1] = energies.weight, energies.weight * energies.quantum
    packed = _with_sorted_boxes(packed)
    arrays = [*packed, balls, corners, _items(packed), frames, u, beam.v_mm().astype(np.float32), bins]
    return Load(parcel(arrays), beam.pixel_mm, beam.source_detector_mm, sub_rays)


def _with_sorted_boxes(packed: Packed) -> Packed:
    """Boxes of one length and width side by side: the kernel meets their sides once."""
    order = np.lexsort([*packed.box_low[:, :2].T, *packed.box_high[:, :2].T])
    return packed._replace(
        box_low=packed.box_low[order],
        box_high=packed.box_high[order],
        box_material=packed.box_material[order],
    )


def _items(packed: Packed) -> NDArray[np.int32]:
    rows, joints = len(packed.role), len(packed.joint_radius)
    table = np.zeros((rows + joints, 3), np.int32)
    table[:, 0] = REST
    for j, (first, last) in enumerate(packed.joint_rows):
        table[first:last] = JOINT, j, 0
    for n, (first, last) in enumerate(packed.neck_rows):
        table[first:last] = REST, n, 0
        table[first] = NECK, n, 1
    small = packed.copper_radius < np.float32(SMALL_COPPER) * packed.joint_radius.max(initial=0.0)
    for kind, (first, last) in zip((COPPER, SUNK), packed.copper_rows, strict=True):
        table[first:last, 0] = kind
        table[first:last, 2] = small[first - packed.copper_rows[0, 0] : last - packed.copper_rows[0, 0]]
    table[rows:, 1], table[rows:, 2] = np.arange(joints), 1
    return table


def on_card(load: Load, device: torch.device) -> Sent:
    """Copy a load to the card."""
    arrays = [seen(t) for t in sent(load.parcel, device)]
    count = len(Packed._fields)
    balls, corners, items, frames, u, v, bins = arrays[count:]
    real = np.float32
    plate = Plate(u, v, real(load.pixel_mm), real(load.distance_mm), load.sub_rays)
    return Sent(Packed(*arrays[:count]), balls, corners, items, frames, plate, bins)
