"""Projections on a card (shadows.cu, project.cu): tiles of pixels, each with a list of the solids whose shadow meets
it.

Lists are in the order of the scene and no ray depends on another: the bits are the same in every run.
"""

from __future__ import annotations

import torch

from jointwise.data_gen.xray.cuda import compiled
from jointwise.data_gen.xray.cuda.load import FEW_ENERGIES, Sent

WIDE, TALL, THREADS = 32, 32, 256
"""Columns and rows of a tile and threads of a block, as in project.cu."""


def shadows(sent: Sent, device: torch.device) -> torch.Tensor:
    """Rows and columns (first, last + 1 of each) that each item may touch, int16 (view, item, 4)."""
    views, items, packed = sent.frames.shape[0], sent.items.shape[0], sent.packed
    out = torch.empty((views, items, 4), dtype=torch.int16, device=device)
    compiled.launch(
        "shadows", "shadows", (-(-items // THREADS), views), THREADS,
        sent.balls, sent.balls.shape[0], sent.corners, sent.items, items, packed.joint_centre, packed.joint_radius,
        packed.neck_rows, sent.frames, sent.u0_mm, sent.v0_mm, sent.pixel_mm, sent.distance_mm, sent.rows,
        sent.columns, out,
    )  # fmt: skip
    return out


def project(
    sent: Sent, spans: torch.Tensor, first: int, last: int, device: torch.device, lost: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor]:
    """Expected signal and variance of views first … last - 1, float32 (view, row, column); see `xray.projector`.

    Args:
        sent: the scan on the card.
        spans: from :func:`shadows`.
        first, last: views.
        device: the card.
        lost: int32 (1,); set to 1 if a tile meets more solids than there is room for.
    """
    rows, columns, packed, energies = sent.rows, sent.columns, sent.packed, sent.bins.shape[1]
    signal = torch.empty((last - first, rows, columns), dtype=torch.float32, device=device)
    variance = torch.empty_like(signal)
    compiled.launch(
        "project", "project", (-(-columns // WIDE), -(-rows // TALL), last - first), THREADS,
        sent.prims, sent.balls, packed.joint_rows, packed.neck_rows, packed.neck_joints, packed.joint_centre,
        packed.neck_centre, packed.neck_radius, sent.items, spans, spans.shape[1], sent.frames, first, sent.u0_mm,
        sent.v0_mm, sent.pixel_mm, sent.distance_mm, sent.sub_rays, sent.bins, energies, rows, columns,
        sent.stacks, sent.layers, sent.stacks.shape[0], *sent.few, signal, variance, lost,
        shared=32 * energies if energies > FEW_ENERGIES else 0,
    )  # fmt: skip
    return signal, variance
