"""Projections on a card (shadows.cu, project.cu): tiles of pixels, each with a list of the solids whose shadow meets
it.

Lists are in the order of the scene and no ray depends on another: the bits are the same in every run.
"""

from __future__ import annotations

from typing import NamedTuple

import torch

from jointwise.data_gen.xray.cuda import compiled
from jointwise.data_gen.xray.cuda.load import FEW_ENERGIES, Sent
from jointwise.data_gen.xray.cuda.panel import COARSE

WIDE, TALL, THREADS, TILES = 32, 32, 128, 8
"""Columns and rows of a tile, threads of a block, and tiles of a block of `lists`, as in project.cu."""

LISTED, ABOUT = 1024, 55
"""Items that a tile may meet, and numbers known of it beside, as in project.cu."""


class Shadows(NamedTuple):
    """What a scene's items have to do with the views.

    Attributes:
        spans: rows and columns (first, last + 1 of each) that each item may touch, int16 (view, item, 4).
        seen: the ball about each item, float32 (view, item, 4); see shadows.cu.
        ways: from the source to the middle of each item, of joints to that of the joint, float32 (view, item), mm.
    """

    spans: torch.Tensor
    seen: torch.Tensor
    ways: torch.Tensor


def shadows(sent: Sent, device: torch.device) -> Shadows:
    """Where each item may be seen."""
    views, items, packed = sent.frames.shape[0], sent.items.shape[0], sent.packed
    spans = torch.empty((views, items, 4), dtype=torch.int16, device=device)
    seen = torch.empty((views, items, 4), dtype=torch.float32, device=device)
    ways = torch.empty((views, items), dtype=torch.float32, device=device)
    compiled.launch(
        "shadows", "shadows", (-(-items // 128), views), 128,
        sent.balls, sent.balls.shape[0], sent.corners, sent.items, items, packed.joint_centre, packed.joint_radius,
        packed.neck_rows, sent.frames, sent.u0_mm, sent.v0_mm, sent.pixel_mm, sent.distance_mm, sent.rows,
        sent.columns, packed.neck_centre, packed.neck_radius, sent.sub_rays, spans, seen, ways,
    )  # fmt: skip
    return Shadows(spans, seen, ways)


def project(
    sent: Sent, shadows: Shadows, first: int, last: int, device: torch.device, lost: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Expected signal and variance of views first … last - 1, float32 (view, row, column); see `xray.projector`.

    Beside them what every block of `COARSE` pixels lacks of the whole signal, float32 (view, row, column).

    Args:
        sent: the scan on the card.
        shadows: from :func:`shadows`.
        first, last: views.
        device: the card.
        lost: int32 (1,); set to 1 if a tile meets more solids than there is room for.
    """
    rows, columns, packed, energies = sent.rows, sent.columns, sent.packed, sent.bins.shape[1]
    signal = torch.empty((last - first, rows, columns), dtype=torch.float32, device=device)
    variance = torch.empty_like(signal)
    absorbed = torch.empty((last - first, -(-rows // COARSE), -(-columns // COARSE)), device=device)
    tiles, items = -(-columns // WIDE) * -(-rows // TALL) * (last - first), sent.items.shape[0]
    order = torch.zeros(2 + tiles, dtype=torch.int32, device=device)
    about = torch.empty((tiles, ABOUT), dtype=torch.int32, device=device)
    listed = torch.empty((tiles, min(LISTED, items)), dtype=torch.int32, device=device)
    busy = torch.empty((tiles, WIDE * TALL), dtype=torch.int16, device=device)
    of_tiles = (
        shadows.spans, items, sent.frames, first, sent.u0_mm, sent.v0_mm, sent.pixel_mm, sent.distance_mm, rows,
        columns, sent.stacks, sent.layers, sent.stacks.shape[0], about, listed, listed.shape[1],
    )  # fmt: skip
    of_pixels = (
        *of_tiles, sent.items, packed.joint_rows, shadows.seen, order, busy, sent.sub_rays, sent.bins, energies,
        *sent.few, signal, variance, absorbed,
    )  # fmt: skip
    of_solids = (
        sent.prims, shadows.ways, packed.neck_rows, packed.neck_joints, packed.joint_centre, packed.neck_centre,
        packed.neck_radius,
    )  # fmt: skip
    room = 32 * energies if energies > FEW_ENERGIES else 0
    compiled.launch("project", "lists", (-(-tiles // TILES),), 32 * TILES, *of_tiles, tiles, order, lost)
    compiled.launch("project", "judge", (tiles,), THREADS, *of_pixels, shared=room)
    compiled.launch("project", "project", (tiles,), THREADS, *of_pixels, *of_solids, shared=room)
    return signal, variance, absorbed
